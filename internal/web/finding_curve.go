package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"basecourse/internal/stats"
	"basecourse/views"
)

// The chart's box and where its axes lie, in units of the drawing.
const (
	curveWidth, curveHeight = 400.0, 250.0
	curveLeft, curveRight   = 40.0, 388.0
	curveTop, curveBottom   = 12.0, 212.0
)

// gapCurve draws failures by prints since cleaning: as counted by band, and as
// adjusted with its band. Without a graded layer of known gap there is nothing.
func gapCurve(e *Evidence) views.GapCurve {
	c := views.GapCurve{Width: place(curveWidth), Height: place(curveHeight), Left: place(curveLeft), Right: place(curveRight),
		Top: place(curveTop), Bottom: place(curveBottom), Tick: place(curveBottom + 4)}
	longest, most := 1.0, 4.0
	for _, p := range e.Curve {
		longest, most = math.Max(longest, float64(p.Gap)), math.Max(most, p.High)
	}
	for _, x := range e.Cells {
		if x.Graded > 0 && !math.IsNaN(x.Mean) {
			longest, most = math.Max(longest, x.Mean), math.Max(most, 120*float64(x.Failures)/float64(x.Graded))
		}
	}
	yStep := axisStep(math.Min(most, 100), 4)
	top := math.Min(100, math.Ceil(most/yStep)*yStep)
	xStep := math.Max(1, axisStep(longest, 6))
	x := func(gap float64) string { return place(curveLeft + (curveRight-curveLeft)*gap/longest) }
	y := func(of100 float64) string {
		return place(curveBottom - (curveBottom-curveTop)*math.Max(0, math.Min(top, of100))/top)
	}
	for v := 0.0; v <= top+1e-9; v += yStep {
		c.Y = append(c.Y, views.Tick{At: y(v), Text: figure(v)})
	}
	for v := 0.0; v <= longest+1e-9; v += xStep {
		c.X = append(c.X, views.Tick{At: x(v), Text: figure(v)})
	}
	for _, b := range e.Cells {
		if b.Graded == 0 || math.IsNaN(b.Mean) {
			continue
		}
		w := stats.Wilson(b.Failures, b.Graded, 0.95)
		c.Points = append(c.Points, views.CurveDot{X: x(b.Mean), Y: y(100 * float64(b.Failures) / float64(b.Graded)), Low: y(100 * w.Low), High: y(100 * w.High)})
	}
	if n := len(e.Curve); n > 0 {
		var line, up, down strings.Builder
		for i, p := range e.Curve {
			at := x(float64(p.Gap))
			fmt.Fprintf(&line, "%s%s %s", pen(i), at, y(p.At))
			fmt.Fprintf(&up, "%s%s %s", pen(i), at, y(p.High))
			low := e.Curve[n-1-i]
			fmt.Fprintf(&down, "L%s %s", x(float64(low.Gap)), y(low.Low))
		}
		c.Line, c.Band = line.String(), up.String()+down.String()+"Z"
	}
	c.Title, c.Summary = curveWords(e)
	c.Sub = fmt.Sprintf("Failures of 100 graded layers (upright) by prints since the plate was wiped or washed (along); %s, %s", e.Subject, coverage(e.Graded, e.Starts))
	return c
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

func pen(i int) string {
	if i == 0 {
		return "M"
	}
	return "L"
}

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
