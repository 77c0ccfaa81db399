package planning

import (
	"math"
	"slices"
	"sort"
)

// busy is a stretch of a person's time.
type busy struct {
	from, to, bay int
	batch         int // which of a batch, from 1; 0: not a wash
	of            *Start
	step          int // of its tasks; -1 its beginning
}

// board is a plan being made: what printers and people do.
type board struct {
	in       *Instance
	walk     [][]int
	printers [][]*Start // by time
	people   [][]busy   // by time
	jobs     [][]*Start
	left     []int // starts of each job without a place
	fees     []float64
	pay      float64 // search's price of all that is placed, without lateness
	best     [][]option
	bestOf   []int // list of options of each job
	was      map[key]*Start
	lead     float64    // share of setting up that the first wash of a batch is to pay in place
	moved    float64    // price of a start that stands elsewhere than before
	begins   [][][]Step // by printer and recipe: steps of a first start where something must be done then
}

// steps is the instance's, made once.
func (b *board) steps(printer, recipe int, first bool) []Step {
	if first && b.begins[printer] != nil {
		return b.begins[printer][recipe]
	}
	return b.in.Recipes[recipe]
}

// key names the starts of an earlier plan: job and where they stood.
type key struct{ job, printer, at int }

// option is a printer with a recipe, by least price.
type option struct {
	printer, recipe int
	first           bool
	price           float64
}

func newBoard(in *Instance) *board {
	b := &board{in: in, walk: in.walks(), lead: 1, printers: make([][]*Start, len(in.Printers)), people: make([][]busy, len(in.People)), jobs: make([][]*Start, len(in.Jobs))}
	for _, w := range in.Washes {
		b.occupy(w.Person, busy{w.At, w.At + w.Minutes, w.Bay, w.Batch, nil, -1}, false)
	}
	b.begins = make([][][]Step, len(in.Printers))
	for p := range in.Printers {
		if len(in.Printers[p].First) > 0 {
			for r := range in.Recipes {
				b.begins[p] = append(b.begins[p], in.steps(p, r, true))
			}
		}
	}
	type class struct {
		kind int
		fail float64
	}
	seen := map[class]int{}
	for j := range in.Jobs {
		job := &in.Jobs[j]
		b.left = append(b.left, job.Starts)
		fee := job.LateFee
		if fee == 0 { // late is late, also where it costs nothing
			fee = 60 * in.Labour
		}
		b.fees = append(b.fees, fee/60)
		c := class{job.Kind, job.FailCost}
		k, known := seen[c]
		if !known {
			k = len(b.best)
			seen[c] = k
			b.best = append(b.best, b.options(j))
		}
		b.bestOf = append(b.bestOf, k)
	}
	return b
}

// options lists printers and recipes for a job, the least price first. A recipe
// that is dearer than doing nothing is none.
func (b *board) options(job int) []option {
	var out []option
	for p := range b.in.Printers {
		if !b.in.eligible(job, p) {
			continue
		}
		for _, first := range []bool{true, false} {
			for r := range b.in.Recipes {
				if b.in.serves(job, p, r, first) {
					out = append(out, option{p, r, first, b.in.base(job, p, r, first)})
				}
			}
		}
	}
	slices.SortFunc(out, func(x, y option) int {
		switch { // of equals as they were listed
		case x.price < y.price:
			return -1
		case x.price > y.price:
			return 1
		case x.printer != y.printer:
			return x.printer - y.printer
		case x.first != y.first:
			if x.first {
				return -1
			}
			return 1
		}
		return x.recipe - y.recipe
	})
	return out
}

// late is what a job's lateness costs the search if its last start ends then.
func (b *board) late(job, end int) float64 {
	return b.fees[job] * float64(max(0, end-b.in.Jobs[job].Due))
}

func (b *board) ends(job int) int {
	end := math.MinInt32
	for _, s := range b.jobs[job] {
		end = max(end, s.End)
	}
	return end
}

// unplaced is the search's price of a start without a place.
const unplaced = 1e7

// price is what the search makes small.
func (b *board) price() float64 {
	c := b.pay
	for j := range b.jobs {
		c += b.late(j, b.ends(j)) + unplaced*float64(b.left[j])
	}
	return c
}

// worth is the price of a start by itself, with that of its standing elsewhere
// than before.
func (b *board) worth(s *Start, first bool) float64 {
	c := b.bare(s, first)
	if b.moved > 0 {
		if o := b.was[key{s.Job, s.Printer, s.At}]; o == nil || o.Recipe != s.Recipe || !sameTasks(o, s) {
			c += b.moved
		}
	}
	return c
}

// bare is what a start costs by itself.
func (b *board) bare(s *Start, first bool) float64 {
	c := b.in.chance(s.Job, s.Printer, s.Recipe, first) * b.in.Jobs[s.Job].FailCost
	if len(s.Tasks) == 0 {
		return c
	}
	steps := b.steps(s.Printer, s.Recipe, first)
	for i := range s.Tasks {
		c += b.in.prep(&steps[i], s.Tasks[i].Joined)
	}
	return c
}

func sameTasks(a, b *Start) bool {
	if a.Starter != b.Starter || len(a.Tasks) != len(b.Tasks) {
		return false
	}
	for i := range a.Tasks {
		if a.Tasks[i].Person != b.Tasks[i].Person || a.Tasks[i].At != b.Tasks[i].At {
			return false
		}
	}
	return true
}

// free finds the first time from which a person has so many minutes on end in a
// bay; with join, a time that directly follows a wash there, at setup minutes
// less. It gives Never if there is none before the time until.
func (b *board) free(person, from, until, minutes, bay int) int {
	turns, list := b.in.People[person].Turns, b.people[person]
	t := sort.Search(len(turns), func(i int) bool { return turns[i].To > from })
	i := sort.Search(len(list), func(i int) bool { return list[i].to > from })
	at := from
	for ; t < len(turns); t++ {
		at = max(at, turns[t].From)
		for at+minutes <= turns[t].To && at < until {
			for i < len(list) && list[i].to <= at {
				i++
			}
			if i > 0 {
				if w := list[i-1].to + b.walk[list[i-1].bay][bay]; w > at {
					at = w
					continue
				}
			}
			if i == len(list) || at+minutes+b.walk[bay][list[i].bay] <= list[i].from {
				return at
			}
			at = list[i].to
		}
		if at >= until {
			break
		}
	}
	return Never
}

// join finds the first wash of a person's in a bay, ending at or after a time,
// that another can follow directly; its end, and which of the batch comes next.
func (b *board) join(person, from, until, minutes, bay int) (at, batch int) {
	list := b.people[person]
	for i := sort.Search(len(list), func(i int) bool { return list[i].to >= from }); i < len(list) && list[i].to < until; i++ {
		w := &list[i]
		if w.batch == 0 || w.batch >= b.in.BatchMost || w.bay != bay {
			continue
		}
		if i+1 < len(list) && w.to+minutes+b.walk[bay][list[i+1].bay] > list[i+1].from {
			continue
		}
		for _, t := range b.in.People[person].Turns {
			if t.From <= w.to && w.to+minutes <= t.To {
				return w.to, w.batch + 1
			}
		}
	}
	return Never, 0
}

// anyone finds who can be there first.
func (b *board) anyone(from, until, minutes, bay int) (person, at int) {
	person, at = -1, Never
	for p := range b.in.People {
		if t := b.free(p, from, min(until, at), minutes, bay); t < at {
			if person, at = p, t; t == from {
				break // nobody is there sooner
			}
		}
	}
	return person, at
}

// lay finds the first times of a start with its steps on a printer between two
// times. ok is false if there are none.
func (b *board) lay(job, printer, recipe int, first, join bool, from, until int) (s Start, ok bool) {
	j, p := &b.in.Jobs[job], &b.in.Printers[printer]
	steps := b.steps(printer, recipe, first)
	s = Start{Job: job, Printer: printer, Recipe: recipe, Starter: -1}
	lows := make([]int, len(steps)) // no step before it
	for range 3 * (len(steps) + 1) {
		s.Tasks = s.Tasks[:0]
		at := from
		for i := range steps {
			st := &steps[i]
			at = max(at, lows[i])
			t := Task{Task: st.Task, Person: -1, At: at, Minutes: st.Person, stale: st.Stale, setup: st.Setup}
			if st.Person > 0 {
				t.Person, t.At = -1, Never
				if join && st.Setup > 0 {
					for q := range b.in.People {
						if x, k := b.join(q, at, min(until, t.At), st.Person-st.Setup, p.Bay); k > 0 && x < t.At {
							t.Person, t.At, t.Joined, t.Minutes = q, x, true, st.Person-st.Setup
						}
					}
				}
				if t.At == Never {
					t.Person, t.At = b.anyone(at, until, st.Person, p.Bay)
				}
				if t.At == Never {
					return s, false
				}
			}
			t.Done = t.At + max(t.Minutes, st.Machine)
			at = t.Done
			if at > until {
				return s, false
			}
			s.Tasks = append(s.Tasks, t)
		}
		s.At = max(at, j.Earliest)
		if b.in.StartMinutes > 0 {
			if s.Starter, s.At = b.anyone(s.At, until, b.in.StartMinutes, p.Bay); s.At == Never {
				return s, false
			}
		}
		s.End = s.At + j.Minutes
		if s.At >= b.in.Horizon || s.End > until {
			return s, false
		}
		fresh := true
		for i := range steps {
			if t := &s.Tasks[i]; t.stale > 0 && s.At-t.Done > t.stale {
				lows[i] = max(lows[i], s.At-t.stale-(t.Done-t.At))
				fresh = false
			}
		}
		if fresh {
			return s, true
		}
	}
	return s, false
}

// add takes a start into the plan.
func (b *board) add(s *Start) {
	list := b.printers[s.Printer]
	k := sort.Search(len(list), func(i int) bool { return list[i].At > s.At })
	if k == 0 && len(list) > 0 {
		b.pay += b.worth(list[0], false) - b.worth(list[0], true)
	}
	b.pay += b.worth(s, k == 0)
	b.printers[s.Printer] = slices.Insert(list, k, s)
	b.jobs[s.Job] = append(b.jobs[s.Job], s)
	b.left[s.Job]--
	bay := b.in.Printers[s.Printer].Bay
	for i := range s.Tasks {
		if t := &s.Tasks[i]; t.Person >= 0 {
			x := busy{t.At, t.At + t.Minutes, bay, 0, s, i}
			if t.setup > 0 {
				x.batch = 1
			}
			b.occupy(t.Person, x, t.Joined)
		}
	}
	if s.Starter >= 0 {
		b.occupy(s.Starter, busy{s.At, s.At + b.in.StartMinutes, bay, 0, s, -1}, false)
	}
}

func (b *board) occupy(person int, x busy, joined bool) {
	list := b.people[person]
	i := sort.Search(len(list), func(i int) bool { return list[i].from >= x.from })
	if joined {
		x.batch = list[i-1].batch + 1
	}
	b.people[person] = slices.Insert(list, i, x)
}

// take removes a start, and with it those that cannot stand without it: washes
// joined to its own, and all on a printer for which it does what must be done first. They are added
// to gone, in an order in which they can be put back from the end.
func (b *board) take(s *Start, gone []*Start) []*Start {
	list := b.printers[s.Printer]
	k := slices.Index(list, s)
	if k < 0 {
		return gone
	}
	if k == 0 && len(b.in.Printers[s.Printer].First) > 0 {
		for len(b.printers[s.Printer]) > 1 {
			l := b.printers[s.Printer]
			gone = b.take(l[len(l)-1], gone)
			if slices.Index(b.printers[s.Printer], s) < 0 {
				return gone
			}
		}
	}
	for i := range s.Tasks {
		t := &s.Tasks[i]
		if t.Person < 0 || t.setup == 0 {
			continue
		}
		l := b.people[t.Person]
		x := sort.Search(len(l), func(i int) bool { return l[i].from >= t.At })
		if x+1 < len(l) && l[x+1].step >= 0 && l[x+1].of.Tasks[l[x+1].step].Joined && l[x+1].batch > 1 {
			gone = b.take(l[x+1].of, gone)
			if slices.Index(b.printers[s.Printer], s) < 0 {
				return gone
			}
		}
	}
	list = b.printers[s.Printer]
	k = slices.Index(list, s)
	b.pay -= b.worth(s, k == 0)
	b.printers[s.Printer] = slices.Delete(list, k, k+1)
	if list = b.printers[s.Printer]; k == 0 && len(list) > 0 {
		b.pay += b.worth(list[0], true) - b.worth(list[0], false)
	}
	i := slices.Index(b.jobs[s.Job], s)
	b.jobs[s.Job] = slices.Delete(b.jobs[s.Job], i, i+1)
	b.left[s.Job]++
	for i := range s.Tasks {
		b.release(s.Tasks[i].Person, s)
	}
	b.release(s.Starter, s)
	return append(gone, s)
}

func (b *board) release(person int, s *Start) {
	if person >= 0 {
		b.people[person] = slices.DeleteFunc(b.people[person], func(x busy) bool { return x.of == s })
	}
}
