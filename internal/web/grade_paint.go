package web

import (
	"math"
	"strings"

	"basecourse/internal/farm"
	"basecourse/views"
)

// brushBare is the brush for zones nothing was printed on.
const brushBare = "not_printed"

// marksOnMap is how many marks one zone of the map takes.
const marksOnMap = 2

// brush says a mark as it is painted with: what it looks like, and the letter
// that picks it.
type brush struct{ code, seen, key string }

var (
	commonBrushes = []brush{
		{"nozzle_low", "ridges, rough, see-through, scraped", "o"}, {"nozzle_high", "round lines, slits between lines, strings", "u"},
		{"blobs", "balls, lumps carried about: it did not grip", "b"}, {"dragged", "lines pulled off at turns, cutting corners", "d"},
		{"contamination", "finger-, streak- or drop-shaped dull or bare patches", "c"}, {"lifting", "edge or corner off the plate", "l"},
	}
	moreBrushes = []brush{
		{"no_start", "lines missing from the beginning", "s"}, {"under_fed", "sparse lines, squish right", "f"}, {"over_fed", "ridged, all zones alike", "v"},
		{"striping", "regular bands; cause open", "t"}, {"moisture", "pits and bubbles in the line, in every layer", "m"},
		{"plate_mark", "dent, scratch, worn coating, an earlier part’s outline", "p"}, {"debris", "crumbs or hairs printed over", "e"}, {"other", "say what in the note", "x"},
	}
)

// painted is the state of the map: it goes with the form as text, so that each
// tap can be a form sent.
type painted struct {
	marks []farm.Mark
	bare  []farm.Zone // nothing printed
}

// paint is one tap on a zone with a brush: slight, clear, strong, none. It gives
// what stands in the way, "" nothing.
func (p *painted) paint(z farm.Zone, with string) string {
	wasBare := p.isBare(z)
	if with == brushBare {
		p.uncover(z)
		if !wasBare {
			p.marks = without(p.marks, func(m farm.Mark) bool { return m.Zone == z })
			p.bare = append(p.bare, z)
		}
		return ""
	}
	if _, known := farm.MarkCode(with); !known {
		return "Choose a mark first, then tap the zones that show it."
	}
	n := 0
	for i := range p.marks {
		switch m := &p.marks[i]; {
		case m.Zone != z:
		case m.Mark != with:
			n++
		case m.Severity < 3:
			m.Severity++
			return ""
		default:
			p.marks = without(p.marks, func(x farm.Mark) bool { return x == *m })
			return ""
		}
	}
	if n >= marksOnMap {
		return "Zone " + z.Text() + " has two marks. Take one off first: choose it and tap until it is gone."
	}
	p.uncover(z)
	p.marks = append(p.marks, farm.Mark{Zone: z, Mark: with, Severity: 1})
	farm.SortMarks(p.marks)
	return ""
}

// without gives the marks a test does not pick, in a list of its own.
func without(list []farm.Mark, pick func(farm.Mark) bool) []farm.Mark {
	var out []farm.Mark
	for _, m := range list {
		if !pick(m) {
			out = append(out, m)
		}
	}
	return out
}

func (p *painted) isBare(z farm.Zone) bool {
	for _, b := range p.bare {
		if b == z {
			return true
		}
	}
	return false
}

func (p *painted) uncover(z farm.Zone) {
	var out []farm.Zone
	for _, b := range p.bare {
		if b != z {
			out = append(out, b)
		}
	}
	p.bare = out
}

// covered are the zones printed on as records have them: none for all.
func (p *painted) covered(cols, rows int) []farm.Zone {
	if len(p.bare) == 0 {
		return nil
	}
	var out []farm.Zone
	for z := range zonesOf(cols, rows) {
		if !p.isBare(z) {
			out = append(out, z)
		}
	}
	return out
}

// zonesOf goes through a grid as records order zones.
func zonesOf(cols, rows int) func(func(farm.Zone) bool) {
	return func(yield func(farm.Zone) bool) {
		for c := range cols {
			for r := range rows {
				if !yield(farm.Zone{Col: uint8(c), Row: uint8(r)}) {
					return
				}
			}
		}
	}
}

// paintedOf is the map of a record.
func paintedOf(f *farm.FirstLayer, cols, rows int) painted {
	p := painted{marks: append([]farm.Mark(nil), f.Marks...)}
	if len(f.Covered) == 0 {
		return p
	}
	on := map[farm.Zone]bool{}
	for _, z := range f.Covered {
		on[z] = true
	}
	for z := range zonesOf(cols, rows) {
		if !on[z] {
			p.bare = append(p.bare, z)
		}
	}
	return p
}

// bed lays the map out: the back row first.
func (p *painted) bed(cols, rows int) views.Bed {
	b := views.Bed{Cols: cols}
	for row := rows - 1; row >= 0; row-- {
		var line []views.BedZone
		for col := range cols {
			at := farm.Zone{Col: uint8(col), Row: uint8(row)}
			z := views.BedZone{Code: at.Text(), Place: zonePlace(col, row, cols, rows), Bare: p.isBare(at)}
			for _, m := range p.marks {
				if m.Zone == at {
					z.Marks = append(z.Marks, views.BedMark{Code: m.Mark, Word: shortMark(m.Mark) + ", " + severityWords[m.Severity], Severity: string('0' + rune(m.Severity))})
				}
			}
			line = append(line, z)
		}
		b.Rows = append(b.Rows, line)
	}
	return b
}

func brushes(list []brush, chosen string) []views.Brush {
	out := make([]views.Brush, len(list))
	for i, b := range list {
		out[i] = views.Brush{Code: b.code, Word: wordFor(markWords, b.code), Short: shortMark(b.code), Seen: b.seen, Key: b.key, Chosen: b.code == chosen}
	}
	return out
}

// readingsTyped reads the thicknesses typed into one zone: numbers with a comma
// or a point, blanks or semicolons between, p behind for a patch. wrong says
// what to do about the first that cannot be.
func readingsTyped(z farm.Zone, text string, patch bool) (list []farm.Reading, wrong string) {
	words := strings.FieldsFunc(strings.NewReplacer("mm", " ", thin, " ", "\u00a0", " ").Replace(text), func(r rune) bool { return r == ' ' || r == ';' || r == '\t' })
	for _, w := range words {
		number, is := strings.CutSuffix(w, "p")
		x, ok := typedNumber(number, "mm")
		switch {
		case !ok:
			return nil, z.Text() + ": " + fq(w) + " is no number. Give a thickness in mm, for example 0.21."
		case x < farm.LeastReadingMM || x > farm.MostReadingMM:
			wrong := z.Text() + ": thickness must be between 0.05 and 1.00 mm."
			if meant, ok := meantMM(x); ok {
				wrong += " Did you mean " + mm(meant) + "?"
			}
			return nil, wrong
		}
		list = append(list, farm.Reading{Zone: z, MM: x, Patch: patch || is})
	}
	return list, ""
}

// meantMM guesses the thickness in mm behind a number without its point: 21 is
// 0.21, 210 too.
func meantMM(x float64) (float64, bool) {
	best, found := 0.0, false
	for _, by := range []float64{10, 100, 1000} {
		y := x / by
		if y >= farm.LeastReadingMM && y <= farm.MostReadingMM && (!found || math.Abs(math.Log(y/farm.DefaultLayerHeightMM)) < math.Abs(math.Log(best/farm.DefaultLayerHeightMM))) {
			best, found = y, true
		}
	}
	return best, found
}
