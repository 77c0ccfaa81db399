package web

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/firstlayer"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// duePage is how many tasks stand on one page of the list.
const duePage = 50

// shiftHours is how long a shift is taken to last where none is recorded, and how far
// ahead the next one of a person is looked for.
const (
	shiftHours = 8
	nextHours  = 16
)

// dueView turns what is due into what is shown of it.
type dueView struct {
	s      *Server
	q      careQuery
	now    time.Time
	zone   *time.Location
	set    farm.SettingValues
	duties []store.Duty
	who    Identity
	bay    string    // of the filter, or of the shift of the person asked for
	until  time.Time // when the shift ends
}

// shift finds which bay and which end the list is for.
func (v *dueView) shift() {
	v.bay, v.until = v.q.bay, v.now.Add(shiftHours*time.Hour)
	var end time.Time
	for _, d := range v.duties {
		on := !d.Starts.After(v.now)
		if v.q.person == "" && on && (v.bay == "" || d.Bay == "" || d.Bay == v.bay) && d.Ends.After(end) {
			end = d.Ends
		}
		if v.q.person == d.Person && end.IsZero() { // the first: on, or the next to begin
			end = d.Ends
			if v.bay == "" {
				v.bay = d.Bay
			}
		}
	}
	if !end.IsZero() {
		v.until = end
	}
}

// within tells whether a task comes due before the shift ends, at the rate the printer
// started first layers lately.
func (v *dueView) within(x *stand, in int) bool {
	perHour := float64(x.lately.Started) / (LatelyDays * 24)
	return float64(in) <= perHour*v.until.Sub(v.now).Hours()
}

// task is a row of the list with its printer.
type task struct {
	upkeep.Item
	of *stand
}

// gather picks the tasks in the order asked for, and counts what bays have.
func (v *dueView) gather(all []stand) (list []task, bays map[string]int, held int) {
	bays = map[string]int{}
	for i := range all {
		x := &all[i]
		if x.state == "retired" {
			continue
		}
		mine := v.bay == "" || x.row.Bay == v.bay
		if x.row.HeldAt != nil {
			if mine {
				held++
			}
			continue
		}
		n := len(x.due)
		for _, d := range x.due {
			if mine {
				list = append(list, task{d, x})
			}
		}
		if v.q.shift {
			for _, d := range x.soon {
				if !v.within(x, d.In) {
					continue
				}
				n++
				if mine {
					list = append(list, task{d, x})
				}
			}
		}
		bays[x.row.Bay] += n
	}
	v.order(list)
	return list, bays, held
}

// order puts swaps first, which every start waits for, then what saves most for a
// minute of work, as the answer of the API has it, then what is yet to come; or all of
// it as one walks.
func (v *dueView) order(list []task) {
	place := map[string]int{}
	if !v.q.walking {
		items := make([]upkeep.Item, 0, len(list))
		for i := range list {
			if list[i].In == 0 {
				items = append(items, list[i].Item)
			}
		}
		upkeep.Arrange(items)
		for i := range items {
			if _, ok := place[items[i].Printer]; !ok {
				place[items[i].Printer] = len(place)
			}
			if items[i].Task == upkeep.SwapPlate {
				place[items[i].Printer] = -1
			}
		}
	}
	slices.SortStableFunc(list, func(a, b task) int {
		walk := func() int {
			switch {
			case a.of == b.of:
				return cmp.Compare(a.In, b.In)
			case walkingLess(&a.of.row, &b.of.row):
				return -1
			}
			return 1
		}
		if v.q.walking {
			return walk()
		}
		late := func(t *task) int {
			if t.In > 0 {
				return math.MaxInt32 + t.In
			}
			return place[t.Printer]
		}
		return cmp.Or(cmp.Compare(late(&a), late(&b)), walk())
	})
}

func (v *dueView) list(all []stand, found *FindingList, already string) (*views.DueList, []views.FilterRow, error) {
	tasks, bays, held := v.gather(all)
	l := &views.DueList{Title: "Due now", Action: v.s.url("/upkeep/due")}
	if v.q.shift {
		l.Title = "Due by " + clock(v.until, v.zone)
	}
	l.Notice = alreadyWords(already)
	l.Left = leftOut(held)
	if held > 0 {
		l.LeftTo = views.ActLink{Word: "Holds", Href: v.s.url("/upkeep?list=holds")}
	}
	if len(tasks) == 0 {
		l.Empty = v.empty(all, found)
	} else {
		l.Sub = v.sum(tasks, found)
		of := firstlayer.FarmOf(v.set, nil)
		l.Caution = of.Caution(firstlayer.Solvent, firstlayer.Hot, firstlayer.Motion)
	}
	v.drawn(l, all)
	c := careView{s: v.s, q: v.q, now: v.now, zone: v.zone}
	var page views.CareList
	shown := cutBy(&c, &page, tasks, duePage)
	l.Count, l.Pager = page.Count, page.Pager
	id, err := uuid.NewV7AtTime(v.now)
	if err != nil {
		return nil, nil, err
	}
	back := c.link(v.q)
	l.Hidden = []views.Fact{{Word: "id", Value: id.String()}, {Word: "back", Value: strings.TrimPrefix(back, v.s.base)}}
	for i := range shown {
		r := v.row(&shown[i])
		if r.OneTap {
			l.Batch = "Log ticked as done"
		}
		l.Rows = append(l.Rows, r)
	}
	return l, v.filters(&c, bays, l), nil
}

// drawnShown is how many draws the list shows.
const drawnShown = 50

// drawn lists what lots had for next starts, those of planned tests first.
func (v *dueView) drawn(l *views.DueList, all []stand) {
	more := 0
	for _, tests := range []bool{true, false} {
		for i := range all {
			x := &all[i]
			if v.bay != "" && x.row.Bay != v.bay {
				continue
			}
			for _, d := range x.drawn {
				switch {
				case (d.Href != "") != tests:
				case len(l.Drawn) == drawnShown:
					more++
				default:
					l.Drawn = append(l.Drawn, views.DrawnRow{Printer: x.row.Printer, Href: v.s.url("/printers/" + url.PathEscape(x.row.Printer)), Arm: d.arm, Says: d.Says, Test: d.Href})
				}
			}
		}
	}
	if more > 0 {
		l.More = "And " + count(more) + " more, each on its printer’s page."
	}
}

func leftOut(held int) string {
	if held == 0 {
		return ""
	}
	return "Left out: " + counted(held, "printer", "printers") + " on hold, whatever is due there. Plates in wash, set aside or retired are not asked for."
}

// sum says how much work the list is and how it is ordered.
func (v *dueView) sum(list []task, found *FindingList) string {
	person := 0.0
	printers := map[string]bool{}
	for i := range list {
		person += v.effort(&list[i]).Person
		printers[list[i].Printer] = true
	}
	by := "What saves most for a minute of work comes first."
	if v.q.walking {
		by = "Bay by bay, in walking order."
	}
	s := fmt.Sprintf("%s on %s, about %s of work. %s Savings are expected costs over the next starts, with the range that is likely.",
		counted(len(list), "task", "tasks"), counted(len(printers), "printer", "printers"), minutes(person), by)
	if !found.AsOf.IsZero() && v.now.Sub(found.AsOf) > findingsOld {
		s += " Counted up to " + clock(found.AsOf, v.zone) + "."
	}
	return s
}

func (v *dueView) empty(all []stand, found *FindingList) string {
	little := len(found.Items) > 0
	for i := range found.Items {
		little = little && found.Items[i].State == "too_little_data"
	}
	switch {
	case len(all) == 0:
		return "What is due appears here once there are printers that print. Add printers or import a bundle in Setup."
	case found.Working:
		return "What is due is being worked out. Load the page again in a moment."
	case found.Missing:
		return "What is due could not be worked out just now. Load the page again in a moment."
	case found.FirstLayers == 0:
		return "No first layers yet, so nothing is known of what pays. Until there are, clean and probe by the rules of your house."
	case little:
		return fmt.Sprintf("Too little is known yet to say what pays: %s so far. Until then, clean and probe by the rules of your house.", counted(found.Graded, "graded first layer", "graded first layers"))
	case v.q.bay != "" || v.q.person != "":
		return "Nothing is due here. Start as usual."
	case v.q.shift:
		return "Nothing is due before " + clock(v.until, v.zone) + ". Start as usual."
	}
	return "Nothing is due. Start as usual: no cleaning and no probe would save more than it costs before the next starts."
}

// effort of a task; those that follow from holds have it from the settings here.
func (v *dueView) effort(t *task) upkeep.Effort {
	key := map[upkeep.Task]string{upkeep.SwapPlate: "swap", upkeep.Check: "check"}[t.Task]
	if key == "" {
		return t.Effort
	}
	return upkeep.Effort{Person: v.set.Number(key + "_minutes"), Machine: v.set.Number(key + "_machine_minutes")}
}

func minutes(x float64) string { return figure(x) + "\u202fmin" }

func (v *dueView) row(t *task) views.DueRow {
	r := views.DueRow{Value: string(t.Task) + "|" + t.Printer + "|" + t.Plate, Task: string(t.Task), Printer: t.Printer, Plate: t.Plate,
		Do: taskDo(&t.Item), On: t.Printer, Href: v.s.url("/printers/" + url.PathEscape(t.Printer)), Because: t.Sentence(), OneTap: t.In == 0 && oneTap(t.Task)}
	if t.of.row.Bay != "" {
		r.On += ", " + t.of.row.Bay
	}
	e := v.effort(t)
	r.Effort = minutes(e.Person)
	if e.Machine > 0 {
		r.Effort += ", the printer waits " + minutes(e.Machine)
	}
	if t.In > 0 {
		r.Soon = soonWord(t.In)
		r.OneTap = oneTap(t.Task) // done early is done
		return r
	}
	if t.Task != upkeep.SwapPlate {
		money := v.set.Text("currency")
		switch {
		case t.High > 0:
			r.Saves, r.Likely = amount(t.Saves, money), amount(t.Low, money)+" to "+amount(t.High, money)
		default:
			r.Saves = "less than it costs: a policy asks for it"
		}
		if t.ByLot {
			r.Saves, r.Likely = "", ""
		}
	}
	if log := taskLog(&t.Item); !r.OneTap && log != "" {
		r.Log = views.ActLink{Word: "Log", Href: v.s.url(log)}
	}
	r.Skip = v.s.url("/upkeep/skip?printer=" + url.QueryEscape(t.Printer))
	if t.Task != upkeep.Probe {
		p := url.Values{"task": {string(t.Task)}, "printer": {t.Printer}}
		if t.Plate != "" {
			p.Set("plate", t.Plate)
		}
		r.Skip = v.s.url("/upkeep/skip-task?" + p.Encode())
	}
	return r
}

// amount writes money to the cent.
func amount(x float64, money string) string {
	return strings.Replace(strconv.FormatFloat(x, 'f', 2, 64), "-", minus, 1) + "\u202f" + money
}

// filters are when, whose, where and in which order.
func (v *dueView) filters(c *careView, bays map[string]int, l *views.DueList) []views.FilterRow {
	with := func(change func(q *careQuery)) string {
		q := v.q
		q.page = 1
		change(&q)
		return c.link(q)
	}
	rows := []views.FilterRow{c.listFilter(), {Label: "When", Links: []views.FilterLink{
		{Word: "Now", Href: with(func(q *careQuery) { q.shift = false }), Current: !v.q.shift},
		{Word: "This shift", Href: with(func(q *careQuery) { q.shift = true }), Current: v.q.shift}}}}
	if whose := v.whose(with); len(whose.Links) > 1 {
		rows = append(rows, whose)
	}
	if v.q.person == "" || v.q.bay != "" {
		if names := busyBays(bays, v.q.bay); len(names) > baysAsLinks {
			l.Bays = &views.Choice{Action: v.s.url("/upkeep"), Label: "Bay", Name: "bay", ID: "due-bay", Options: []views.Option{{Word: "All bays", Chosen: v.q.bay == ""}}}
			for _, b := range names {
				l.Bays.Options = append(l.Bays.Options, views.Option{Value: b, Word: b + " (" + count(bays[b]) + ")", Chosen: b == v.q.bay})
			}
			for key, value := range c.params(v.q) {
				if key != "bay" && key != "page" {
					l.Bays.Kept = append(l.Bays.Kept, views.Option{Word: key, Value: value[0]})
				}
			}
			slices.SortFunc(l.Bays.Kept, func(a, b views.Option) int { return cmp.Compare(a.Word, b.Word) })
		} else {
			rows = append(rows, c.bayFilter(bays)...)
		}
	}
	return append(rows, views.FilterRow{Label: "Order", Links: []views.FilterLink{
		{Word: "Most saved", Href: with(func(q *careQuery) { q.walking = false }), Current: !v.q.walking},
		{Word: "Walking order", Href: with(func(q *careQuery) { q.walking = true }), Current: v.q.walking}}})
}

func busyBays(bays map[string]int, chosen string) (names []string) {
	for b, n := range bays {
		if b != "" && (n > 0 || b == chosen) {
			names = append(names, b)
		}
	}
	slices.SortFunc(names, func(a, b string) int {
		if naturalLess(a, b) {
			return -1
		}
		return 1
	})
	return names
}

// whose narrows the list to what somebody's shift covers: one's own, or anybody's who
// is on for those who plan.
func (v *dueView) whose(with func(func(q *careQuery)) string) views.FilterRow {
	row := views.FilterRow{Label: "Whose", Links: []views.FilterLink{{Word: "Everybody’s", Href: with(func(q *careQuery) { q.person = "" }), Current: v.q.person == ""}}}
	seen := map[string]bool{}
	for _, d := range v.duties {
		mine := d.Person == v.who.Handle
		if seen[d.Person] || !mine && (!v.who.anyPerson() || d.Starts.After(v.now)) {
			continue
		}
		seen[d.Person] = true
		word := d.Person
		if mine {
			word = "Mine"
		}
		if d.Bay != "" {
			word += ", " + d.Bay
		}
		row.Links = append(row.Links, views.FilterLink{Word: word, Href: with(func(q *careQuery) { q.person, q.bay, q.shift = d.Person, "", true }), Current: v.q.person == d.Person})
	}
	if v.q.person != "" && !seen[v.q.person] {
		row.Links = append(row.Links, views.FilterLink{Word: v.q.person + ": no shift now", Href: with(func(*careQuery) {}), Current: true})
	}
	return row
}

// dueList reads and shows what is due.
func (s *Server) dueList(c echo.Context, q careQuery, frame store.Frame, now time.Time, p *views.UpkeepPage) error {
	ctx := c.Request().Context()
	stands, found, err := s.stands(ctx, frame, now, "")
	if err != nil {
		return err
	}
	v := dueView{s: s, q: q, now: now, zone: frame.Settings.Zone(), set: frame.Settings, who: identity(c)}
	if v.duties, err = s.store.Duties(ctx, now, nextHours); err != nil {
		return err
	}
	v.shift()
	p.Due, p.Filters, err = v.list(stands, found, c.QueryParam("already"))
	return err
}
