package trial

import (
	"cmp"
	"math"
	"slices"

	"basecourse/internal/stats"
)

// MostAlike is how many look-alikes a proof is held beside at most; fewer than
// LeastAlike say nothing.
const (
	MostAlike  = 40
	LeastAlike = 3
)

// Daily counts each unit's failures and graded layers by day, added up: entry d is
// what there was before day d, so that each list has a day more than there are days.
type Daily struct{ Failures, Graded [][]int }

// NewDaily makes empty counts of so many units and days. Count, then Sum.
func NewDaily(units, days int) Daily {
	d := Daily{make([][]int, units), make([][]int, units)}
	for u := range units {
		d.Failures[u], d.Graded[u] = make([]int, days+1), make([]int, days+1)
	}
	return d
}

// Count adds layers of one day.
func (d Daily) Count(unit, day, failures, graded int) {
	d.Failures[unit][day+1] += failures
	d.Graded[unit][day+1] += graded
}

// Sum adds the days up; nothing is counted afterwards.
func (d Daily) Sum() {
	for u := range d.Graded {
		for k := 1; k < len(d.Graded[u]); k++ {
			d.Failures[u][k] += d.Failures[u][k-1]
			d.Graded[u][k] += d.Graded[u][k-1]
		}
	}
}

// Between counts a unit's layers from one day up to before another; days outside are
// empty.
func (d Daily) Between(unit, from, to int) (failures, graded int) {
	last := len(d.Graded[unit]) - 1
	from, to = min(max(from, 0), last), min(max(to, 0), last)
	if to <= from {
		return 0, 0
	}
	return d.Failures[unit][to] - d.Failures[unit][from], d.Graded[unit][to] - d.Graded[unit][from]
}

// Alike is the untouched units beside which a proof is held.
type Alike struct {
	daily Daily
	from  int
	units []int
	rates []float64
}

// Len is how many there are.
func (a Alike) Len() int { return len(a.units) }

// LookAlikes finds the units most like a subject as it was before a fix on the day
// from: of its kind, graded in the window of days before, their rate, shrunken as the
// subject's, between half and twice its own, the nearest in rate and in number of
// graded layers first, those left out that somebody touched.
func (d Daily) LookAlikes(subject int, rate stats.Beta, prior stats.Beta, from, window int, touched func(unit int) bool) Alike {
	type near struct {
		unit int
		rate float64
		far  float64
	}
	_, own := d.Between(subject, from-window, from)
	var list []near
	for u := range d.Graded {
		if u == subject || touched(u) {
			continue
		}
		x, n := d.Between(u, from-window, from)
		if n == 0 {
			continue
		}
		r := prior.After(x, n).Mean()
		far := math.Abs(math.Log(r / rate.Mean()))
		if far > math.Ln2 {
			continue
		}
		list = append(list, near{u, r, far + math.Abs(math.Log(float64(n+5)/float64(own+5)))/4})
	}
	slices.SortFunc(list, func(a, b near) int { return cmp.Or(cmp.Compare(a.far, b.far), cmp.Compare(a.unit, b.unit)) })
	out := Alike{daily: d, from: from}
	if len(list) < LeastAlike {
		return out
	}
	for _, x := range list[:min(len(list), MostAlike)] {
		out.units, out.rates = append(out.units, x.unit), append(out.rates, x.rate)
	}
	return out
}

// To is what the look-alikes did from the fix's day up to before another day.
func (a Alike) To(day int) Beside {
	var b Beside
	for k, u := range a.units {
		x, n := a.daily.Between(u, a.from, day)
		b.Failures += x
		b.Expected += float64(n) * a.rates[k]
	}
	return b
}
