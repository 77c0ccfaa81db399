package web

import (
	"fmt"
	"math"
	"net/url"
	"slices"
	"sort"
	"strings"

	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"
)

// funnelSide is the chance beyond each outer limit of a funnel: 99.8 % lie
// within; funnelNear that of the inner one: 95 %.
const (
	funnelSide = 0.001
	funnelNear = 0.025
)

// funnelLabels and funnelWalk bound what is written beside dots and what can be
// walked to.
const (
	funnelLabels = 6
	funnelWalk   = 150
)

// ranked is one group with what is judged of it.
type ranked struct {
	store.TrendGroup
	name   string  // as shown
	excess float64 // failures above those at the usual rate
	x, n   int     // failed and graded, as it is judged
	side   int     // 1 more than chance explains, -1 fewer, 0 neither
}

// rank judges groups against the usual rate and puts those with most failures
// above it first; groups with an order of their own keep it.
func (c *trendsChart) rank() (list []ranked, usual float64) {
	q, got := c.q, c.got
	x, n := c.judged(got.Total, &got.Look)
	usual = float64(x) / float64(n)
	all := make([]ranked, len(got.Groups))
	for i, g := range got.Groups {
		r := ranked{TrendGroup: g, name: groupName(q.by, &g)}
		r.x, r.n = c.judged(g.Total, &g.Look)
		n := float64(r.n)
		if r.n > 0 {
			r.excess = float64(r.x) - n*usual
		}
		// Within two standard deviations a tail is far above the limit's chance:
		// most groups need no exact one.
		if r.excess*r.excess > 4*n*usual*(1-usual) {
			switch {
			case r.excess > 0 && stats.BinomialUpperTail(r.x, r.n, usual) <= funnelSide:
				r.side = 1
			case r.excess < 0 && stats.BinomialLowerTail(r.x, r.n, usual) <= funnelSide:
				r.side = -1
			}
		}
		all[i] = r
	}
	if ordered(q.by) {
		return inOrder(all), usual
	}
	order := make([]int, len(all))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(i, j int) bool {
		a, b := &all[order[i]], &all[order[j]]
		if a.excess != b.excess {
			return a.excess > b.excess
		}
		return naturalLess(a.name, b.name)
	})
	list = make([]ranked, len(all))
	for i, k := range order {
		list[i] = all[k]
	}
	return list, usual
}

func groupName(by string, g *store.TrendGroup) string {
	switch {
	case by == "pair":
		plate := g.Name
		if plate == "" {
			plate = "no record"
		}
		return plate + " on " + g.Second
	case g.Name == "" && by == "shift":
		return "no shift on record"
	case g.Name == "" && by == "washed":
		return "no wash on record"
	case by == "age" || by == "washed":
		if g.Name == "" {
			return "no record"
		}
		return bandName(store.TrendBy(by), g.Name)
	case g.Name == "":
		return "no record"
	case by == "surface":
		return wordFor(surfaceWords, g.Name)
	case by == "hour":
		return g.Name + ":00"
	}
	return g.Name
}

// groupAddress opens one group: the same page filtered by it.
func (q trendsQuery) groupAddress(path string, g *store.TrendGroup) string {
	to := q
	to.page = 1
	switch q.by {
	case "plate":
		to.filter.Plate, to.by = g.Name, "printer"
	case "printer":
		to.filter.Printer, to.by = g.Name, "plate"
	case "pair":
		to.filter.Plate, to.filter.Printer, to.by = g.Name, g.Second, "week"
	case "surface":
		to.filter.Surface, to.by = g.Name, "plate"
	case "material":
		to.filter.Material, to.by = g.Name, "plate"
	case "job":
		to.filter.Job, to.by = g.Name, "plate"
	case "bay":
		to.filter.Bay, to.by = g.Name, "printer"
	default:
		return ""
	}
	if g.Name == "" {
		return ""
	}
	return to.address(path)
}

// compareChart is the funnel: each group's rate against how many layers it
// rests on, so that few layers are not taken for a bad plate.
func (c *trendsChart) compareChart(list []ranked, usual float64) views.Chart {
	one, many := trendBy(c.q.by)
	out := views.Chart{ID: "compare", Kind: "funnel", Empty: c.tooFew()}
	more, fewer, judged := 0, 0, 0
	name := ""
	for _, r := range list {
		if r.n > 0 {
			judged++
		}
		switch r.side {
		case 1:
			if more == 0 {
				name = r.name
			}
			more++
		case -1:
			fewer++
		}
	}
	switch {
	case out.Empty != "":
		out.Title = "Too few layers to compare " + many
	case more == 0:
		out.Title = fmt.Sprintf("No %s failed more than chance explains", one)
	case more == 1:
		out.Title = sentenceCase(named(c.q.by, name)) + " failed more than chance explains"
	default:
		out.Title = fmt.Sprintf("%s of %s failed more than chance explains", count(more), counted(judged, one, many))
	}
	out.Says = out.Title + "."
	out.Sub = fmt.Sprintf("Each %s’s rate against the number of its graded layers, %s, %s. The line is the usual %s.", one, c.about, c.window(), aboutPercent(usual))
	if ordered(c.q.by) {
		out.Kind = "hours"
		what := map[string]string{"hour": "the hour in which they started, farm’s time", "shift": "the hours of the shift that was on, as recorded; who worked in it plays no part",
			"age": "how many prints the plate had before, since records began", "washed": "how many prints the plate had since it was washed or washed deep"}[c.q.by]
		out.Sub = fmt.Sprintf("Failed of graded first layers by %s, %s, %s. The line is the usual %s.", what, c.about, c.window(), aboutPercent(usual))
	}
	if c.list {
		out.Sub += " Judged by the look list; “graded layers” are as many by lot alone as would tell as much."
	}
	holds := "The outer limits hold 99.8\u202f% (the inner ones 95\u202f%)"
	if ordered(c.q.by) {
		holds = "The limits hold 99.8\u202f%"
	}
	expected := float64(judged) * funnelSide
	out.Below = []string{fmt.Sprintf("%s of %s that are no different from the others; of %s about %s would lie above by chance alone.", holds, many, count(judged), figure(max(expected, 0.05)))}
	if fewer > 0 {
		out.Below = append(out.Below, fmt.Sprintf("%s failed less than chance explains.", sentenceCase(counted(fewer, one, many))))
	}
	if out.Empty != "" {
		return out
	}
	for _, p := range []plot{widePlot(), narrowPlot()} {
		if ordered(c.q.by) {
			out.Drawings = append(out.Drawings, c.orderedDrawing(p, list, usual))
		} else {
			out.Drawings = append(out.Drawings, c.funnelDrawing(p, list, usual))
		}
	}
	return out
}

func named(by, name string) string {
	switch by {
	case "plate", "printer", "job":
		return by + " " + name
	case "pair":
		return "plate " + name
	case "bay":
		return name
	case "hour":
		return "the hour from " + name
	case "shift":
		return "the shift " + name
	case "age":
		return "layers on plates with " + name + " prints before"
	case "washed":
		return "layers " + name + " prints after a wash"
	}
	return name
}

func (c *trendsChart) groupSays(r *ranked) string {
	text := r.name + ": " + c.bothRates(r.Total, &r.Look) + "; " + coverage(r.Total.Graded, r.Total.Started)
	switch r.side {
	case 1:
		text += "; more than chance explains"
	case -1:
		text += "; fewer than chance explains"
	}
	return sentence(text)
}

func (c *trendsChart) funnelDrawing(p plot, list []ranked, usual float64) views.Drawing {
	p.root = true
	high := usual
	for _, r := range list {
		p.xMax = max(p.xMax, float64(r.n))
		if r.n >= fewest {
			high = max(high, float64(r.x)/float64(r.n))
		}
	}
	p.xMax *= 1.04
	var ticks []float64
	p.yMax, ticks = niceTop(min(1, max(high*1.1, 2.5*usual)), 5)
	d := p.drawing(ticks, axisPercent)
	_, xs := niceTop(p.xMax, 4)
	for _, x := range xs {
		if x > 0 && x <= p.xMax {
			d.XTicks = append(d.XTicks, views.ChartTick{At: place(p.x(x)), Word: axisCount(x), End: "middle"})
		}
	}
	d.XTitle = "graded layers"
	// Limits from the fewest layers on that the top of the plot can show.
	limit := func(side float64, word bool) {
		var low, top []string
		const steps = 48
		last := math.NaN()
		for i := 1; i <= steps; i++ {
			share := float64(i) / steps
			n := int(math.Round(share * share * p.xMax))
			if n < 1 {
				continue
			}
			l := stats.FunnelLimits(n, usual, side)
			if l.High <= p.yMax {
				top = append(top, p.at(float64(n), l.High))
				last = l.High
			}
			if l.Low > 0 {
				low = append(low, p.at(float64(n), l.Low))
			}
		}
		line := views.ChartLine{Points: strings.Join(top, " ")}
		if word && !math.IsNaN(last) {
			line.Word, line.X, line.Y, line.End = "99.8"+thin+"%", place(p.right+6), place(min(p.y(last)+4, p.y(usual)-13)), "start"
		}
		if len(top) > 1 {
			d.Lines = append(d.Lines, line)
		}
		if len(low) > 1 {
			d.Lines = append(d.Lines, views.ChartLine{Points: strings.Join(low, " ")})
		}
	}
	limit(funnelSide, true)
	limit(funnelNear, false)
	d.Centre = views.ChartLine{Points: p.at(0, usual) + " " + p.at(p.xMax, usual), Word: "usual " + aboutPercent(usual), X: place(p.right + 6), Y: place(p.y(usual) + 4), End: "start"}
	var mass strings.Builder
	labels := 0
	every := len(list) <= 8
	var taken [][2]float64
	dense := map[[2]float64]bool{}
	for i := range list {
		r := &list[i]
		if r.n == 0 {
			continue
		}
		rate := float64(r.x) / float64(r.n)
		x, y := p.x(float64(r.n)), p.y(rate)
		if r.side == 0 && len(d.Dots) >= funnelWalk {
			// Thousands of small groups share few places.
			if at := [2]float64{math.Round(x), math.Round(y)}; !dense[at] {
				dense[at] = true
				mass.WriteString("M" + place(at[0]) + " " + place(at[1]) + "h0")
			}
			continue
		}
		dot := views.ChartDot{X: place(x), Y: place(y), Says: c.groupSays(r)}
		if r.side != 0 {
			dot.Kind = "beyond"
		}
		if wide := p.class == "wide"; r.side > 0 && labels < funnelLabels || every && wide || every && labels < 2 {
			free := true
			for _, t := range taken {
				free = free && (math.Abs(t[1]-y) > 15 || math.Abs(t[0]-x) > 90)
			}
			if free {
				dot.Word, dot.WX, dot.WY, dot.End = r.name, place(x+9), place(y+4), "start"
				if x > p.right-80 {
					dot.WX, dot.End = place(x-9), "end"
				}
				taken = append(taken, [2]float64{x, y})
				labels++
			}
		}
		d.Dots = append(d.Dots, dot)
	}
	d.Mass = mass.String()
	return d
}

// sideState says whether chance explains a group.
func sideState(side int) views.State {
	switch side {
	case 1:
		return views.State{Code: "more", Word: "More than chance explains", Sign: "half", Tone: "soon"}
	case -1:
		return views.State{Code: "fewer", Word: "Fewer than chance explains"}
	}
	return views.State{}
}

// signed writes failures above or below the usual.
func signed(v float64) string {
	s := figure(v)
	if v > 0 && s != "0" && s != "about 0" {
		return "+" + s
	}
	return s
}

// groupsTable lists one page of groups.
func (s *Server) groupsTable(c *trendsChart, list []ranked) views.Table {
	one, many := trendBy(c.q.by)
	t := views.Table{Caption: sentenceCase(many) + ", most failures above the usual first", Sub: c.about + ", " + c.window(),
		Columns: []views.Column{{Word: sentenceCase(one)}, {Word: "Failed of graded, likely range"}, {Word: "Graded of started"}, {Word: "Failures above the usual", Number: true, Wide: true}, {Word: "Explained by chance?"}}}
	if ordered(c.q.by) {
		t.Caption = map[string]string{"hour": "Hours of the day", "shift": "Shifts", "age": "Prints on the plate before", "washed": "Prints since the plate was washed"}[c.q.by]
	}
	if c.inUse {
		t.Columns = slices.Insert(t.Columns, 1, views.Column{Word: "By the look list, likely range"})
	}
	for i := range list {
		r := &list[i]
		of, how := rateOf(r.Total)
		state := sideState(r.side).Word
		if state == "" {
			state = "yes"
			if r.n == 0 {
				state = "no record"
			}
		}
		row := views.Row{Strong: r.side > 0, Cells: []views.Cell{{Text: r.name, Href: c.q.groupAddress(s.url("/trends"), &r.TrendGroup)}, {Text: of, Note: how},
			{Text: count(r.Total.Graded) + " of " + count(r.Total.Started)}, {Text: signed(r.excess)}, {Text: state}}}
		if c.inUse {
			row.Cells = slices.Insert(row.Cells, 1, listCell(&r.Look))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// multiples draws a small chart of each group on one scale, against the usual
// rate of all.
func (s *Server) multiples(c *trendsChart, list []ranked, usual float64) (many []views.Multiple, table views.Table) {
	one, _ := trendBy(c.q.by)
	charts := make([]stats.PChart, len(list))
	high := usual
	for i := range list {
		x, n := make([]int, len(list[i].Buckets)), make([]int, len(list[i].Buckets))
		for k, b := range list[i].Buckets {
			x[k], n[k] = b.Failures, b.Graded
		}
		charts[i] = stats.PChartAround(x, n, usual)
		for k := range x {
			if n[k] >= 5 {
				high = max(high, float64(x[k])/float64(n[k]))
			}
		}
	}
	table = views.Table{Caption: "Failed of graded by " + one + " and " + c.bucketWord(), Sub: c.about + ", " + c.window(), Columns: []views.Column{{Word: sentenceCase(one)}}}
	for k := range c.got.Buckets {
		table.Columns = append(table.Columns, views.Column{Word: c.label(k), Number: true})
	}
	for i := range list {
		r := &list[i]
		row := views.Row{Cells: []views.Cell{{Text: r.name}}}
		p := smallPlot()
		p.xMax = float64(len(r.Buckets))
		var ticks []float64
		p.yMax, ticks = niceTop(min(1, high*1.05), 2)
		d := p.drawing(ticks, axisPercent)
		if len(r.Buckets) > 0 {
			d.XTicks = []views.ChartTick{{At: d.Left, Word: c.short(0), End: "start"}, {At: d.Right, Word: c.short(len(r.Buckets) - 1), End: "end"}}
		}
		values := make([]float64, len(r.Buckets))
		beyond := map[int]bool{}
		for _, sig := range charts[i].Signals {
			if !c.list && (sig.Rule == stats.BeyondHigh || sig.Rule == stats.BeyondLow) { // what people chose to grade is not judged
				beyond[sig.First] = true
			}
		}
		for k, b := range r.Buckets {
			values[k] = math.NaN()
			if b.Graded > 0 {
				values[k] = float64(b.Failures) / float64(b.Graded)
				dot := views.ChartDot{X: place(p.x(float64(k) + 0.5)), Y: place(p.y(values[k]))}
				if beyond[k] {
					dot.Kind = "beyond"
				}
				d.Dots = append(d.Dots, dot)
			}
			cell := views.Cell{Text: "–"}
			if b.Started > 0 {
				cell.Text = count(b.Failures) + " of " + count(b.Graded)
			}
			row.Cells = append(row.Cells, cell)
		}
		d.Path = p.joined(values)
		d.Centre = views.ChartLine{Points: p.at(0, usual) + " " + p.at(p.xMax, usual)}
		for _, line := range p.steps(charts[i].High) {
			d.Lines = append(d.Lines, views.ChartLine{Points: line})
		}
		figures := c.bothRates(r.Total, &r.Look) + "; " + coverage(r.Total.Graded, r.Total.Started)
		says := r.name + ": " + figures
		if n := len(beyond); n > 0 {
			says += "; " + counted(n, c.bucketWord(), c.bucketWord()+"s") + " beyond the limit"
		}
		href := c.q.groupAddress(s.url("/trends"), &r.TrendGroup)
		if href == "" {
			href = s.url("/trends")
		}
		many = append(many, views.Multiple{Name: r.name, Href: href, Figures: sentence(figures), State: sideState(r.side), Drawing: d, Says: sentence(says)})
		table.Rows = append(table.Rows, row)
	}
	return many, table
}

// thingAddress is the page of the printer or plate a trend is of; "" neither.
func (s *Server) thingAddress(f store.TrendFilter) (word, address string) {
	switch {
	case f.Plate != "":
		return "Plate " + f.Plate, s.url("/plates/" + url.PathEscape(f.Plate))
	case f.Printer != "":
		return "Printer " + f.Printer, s.url("/printers/" + url.PathEscape(f.Printer))
	}
	return "", ""
}
