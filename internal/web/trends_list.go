package web

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"
)

// Where a farm looks at some layers only, a rate as graded says what people chose to
// grade. Then charts judge by the layers that the look list drew, weighed by their
// chance: a count becomes that of as many layers drawn by lot alone as would tell as
// much (the effective number), so that limits stay exact ones. Both figures stand side
// by side everywhere.

// leastDrawn is the share of a window's starts that the look list must have drawn for.
const leastDrawn = 0.5

// listed tells whether a window's starts were drawn for, so that rates can be weighed.
func listed(got *store.Trends) bool {
	return got.Look.N > 0 && float64(got.Look.Drawn) >= leastDrawn*float64(got.Total.Started)
}

// judged is a count as charts judge it: failed and graded as they are, or the list's.
func (c *trendsChart) judged(t store.TrendCount, l *store.TrendLook) (x, n int) {
	if !c.list {
		return t.Failures, t.Graded
	}
	return effective(l)
}

// effective gives the list's rate as a count of the effective number of layers.
func effective(l *store.TrendLook) (x, n int) {
	if l.N == 0 {
		return 0, 0
	}
	r := l.Rate(0.95)
	n = max(1, int(math.Round(r.Effective)))
	return min(n, int(math.Round(r.Rate*r.Effective))), n
}

// bucketLook is what the list tells of a bucket.
func (c *trendsChart) bucketLook(k int) *store.TrendLook {
	if k < len(c.got.BucketLooks) {
		return &c.got.BucketLooks[k]
	}
	return &store.TrendLook{}
}

// listRate says the list's rate: "4.2 % (likely 3 to 6 %), 12 of 80 on the list failed".
func listRate(l *store.TrendLook) (of, how string) {
	if l.N == 0 {
		return "no record", ""
	}
	counts := count(l.Failed) + " of " + count(l.N) + " on the list"
	if l.N < fewest {
		return counts, ""
	}
	r := l.Rate(0.95)
	return aboutPercent(r.Rate), fmt.Sprintf("(likely %s to %s; %s)", bare(r.Low), percent(r.High), counts)
}

// bothRates says a count's rate by the list and as graded; only the latter where no
// list is in use.
func (c *trendsChart) bothRates(t store.TrendCount, l *store.TrendLook) string {
	graded := withHow(rateOf(t))
	if !c.inUse {
		return graded + " failed"
	}
	return "by the look list " + withHow(listRate(l)) + "; as graded " + graded
}

// lookLines say what rates rest on where a look list is in use.
func (t *trendsAnswer) lookLines() (lines []string) {
	if !t.inUse {
		return nil
	}
	l := &t.got.Look
	of, how := listRate(l)
	line := "By the look list: " + withHow(of, how) + ", each weighed by its chance of being drawn."
	if l.N >= fewest {
		r := l.Rate(0.95)
		line += fmt.Sprintf(" That tells as much as about %s layers by lot alone (design effect %s).", count(int(math.Round(r.Effective))), figure(r.Effect))
	}
	lines = append(lines, line)
	line = fmt.Sprintf("Of %s the list drew for %s and put %s on it; %s of these are graded, and %s besides, by choice.", counted(t.got.Total.Started, "start", "starts"), count(l.Drawn), count(l.Listed), count(l.N), count(l.Outside))
	if 10*l.N < 9*l.Listed {
		line += " Fewer than nine in ten of the list were looked at: what was left out may not be like the rest."
	}
	lines = append(lines, line)
	if t.got.Total.Graded > 0 && l.N >= fewest {
		w := l.Rate(0.95)
		if p := float64(t.got.Total.Failures) / float64(t.got.Total.Graded); p < w.Low || p > w.High {
			lines = append(lines, "The two disagree: graded by choice, too thin to say by what was graded.")
		}
	}
	return lines
}

// listCells are the cells of what the list tells: layers, failed, rate and its 95 %
// interval, the effective number.
func listCells(l *store.TrendLook) []string {
	if l.N == 0 {
		return []string{strconv.Itoa(l.Listed), "0", "", "", "", "", ""}
	}
	r := l.Rate(0.95)
	return []string{strconv.Itoa(l.Listed), strconv.Itoa(l.N), strconv.Itoa(l.Failed), num(r.Rate), num(r.Low), num(r.High), num(r.Effective)}
}

var listHead = []string{"on_list", "list_graded", "list_failed", "list_rate", "list_rate_low", "list_rate_high", "list_effective"}

// withList puts the list's cells behind others where a list is in use.
func (c *trendsChart) withList(row []string, l *store.TrendLook) []string {
	if c.inUse {
		row = append(row, listCells(l)...)
	}
	return row
}

func (c *trendsChart) listHead(row []string) []string {
	if c.inUse {
		row = append(row, listHead...)
	}
	return row
}

// listCell is a table's cell of the list's rate.
func listCell(l *store.TrendLook) views.Cell {
	of, how := listRate(l)
	return views.Cell{Text: of, Note: how}
}

// ordered tells whether a grouping has an order of its own, which counts more than
// which group is worst.
func ordered(by string) bool {
	switch by {
	case "hour", "shift", "age", "washed":
		return true
	}
	return false
}

// inOrder puts what names nothing behind the others.
func inOrder(list []ranked) []ranked {
	sort.SliceStable(list, func(i, j int) bool { return list[i].Name != "" && list[j].Name == "" })
	return list
}

// bandName says a band of prints: "25 to 49", "3,200 and more".
func bandName(by store.TrendBy, name string) string {
	first, last, ok := store.LifeBand(by, name)
	switch {
	case !ok:
		return name
	case last < 0:
		return count(first) + " and more"
	case first == last:
		return count(first)
	}
	return count(first) + " to " + count(last)
}

// spans are shifts as Trends counts by them.
func spans(shifts []stretch) []farm.Span {
	out := make([]farm.Span, len(shifts))
	for i, x := range shifts {
		out[i] = farm.Span{From: x.from, To: x.to}
	}
	return out
}

// limitsOf are the exact limits of a share of n at the usual rate.
func limitsOf(n int, usual float64) (low, high float64) {
	l, u := stats.BinomialLimits(n, usual, funnelSide)
	return float64(l) / float64(n), float64(u) / float64(n)
}

// orderedDrawing shows groups that have an order, with exact limits of each one's count;
// runs have no meaning where all days are summed.
func (c *trendsChart) orderedDrawing(p plot, list []ranked, usual float64) views.Drawing {
	slots := make([]*ranked, 0, len(list))
	if c.q.by == "hour" {
		slots = make([]*ranked, 24)
	}
	for i := range list {
		r := &list[i]
		if c.q.by != "hour" {
			slots = append(slots, r)
		} else if h, err := strconv.Atoi(r.Name); err == nil && h < 24 {
			slots[h] = r
		}
	}
	n := len(slots)
	p.xMax = float64(n)
	values, low, high, words := make([]float64, n), make([]float64, n), make([]float64, n), make([]string, n)
	top := usual
	for k, r := range slots {
		values[k], low[k], high[k] = math.NaN(), math.NaN(), math.NaN()
		if c.q.by == "hour" {
			words[k] = fmt.Sprintf("%02d:00", k)
		}
		if r == nil {
			continue
		}
		if c.q.by != "hour" {
			words[k], _, _ = strings.Cut(r.name, " ")
			if r.Name == "" {
				words[k] = "–"
			}
			words[k], _, _ = strings.Cut(words[k], "–")
		}
		if r.n == 0 {
			continue
		}
		values[k] = float64(r.x) / float64(r.n)
		low[k], high[k] = limitsOf(r.n, usual)
		top = max(top, values[k])
		if r.n >= fewest {
			top = max(top, high[k])
		}
	}
	var ticks []float64
	p.yMax, ticks = niceTop(min(1, top*1.05), 5)
	d := p.drawing(ticks, axisPercent)
	d.XTicks = p.xTicks(words)
	d.Path = p.joined(values)
	d.Centre = views.ChartLine{Points: p.at(0, usual) + " " + p.at(p.xMax, usual), Word: "usual " + aboutPercent(usual), X: place(p.right + 6), Y: place(p.y(usual) + 4), End: "start"}
	for _, line := range slices.Concat(p.steps(high), p.steps(low)) {
		d.Lines = append(d.Lines, views.ChartLine{Points: line})
	}
	for k, v := range values {
		if math.IsNaN(v) {
			continue
		}
		r := slots[k]
		dot := views.ChartDot{X: place(p.x(float64(k) + 0.5)), Y: place(p.y(v)), Says: c.groupSays(r)}
		if r.side != 0 {
			dot.Kind, dot.Word, dot.WX, dot.WY, dot.End = "beyond", words[k], dot.X, place(p.y(v)-10), "middle"
		}
		d.Dots = append(d.Dots, dot)
	}
	switch c.q.by {
	case "age":
		d.XTitle = "prints on the plate before"
	case "washed":
		d.XTitle = "prints since the plate was washed"
	case "shift":
		d.XTitle = "shifts by when they begin"
	}
	return d
}
