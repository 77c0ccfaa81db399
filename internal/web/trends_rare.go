package web

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"
)

// trendGap is one stretch of good layers and the failure that ended it.
type trendGap struct {
	good int
	at   time.Time // of the failure; zero: still open
	late bool
}

// gapsOf cuts graded layers at their failures. What comes before the first
// failure is no gap between failures.
func gapsOf(outcomes []store.TrendOutcome) (gaps []trendGap, open int) {
	first := true
	for _, o := range outcomes {
		if !o.Failed {
			open++
			continue
		}
		if !first {
			gaps = append(gaps, trendGap{good: open, at: o.At(), late: o.Late})
		}
		first, open = false, 0
	}
	return gaps, open
}

// gapsChart is the g chart: good layers between failures, for rare failures.
func (c *trendsChart) gapsChart() views.Chart {
	gaps, open := gapsOf(c.got.Outcomes)
	out := views.Chart{ID: "main", Kind: "gaps", Sub: c.sub("Good layers between one failure and the next")}
	if len(gaps)+1 < gapsNeeded || c.got.Total.Failures < gapsNeeded {
		out.Title = "Too few failures for a chart of gaps"
		out.Empty = sentence(counted(c.got.Total.Failures, "failure", "failures") + " so far; gaps need about " + strconv.Itoa(gapsNeeded))
		return out
	}
	lengths := make([]int, len(gaps))
	for i, g := range gaps {
		lengths[i] = g.good
	}
	chart := stats.GChartOf(lengths)
	out.Title = gapsTitle(&chart, gaps)
	out.Says = out.Title + "."
	out.Below = []string{fmt.Sprintf("At a steady rate half of the gaps are shorter than the middle line, and about one in 740 is longer than the limit. Runs are %d in a row on one side. Limit and runs together raise a false alarm about once in %s gaps.",
		stats.RunLength, count(int(math.Round(stats.RulesRun(chart.Chances(), stats.RunLength)))))}
	if chart.Low == 0 {
		out.Below = append(out.Below, "No single gap is short enough to stand out at this rate; runs and the sum show a rise.")
	}
	from := max(0, len(gaps)-gapsShown)
	if from > 0 {
		out.Below = append(out.Below, fmt.Sprintf("Shown are the last %d of %s gaps.", gapsShown, count(len(gaps))))
	}
	for _, p := range []plot{widePlot(), narrowPlot()} {
		out.Drawings = append(out.Drawings, c.gapsDrawing(p, &chart, gaps, from, open))
	}
	out.Table = views.Table{Caption: "Good layers between failures", Sub: c.window(), Columns: []views.Column{{Word: "Failure at"}, {Word: "Good layers before it", Number: true}, {Word: "Stands out"}}}
	for i := from; i < len(gaps); i++ {
		why := gapStandsOut(i, &chart)
		out.Table.Rows = append(out.Table.Rows, views.Row{Strong: why != "", Cells: []views.Cell{{Text: clock(gaps[i].at, c.zone)}, {Text: count(gaps[i].good)}, {Text: why}}})
	}
	out.Table.Rows = append(out.Table.Rows, views.Row{Cells: []views.Cell{{Text: "since the last failure"}, {Text: count(open)}, {Text: ""}}})
	return out
}

func gapsTitle(chart *stats.GChart, gaps []trendGap) string {
	for i := len(chart.Signals) - 1; i >= 0; i-- {
		s := chart.Signals[i]
		if s.Rule == stats.RunLow {
			return fmt.Sprintf("%s gaps in a row are short: failures come faster than usual", count(s.Last-s.First+1))
		}
	}
	for i := len(chart.Signals) - 1; i >= 0; i-- {
		switch s := chart.Signals[i]; s.Rule {
		case stats.BeyondLow:
			return "Two failures lie closer together than chance explains"
		case stats.BeyondHigh:
			return fmt.Sprintf("A stretch of %s good layers is longer than chance explains", count(gaps[s.First].good))
		case stats.RunHigh:
			return fmt.Sprintf("%s gaps in a row are long: failures come slower than usual", count(s.Last-s.First+1))
		}
	}
	return fmt.Sprintf("Half of the gaps are shorter than %s good layers; none stands out", count(int(chart.Centre+0.5)))
}

func gapStandsOut(i int, chart *stats.GChart) string {
	for _, s := range chart.Signals {
		if i < s.First || i > s.Last {
			continue
		}
		switch s.Rule {
		case stats.BeyondHigh:
			return "Longer than the limit"
		case stats.BeyondLow:
			return "Shorter than the limit"
		case stats.RunHigh:
			return fmt.Sprintf("One of %d long gaps in a row", s.Last-s.First+1)
		case stats.RunLow:
			return fmt.Sprintf("One of %d short gaps in a row", s.Last-s.First+1)
		}
	}
	return ""
}

func (c *trendsChart) gapsDrawing(p plot, chart *stats.GChart, gaps []trendGap, from, open int) views.Drawing {
	shown := gaps[from:]
	p.xMax = float64(len(shown) + 1)
	high := float64(max(chart.High, open))
	values := make([]float64, len(shown))
	words := make([]string, len(shown)+1)
	for i, g := range shown {
		values[i] = float64(g.good)
		high = max(high, values[i])
		words[i] = g.at.In(c.zone).Format("01-02")
	}
	words[len(shown)] = ""
	var ticks []float64
	p.yMax, ticks = niceTop(high*1.05, 5)
	d := p.drawing(ticks, axisCount)
	d.XTicks = p.xTicks(words)
	d.Path = p.joined(values)
	xs, ys := p.beside([]float64{chart.Centre, float64(chart.High)}, []string{"half", "limit"})
	d.Centre = views.ChartLine{Points: p.at(0, chart.Centre) + " " + p.at(p.xMax, chart.Centre), Word: "half " + figure(chart.Centre), X: xs[0], Y: ys[0], End: "start"}
	d.Lines = []views.ChartLine{{Points: p.at(0, float64(chart.High)) + " " + p.at(p.xMax, float64(chart.High)), Word: "limit " + count(chart.High), X: xs[1], Y: ys[1], End: "start"}}
	for _, s := range chart.Signals {
		if s.Rule != stats.RunHigh && s.Rule != stats.RunLow || s.Last < from {
			continue
		}
		d.Runs = append(d.Runs, p.bracket(max(s.First, from)-from, s.Last-from, runWords(p.class, s, "longer than half", "shorter than half")))
	}
	for i, g := range shown {
		dot := views.ChartDot{X: place(p.x(float64(i) + 0.5)), Y: place(p.y(values[i])),
			Says: sentence(counted(g.good, "good layer", "good layers") + ", then a failure at " + clock(g.at, c.zone))}
		why := gapStandsOut(from+i, chart)
		switch {
		case why == "Longer than the limit" || why == "Shorter than the limit":
			dot.Kind, dot.Word, dot.WX, dot.WY, dot.End = "beyond", count(g.good), dot.X, place(p.y(values[i])-10), "middle"
		case g.late:
			dot.Kind = "late"
		}
		if why != "" {
			dot.Says += " " + sentence(why)
		}
		d.Dots = append(d.Dots, dot)
	}
	d.Dots = append(d.Dots, views.ChartDot{X: place(p.x(float64(len(shown)) + 0.5)), Y: place(p.y(float64(open))), Kind: "open",
		Says: sentence(counted(open, "good layer", "good layers") + " since the last failure; this gap is not over")})
	return d
}

// sumPoint is the highest value of the sum within a stretch of layers.
type sumPoint struct {
	layer  int
	at     time.Time
	sum    int
	signal bool
	failed int
}

// sumOf follows the layers and keeps at most sumBins points, each the highest
// of its stretch.
func (c *trendsChart) sumOf() (design stats.Cusum, points []sumPoint, found []stats.CusumSignal) {
	rate := float64(c.got.Total.Failures) / float64(c.got.Total.Graded)
	p0 := min(max(rate, 0.002), 0.9)
	design = stats.CusumFor(p0, 2*p0/(1+p0), float64(c.q.run))
	failed := make([]bool, len(c.got.Outcomes))
	for i, o := range c.got.Outcomes {
		failed[i] = o.Failed
	}
	sums, found := design.Run(failed)
	size := max(1, (len(sums)+sumBins-1)/sumBins)
	for from := 0; from < len(sums); from += size {
		best := from
		failures := 0
		for i := from; i < min(from+size, len(sums)); i++ {
			if sums[i] > sums[best] {
				best = i
			}
			if failed[i] {
				failures++
			}
		}
		points = append(points, sumPoint{layer: best, at: c.got.Outcomes[best].At(), sum: sums[best], failed: failures})
	}
	for _, s := range found {
		points[s.At/size].signal = true
	}
	return design, points, found
}

// sumChart is the Bernoulli CUSUM: it finds a rise of the rate soonest.
func (c *trendsChart) sumChart() views.Chart {
	out := views.Chart{ID: "main", Kind: "sum", Sub: c.sub("Cumulative sum over graded layers, in the order they started"), Empty: tooFew(c.got.Total.Graded)}
	if out.Empty == "" && c.got.Total.Failures == 0 {
		out.Empty = "No failures, so there is nothing to add up."
	}
	if out.Empty != "" {
		out.Title = "Too little for a sum"
		return out
	}
	design, points, found := c.sumOf()
	usual := aboutPercent(design.P0)
	switch len(found) {
	case 0:
		out.Title = fmt.Sprintf("No rise from the usual %s towards %s is seen", usual, aboutPercent(design.P1))
	case 1:
		out.Title = "Failures began to come faster about " + c.got.Outcomes[found[0].Since].At().In(c.zone).Format(time.DateOnly)
	default:
		last := found[len(found)-1]
		out.Title = fmt.Sprintf("%s signals that failures came faster, the last from about %s", count(len(found)), c.got.Outcomes[last.Since].At().In(c.zone).Format(time.DateOnly))
	}
	out.Says = out.Title + "."
	out.Below = []string{
		fmt.Sprintf("A failure adds %s steps, a good layer takes one away; %s steps are a signal, after which it begins again.", count(design.M-1), count(design.H)),
		fmt.Sprintf("At the usual rate, that of this window, a false alarm comes once in about %s graded layers; a rate of %s is found after about %s.", count(int(design.RunAtP0)), aboutPercent(design.P1), count(int(math.Round(design.RunAtP1)))),
	}
	if alone := float64(len(c.got.Outcomes)) / design.RunAtP0; alone >= 0.5 {
		out.Below = append(out.Below, fmt.Sprintf("In these %s layers chance alone gives about %s.", count(len(c.got.Outcomes)), counted(int(math.Round(alone)), "signal", "signals")))
	}
	if len(c.got.Outcomes) > sumBins {
		out.Below = append(out.Below, fmt.Sprintf("Each point is the highest of about %s layers.", count((len(c.got.Outcomes)+sumBins-1)/sumBins)))
	}
	for _, p := range []plot{widePlot(), narrowPlot()} {
		out.Drawings = append(out.Drawings, c.sumDrawing(p, design, points))
	}
	out.Table = views.Table{Caption: "Cumulative sum", Sub: c.window(), Columns: []views.Column{{Word: "Layer started"}, {Word: "Graded layers so far", Number: true}, {Word: "Failures in this stretch", Number: true, Wide: true}, {Word: "Sum", Number: true}, {Word: "Stands out"}}}
	for _, s := range points {
		why := ""
		if s.signal {
			why = "Signal"
		}
		out.Table.Rows = append(out.Table.Rows, views.Row{Strong: s.signal, Cells: []views.Cell{{Text: clock(s.at, c.zone)}, {Text: count(s.layer + 1)}, {Text: count(s.failed)}, {Text: count(s.sum)}, {Text: why}}})
	}
	return out
}

func (c *trendsChart) sumDrawing(p plot, design stats.Cusum, points []sumPoint) views.Drawing {
	p.xMax = float64(len(points))
	values, words := make([]float64, len(points)), make([]string, len(points))
	high := float64(design.H)
	for i, s := range points {
		values[i] = float64(s.sum)
		high = max(high, values[i])
		words[i] = s.at.In(c.zone).Format("01-02")
	}
	var ticks []float64
	p.yMax, ticks = niceTop(high*1.05, 5)
	d := p.drawing(ticks, axisCount)
	d.XTicks = p.xTicks(words)
	d.Path = p.joined(values)
	d.Lines = []views.ChartLine{{Points: p.at(0, float64(design.H)) + " " + p.at(p.xMax, float64(design.H)), Word: "limit " + count(design.H), X: place(p.right + 6), Y: place(p.y(float64(design.H)) + 4), End: "start"}}
	for i, s := range points {
		dot := views.ChartDot{X: place(p.x(float64(i) + 0.5)), Y: place(p.y(values[i])),
			Says: sentence(fmt.Sprintf("%s: sum %s of %s after %s graded layers", clock(s.at, c.zone), count(s.sum), count(design.H), count(s.layer+1)))}
		if s.signal {
			dot.Kind = "beyond"
			dot.Says += " Signal."
		}
		d.Dots = append(d.Dots, dot)
	}
	return d
}
