package web

import (
	"math"
	"strconv"
	"strings"

	"basecourse/views"
)

// plot turns values into places of a drawing: x from 0 to its width in points,
// y from 0 to a top value.
type plot struct {
	class                    string
	w, h                     float64
	left, right, top, bottom float64 // edges of the plot in the drawing
	xMax, yMax               float64
	root                     bool // x by its square root, so that few and many both show
}

// The sizes of a chart: a wide screen, a phone, and one of many small ones.
func widePlot() plot {
	return plot{class: "wide", w: 760, h: 300, left: 56, right: 650, top: 40, bottom: 252}
}
func narrowPlot() plot {
	return plot{class: "narrow", w: 340, h: 260, left: 46, right: 254, top: 40, bottom: 214}
}
func smallPlot() plot {
	return plot{class: "small", w: 260, h: 104, left: 44, right: 250, top: 8, bottom: 84}
}

func (p *plot) x(v float64) float64 {
	if p.root {
		return p.left + math.Sqrt(max(0, v)/p.xMax)*(p.right-p.left)
	}
	return p.left + v/p.xMax*(p.right-p.left)
}

func (p *plot) y(v float64) float64 {
	return p.bottom - min(1, max(0, v/p.yMax))*(p.bottom-p.top)
}

func (p *plot) at(x, y float64) string { return place(p.x(x)) + "," + place(p.y(y)) }

// drawing begins a drawing with its axis; label says a value of the axis.
func (p *plot) drawing(ticks []float64, label func(float64) string) views.Drawing {
	d := views.Drawing{Class: p.class, Width: place(p.w), Height: place(p.h), ViewBox: "0 0 " + place(p.w) + " " + place(p.h),
		Left: place(p.left), Right: place(p.right), Top: place(p.top), Bottom: place(p.bottom)}
	for _, t := range ticks {
		d.YTicks = append(d.YTicks, views.ChartTick{At: place(p.y(t)), Word: label(t)})
	}
	return d
}

// niceTop gives the top of an axis from 0 and its ticks, for values up to high.
func niceTop(high float64, most int) (top float64, ticks []float64) {
	if !(high > 0) {
		high = 1
	}
	step := math.Pow(10, math.Floor(math.Log10(high)))
	for _, k := range []float64{0.1, 0.2, 0.25, 0.5, 1, 2, 5, 10} {
		if high/(step*k) <= float64(most) {
			step *= k
			break
		}
	}
	n := int(math.Ceil(high/step - 1e-9))
	for i := range n + 1 {
		ticks = append(ticks, float64(i)*step)
	}
	return float64(n) * step, ticks
}

// axisPercent says a share on an axis.
func axisPercent(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e4)/100, 'f', -1, 64) + thin + "%"
}

func axisCount(v float64) string { return count(int(math.Round(v))) }

// labelEvery is the distance between words on an axis of n points, of which
// at most most are written.
func labelEvery(n, most int) int { return max(1, (n+most-1)/most) }

// xTicks writes words under points lying at i + 0.5; narrow drawings take fewer.
func (p *plot) xTicks(words []string) (out []views.ChartTick) {
	most := 6
	if p.class != "wide" {
		most = 3
	}
	every := labelEvery(len(words), most)
	for i := 0; i < len(words); i += every {
		out = append(out, views.ChartTick{At: place(p.x(float64(i) + 0.5)), Word: words[i], End: "middle"})
	}
	return out
}

// steps draws a limit that is constant within each point's place; NaN breaks it.
func (p *plot) steps(values []float64) (lines []string) {
	var b strings.Builder
	end := func() {
		if b.Len() > 0 {
			lines = append(lines, b.String())
		}
		b.Reset()
	}
	for i, v := range values {
		if math.IsNaN(v) {
			end()
			continue
		}
		if b.Len() > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(p.at(float64(i), v) + " " + p.at(float64(i+1), v))
	}
	end()
	return lines
}

// joined draws a thin line through points at i + 0.5; NaN breaks it.
func (p *plot) joined(values []float64) (lines []string) {
	var b strings.Builder
	points := 0
	end := func() {
		if points > 1 {
			lines = append(lines, b.String())
		}
		b.Reset()
		points = 0
	}
	for i, v := range values {
		if math.IsNaN(v) {
			end()
			continue
		}
		if points > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(p.at(float64(i)+0.5, v))
		points++
	}
	end()
	return lines
}

// beside places words at the right edge of the plot, each at its line's height
// and none over another.
func (p *plot) beside(heights []float64, words []string) (xs, ys []string) {
	type one struct {
		i int
		y float64
	}
	list := make([]one, len(heights))
	for i, h := range heights {
		list[i] = one{i, p.y(h) + 4}
	}
	// From the top down; few enough for the plainest sort.
	for i := range list {
		for j := i + 1; j < len(list); j++ {
			if list[j].y < list[i].y {
				list[i], list[j] = list[j], list[i]
			}
		}
	}
	const lineHeight = 17
	for i := 1; i < len(list); i++ {
		list[i].y = max(list[i].y, list[i-1].y+lineHeight)
	}
	xs, ys = make([]string, len(heights)), make([]string, len(heights))
	for _, o := range list {
		xs[o.i], ys[o.i] = place(p.right+6), place(o.y)
	}
	return xs, ys
}

// bracket marks points first to last from above.
func (p *plot) bracket(first, last int, word string) views.ChartRun {
	y := p.top - 6
	x1, x2 := p.x(float64(first)+0.5)-4, p.x(float64(last)+0.5)+4
	mid := min(max((x1+x2)/2, p.left+4*float64(len(word))), p.w-4*float64(len(word)))
	return views.ChartRun{Path: "M" + place(x1) + " " + place(y+6) + "V" + place(y) + "H" + place(x2) + "V" + place(y+6), Word: word, X: place(mid), Y: place(y - 5)}
}
