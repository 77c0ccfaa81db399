package web

import (
	"fmt"
	"math"
	"net/url"
	"strconv"
	"strings"

	"basecourse/internal/stats"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// gapChart draws failures by prints since cleaning: as counted by band, each
// with its likely range, and as adjusted with its band. Without a graded layer
// of known gap it is empty. Its table is the one of what was counted, on the
// same page at tableAt.
func gapChart(e *Evidence, tableAt, csv string) views.Chart {
	out := views.Chart{ID: "curve", Kind: "gap-curve", TableAt: tableAt, Above: true, CSV: csv, CSVWord: "These figures as CSV"}
	longest, most := 1.0, 4.0
	any := false
	for _, p := range e.Curve {
		longest, most = math.Max(longest, float64(p.Gap)), math.Max(most, p.High)
	}
	for _, b := range e.Cells {
		if counts(&b) {
			any = true
			longest, most = math.Max(longest, b.Mean), math.Max(most, 120*float64(b.Failures)/float64(b.Graded))
		}
	}
	if !any {
		return views.Chart{}
	}
	out.Title, out.Says = curveWords(e)
	out.Sub = fmt.Sprintf("Failures of 100 graded layers by prints since the plate was wiped or washed, %s. %s", e.Subject, sentence(coverage(e.Graded, e.Starts)))
	out.Below = []string{"Dots and upright lines: as counted, with their likely range."}
	if len(e.Curve) > 0 {
		out.Below[0] += " Line: adjusted, with its 95" + thin + "% band."
	}
	for _, p := range []plot{widePlot(), narrowPlot()} {
		out.Drawings = append(out.Drawings, gapDrawing(e, p, longest, math.Min(most, 100)))
	}
	return out
}

// counts tells whether a band has a point: layers graded at a known gap.
func counts(b *EvidenceCell) bool { return b.Graded > 0 && !math.IsNaN(b.Mean) }

func gapDrawing(e *Evidence, p plot, longest, most float64) views.Drawing {
	var ticks []float64
	p.yMax, ticks = niceTop(most, 5)
	if p.yMax > 100 {
		p.yMax, ticks = 100, []float64{0, 20, 40, 60, 80, 100}
	}
	p.xMax = longest
	p.right = p.w - 12 // no words beside it
	d := p.drawing(ticks, figure)
	d.XTitle = "prints since the plate was cleaned"
	d.YTitle = "failures of 100"
	steps := 8
	if p.class != "wide" {
		steps = 4
	}
	step := math.Max(1, axisStep(longest, steps))
	for v := 0.0; v <= longest+1e-9; v += step {
		d.XTicks = append(d.XTicks, views.ChartTick{At: place(p.x(v)), Word: figure(v), End: "middle"})
	}
	for i := range e.Cells {
		b := &e.Cells[i]
		if !counts(b) {
			continue
		}
		w := stats.Wilson(b.Failures, b.Graded, 0.95)
		x := place(p.x(b.Mean))
		d.Ranges = append(d.Ranges, "M"+x+" "+place(p.y(100*w.Low))+"V"+place(p.y(100*w.High)))
		d.Dots = append(d.Dots, views.ChartDot{X: x, Y: place(p.y(100 * float64(b.Failures) / float64(b.Graded))), Says: bandSays(e, b, w)})
	}
	if n := len(e.Curve); n > 1 {
		var line, up, down strings.Builder
		for i, c := range e.Curve {
			at, back := float64(c.Gap), e.Curve[n-1-i]
			pen := "L"
			if i == 0 {
				pen = "M"
			} else {
				line.WriteByte(' ')
			}
			line.WriteString(p.at(at, c.At))
			up.WriteString(pen + p.at(at, c.High))
			down.WriteString("L" + p.at(float64(back.Gap), back.Low))
		}
		d.Curve, d.Band = line.String(), up.String()+down.String()+"Z"
	}
	return d
}

// bandSays is what is read at a band's point.
func bandSays(e *Evidence, b *EvidenceCell, w stats.Interval) string {
	said := bandWords(*b) + " prints since cleaned: " + withHow(rateWords(b.Failures, b.Graded, w.Low, w.High)) + " failed; " + coverage(b.Graded, b.Started)
	if len(e.Curve) > 0 {
		said += "; adjusted " + adjustedAt(e, *b) + " of 100"
	}
	return sentence(said)
}

// gapRows is the same as a table to be taken away: what was counted by band,
// then the adjusted curve.
func gapRows(e *Evidence) [][]string {
	rows := [][]string{append([]string{"what", "prints_since_clean_from", "prints_since_clean_to", "mean_prints_since_clean"}, countHead...)}
	for _, b := range e.Cells {
		if b.Code != "band" {
			continue
		}
		to := ""
		if b.High >= 0 {
			to = strconv.Itoa(b.High)
		}
		w := stats.Wilson(b.Failures, b.Graded, 0.95)
		rows = append(rows, []string{"counted", strconv.Itoa(b.Low), to, num(b.Mean), strconv.Itoa(b.Started), strconv.Itoa(b.Graded), strconv.Itoa(b.Failures),
			num(float64(b.Failures) / float64(b.Graded)), num(w.Low), num(w.High)})
	}
	for _, p := range e.Curve {
		gap := strconv.Itoa(p.Gap)
		rows = append(rows, []string{"adjusted", gap, gap, gap, "", "", "", num(p.At / 100), num(p.Low / 100), num(p.High / 100)})
	}
	return rows
}

// getFindingCSV gives the figures of the chart on an evidence page.
func (s *Server) getFindingCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		e, err := s.cfg.Findings.Evidence(c.Request().Context(), q.kind, q.tag, q.cause, s.now())
		if err != nil {
			return err
		}
		name := "finding-" + q.kind + "-" + q.tag + "-" + q.cause + ".csv"
		if q.cause == "cleaning_gap" {
			return writeCSV(c, name, gapRows(e))
		}
		return writeCSV(c, name, probeRows(e))
	}
}

// probeRows is what was counted by the probe's state.
func probeRows(e *Evidence) [][]string {
	rows := [][]string{append([]string{"probe_state"}, countHead...)}
	for _, b := range e.Cells {
		w := stats.Wilson(b.Failures, b.Graded, 0.95)
		rows = append(rows, []string{b.Code, strconv.Itoa(b.Started), strconv.Itoa(b.Graded), strconv.Itoa(b.Failures),
			num(float64(b.Failures) / float64(b.Graded)), num(w.Low), num(w.High)})
	}
	return rows
}

// findingCSV is the address of the figures of a question.
func (s *Server) findingCSV(e *Evidence) string {
	return s.url("/findings/" + e.Kind + "/" + url.PathEscape(e.Subject) + "/" + e.Cause + "/figures.csv")
}

// curveWords says the chart in a sentence, and again with what was counted.
func curveWords(e *Evidence) (title, summary string) {
	var bands []string
	for _, b := range e.Cells {
		if b.Code == "band" && b.Graded > 0 {
			bands = append(bands, fmt.Sprintf("%s prints, %s of %s failed", bandWords(b), count(b.Failures), count(b.Graded)))
		}
	}
	title = "Failures by prints since cleaning, as counted"
	if n := len(e.Curve); n > 1 {
		first, last := e.Curve[0], e.Curve[n-1]
		verb := "No clear change with prints since cleaning: "
		switch {
		case e.OddsLow > 1:
			verb = "Failures rise with prints since cleaning: "
		case e.OddsHigh < 1:
			verb = "Failures fall with prints since cleaning: "
		}
		title = fmt.Sprintf("%sfrom %s of 100 at 0 to %s of 100 at %s, adjusted", verb, figure(first.At), figure(last.At), count(last.Gap))
	}
	return title, title + ". As counted: " + strings.Join(bands, "; ") + "."
}

func bandWords(b EvidenceCell) string {
	switch {
	case b.High < 0:
		return fmt.Sprintf("%d and more", b.Low)
	case b.High == b.Low:
		return strconv.Itoa(b.Low)
	}
	return fmt.Sprintf("%d to %d", b.Low, b.High)
}

// place writes a coordinate.
func place(x float64) string { return strconv.FormatFloat(math.Round(x*10)/10, 'f', -1, 64) }

// axisStep is the step of 1, 2 or 5 times a power of ten with which an axis up
// to most has at most n steps.
func axisStep(most float64, n int) float64 {
	p := math.Pow(10, math.Floor(math.Log10(most/float64(n))))
	for _, f := range []float64{1, 2, 5} {
		if most/(f*p) <= float64(n) {
			return f * p
		}
	}
	return 10 * p
}
