package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/printable"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// numberField is a number that a page which records nothing is asked with.
type numberField struct {
	name, label, hint string
	unit              string
	otherwise         float64 // NaN: may stay empty
	least, most       float64
	expected          string
}

var (
	heightField   = numberField{"layer_height_mm", "Layer height", "For example 0.20", "mm", farm.DefaultLayerHeightMM, 0.05, 1, "Layer height must be between 0.05 and 1.00 mm."}
	widthField    = numberField{"line_width_mm", "Line width", "At that height, for example 0.45", "mm", farm.DefaultLineWidthMM, 0.1, 3, "Line width must be between 0.10 and 3.00 mm."}
	pitchField    = numberField{"line_pitch_mm", "Distance between lines", "From middle to middle. Empty: lines that just fill the layer", "mm", math.NaN(), 0.03, 3, "The distance must be between 0.03 and 3.00 mm."}
	overfillField = numberField{"overfill_limit", "Most overfill", "How much too much plastic is still good, for example 25", "%", 25, 1, 200, "Overfill must be between 1 and 200 %."}
	slitField     = numberField{"strand_gap_mm", "Slit seen between lines", "For example 0.03. Says the gap it means", "mm", math.NaN(), 0, 3, "A slit must be between 0 and 3.00 mm."}
	densityField  = numberField{"density_g_cm3", "Density of the material", "For the expected mass. PLA is about 1.24; the spool's data sheet wins", "g/cm³", printable.UsualDensity, 0.1, 25, "Density must be between 0.1 and 25 g/cm³."}
)

// numbersForm is what was asked, what was answered, and what is wrong with it.
type numbersForm struct {
	fields   []views.Field
	problems []views.FormProblem
	values   map[string]float64
}

// readNumbers reads a page's numbers from its address.
func readNumbers(c echo.Context, asked ...numberField) (f numbersForm) {
	f.values = map[string]float64{}
	for _, q := range asked {
		text := strings.TrimSpace(c.QueryParam(q.name))
		x, wrong := q.otherwise, ""
		switch {
		case text != "":
			x, wrong = q.read(text)
		case farm.Known(x) && q.unit == "%":
			text = strconv.FormatFloat(x, 'f', -1, 64)
		case farm.Known(x):
			text = strings.TrimSuffix(strconv.FormatFloat(x, 'f', max(2, decimals(x)), 64), ".")
		}
		f.values[q.name] = x
		f.fields = append(f.fields, views.Field{Name: q.name, Label: q.label, Kind: "number", Hint: q.hint, Value: text, Unit: q.unit, Optional: !farm.Known(q.otherwise), Wrong: wrong})
		if wrong != "" {
			f.problems = append(f.problems, views.FormProblem{Field: q.name, Words: wrong})
		}
	}
	return f
}

// decimals is how many decimals a number is written with.
func decimals(x float64) int {
	s := strconv.FormatFloat(x, 'f', -1, 64)
	if i := strings.IndexByte(s, '.'); i >= 0 {
		return len(s) - i - 1
	}
	return 0
}

// refuse says a refusal of the room that computes at the fields it is about.
// False where it is about none of them.
func (f *numbersForm) refuse(err error) bool {
	var refusal *fault.Error
	if !errors.As(err, &refusal) {
		return false
	}
	said := false
	for _, x := range refusal.Problems {
		for i := range f.fields {
			if f.fields[i].Name == x.Column {
				f.fields[i].Wrong = "Expected " + x.Expected + "."
				f.problems = append(f.problems, views.FormProblem{Field: x.Column, Words: f.fields[i].Wrong})
				said = true
			}
		}
	}
	return said
}

// read reads what people type: decimal comma or point, blanks, the unit.
func (q *numberField) read(text string) (x float64, wrong string) {
	t := strings.TrimSpace(strings.TrimSuffix(text, q.unit))
	x, ok := farm.ParseNumber(strings.Replace(t, ",", ".", 1))
	switch {
	case ok && x >= q.least && x <= q.most:
		return x, ""
	case ok && q.unit == "mm" && x/100 >= q.least && x/100 <= q.most:
		return x, q.expected + " Did you mean " + mm(x/100) + "?"
	}
	return x, q.expected
}

func (s *Server) getBead() echo.HandlerFunc {
	asked := []numberField{heightField, widthField, pitchField, overfillField, slitField}
	return func(c echo.Context) error {
		if err := onlyParams(c, names(asked)...); err != nil {
			return err
		}
		f := readNumbers(c, asked...)
		p, title := views.BeadPage{Action: s.url("/bead")}, "What lines look like"
		if len(f.problems) == 0 {
			profile, err := bed.NewProfile(f.values["layer_height_mm"], f.values["line_width_mm"], f.values["line_pitch_mm"], f.values["overfill_limit"]/100)
			slit := f.values["strand_gap_mm"]
			if err == nil && farm.Known(slit) {
				_, _, err = profile.GapOfStrandGap(slit)
			}
			switch {
			case err == nil:
				title = "Lines of " + profileWords(profile)
				fillBead(&p, profile, slit)
			case !f.refuse(err):
				return err
			}
		}
		p.Fields, p.Problems = f.fields, f.problems
		settings, err := s.store.Settings(c.Request().Context())
		if err != nil {
			return err
		}
		p.Shell = withClock(s.shell(c, title, ""), s.now(), settings.Zone())
		return render(c, f.status(), views.Bead(p))
	}
}

func names(asked []numberField) (out []string) {
	for _, q := range asked {
		out = append(out, q.name)
	}
	return out
}

// status is 422 where a number is wrong.
func (f *numbersForm) status() int {
	if len(f.problems) > 0 {
		return http.StatusUnprocessableEntity
	}
	return http.StatusOK
}

// profileWords writes "0.20 × 0.45 mm".
func profileWords(p bed.Profile) string {
	return strconv.FormatFloat(p.HeightMM, 'f', 2, 64) + " × " + mm(p.WidthMM)
}

// fillBead fills what follows from the profile.
func fillBead(p *views.BeadPage, m bed.Profile, slit float64) {
	b := m.Band()
	over := percent(m.OverfillLimit)
	p.Lead = fmt.Sprintf("The gap between nozzle and plate may be %.3f to %.3f%smm; aim at %.3f%smm, the middle.", b.LowMM, b.HighMM, thin, b.MiddleMM(), thin)
	upper := "slits open between lines"
	if math.IsNaN(b.OpensMM) {
		upper = "lines still touch, and lose hold"
	}
	p.Facts = []views.Fact{
		{Word: "Lower edge", Value: mm3(b.LowMM), Note: over + " more plastic than room"},
		{Word: "Middle", Value: mm3(b.MiddleMM())},
		{Word: "Upper edge", Value: mm3(b.HighMM), Note: upper},
		{Word: "Loss of hold", Value: mm3(b.HoldMM), Note: "from here on a line is round and nothing presses it on"},
		{Word: "Between lines", Value: mm3(m.PitchMM), Note: "from middle to middle"},
		{Word: "Plastic in a line", Value: strconv.FormatFloat(m.AreaMM2(), 'f', 4, 64) + thin + "mm²", Note: "the same at any gap"},
	}
	p.Aim = "Where a part may bond too well (PETG, TPU or PC on smooth PEI or glass) aim no lower than the layer height, " + mm(m.HeightMM) + "."
	if aim := m.Target(true).AimMM; aim == b.MiddleMM() {
		p.Aim = "The middle lies above the layer height, so it is also right where a part may bond too well (PETG, TPU or PC on smooth PEI or glass)."
	}
	if farm.Known(slit) {
		p.Seen = slitWords(m, slit)
	}
	beyond := (b.HighMM + b.HoldMM) / 2
	if math.IsNaN(b.OpensMM) {
		beyond = b.HoldMM * 1.1
	}
	scale := beadScale(m, b.LowMM)
	for _, x := range []struct {
		title string
		gap   float64
	}{{"Lower edge", b.LowMM}, {"Aim", b.MiddleMM()}, {"Upper edge", b.HighMM}, {"Too high", beyond}} {
		p.Drawings = append(p.Drawings, scale.draw(x.title, m, x.gap))
	}
	p.Gaps = views.Table{Caption: "Lines at other gaps", Sub: "All in mm", Columns: []views.Column{{Word: "Where"}, {Word: "Gap", Number: true}, {Word: "Overfill", Number: true}, {Word: "Line width", Number: true}, {Word: "Thickness", Number: true, Wide: true}, {Word: "Slit", Number: true}}}
	for _, x := range []struct {
		gap   float64
		where string
	}{{0.6 * m.HeightMM, "Strongly over-squished"}, {b.LowMM, "Lower edge"}, {b.MiddleMM(), "Middle"}, {m.HeightMM, "Layer height"}, {b.HighMM, "Upper edge"}, {beyond, "Too high"}, {b.HoldMM, "Loss of hold"}} {
		n := func(v float64) views.Cell { return views.Cell{Text: strconv.FormatFloat(v, 'f', 3, 64)} }
		p.Gaps.Rows = append(p.Gaps.Rows, views.Row{Strong: x.where == "Middle", Cells: []views.Cell{{Text: x.where}, n(x.gap), {Text: percent(m.Overfill(x.gap))}, n(m.BeadWidthMM(x.gap)), n(m.BeadThicknessMM(x.gap)), n(m.StrandGapMM(x.gap))}})
	}
}

// mm3 writes a length of the model with three decimals.
func mm3(x float64) string { return strconv.FormatFloat(x, 'f', 3, 64) + thin + "mm" }

// slitWords says what a seen slit means; it was checked before.
func slitWords(m bed.Profile, slit float64) string {
	gap, is, err := m.GapOfStrandGap(slit)
	if err != nil {
		return ""
	}
	above := gap - m.Band().MiddleMM()
	switch is {
	case bed.AtMost:
		return fmt.Sprintf("No slit: the gap is at most %s. It may be low; look for ridges.", mm3(gap))
	case bed.AtLeast:
		return fmt.Sprintf("A slit of %s: the line is round, so the gap is at least %s. The nozzle is at least %s above the middle of the band.", mm3(slit), mm3(gap), mm(above))
	}
	return fmt.Sprintf("A slit of %s means a gap of %s: the nozzle is %s above the middle of the band.", mm3(slit), mm3(gap), mm(above))
}

// beadDrawn is the scale all drawings of a page share.
type beadDrawn struct {
	unit, widest, top float64 // units per mm; widest bead and height of the picture, mm
}

const (
	beadPicture = 320.0 // width in units
	beadLines   = 3
)

func beadScale(m bed.Profile, low float64) beadDrawn {
	widest := m.BeadWidthMM(low)
	return beadDrawn{unit: beadPicture / ((beadLines-1)*m.PitchMM + widest*1.1), widest: widest, top: m.StrandMM() * 1.5}
}

// draw is the cross-section of neighbouring lines at a gap.
func (s beadDrawn) draw(title string, m bed.Profile, gap float64) views.BeadDrawing {
	at := func(mm float64) string { return strconv.FormatFloat(mm*s.unit, 'f', 1, 64) }
	width, thick := m.BeadWidthMM(gap), m.BeadThicknessMM(gap)
	plate := s.top
	d := views.BeadDrawing{Title: title + ", gap " + mm3(gap), ViewBox: "0 0 " + strconv.Itoa(int(beadPicture)) + " " + at(s.top+0.02*s.top),
		Right: strconv.Itoa(int(beadPicture)), Plate: at(plate), Nozzle: at(plate - gap)}
	first := s.widest * 0.55
	for i := range beadLines {
		d.Lines = append(d.Lines, views.BeadLine{X: at(first + float64(i)*m.PitchMM - width/2), Y: at(plate - thick), Width: at(width), Height: at(thick), Round: at(thick / 2)})
	}
	// The tip over the last line: a flat face a little wider than the line.
	last, face := first+(beadLines-1)*m.PitchMM, min(m.WidthMM, s.widest)*0.5
	d.Tip = fmt.Sprintf("M%s %sH%sL%s 0H%sZ", at(last-face), at(plate-gap), at(last+face), at(last+face*1.1), at(last-face*1.1))
	switch o, slit := m.Overfill(gap), m.StrandGapMM(gap); {
	case gap >= m.StrandMM():
		d.Words = "Lines lie round and are not pressed on."
	case slit > 1e-9:
		d.Words = fmt.Sprintf("Lines %s wide, slits of %s between them.", mm(width), mm(slit))
	case o > 0.005:
		d.Words = fmt.Sprintf("Lines would be %s wide: %s more plastic than room.", mm(width), percent(o))
	default:
		d.Words = fmt.Sprintf("Lines %s wide, just touching.", mm(width))
	}
	return d
}
