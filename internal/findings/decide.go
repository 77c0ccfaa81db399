package findings

import (
	"math"
	"slices"

	"basecourse/internal/stats"
)

const (
	// alone is how many times the false discovery rate the chance of nothing being
	// avoidable may be for a single question, however clear the others are.
	alone = 7
	// overdoubt is what the odds of nothing being avoidable are taken by: the prior
	// doubts the first effects of a farm, and on simulated farms (seeds from 600000
	// and 640000 on) that had any nothing was the matter less than half as often as
	// the fits said.
	overdoubt = 0.4
	// lone is that where no effect of the kind is believed in but the one at hand: its
	// odds are left as they are.
	lone = 1
	// credulous is that of definitions up to 3, for all.
	credulous = 0.5
)

// nothing is the chance that nothing worth mentioning is avoidable, its odds set right.
func (q *Question) nothing() float64 {
	by := q.odds
	if by == 0 {
		by = overdoubt
	}
	return by * q.None / (by*q.None + 1 - q.None)
}

// decide turns the evidence of all questions into q-values and states. q is the
// mean chance of nothing being avoidable among all questions that look at least
// as bad (the Bayesian false discovery rate: Storey 2003, Ann. Stat.
// 31:2013-2035; Newton et al. 2004, Biostatistics 5:155-176), and never less
// than a seventh of a question's own chance, so that none hides behind others.
func decide(qs []Question, opt Options) {
	scale := nullScale(qs)
	var order []int
	for i := range qs {
		q := &qs[i]
		if q.State == TooLittleData {
			continue
		}
		q.P = stats.NormalUpperTail(q.Z / scale)
		order = append(order, i)
	}
	sortBy(order, func(i int) float64 { return -qs[i].P })
	reverse(qs, order, scale, opt.FalseDiscoveryRate)
	sortBy(order, func(i int) float64 { return qs[i].None })
	sum := 0.0
	for k, i := range order {
		q := &qs[i]
		sum += q.nothing()
		q.Q = max(sum/float64(k+1), q.nothing()/alone)
		switch {
		case q.Reverse:
			q.Q = 1
		case q.Q <= opt.FalseDiscoveryRate && q.Avoidable >= opt.LeastAvoidable:
			q.State = Raised
		case q.P <= 0.05 || q.Q <= 0.2:
			q.State = Watching
		}
	}
}

// reverse marks the questions whose evidence points the other way at the same
// level (Benjamini & Hochberg 1995, JRSS B 57:289-300). order has the largest p
// first.
func reverse(qs []Question, order []int, scale, level float64) {
	last := -1
	for k, i := range order {
		if stats.NormalUpperTail(-qs[i].Z/scale)*float64(len(order)) <= level*float64(k+1) {
			last = k
		}
	}
	for _, i := range order[:last+1] {
		qs[i].Reverse = true
	}
}

// nullScale estimates how much wider the signed roots of questions without an
// effect are spread than they should be (layers of one day fail together): the
// middle of their distribution against the standard normal's, never below 1
// (Devlin & Roeder 1999, Biometrics 55:997-1004, use the same idea).
func nullScale(qs []Question) float64 {
	var z []float64
	for i := range qs {
		if qs[i].State != TooLittleData {
			z = append(z, qs[i].Z)
		}
	}
	if len(z) < 50 {
		return 1
	}
	slices.Sort(z)
	med := z[len(z)/2]
	// Effects lift the upper half; the lower half tells of the null.
	low := z[len(z)/4]
	s := (med - low) / 0.6744897501960817
	return min(1.5, max(1, math.Abs(s)))
}
