package web

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// timelineRows is how many printers or people stand on one page: as many as fit a
// sheet of A4 or Letter across.
const timelineRows = 25

// shiftLong is how many hours the near look at the timeline is where no shift is
// recorded.
const shiftLong = 8

// timelineAsk is what of the plan is drawn.
type timelineAsk struct {
	by, span string
	from, to time.Time
	page     int
	shifts   []stretch // around it; of a look at a shift
	shift    int       // which of them; -1 none is recorded
}

// readTimeline reads the address; what is left out is the day of the plan.
func readTimeline(c echo.Context, asOf time.Time, zone *time.Location) (q timelineAsk, err error) {
	q = timelineAsk{by: either(c.QueryParam("by"), "printer"), span: either(c.QueryParam("span"), "day")}
	if !slices.Contains([]string{"printer", "person"}, q.by) {
		return q, badRequest(fault.Problem{Column: "by", Found: q.by, Expected: "printer or person"})
	}
	if !slices.Contains([]string{"day", "shift"}, q.span) {
		return q, badRequest(fault.Problem{Column: "span", Found: q.span, Expected: "day or shift"})
	}
	if q.page, err = pageNumber(c); err != nil {
		return q, err
	}
	local := asOf.In(zone)
	q.from = time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, zone)
	if q.span == "shift" {
		q.from = asOf
	}
	if text := c.QueryParam("from"); text != "" {
		at, err := time.Parse(instantForm, text) // an instant: an hour may come twice
		if err != nil {
			at, err = time.ParseInLocation("2006-01-02T15", text, zone)
		}
		if err != nil || at.Before(asOf.AddDate(-1, 0, 0)) || at.After(asOf.AddDate(1, 0, 0)) {
			return q, badRequest(fault.Problem{Column: "from", Found: text, Expected: "a day and hour near the plan's, such as " + q.from.Format("2006-01-02T15")})
		}
		q.from = at
	}
	if q.span == "day" {
		q.to = q.from.AddDate(0, 0, 1)
	}
	return q, nil
}

const instantForm = "2006-01-02T15:04Z07:00"

// inShift sets the stretch to the shift at its beginning; where none is recorded, to
// some hours from the full one on.
func (q *timelineAsk) inShift(turns []store.Turn, zone *time.Location) {
	q.shifts = shiftsOf(turns)
	if q.shift = shiftAt(q.shifts, q.from); q.shift >= 0 {
		q.from, q.to = q.shifts[q.shift].from.In(zone), q.shifts[q.shift].to.In(zone)
		return
	}
	l := q.from.In(zone)
	q.from = q.from.Add(-time.Duration(l.Minute())*time.Minute - time.Duration(l.Second())*time.Second - time.Duration(l.Nanosecond())).In(zone)
	q.to = q.from.Add(shiftLong * time.Hour)
}

// beside is the beginning of the stretch before or after; zero: there is none.
func (q *timelineAsk) beside(n int) time.Time {
	switch {
	case q.span == "day":
		return q.from.AddDate(0, 0, n)
	case q.shift < 0:
		return q.from.Add(time.Duration(n*shiftLong) * time.Hour)
	case q.shift+n >= 0 && q.shift+n < len(q.shifts):
		return q.shifts[q.shift+n].from
	}
	return time.Time{}
}

func (q timelineAsk) query() string {
	v := url.Values{"by": {q.by}, "span": {q.span}, "from": {q.from.Format("2006-01-02T15")}}
	if q.span == "shift" {
		v.Set("from", q.from.UTC().Format(instantForm))
	}
	if q.page > 1 {
		v.Set("page", strconv.Itoa(q.page))
	}
	return "?" + v.Encode()
}

// planBlock is a start or a task on the timeline.
type planBlock struct {
	row, kind, what, job, printer, plate, person string
	at, end                                      time.Time
}

// blocks are what the plan has in the stretch, by row and time.
func (q *timelineAsk) blocks(plan *jobPlan) []planBlock {
	var all []planBlock
	add := func(b planBlock) {
		if b.row != "" && b.at.Before(q.to) && b.end.After(q.from) {
			all = append(all, b)
		}
	}
	if q.by == "printer" {
		for _, j := range plan.Jobs {
			for _, x := range j.Starts {
				add(planBlock{row: x.Printer, kind: "start", what: "start", job: j.Job, printer: x.Printer, plate: x.Plate, at: x.At, end: x.End})
			}
		}
	}
	for _, t := range plan.Tasks {
		row := t.Printer
		if q.by == "person" {
			row = either(t.Person, "Anyone")
		}
		add(planBlock{row: row, kind: t.Task, what: planTasks[t.Task], job: t.Job, printer: t.Printer, plate: t.Plate, person: t.Person, at: t.At, end: t.End})
	}
	slices.SortStableFunc(all, func(a, b planBlock) int { return cmp.Or(cmp.Compare(a.row, b.row), a.at.Compare(b.at)) })
	return all
}

func (s *Server) getJobTimeline() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "by", "span", "from", "page"); err != nil {
			return err
		}
		now := s.now()
		plan, zone, err := s.planNow(c.Request().Context())
		if err != nil {
			return err
		}
		q, err := readTimeline(c, plan.AsOf, zone)
		if err != nil {
			return err
		}
		if q.span == "shift" {
			turns, err := s.store.Turns(c.Request().Context(), q.from.AddDate(0, 0, -3), q.from.AddDate(0, 0, 4))
			if err != nil {
				return err
			}
			q.inShift(turns, zone)
		}
		here := s.url("/jobs/plan/timeline")
		p := views.TimelinePage{Shell: withClock(s.shell(c, "Prep plan over time", "/jobs"), now, zone), Back: s.url("/jobs/plan"), CSV: s.url("/jobs/plan.csv"),
			Lead: "Only printers and people with something planned in the time shown. As of " + clock(plan.AsOf, zone) + "."}
		p.DataThrough = clock(plan.AsOf, zone)
		link := func(word string, change func(*timelineAsk), current bool) views.FilterLink {
			to := q
			to.page = 1
			change(&to)
			return views.FilterLink{Word: word, Href: here + to.query(), Current: current}
		}
		local := plan.AsOf.In(zone)
		p.Filters = []views.FilterRow{
			{Label: "By", Links: []views.FilterLink{link("Printer", func(t *timelineAsk) { t.by = "printer" }, q.by == "printer"), link("Person", func(t *timelineAsk) { t.by = "person" }, q.by == "person")}},
			{Label: "Show", Links: []views.FilterLink{
				link("A day", func(t *timelineAsk) {
					t.span, t.from = "day", time.Date(t.from.Year(), t.from.Month(), t.from.Day(), 0, 0, 0, 0, zone)
				}, q.span == "day"),
				link("A shift", func(t *timelineAsk) {
					if t.span = "shift"; q.span == "day" && !local.Before(q.from) && local.Before(q.to) {
						t.from = plan.AsOf
					}
				}, q.span == "shift")}},
		}
		word := q.span
		switch {
		case q.span == "shift" && q.shift < 0:
			word = "8 hours"
			p.Lead += " No shift is recorded around it: eight hours are shown. Shifts are set under Setup."
		case q.span == "shift":
			row := views.FilterRow{Label: "Which"}
			for i := max(0, q.shift-2); i < min(q.shift+3, len(q.shifts)); i++ {
				x := q.shifts[i]
				row.Links = append(row.Links, link(x.words(zone), func(t *timelineAsk) { t.from = x.from }, i == q.shift))
			}
			p.Filters = append(p.Filters, row)
		}
		besides := func(n int, words string) (l views.Link) {
			to := q
			to.page = 1
			if to.from = q.beside(n); !to.from.IsZero() {
				l = views.Link{Word: "The " + word + " " + words, Href: here + to.query()}
			}
			return l
		}
		p.Earlier, p.Later = besides(-1, "before"), besides(1, "after")
		all := q.blocks(&plan)
		var rows []string
		for i := range all {
			if len(rows) == 0 || rows[len(rows)-1] != all[i].row {
				rows = append(rows, all[i].row)
			}
		}
		stretch := clock(q.from, zone) + " to " + clock(q.to, zone)
		if len(rows) == 0 {
			p.Empty = "Nothing is planned from " + stretch + "."
			return render(c, http.StatusOK, views.PlanTimeline(p))
		}
		from := min((q.page-1)*timelineRows, len(rows))
		shown := rows[from:min(from+timelineRows, len(rows))]
		all = slices.DeleteFunc(all, func(b planBlock) bool { return !slices.Contains(shown, b.row) })
		p.Pager.Plain = true
		turn := func(n int) string { t := q; t.page = n; return here + t.query() }
		if q.page > 1 {
			p.Pager.Newer = turn(q.page - 1)
		}
		if from+len(shown) < len(rows) {
			p.Pager.Older = turn(q.page + 1)
		}
		starts := 0
		for i := range all {
			starts += btoi(all[i].kind == "start")
		}
		who := map[string][2]string{"printer": {"printer", "printers"}, "person": {"person", "people"}}[q.by]
		p.Says = sentenceCase(counted(len(all)-starts, "task", "tasks"))
		if q.by == "printer" {
			p.Says = sentenceCase(counted(starts, "start", "starts")) + " and " + counted(len(all)-starts, "task", "tasks")
		}
		p.Says += " for " + counted(len(shown), who[0], who[1]) + "."
		p.Sub = fmt.Sprintf("%s; %d of %s with something planned", stretch, len(shown), counted(len(rows), who[0], who[1]))
		s.drawTimeline(&p, &q, shown, all, plan.AsOf, zone)
		return render(c, http.StatusOK, views.PlanTimeline(p))
	}
}

// drawTimeline draws the blocks and lists them.
func (s *Server) drawTimeline(p *views.TimelinePage, q *timelineAsk, rows []string, all []planBlock, asOf time.Time, zone *time.Location) {
	// In units of about a pixel on an upright tablet; a desk draws it larger.
	const left, right, top, tall, width, least = 100.0, 738.0, 28.0, 26.0, 760.0, 4.0
	bottom := top + tall*float64(len(rows))
	d := views.Timeline{Width: place(width), Height: place(bottom + 20), ViewBox: "0 0 " + place(width) + " " + place(bottom+20), Left: place(left), Right: place(right), Top: place(top), Bottom: place(bottom)}
	long := q.to.Sub(q.from).Minutes()
	x := func(t time.Time) float64 { return left + min(max(t.Sub(q.from).Minutes()/long, 0), 1)*(right-left) }
	hours := 1
	for long/60 > float64(9*hours) {
		hours++
	}
	if hours > 4 {
		hours = 6
	}
	for _, t := range hourTicks(stretch{q.from, q.to}, hours, zone) {
		d.Ticks = append(d.Ticks, views.ChartTick{At: place(x(t)), Word: t.In(zone).Format("15:04"), End: "middle"})
	}
	if !asOf.Before(q.from) && asOf.Before(q.to) {
		d.Now = place(x(asOf))
	}
	p.Table = views.Table{Caption: "The same as a list", Columns: []views.Column{{Word: "Printer"}, {Word: "From"}, {Word: "To", Wide: true}, {Word: "What"}, {Word: "Job", Wide: true}, {Word: "Plate", Wide: true}}}
	if q.by == "person" {
		p.Table.Columns[0].Word, p.Table.Columns[4].Word = "Person", "Printer"
		p.Table.Columns[4].Wide = false
	}
	seen := map[string]bool{}
	k := 0
	for i, name := range rows {
		y := top + tall*float64(i)
		row := views.TimelineRow{Name: shorten(name, 12), Y: place(y + 17), Line: place(y + tall)}
		for ; k < len(all) && all[k].row == name; k++ {
			b := &all[k]
			seen[b.kind] = true
			from, to := x(b.at), x(b.end)
			what := b.what
			if b.kind == "start" {
				what += " " + b.job
			}
			says := fmt.Sprintf("%s: %s, %s to %s", name, what, clock(b.at, zone), b.end.In(zone).Format("15:04"))
			if q.by == "person" {
				says += ", printer " + b.printer
			} else if b.person != "" {
				says += ", " + b.person
			}
			if b.plate != "" {
				says += ", plate " + b.plate
			}
			block := views.TimelineBlock{X: place(from), Y: place(y + 4), W: place(max(to-from, least)), H: place(tall - 8), Kind: b.kind, Says: says}
			if b.kind == "start" && to-from > 8*float64(len([]rune(b.job)))+8 {
				block.Word, block.WX, block.WY = b.job, place(from+5), place(y+17)
			}
			row.Blocks = append(row.Blocks, block)
			cells := []views.Cell{{Text: name}, {Text: clock(b.at, zone)}, {Text: clock(b.end, zone)}, {Text: what}, {Text: either(b.job, "–")}, {Text: either(b.plate, "–")}}
			if q.by == "printer" {
				cells[0].Href = s.url("/printers/" + url.PathEscape(name))
			} else {
				cells[4] = views.Cell{Text: b.printer, Href: s.url("/printers/" + url.PathEscape(b.printer))}
			}
			p.Table.Rows = append(p.Table.Rows, views.Row{Cells: cells})
		}
		d.Rows = append(d.Rows, row)
	}
	for _, kind := range []string{"start", "swap_plate", "wipe", "wash", "soak", "probe", "check"} {
		if seen[kind] {
			p.Key = append(p.Key, views.TimelineKey{Kind: kind, Word: either(planTasks[kind], "start of a print, with its job")})
		}
	}
	p.Drawing = d
}

// shorten keeps the beginning of a long name; the list has all of it.
func shorten(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}
