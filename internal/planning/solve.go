package planning

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// Solve makes a plan: each start goes to its cheapest place in order of dates,
// then parts of the plan are taken out and placed anew, keeping what is better
// (ruin and recreate: Schrimpf et al. 2000, J. Comput. Phys. 159:139; leaving
// out places at random: Christiaens and Vanden Berghe 2020, Transp. Sci.
// 54:417). The number of rounds depends on the instance alone: the same instance
// gives the same plan on any machine.
func Solve(in *Instance) *Plan {
	b := newBoard(in)
	b.construct()
	b.improve(rounds(in))
	p := b.finish()
	if in.tasks() > exactTasks || p.Bound >= p.Cost.Total() && !slices.ContainsFunc(p.Unplaced, func(n int) bool { return n > 0 }) {
		p.Exact = in.tasks() <= exactTasks
		return p
	}
	if best, done := Exact(in, p); done {
		best.Exact = !slices.ContainsFunc(best.Unplaced, func(n int) bool { return n > 0 })
		if best.Exact {
			best.Bound = best.Cost.Total()
		}
		return best
	}
	return p
}

// Sketch places starts by price and date alone: how many starts are enough can be told
// from it about as well as from a plan, for a small part of its time. It has no bound.
func Sketch(in *Instance) *Plan {
	b := newBoard(in)
	b.construct()
	return b.told()
}

// Replan changes an earlier plan to fit an instance that is no longer quite the
// one it was made from. What still can be done as planned stays unless moving a
// start saves more than moved. A start that has begun should be given as busy
// time of its printer and no longer as a start of its job. The plan's bound is 0
// until Prove.
func Replan(in *Instance, before *Plan, moved float64) *Plan {
	b := newBoard(in)
	b.was, b.moved = map[key]*Start{}, moved
	for i := range before.Starts {
		s := before.Starts[i]
		b.was[key{s.Job, s.Printer, s.At}] = &s
	}
	for i := range before.Starts {
		s := before.Starts[i]
		if s.Job < len(in.Jobs) && s.Printer < len(in.Printers) && s.Recipe < len(in.Recipes) && b.left[s.Job] > 0 && b.stands(&s) {
			b.add(&s)
		}
	}
	b.construct()
	b.improve(rounds(in) / 8)
	return b.told()
}

// Prove works out the bound of a plan that Replan made: most of the time of a plan,
// and of no use before it is the last of several.
func (p *Plan) Prove(in *Instance) {
	p.Bound = min(Bound(in, p.Cost.Total()), p.Cost.Total())
}

func rounds(in *Instance) int {
	n := 0
	for i := range in.Jobs {
		n += in.Jobs[i].Starts
	}
	return min(6000, 400+100*n, 600_000/(n+1)+100)
}

// stands tells whether a start of an earlier plan can be made as it was.
func (b *board) stands(s *Start) bool {
	if !b.in.eligible(s.Job, s.Printer) || s.At < b.in.Jobs[s.Job].Earliest || s.At >= b.in.Horizon || s.begin() < b.in.Printers[s.Printer].Free {
		return false
	}
	s.End = s.At + b.in.Jobs[s.Job].Minutes
	list := b.printers[s.Printer]
	if n := len(list); n > 0 && list[n-1].End > s.begin() {
		return false
	}
	steps := b.steps(s.Printer, s.Recipe, len(list) == 0)
	if !b.in.serves(s.Job, s.Printer, s.Recipe, len(list) == 0) || len(steps) != len(s.Tasks) || (s.Starter >= 0) != (b.in.StartMinutes > 0) {
		return false
	}
	bay := b.in.Printers[s.Printer].Bay
	s.Tasks = slices.Clone(s.Tasks)
	for i := range steps {
		t, st := &s.Tasks[i], &steps[i]
		minutes := st.Person
		if t.Joined {
			minutes -= st.Setup
		}
		if t.Task != st.Task || t.Minutes != minutes || t.Done != t.At+max(minutes, st.Machine) || st.Stale > 0 && s.At-t.Done > st.Stale || (t.Person >= 0) != (st.Person > 0) {
			return false
		}
		t.stale, t.setup = st.Stale, st.Setup
		if t.Person < 0 {
			continue
		}
		if t.Person >= len(b.people) {
			return false
		}
		if t.Joined {
			if at, k := b.join(t.Person, t.At, t.At+1, minutes, bay); k == 0 || at != t.At {
				return false
			}
		} else if b.free(t.Person, t.At, t.At+1, minutes, bay) != t.At {
			return false
		}
	}
	return s.Starter < 0 || s.Starter < len(b.people) && b.free(s.Starter, s.At, s.At+1, b.in.StartMinutes, bay) == s.At
}

// construct places what has no place, by date.
func (b *board) construct() {
	var jobs []int
	for j, n := range b.left {
		for range n {
			jobs = append(jobs, j)
		}
	}
	slices.SortStableFunc(jobs, func(x, y int) int { return cmp.Compare(b.last(x), b.last(y)) })
	full := map[int]bool{}
	for _, j := range jobs {
		if full[j] {
			continue
		}
		if s := b.place(j, nil); s != nil {
			b.add(s)
		} else {
			full[j] = true
		}
	}
}

// last is when the last start of a job should be made.
func (b *board) last(job int) int {
	j := &b.in.Jobs[job]
	return min(j.Due, b.in.Horizon+j.Minutes) - j.Minutes
}

// place finds the cheapest place for a start of a job; nil if there is none.
func (b *board) place(job int, r *rand.Rand) *Start {
	var best *Start
	least := math.Inf(1)
	end := b.ends(job)
	already := b.late(job, end)
	minutes := b.in.Jobs[job].Minutes
	for _, o := range b.best[b.bestOf[job]] {
		if o.price >= least {
			break
		}
		list := b.printers[o.printer]
		if o.first && len(list) > 0 && len(b.in.Printers[o.printer].First) > 0 {
			continue
		}
		if r != nil && r.Uint32()&15 == 0 {
			continue
		}
		steps := b.steps(o.printer, o.recipe, o.first)
		need, batch := minutes, false
		for i := range steps {
			need += max(steps[i].Person-steps[i].Setup, steps[i].Machine)
			batch = batch || steps[i].Setup > 0
		}
		low, high := 0, 0
		if !o.first {
			low, high = 1, len(list)
		}
		for k := low; k <= high; k++ {
			from, until := b.in.Printers[o.printer].Free, Never
			if k > 0 {
				from = list[k-1].End
			}
			flip := 0.0
			if k < len(list) {
				until = list[k].begin()
				if k == 0 {
					flip = b.bare(list[0], false) - b.bare(list[0], true)
				}
			}
			if from >= b.in.Horizon || from+need > until || o.price+flip+b.late(job, from+need)-already >= least {
				continue
			}
			for _, join := range []bool{false, true} {
				if join && !batch {
					break
				}
				s, ok := b.lay(job, o.printer, o.recipe, o.first, join, from, until)
				if !ok {
					continue
				}
				price := b.bare(&s, o.first) - b.forgiven(&s) + flip + max(0, b.late(job, s.End)-already)
				if price < least-1e-9 || price < least+1e-9 && s.End < best.End {
					c := s
					c.Tasks = slices.Clone(s.Tasks)
					best, least = &c, price
				}
			}
		}
	}
	return best
}

// forgiven is what of setting up is left out of the price: where batches are
// sought, whoever is placed first must not pay for all.
func (b *board) forgiven(s *Start) float64 {
	c := 0.0
	for i := range s.Tasks {
		if t := &s.Tasks[i]; t.setup > 0 && !t.Joined {
			c += (1 - b.lead) * b.in.Labour * float64(t.setup)
		}
	}
	return c
}

// improve takes parts out and places them anew.
func (b *board) improve(rounds int) {
	r := rand.New(rand.NewPCG(20, 26))
	now := b.price()
	least, keep := now, b.copy()
	warm := 0.02 * b.pay / float64(1+b.count())
	if b.moved > 0 {
		warm = 0
	}
	batches := b.in.BatchMost > 1 && slices.ContainsFunc(b.in.Recipes, func(l []Step) bool { return slices.ContainsFunc(l, func(s Step) bool { return s.Setup > 0 }) })
	for round := range rounds {
		batch := batches && r.IntN(3) == 0
		gone := b.ruin(r, batch)
		if len(gone) == 0 && !b.missing() {
			break
		}
		var jobs []int
		for j, n := range b.left {
			for range min(n, 4) {
				jobs = append(jobs, j)
			}
		}
		if len(jobs) > 40 {
			r.Shuffle(len(jobs), func(i, k int) { jobs[i], jobs[k] = jobs[k], jobs[i] })
			jobs = jobs[:40]
		}
		if r.Uint32()&1 == 0 {
			slices.SortStableFunc(jobs, func(x, y int) int { return cmp.Compare(b.last(x), b.last(y)) })
		} else {
			r.Shuffle(len(jobs), func(i, k int) { jobs[i], jobs[k] = jobs[k], jobs[i] })
		}
		var put []*Start
		if batch {
			b.lead = r.Float64()
		}
		for _, j := range jobs {
			if s := b.place(j, r); s != nil {
				b.add(s)
				put = append(put, s)
			}
		}
		b.lead = 1
		next := b.price()
		heat := warm * (1 - float64(round)/float64(rounds))
		if next < now+heat*r.ExpFloat64()-1e-9 {
			now = next
			if now < least-1e-9 {
				least, keep = now, b.copy()
			}
			continue
		}
		for i := len(put) - 1; i >= 0; i-- {
			b.take(put[i], nil)
		}
		for i := len(gone) - 1; i >= 0; i-- {
			b.add(gone[i])
		}
	}
	if now > least+1e-9 {
		b.restore(keep)
	}
}

func (b *board) count() int {
	n := 0
	for _, l := range b.printers {
		n += len(l)
	}
	return n
}

func (b *board) missing() bool { return slices.ContainsFunc(b.left, func(n int) bool { return n > 0 }) }

// ruin takes out a few starts that have to do with each other.
func (b *board) ruin(r *rand.Rand, batch bool) []*Start {
	var all []*Start
	for _, l := range b.jobs {
		all = append(all, l...)
	}
	if len(all) == 0 {
		return nil
	}
	n := 2 + r.IntN(min(8, len(all)))
	seed := all[r.IntN(len(all))]
	if r.Uint32()&3 == 0 { // the last start of the latest job
		worst := 0.0
		for j, l := range b.jobs {
			if c := b.late(j, b.ends(j)); c > worst {
				for _, s := range l {
					if s.End == b.ends(j) {
						worst, seed = c, s
					}
				}
			}
		}
	}
	var near []*Start
	way := r.IntN(4)
	if batch {
		way = 4
	}
	switch way {
	case 4: // in the same bay, around the same time
		bay := b.in.Printers[seed.Printer].Bay
		for p, l := range b.printers {
			if b.in.Printers[p].Bay == bay {
				near = append(near, l...)
			}
		}
		slices.SortStableFunc(near, func(x, y *Start) int { return cmp.Compare(abs(x.At-seed.At), abs(y.At-seed.At)) })
		n = 2 + r.IntN(14)
	case 0: // of the same printer, then around the same time
		near = append(near, b.printers[seed.Printer]...)
		n = min(n, len(near))
	case 1: // of the same job
		near = append(near, b.jobs[seed.Job]...)
		r.Shuffle(len(near), func(i, k int) { near[i], near[k] = near[k], near[i] })
	case 2: // at the same time
		near = append(near, all...)
		slices.SortStableFunc(near, func(x, y *Start) int { return cmp.Compare(abs(x.At-seed.At), abs(y.At-seed.At)) })
	default:
		near = append(near, all...)
		r.Shuffle(len(near), func(i, k int) { near[i], near[k] = near[k], near[i] })
	}
	gone := b.take(seed, nil)
	for _, s := range near {
		if len(gone) >= n {
			break
		}
		gone = b.take(s, gone)
	}
	return gone
}

func abs(x int) int { return max(x, -x) }

// copy keeps the starts; restore brings them back.
func (b *board) copy() []Start {
	var out []Start
	for _, l := range b.printers {
		for _, s := range l {
			out = append(out, *s)
		}
	}
	return out
}

func (b *board) restore(starts []Start) {
	in, was, moved := b.in, b.was, b.moved
	fresh := newBoard(in)
	*b = *fresh
	b.was, b.moved = was, moved
	list := make([]*Start, 0, len(starts))
	for i := range starts {
		list = append(list, &starts[i])
	}
	// A batch's first wash stands before those that join it.
	slices.SortStableFunc(list, func(x, y *Start) int { return cmp.Compare(x.begin(), y.begin()) })
	for len(list) > 0 {
		var wait []*Start
		for _, s := range list {
			if b.leads(s) {
				b.add(s)
			} else {
				wait = append(wait, s)
			}
		}
		list = wait
	}
}

// leads tells whether the washes that a start's own ones join are there.
func (b *board) leads(s *Start) bool {
	for i := range s.Tasks {
		if t := &s.Tasks[i]; t.Joined && !slices.ContainsFunc(b.people[t.Person], func(x busy) bool { return x.batch > 0 && x.to == t.At }) {
			return false
		}
	}
	return len(b.printers[s.Printer]) == 0 || b.printers[s.Printer][len(b.printers[s.Printer])-1].At < s.At
}

// finish makes the plan of what stands, with its bound.
func (b *board) finish() *Plan {
	p := b.told()
	p.Prove(b.in)
	return p
}

// told makes the plan of what stands.
func (b *board) told() *Plan {
	p := &Plan{Unplaced: b.left}
	for _, l := range b.printers {
		for k, s := range l {
			x := *s
			x.PFail = b.in.chance(s.Job, s.Printer, s.Recipe, k == 0)
			p.Starts = append(p.Starts, x)
		}
	}
	p.Cost, p.Late = b.in.Price(p.Starts)
	return p
}

// Price adds up what starts cost, by the chances they carry, and how many
// minutes late each job is.
func (in *Instance) Price(starts []Start) (c Cost, late []int) {
	late = make([]int, len(in.Jobs))
	for i := range starts {
		s := &starts[i]
		j := &in.Jobs[s.Job]
		c.Failures += s.PFail * j.FailCost
		for k := range s.Tasks {
			t := &s.Tasks[k]
			machine := t.Done - t.At
			if t.Joined {
				machine = max(machine, t.Minutes+t.setup)
			}
			c.Prep += in.Labour*float64(t.Minutes) + in.Machine*float64(machine)
		}
		late[s.Job] = max(late[s.Job], s.End-j.Due)
	}
	for j := range late {
		c.Late += in.Jobs[j].LateFee / 60 * float64(late[j])
	}
	return c, late
}
