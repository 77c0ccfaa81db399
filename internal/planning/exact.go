package planning

import (
	"math"
	"slices"
)

// exactTasks is up to how many tasks a plan is looked for among all, and
// exactNodes how far the search may go before it is given up.
const (
	exactTasks = 8
	exactNodes = 2_000_000
)

// tasks is the most tasks that the starts of an instance can need.
func (in *Instance) tasks() int {
	n, later := 0, 0
	var first []int // by printer: more than a later start
	for j := range in.Jobs {
		starts := in.Jobs[j].Starts
		if starts == 0 {
			continue
		}
		n += starts
		longest := 1
		for p := range in.Printers {
			if !in.eligible(j, p) {
				continue
			}
			for r := range in.Recipes {
				if in.serves(j, p, r, false) {
					longest = max(longest, len(in.Recipes[r]))
				}
			}
		}
		later += starts * longest
		for p := range in.Printers {
			if len(first) <= p {
				first = append(first, 0)
			}
			for r := range in.Recipes {
				if in.eligible(j, p) && in.serves(j, p, r, true) {
					first[p] = max(first[p], len(in.steps(p, r, true))-longest)
				}
			}
		}
	}
	slices.SortFunc(first, func(a, b int) int { return b - a })
	for _, more := range first[:min(n, len(first))] {
		later += more
	}
	return later
}

// Exact looks for the cheapest plan among all by branch and bound, beginning
// with a plan in hand. It branches over what comes next: one more step of a
// start that is being prepared, or a new start with its printer and recipe, and
// by whom. That settles the order of work on each printer and of each person,
// and for given orders there is one plan in which nothing can be earlier: every
// rule has the form "not before f(the others)" with f growing, staleness and
// joining washes included, so times raised from the least until all rules hold
// are the least of all. No other plan of these orders ends anything earlier, and
// cost grows with lateness alone. Of orders that differ only in steps that share
// neither printer nor person one is looked at. done is false when the search was
// given up.
func Exact(in *Instance, have *Plan) (plan *Plan, done bool) {
	e := &exact{in: in, walk: in.walks(), best: math.Inf(1), turn: make([]int, len(in.Printers)), open: make([]*Start, len(in.Printers))}
	if have != nil && !slices.ContainsFunc(have.Unplaced, func(n int) bool { return n > 0 }) {
		e.best = have.Cost.Total()
	}
	for j := range in.Jobs {
		e.left = append(e.left, in.Jobs[j].Starts)
		least := math.Inf(1)
		for p := range in.Printers {
			if !in.eligible(j, p) {
				continue
			}
			for r := range in.Recipes {
				for _, first := range []bool{true, false} {
					if in.serves(j, p, r, first) {
						least = min(least, in.base(j, p, r, first))
					}
				}
			}
		}
		e.least = append(e.least, least)
	}
	e.search()
	if e.found != nil {
		have = e.found
	}
	return have, e.nodes <= exactNodes
}

// op is one piece of work in the order it was decided on.
type op struct {
	start   *Start
	step    int // -1: the beginning
	person  int // -1 nobody
	minutes int // of the person
	length  int // of the machine
	joined  bool
	batch   int
	before  int // op of the same person before it; -1 none
	low, at int
}

type exact struct {
	in    *Instance
	walk  [][]int
	left  []int
	least []float64
	open  []*Start // of each printer, being prepared
	turn  []int    // starts opened on each printer
	ops   []op
	all   []*Start
	best  float64
	found *Plan
	nodes int
}

func (e *exact) search() {
	if e.nodes++; e.nodes > exactNodes {
		return
	}
	cost, ok := e.times()
	if !ok || cost >= e.best-1e-9 {
		return
	}
	busy := slices.ContainsFunc(e.open, func(s *Start) bool { return s != nil })
	if !busy && !slices.ContainsFunc(e.left, func(n int) bool { return n > 0 }) {
		e.keep(cost)
		return
	}
	for p := range e.in.Printers {
		if s := e.open[p]; s != nil {
			e.next(p, s)
			continue
		}
		for j := range e.left {
			if e.left[j] == 0 || !e.in.eligible(j, p) {
				continue
			}
			for r := range e.in.Recipes {
				first := e.turn[p] == 0
				if !e.in.serves(j, p, r, first) {
					continue
				}
				s := &Start{Job: j, Printer: p, Recipe: r, Starter: -1, PFail: e.in.chance(j, p, r, first)}
				for _, st := range e.in.steps(p, r, first) {
					s.Tasks = append(s.Tasks, Task{Task: st.Task, Person: -1, stale: st.Stale, setup: st.Setup, Minutes: st.Person, Done: st.Machine})
				}
				e.left[j]--
				e.turn[p]++
				e.open[p] = s
				e.all = append(e.all, s)
				e.next(p, s)
				e.all = e.all[:len(e.all)-1]
				e.open[p] = nil
				e.turn[p]--
				e.left[j]++
			}
		}
	}
}

// next tries all ways to do a start's next piece of work.
func (e *exact) next(p int, s *Start) {
	step := 0
	for i := range e.ops {
		if e.ops[i].start == s {
			step++
		}
	}
	o := op{start: s, step: step, person: -1, before: -1}
	if step == len(s.Tasks) {
		o.step, o.minutes = -1, e.in.StartMinutes
	} else {
		o.minutes, o.length = s.Tasks[step].Minutes, s.Tasks[step].Done
	}
	do := func(o op) {
		if n := len(e.ops); n > 0 {
			if last := &e.ops[n-1]; last.start.Printer > p && (last.person < 0 || last.person != o.person) {
				return // the other way round it is looked at
			}
		}
		if o.step < 0 {
			e.open[p] = nil
		}
		e.ops = append(e.ops, o)
		e.search()
		e.ops = e.ops[:len(e.ops)-1]
		e.open[p] = s
	}
	if o.minutes == 0 {
		do(o)
		return
	}
	for q := range e.in.People {
		o := o
		o.person = q
		for i := len(e.ops) - 1; i >= 0 && o.before < 0; i-- {
			if e.ops[i].person == q {
				o.before = i
			}
		}
		if o.step >= 0 && s.Tasks[o.step].setup > 0 {
			o.batch = 1
			if b := o.before; b >= 0 && e.ops[b].batch > 0 && e.ops[b].batch < e.in.BatchMost && e.in.Printers[e.ops[b].start.Printer].Bay == e.in.Printers[p].Bay {
				j := o
				j.joined, j.batch, j.minutes = true, e.ops[b].batch+1, o.minutes-s.Tasks[o.step].setup
				do(j)
			}
		}
		do(o)
	}
}

// fits is the first time from which a person has so many minutes within a turn.
func (e *exact) fits(person, from, minutes int) int {
	for _, t := range e.in.People[person].Turns {
		if at := max(from, t.From); at+minutes <= t.To {
			return at
		}
	}
	return Never
}

// times finds the least times of the work decided on and what all costs at
// least.
func (e *exact) times() (float64, bool) {
	for i := range e.ops {
		e.ops[i].low = math.MinInt32
	}
	free := make([]int, len(e.in.Printers)) // of a printer: its work before is over
	ends := make([]int, len(e.in.Jobs))
again:
	for p := range free {
		free[p] = e.in.Printers[p].Free
	}
	for j := range ends {
		ends[j] = math.MinInt32
	}
	for i := range e.ops {
		o := &e.ops[i]
		p, job := o.start.Printer, &e.in.Jobs[o.start.Job]
		at := max(o.low, free[p])
		if o.step < 0 {
			at = max(at, job.Earliest)
		}
		if o.before >= 0 {
			b := &e.ops[o.before]
			at = max(at, b.at+b.minutes+e.walk[e.in.Printers[b.start.Printer].Bay][e.in.Printers[p].Bay])
		}
		if o.person >= 0 {
			if at = e.fits(o.person, at, o.minutes); at == Never {
				return 0, false
			}
		}
		if o.joined {
			if b := &e.ops[o.before]; at > b.at+b.minutes {
				b.low = at - b.minutes
				goto again
			}
		}
		o.at = at
		if o.step >= 0 {
			free[p] = at + max(o.minutes, o.length)
			if at >= e.in.Horizon {
				return 0, false
			}
			continue
		}
		if at >= e.in.Horizon {
			return 0, false
		}
		for k := range i {
			b := &e.ops[k]
			if b.start != o.start || o.start.Tasks[b.step].stale == 0 {
				continue
			}
			length := max(b.minutes, b.length)
			if low := at - o.start.Tasks[b.step].stale - length; b.at < low {
				b.low = low
				goto again
			}
		}
		free[p] = at + job.Minutes
		ends[o.start.Job] = max(ends[o.start.Job], free[p])
	}
	cost := 0.0
	for j := range ends {
		cost += e.in.Jobs[j].LateFee / 60 * float64(max(0, ends[j]-e.in.Jobs[j].Due))
		if e.left[j] > 0 {
			cost += float64(e.left[j]) * e.least[j]
		}
	}
	for _, s := range e.all {
		cost += s.PFail * e.in.Jobs[s.Job].FailCost
		for i := range s.Tasks {
			t := &s.Tasks[i]
			cost += e.in.Labour*float64(t.Minutes-t.setup) + e.in.Machine*float64(max(t.Minutes, t.Done))
		}
	}
	for i := range e.ops {
		if o := &e.ops[i]; o.step >= 0 && !o.joined {
			cost += e.in.Labour * float64(o.start.Tasks[o.step].setup)
		}
	}
	return cost, true
}

// keep makes a plan of the work decided on.
func (e *exact) keep(cost float64) {
	e.best = cost
	p := &Plan{Unplaced: make([]int, len(e.in.Jobs))}
	place := map[*Start]*Start{}
	for _, s := range e.all {
		c := *s
		c.Tasks = slices.Clone(s.Tasks)
		place[s] = &c
	}
	for i := range e.ops {
		o := &e.ops[i]
		s := place[o.start]
		if o.step < 0 {
			s.At, s.End, s.Starter = o.at, o.at+e.in.Jobs[s.Job].Minutes, o.person
			continue
		}
		t := &s.Tasks[o.step]
		t.Person, t.At, t.Done, t.Minutes, t.Joined = o.person, o.at, o.at+max(o.minutes, o.length), o.minutes, o.joined
	}
	for _, s := range e.all {
		p.Starts = append(p.Starts, *place[s])
	}
	p.Cost, p.Late = e.in.Price(p.Starts)
	e.found = p
}
