package web

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"
)

// gapsNeeded is how many failures a chart of gaps needs, gapsShown how many it
// shows, sumBins how many points of a sum.
const (
	gapsNeeded = 5
	gapsShown  = 60
	sumBins    = 120
)

// mostLots is how many new lots, or plates put on, are marked on the axis; more stand
// in the list.
const mostLots = 4

// trendsChart builds the first chart of the page from what was counted.
type trendsChart struct {
	q      trendsQuery
	bounds []time.Time
	got    *store.Trends
	zone   *time.Location
	events []store.TrendEvent
	now    time.Time // what starts later is not counted
	about  string    // what is shown, in words
	inUse  bool      // a look list drew for what is shown
	list   bool      // charts judge by it
}

// label says a bucket: "2026-03-02".
func (c *trendsChart) label(k int) string { return c.bounds[k].In(c.zone).Format(time.DateOnly) }

// short is the label without the year, for an axis.
func (c *trendsChart) short(k int) string { return c.bounds[k].In(c.zone).Format("01-02") }

func (c *trendsChart) bucketWord() string { return c.q.per }

// named says a bucket in a sentence: "the week from 2026-03-02".
func (c *trendsChart) named(k int) string {
	if c.q.per == "day" {
		return c.label(k)
	}
	return "the week from " + c.label(k)
}

// rateOf says a count with its interval.
func rateOf(t store.TrendCount) (of, how string) {
	w := stats.Wilson(t.Failures, t.Graded, 0.95)
	return rateWords(t.Failures, t.Graded, w.Low, w.High)
}

func withHow(of, how string) string {
	if how == "" {
		return of
	}
	return of + " " + how
}

// aboutPercent writes a rate with one decimal below 10 %.
func aboutPercent(v float64) string {
	if math.IsNaN(v) {
		return "no record"
	}
	if v < 0.1 {
		return strconv.FormatFloat(math.Round(v*1000)/10, 'f', -1, 64) + thin + "%"
	}
	return percent(v)
}

func (c *trendsChart) window() string {
	return c.label(0) + " to " + c.bounds[len(c.bounds)-1].AddDate(0, 0, -1).In(c.zone).Format(time.DateOnly)
}

func (c *trendsChart) sub(what string) string {
	return what + ", " + c.about + ", " + c.window() + ". " + sentence(c.bothRates(c.got.Total, &c.got.Look)+"; "+coverage(c.got.Total.Graded, c.got.Total.Started))
}

// tooFew says how many layers a rate still needs; "" enough.
func tooFew(graded int) string {
	if graded >= rateNeeds {
		return ""
	}
	return sentence(counted(graded, "graded layer", "graded layers") + " so far; a rate needs about " + strconv.Itoa(rateNeeds))
}

// tooFew says the same of all that is shown, as it is judged.
func (c *trendsChart) tooFew() string {
	_, n := c.judged(c.got.Total, &c.got.Look)
	return tooFew(n)
}

// shortCount says a point's count, or its rate by the list.
func (c *trendsChart) shortCount(k int) string {
	if c.list {
		return aboutPercent(c.bucketLook(k).Rate(0.95).Rate)
	}
	return count(c.got.Buckets[k].Failures) + " of " + count(c.got.Buckets[k].Graded)
}

// rateChart is the p chart.
func (c *trendsChart) rateChart() (views.Chart, stats.PChart) {
	x, n := make([]int, len(c.got.Buckets)), make([]int, len(c.got.Buckets))
	for k, b := range c.got.Buckets {
		x[k], n[k] = c.judged(b, c.bucketLook(k))
	}
	chart := stats.PChartOf(x, n)
	out := views.Chart{ID: "main", Kind: "rate", Title: c.rateTitle(&chart), Sub: c.sub("Failed of graded first layers by " + c.bucketWord()),
		Empty: c.tooFew(), Table: c.rateTable(&chart)}
	out.Says = out.Title + "."
	if out.Empty != "" {
		out.Title = "Too few layers for a rate"
		return out, chart
	}
	switch {
	case chart.Sigma > 1:
		out.Below = append(out.Below, fmt.Sprintf("%ss scatter %s times as much as chance alone allows; the limits are widened by that (Laney’s p′ chart).", sentenceCase(c.bucketWord()), figure(chart.Sigma)))
	default:
		out.Below = append(out.Below, fmt.Sprintf("Limits are exact for each %s’s count: at a steady rate about one point in 740 lies beyond one of them, or fewer.", c.bucketWord()))
	}
	out.Below = append(out.Below, fmt.Sprintf("A run is %d points in a row on one side of the usual rate. At a rate that stays the same %s of these counts would show a point beyond a limit or a run.",
		stats.RunLength, ofHundredCharts(chart.FalseAlarm(n))))
	if c.list {
		out.Below = append(out.Below, "Points are the look list’s rates, weighed by the chance of being drawn; limits go by how many layers by lot alone would tell as much.")
	}
	if k := c.open(); k >= 0 {
		out.Below = append(out.Below, sentenceCase(c.named(k))+" is not over; it counts so far.")
	}
	values := make([]float64, len(x))
	high, all := chart.Centre, 0
	for _, m := range n {
		all += m
	}
	for k := range x {
		values[k] = math.NaN()
		if n[k] > 0 {
			values[k] = float64(x[k]) / float64(n[k])
			high = max(high, values[k])
			if n[k]*20 >= all/len(x) { // limits of hardly any layers would flatten the rest
				high = max(high, chart.High[k])
			}
		}
	}
	for _, p := range []plot{widePlot(), narrowPlot()} {
		out.Drawings = append(out.Drawings, c.rateDrawing(p, &chart, values, high))
	}
	return out, chart
}

// ofHundredCharts says a chance of false alarms.
func ofHundredCharts(p float64) string {
	if p < 0.01 {
		return "fewer than 1 of 100 charts"
	}
	return "about " + strconv.Itoa(int(math.Round(100*p))) + " of 100 charts"
}

// open is the bucket that is not over; -1 none.
func (c *trendsChart) open() int {
	for k := range c.got.Buckets {
		if !c.now.Before(c.bounds[k]) && c.now.Before(c.bounds[k+1]) {
			return k
		}
	}
	return -1
}

func (c *trendsChart) rateDrawing(p plot, chart *stats.PChart, values []float64, high float64) views.Drawing {
	p.xMax = float64(len(values))
	var ticks []float64
	p.yMax, ticks = niceTop(high*1.05, 5)
	d := p.drawing(ticks, axisPercent)
	words := make([]string, len(values))
	for k := range words {
		words[k] = c.short(k)
	}
	d.XTicks = p.xTicks(words)
	d.Path = p.joined(values)
	lastHigh, lastLow := math.NaN(), math.NaN()
	for k := range values {
		if !math.IsNaN(chart.High[k]) {
			lastHigh, lastLow = chart.High[k], chart.Low[k]
		}
	}
	heights, names := []float64{chart.Centre, lastHigh}, []string{"usual " + aboutPercent(chart.Centre), "limit " + aboutPercent(lastHigh)}
	anyLow := false
	for _, v := range chart.Low {
		anyLow = anyLow || v > 0
	}
	if anyLow {
		heights, names = append(heights, lastLow), append(names, "limit "+aboutPercent(lastLow))
	}
	xs, ys := p.beside(heights, names)
	d.Centre = views.ChartLine{Points: p.at(0, chart.Centre) + " " + p.at(p.xMax, chart.Centre), Word: names[0], X: xs[0], Y: ys[0], End: "start"}
	for k, line := range p.steps(chart.High) {
		l := views.ChartLine{Points: line}
		if k == 0 {
			l.Word, l.X, l.Y, l.End = names[1], xs[1], ys[1], "start"
		}
		d.Lines = append(d.Lines, l)
	}
	if anyLow {
		for k, line := range p.steps(chart.Low) {
			l := views.ChartLine{Points: line}
			if k == 0 {
				l.Word, l.X, l.Y, l.End = names[2], xs[2], ys[2], "start"
			}
			d.Lines = append(d.Lines, l)
		}
	}
	beyond := map[int]bool{}
	for _, s := range chart.Signals {
		switch s.Rule {
		case stats.BeyondHigh, stats.BeyondLow:
			beyond[s.First] = true
		default:
			d.Runs = append(d.Runs, p.bracket(s.First, s.Last, runWords(p.class, s, "above the usual rate", "below the usual rate")))
		}
	}
	for k, v := range values {
		if math.IsNaN(v) {
			continue
		}
		b := c.got.Buckets[k]
		dot := views.ChartDot{X: place(p.x(float64(k) + 0.5)), Y: place(p.y(v)), Says: c.says(k, chart)}
		switch {
		case beyond[k]:
			dot.Kind, dot.Word = "beyond", c.shortCount(k)
			dot.WX, dot.WY, dot.End = dot.X, place(p.y(v)-10), "middle"
			if p.x(float64(k))-p.left < 40 {
				dot.WX, dot.End = place(p.left+4), "start"
			} else if p.right-p.x(float64(k)) < 40 {
				dot.WX, dot.End = place(p.right), "end"
			}
		case c.open() == k:
			dot.Kind = "open"
		case 2*b.Late > b.Graded:
			dot.Kind = "late"
		}
		d.Dots = append(d.Dots, dot)
	}
	d.Events = c.eventTicks(&p)
	return d
}

func runWords(class string, s stats.Signal, above, below string) string {
	side := above
	if s.Rule == stats.RunLow {
		side = below
	}
	words := count(s.Last-s.First+1) + " in a row"
	if class == "wide" {
		words += " " + side
	}
	return words
}

// eventTicks puts what happened onto the axis: one tick a bucket.
func (c *trendsChart) eventTicks(p *plot) (ticks []views.ChartTick) {
	byBucket := map[int][]store.TrendEvent{}
	often := map[string]int{}
	for _, e := range c.events {
		often[e.What]++
	}
	for _, e := range c.events {
		if (e.What == "lot" || e.What == "plate" || e.What == "printer") && often[e.What] > mostLots {
			continue // a line for every spool or swap would hide the points
		}
		for k := range c.got.Buckets {
			if !e.At.Before(c.bounds[k]) && e.At.Before(c.bounds[k+1]) {
				byBucket[k] = append(byBucket[k], e)
			}
		}
	}
	last := math.Inf(-1)
	for k := range c.got.Buckets {
		list := byBucket[k]
		if len(list) == 0 {
			continue
		}
		share := list[0].At.Sub(c.bounds[k]).Seconds() / c.bounds[k+1].Sub(c.bounds[k]).Seconds()
		x := p.x(float64(k) + share)
		t := views.ChartTick{At: place(x), Word: eventWord(list[0]), End: "start"}
		if len(list) > 1 {
			t.Word = count(len(list)) + " events"
		}
		if width := 7 * float64(len([]rune(t.Word))); x-last < 8 {
			t.Word = "" // the table says it
		} else {
			if x+width > p.w-p.left/2 {
				t.End = "end"
			}
			last = x + width
		}
		ticks = append(ticks, t)
	}
	return ticks
}

func eventWord(e store.TrendEvent) string {
	switch e.What {
	case "offset_change":
		return "offset change"
	case "service":
		return "service: " + wordFor(workWords, e.Detail)
	case "cleaning":
		return wordLower(wordFor(methodWords, e.Detail))
	case "plate_state":
		return wordLower(stateFor(plateStateStates, e.Detail).Word)
	case "lot":
		return "new lot " + e.Detail
	case "plate":
		return "plate " + e.Detail + " put on"
	case "printer":
		return "put onto " + e.Detail
	case "policy":
		return "policy " + e.Detail
	}
	return e.What
}

func wordLower(s string) string {
	if s != "" && 'A' <= s[0] && s[0] <= 'Z' {
		return string(s[0]+'a'-'A') + s[1:]
	}
	return s
}

// says is what is read at a point.
func (c *trendsChart) says(k int, chart *stats.PChart) string {
	b := c.got.Buckets[k]
	text := sentenceCase(c.named(k)) + ": " + c.bothRates(b, c.bucketLook(k)) + "; " + coverage(b.Graded, b.Started)
	if b.Late > 0 {
		text += "; " + counted(b.Late, "late entry", "late entries")
	}
	if why := c.standsOut(k, chart); why != "" {
		text += ". " + why
	}
	return sentence(text)
}

// standsOut says why a point stands out; "" it does not.
func (c *trendsChart) standsOut(k int, chart *stats.PChart) string {
	words := ""
	for _, s := range chart.Signals {
		if k < s.First || k > s.Last {
			continue
		}
		w := ""
		switch s.Rule {
		case stats.BeyondHigh:
			w = "Beyond the upper limit"
		case stats.BeyondLow:
			w = "Beyond the lower limit"
		case stats.RunHigh:
			w = fmt.Sprintf("One of %d in a row above the usual rate", s.Last-s.First+1)
		case stats.RunLow:
			w = fmt.Sprintf("One of %d in a row below the usual rate", s.Last-s.First+1)
		}
		if words != "" {
			words += "; " + wordLower(w)
		} else {
			words = w
		}
	}
	return words
}

// rateTitle is the answer.
func (c *trendsChart) rateTitle(chart *stats.PChart) string {
	var high, low []int
	var run stats.Signal
	for _, s := range chart.Signals {
		switch s.Rule {
		case stats.BeyondHigh:
			high = append(high, s.First)
		case stats.BeyondLow:
			low = append(low, s.First)
		default:
			run = s
		}
	}
	points := 0
	for _, b := range c.got.Buckets {
		if b.Graded > 0 {
			points++
		}
	}
	word := c.bucketWord()
	usual := "the usual " + aboutPercent(chart.Centre)
	switch {
	case len(high) == 1:
		return fmt.Sprintf("%s failed more than chance explains: %s", sentenceCase(c.named(high[0])), c.shortCount(high[0]))
	case len(high) > 1:
		return fmt.Sprintf("%s of %s %ss failed more than chance explains", count(len(high)), count(points), word)
	case run.Rule == stats.RunHigh:
		return fmt.Sprintf("%s %ss in a row lie above %s", count(run.Last-run.First+1), word, usual)
	case len(low) == 1:
		return sentenceCase(c.named(low[0])) + " failed less than chance explains"
	case len(low) > 1:
		return fmt.Sprintf("%s of %s %ss failed less than chance explains", count(len(low)), count(points), word)
	case run.Rule == stats.RunLow:
		return fmt.Sprintf("%s %ss in a row lie below %s", count(run.Last-run.First+1), word, usual)
	case c.got.Total.Failures == 0:
		return "No failures in " + counted(c.got.Total.Graded, "graded layer", "graded layers")
	}
	return fmt.Sprintf("Failures stay at %s: no %s stands out", usual, word)
}

func (c *trendsChart) rateTable(chart *stats.PChart) views.Table {
	head := "Week from"
	if c.q.per == "day" {
		head = "Day"
	}
	t := views.Table{Caption: "Failed first layers by " + c.bucketWord(), Sub: c.window(),
		Columns: []views.Column{{Word: head}, {Word: "Failed of graded, likely range"}, {Word: "Graded of started"}, {Word: "Limits", Wide: true}, {Word: "Late entries", Number: true, Wide: true}, {Word: "Stands out"}}}
	if c.inUse {
		t.Columns = slices.Insert(t.Columns, 1, views.Column{Word: "By the look list, likely range"})
	}
	for k, b := range c.got.Buckets {
		of, how := rateOf(b)
		limits := "–"
		if !math.IsNaN(chart.High[k]) {
			limits = bare(chart.Low[k]) + " to " + percent(chart.High[k])
		}
		why := c.standsOut(k, chart)
		row := views.Row{Strong: why != "", Cells: []views.Cell{{Text: c.label(k)}, {Text: of, Note: how}, {Text: count(b.Graded) + " of " + count(b.Started)},
			{Text: limits}, {Text: count(b.Late)}, {Text: why}}}
		if c.inUse {
			row.Cells = slices.Insert(row.Cells, 1, listCell(c.bucketLook(k)))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}
