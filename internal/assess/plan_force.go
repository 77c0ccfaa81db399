package assess

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"basecourse/internal/findings"
	"basecourse/internal/planning"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// inForce is the plan that is carried out, as it is stored: people by number, times
// in minutes from Origin.
type inForce struct {
	Origin         time.Time
	Jobs, Printers []string
	People         []int32 // 0: anybody
	Starts         []keptStart
	Held           []string // printers and plates on hold
	Shifts         string   // of what the people's turns were
	Plan           Plan     // as it is shown; its people's names are filled in when it is read
	NoGap          bool     // Plan.Gap is NaN
	Form           int      // planForm: how recipes are numbered
}

// planForm is of the plans written now; others are made anew.
const planForm = 2

// keptStart is a start with what names it from plan to plan.
type keptStart struct {
	planning.Start
	Key      string
	Sequence int       // how often it was changed
	Since    time.Time // when last
}

// movedMinutes of labour is what moving a start must save to be worth it; common
// practice, no source.
const movedMinutes = 10

// planChange counts what became of a plan.
type planChange struct {
	tasksMoved, startsMoved, added, dropped int
	begun, done, overdue                    int
	because                                 []string
}

// before turns the plan in force into one of the instance as it is now: minutes
// from the new origin, what was done meanwhile left out. metas go with its starts.
func (p *planner) before(old *inForce, c *planChange) (before *planning.Plan, metas []keptStart) {
	index := func(names []string, at int, in func(string) int) int {
		if at < 0 || at >= len(names) {
			return -1
		}
		return in(names[at])
	}
	jobs, printers, people := map[string]int{}, map[string]int{}, map[int32]int{}
	for i := range p.in.Jobs {
		jobs[p.in.Jobs[i].Name] = i
	}
	for i := range p.in.Printers {
		printers[p.in.Printers[i].Tag] = i
	}
	for i, n := range p.numbers {
		people[n] = i
	}
	find := func(m map[string]int) func(string) int {
		return func(s string) int {
			if i, ok := m[s]; ok {
				return i
			}
			return -1
		}
	}
	person := func(n int) int {
		if n < 0 || n >= len(old.People) {
			return -1
		}
		if i, ok := people[old.People[n]]; ok {
			return i
		}
		return math.MaxInt32 // somebody who is not there: the start cannot stand
	}
	shift := int(math.Round(p.origin.Sub(old.Origin).Minutes()))
	before = &planning.Plan{}
	touched := map[int]bool{}
	for i := range old.Starts {
		k := old.Starts[i]
		s := k.Start
		s.Job, s.Printer = index(old.Jobs, k.Job, find(jobs)), index(old.Printers, k.Printer, find(printers))
		if s.Printer >= 0 && p.begun(s.Printer, old.Plan.AsOf, old.Origin.Add(time.Duration(k.At)*time.Minute)) && !touched[s.Printer] {
			touched[s.Printer] = true
			c.begun++
			c.done += len(s.Tasks)
			for i := range s.Tasks {
				p.washed(old, &s, &s.Tasks[i], shift, person)
			}
			continue
		}
		if s.Printer >= 0 {
			touched[s.Printer] = true
		}
		if s.Job < 0 || s.Printer < 0 {
			k.Start.Job = -1
			metas, before.Starts = append(metas, k), append(before.Starts, planning.Start{Job: math.MaxInt32})
			continue
		}
		s.At, s.End = s.At-shift, s.End-shift
		if s.Starter >= 0 {
			s.Starter = person(s.Starter)
		}
		first := !slices.ContainsFunc(before.Starts, func(o planning.Start) bool { return o.Job != math.MaxInt32 && o.Printer == s.Printer })
		s.Tasks = nil
		for _, t := range k.Tasks {
			if first && p.taskDone(s.Printer, t.Task) {
				c.done++
				s.Recipe = without(s.Recipe, t.Task)
				p.washed(old, &s, &t, shift, person)
				continue
			}
			t.At, t.Done = t.At-shift, t.Done-shift
			if t.Person >= 0 {
				t.Person = person(t.Person)
			}
			s.Tasks = append(s.Tasks, t)
		}
		if s.At < -movedLeast || len(s.Tasks) > 0 && s.Tasks[0].At < -movedLeast {
			c.overdue++
		}
		k.Start = s
		metas, before.Starts = append(metas, k), append(before.Starts, s)
	}
	return before, metas
}

// washed keeps the place of a wash that is done where another of its batch follows it
// directly, so that the batch stands.
func (p *planner) washed(old *inForce, s *planning.Start, t *planning.Task, shift int, person func(int) int) {
	q := person(t.Person)
	if t.Task != string(upkeep.Wash) || q < 0 || q >= len(p.in.People) {
		return
	}
	at := func(fits func(x *planning.Task) bool) *planning.Task {
		for i := range old.Starts {
			for k := range old.Starts[i].Tasks {
				if x := &old.Starts[i].Tasks[k]; x.Task == t.Task && x.Person == t.Person && fits(x) {
					return x
				}
			}
		}
		return nil
	}
	if at(func(x *planning.Task) bool { return x.Joined && x.At == t.At+t.Minutes }) == nil {
		return
	}
	batch := 1
	for x := t; x != nil && x.Joined && batch < p.in.BatchMost; batch++ {
		from := x.At
		x = at(func(y *planning.Task) bool { return y.At+y.Minutes == from })
	}
	p.in.Washes = append(p.in.Washes, planning.Wash{Person: q, At: t.At - shift, Minutes: t.Minutes, Bay: p.in.Printers[s.Printer].Bay, Batch: batch})
}

// begun tells whether a printer made a start since a plan, in the place of one that
// was planned for at.
func (p *planner) begun(printer int, asOf, at time.Time) bool {
	last := p.rows.Printers[printer].LastStart
	return last != nil && last.After(asOf) && last.Add(12*time.Hour).After(at)
}

// taskDone tells from the records whether a task before a printer's next start is
// done already.
func (p *planner) taskDone(printer int, task string) bool {
	x := &p.in.Printers[printer]
	if p.at[printer] < 0 {
		return false
	}
	next := &p.v.next[p.at[printer]].next
	must := func(task string) bool {
		return slices.ContainsFunc(x.First, func(s planning.Step) bool { return s.Task == task })
	}
	if must("swap_plate") {
		return false
	}
	switch task {
	case "wipe":
		return next.Gap == 0
	case "wash":
		return p.v.next[p.at[printer]].sinceWash == 0
	case "soak", "probe": // who probed had the bed as it was to be
		return next.Probing == findings.ProbingValid && next.SinceProbe == 0
	case "swap_plate":
		return x.Plate != ""
	case "check":
		return !must("check")
	}
	return false
}

// replan makes the plan anew from the one in force, moving as little as it can.
func (p *planner) replan(old *inForce) (*inForce, *Plan, string) {
	p.instance()
	var c planChange
	before, metas := p.before(old, &c)
	standing := make([][]float64, len(p.in.Jobs))
	for i := range before.Starts {
		if s := &before.Starts[i]; s.Job < len(p.in.Jobs) && p.in.Printers[s.Printer].Free != planning.Never && p.in.Printers[s.Printer].Chances[p.in.Jobs[s.Job].Kind] != nil {
			standing[s.Job] = append(standing[s.Job], s.PFail)
		}
	}
	for j := range p.in.Jobs {
		// What was planned stays planned while it is not one too many.
		list := standing[j]
		for n := len(list); n > p.in.Jobs[j].Starts && p.chance(j, list[:n-1]) >= p.confidence; n-- {
			list = list[:n-1]
		}
		p.in.Jobs[j].Starts = max(p.in.Jobs[j].Starts, len(list))
	}
	got := p.solve(func() *planning.Plan {
		return planning.Replan(p.in, before, max(movedMinutes*p.in.Labour, 0.01))
	})
	got.Prove(p.in)
	plan := p.answer(got)
	next := p.force(got, plan)
	c.follow(next, metas, p)
	c.why(old, next, p)
	p.name(next, plan)
	return next, plan, c.words()
}

// force is a plan as it is stored.
func (p *planner) force(got *planning.Plan, plan *Plan) *inForce {
	f := &inForce{Origin: p.origin, People: p.numbers, Form: planForm}
	for i := range p.in.Jobs {
		f.Jobs = append(f.Jobs, p.in.Jobs[i].Name)
	}
	for i := range p.in.Printers {
		f.Printers = append(f.Printers, p.in.Printers[i].Tag)
	}
	for _, s := range got.Starts {
		f.Starts = append(f.Starts, keptStart{Start: s})
	}
	for i := range p.rows.Printers {
		if r := &p.rows.Printers[i]; r.Held {
			f.Held = append(f.Held, r.Printer)
		}
	}
	for i := range p.rows.Plates {
		if r := &p.rows.Plates[i]; r.Held {
			f.Held = append(f.Held, "plate "+r.Plate)
		}
	}
	var turns strings.Builder
	for i := range p.rows.Shifts {
		if s := &p.rows.Shifts[i]; s.From.Before(p.origin.Add(planMost * 24 * time.Hour)) {
			fmt.Fprintf(&turns, "%d %d %d,", s.Number, s.From.Unix(), s.To.Unix())
		}
	}
	f.Shifts = turns.String()
	f.Plan = *plan
	if f.NoGap = math.IsNaN(plan.Gap); f.NoGap {
		f.Plan.Gap = 0
	}
	return f
}

// name gives each start without one its key, and the plan's tasks theirs.
func (p *planner) name(f *inForce, plan *Plan) {
	taken := map[string]bool{}
	for i := range f.Starts {
		taken[f.Starts[i].Key] = true
	}
	type place struct {
		printer, task string
		at            int64
	}
	of := map[place]*keptStart{}
	for i := range f.Starts {
		k := &f.Starts[i]
		for n := 0; k.Key == ""; n++ {
			key := fmt.Sprintf("%s|%s|%d|%d", f.Jobs[k.Job], f.Printers[k.Printer], f.Origin.Add(time.Duration(k.At)*time.Minute).Unix(), n)
			if !taken[key] {
				k.Key, k.Since, taken[key] = key, p.q.At, true
			}
		}
		for _, t := range k.Tasks {
			of[place{f.Printers[k.Printer], t.Task, f.Origin.Add(time.Duration(t.At) * time.Minute).Unix()}] = k
		}
	}
	for i := range plan.Tasks {
		t := &plan.Tasks[i]
		if k := of[place{t.Printer, t.Task, t.At.Unix()}]; k != nil {
			t.Job, t.Key, t.Sequence, t.Since = f.Jobs[k.Job], k.Key, k.Sequence, k.Since
		}
		t.Number = p.number[t.Person]
	}
	f.Plan.Tasks = make([]PlannedTask, len(plan.Tasks))
	for i, t := range plan.Tasks {
		t.Person = "" // by number alone: a leaver's name goes
		f.Plan.Tasks[i] = t
	}
}

// openPlan reads a stored plan.
func (a *Assessor) openPlan(ctx context.Context, body []byte) (*inForce, *Plan, error) {
	f := &inForce{}
	if err := json.Unmarshal(body, f); err != nil {
		return nil, nil, err
	}
	names, err := a.store.Handles(ctx, f.People)
	if err != nil {
		return nil, nil, err
	}
	plan := f.Plan
	plan.Tasks = slices.Clone(f.Plan.Tasks)
	for i := range plan.Tasks {
		plan.Tasks[i].Person = names[plan.Tasks[i].Number]
	}
	if f.NoGap {
		plan.Gap = math.NaN()
	}
	return f, &plan, nil
}

// forced is the plan in force with the version of the data it goes by.
type forced struct {
	row  store.PlanInForce
	kept *inForce
	plan *Plan
}

func (a *Assessor) planInForce(ctx context.Context) (*forced, error) {
	row, err := a.store.PlanInForce(ctx)
	if err != nil || row.AsOf.IsZero() {
		return nil, err
	}
	f := &forced{row: row}
	if f.kept, f.plan, err = a.openPlan(ctx, row.Body); err != nil || f.kept.Form != planForm {
		return nil, nil // of another version of the program: made anew
	}
	return f, nil
}
