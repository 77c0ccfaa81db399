package findings

import (
	"math"
	"slices"
)

// Weighed is an evaluation that can be asked what further layers would change.
type Weighed struct {
	e   *study
	opt Options
}

// Weigh answers every question as Evaluate does, and keeps what the answers rest on.
func Weigh(l *Layers, printers, plates int, gapSplit float64, opt Options) ([]Question, *Weighed) {
	e := newStudy(l, printers, plates, opt)
	parallel(len(e.qs), func(i int) { e.count(i, gapSplit) })
	e.run()
	return e.answer(opt), &Weighed{e, opt}
}

// Up to how many further layers are looked at.
const (
	TurnMostHeld   = 5000
	TurnMostFailed = 200
)

// Turn is how many further layers of one kind would change whether a question is
// raised, the farm's other questions and what was learned of them staying as they are.
// 0: not by as many as are looked at. Of a raised question Held and Failed would take
// it back, of another they would raise it.
type Turn struct {
	// Exposed is the exposure the layers are taken to start under: of those exposed
	// so far the mean; false: none (a valid probe, a plate just cleaned).
	// Of a raised question: layers that hold though exposed, failures without.
	// Of another: failures with the exposure, layers that hold without.
	HeldExposed, FailedRest int
	FailedExposed, HeldRest int
}

// Turn looks for it; ok is false where there is no estimate to change.
func (w *Weighed) Turn(i int) (t Turn, ok bool) {
	e := w.e
	if e.evidence[i] == nil || e.qs[i].State == TooLittleData {
		return t, false
	}
	if e.qs[i].State == Raised {
		t.HeldExposed = w.least(i, true, false, Raised)
		t.FailedRest = w.least(i, false, true, Raised)
		return t, true
	}
	t.FailedExposed = w.least(i, true, true, Raised)
	t.HeldRest = w.least(i, false, false, Raised)
	return t, true
}

// least finds the least number of further layers with which whether the question is in
// a state changes; 0 when as many as are looked at are not enough.
func (w *Weighed) least(i int, exposed, failed bool, state State) int {
	is := w.e.qs[i].State == state
	turned := func(k int) bool { return (w.with(i, k, exposed, failed).State == state) != is }
	low, high, most := 0, 1, TurnMostHeld
	if failed {
		most = TurnMostFailed
	}
	for !turned(high) {
		if low = high; low == most {
			return 0
		}
		high = min(2*high, most)
	}
	for high-low > 1 {
		if mid := (low + high) / 2; turned(mid) {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}

// with answers one question with k further layers.
func (w *Weighed) with(i, k int, exposed, failed bool) Question {
	e := *w.e
	e.qs, e.evidence = slices.Clone(e.qs), slices.Clone(e.evidence)
	r := e.evidence[i].r.further(float64(k), exposed, failed)
	null := r.fit(theta{}, false, true)
	c := r.curveOver(&null, nil)
	g := e.group(i)
	c.addMisses(g)
	c.withMisses(&e.bears[g])
	c.posterior(&e.prior[g])
	e.evidence[i] = c
	for j := range e.qs {
		if q := &e.qs[j]; q.State != TooLittleData {
			q.State, q.Reverse = Quiet, false
		}
	}
	e.qs[i].None = 0
	e.conclude(i)
	decide(e.qs, w.opt)
	return e.qs[i]
}

// further gives the question's layers and k more: spread over the window, otherwise like
// the exposed ones (or like those without exposure) in the mean. Failures show what most
// failures of that side show; those that hold are clean.
func (r *rows) further(k float64, exposed, failed bool) *rows {
	n := *r
	var off, z, sum, x, odds, miss, held float64
	like := func(any bool) {
		for _, o := range []*obs{&r.holds, &r.fails} {
			for i, m := range o.count {
				if !any && (o.x[i] > 0) != exposed {
					continue
				}
				off, z, sum = off+m*o.off[i], z+m*o.z[i], sum+m
				if exposed {
					x, odds = x+m*o.x[i], odds+m*o.odds[i]
				}
				if o == &r.holds {
					miss, held = miss+m*math.Log(r.missOdds[i]), held+m
				}
			}
		}
	}
	if like(false); sum == 0 {
		like(true)
	}
	if sum == 0 {
		sum = 1
	}
	off, z, x, odds = off/sum, z/sum, x/sum, odds/sum
	miss /= max(held, 1)
	n.n += k
	if !failed {
		n.sumX += k * x
		n.holds = n.holds.more(off, 0, x, z, odds, k)
		n.even = n.even.moreOf(off, 0, k)
		n.missOdds = append(slices.Clone(n.missOdds), math.Exp(miss))
		for kind := range n.missed {
			n.missed[kind], n.missRatio[kind] = append(slices.Clone(n.missed[kind]), 0), append(slices.Clone(n.missRatio[kind]), 0)
		}
		return &n
	}
	var seen [classes]int
	b, class := uint8(0), uint8(0)
	for i, x := range r.fails.x {
		if (x > 0) == exposed {
			seen[r.class[i]]++
			b = max(b, r.band[i])
		}
	}
	for k := range seen {
		if seen[k] > seen[class] {
			class = uint8(k)
		}
	}
	n.fails = obs{slices.Clone(r.fails.off), slices.Clone(r.fails.t), slices.Clone(r.fails.x), slices.Clone(r.fails.z), slices.Clone(r.fails.odds), slices.Clone(r.fails.count)}
	n.class, n.band, n.layer, n.spared = slices.Clone(r.class), slices.Clone(r.band), slices.Clone(r.layer), slices.Clone(r.spared)
	for j := range int(k) {
		n.fails.add(off, (float64(j)+0.5)/k-0.5, x, z, odds, 1)
		n.class, n.band, n.layer, n.spared = append(n.class, class), append(n.band, b), append(n.layer, -1), append(n.spared, math.Exp(-z))
	}
	n.bands = max(n.bands, int(b)+1)
	return &n
}

// more gives the same with one entry more.
func (o *obs) more(off, t, x, z, odds, count float64) obs {
	n := obs{slices.Clone(o.off), slices.Clone(o.t), slices.Clone(o.x), slices.Clone(o.z), slices.Clone(o.odds), slices.Clone(o.count)}
	n.add(off, t, x, z, odds, count)
	return n
}

// moreOf is more for entries of off, t and count only.
func (o *obs) moreOf(off, t, count float64) obs {
	return obs{off: append(slices.Clone(o.off), off), t: append(slices.Clone(o.t), t), count: append(slices.Clone(o.count), count)}
}
