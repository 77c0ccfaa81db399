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
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// beadFields are the numbers of the form, by the record's names.
var beadFields = []struct {
	name, label, hint string
	otherwise         float64 // NaN: may stay empty
	least, most       float64
	range_            string
	unit              string
}{
	{"layer_height_mm", "Layer height", "In mm, for example 0.20", farm.DefaultLayerHeightMM, 0.05, 1, "Layer height must be between 0.05 and 1.00 mm.", "mm"},
	{"line_width_mm", "Line width", "In mm, at that height, for example 0.45", farm.DefaultLineWidthMM, 0.1, 3, "Line width must be between 0.10 and 3.00 mm.", "mm"},
	{"line_pitch_mm", "Distance between lines (optional)", "In mm, from middle to middle. Empty: lines that just fill the layer", math.NaN(), 0.03, 3, "The distance must be between 0.03 and 3.00 mm.", "mm"},
	{"overfill_limit", "Most overfill", "In per cent, for example 25", 25, 1, 200, "Overfill must be between 1 and 200 %.", "%"},
	{"strand_gap_mm", "Slit seen between lines (optional)", "In mm, for example 0.03. Says the gap it means", math.NaN(), 0, 3, "A slit must be between 0 and 3.00 mm.", "mm"},
}

func (s *Server) getBead() echo.HandlerFunc {
	return func(c echo.Context) error {
		var names []string
		for _, f := range beadFields {
			names = append(names, f.name)
		}
		if err := onlyParams(c, names...); err != nil {
			return err
		}
		p := views.BeadPage{Action: s.url("/bead")}
		profile, slit, ok := readBead(c, &p)
		title := "What lines look like"
		if ok {
			title = fmt.Sprintf("Lines of %.2f × %.2f%smm", profile.HeightMM, profile.WidthMM, thin)
			fillBead(&p, profile, slit)
		}
		p.Shell = s.shell(c, title, "")
		status := http.StatusOK
		if !ok {
			status = http.StatusUnprocessableEntity
		}
		return render(c, status, views.Bead(p))
	}
}

// readBead reads the form into the page's fields; not ok where a number is
// wrong, which the fields then say.
func readBead(c echo.Context, p *views.BeadPage) (profile bed.Profile, slit float64, ok bool) {
	values := map[string]float64{}
	at := map[string]int{}
	for i, f := range beadFields {
		text := c.QueryParam(f.name)
		x, wrong := f.otherwise, ""
		if strings.TrimSpace(text) != "" {
			x, wrong = readLength(text, f.unit, f.least, f.most, f.range_)
		} else if farm.Known(f.otherwise) {
			text = strconv.FormatFloat(x, 'f', -1, 64)
			if f.unit == "mm" {
				text = strconv.FormatFloat(x, 'f', 2, 64)
			}
		}
		values[f.name], at[f.name] = x, i
		p.Fields = append(p.Fields, views.BeadField{Name: f.name, Label: f.label, Hint: f.hint, Value: text, Wrong: wrong})
		if wrong != "" {
			p.Problems = append(p.Problems, wrong)
		}
	}
	if len(p.Problems) > 0 {
		return bed.Profile{}, 0, false
	}
	profile, err := bed.NewProfile(values["layer_height_mm"], values["line_width_mm"], values["line_pitch_mm"], values["overfill_limit"]/100)
	slit = values["strand_gap_mm"]
	if err == nil && farm.Known(slit) {
		_, _, err = profile.GapOfStrandGap(slit)
	}
	var refusal *fault.Error
	if errors.As(err, &refusal) {
		for _, x := range refusal.Problems {
			f := &p.Fields[at[x.Column]]
			f.Wrong = "Expected " + x.Expected + "."
			p.Problems = append(p.Problems, f.Wrong)
		}
	}
	return profile, slit, err == nil
}

// readLength reads what people type: decimal comma or point, blanks, the unit.
func readLength(text, unit string, least, most float64, range_ string) (x float64, wrong string) {
	t := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), unit))
	x, ok := farm.ParseNumber(strings.Replace(t, ",", ".", 1))
	switch {
	case ok && x >= least && x <= most:
		return x, ""
	case ok && unit == "mm" && x/100 >= least && x/100 <= most:
		return x, fmt.Sprintf("%s Did you mean %.2f mm?", range_, x/100)
	}
	return x, range_
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
