package findings

import (
	"math"
	"time"

	"basecourse/internal/stats"
)

// A proof says whether a fix held: after it, so many good layers are needed, in
// advance, that a subject on which nothing was changed would show them by luck in
// at most one case in ten. How often such a subject fails is taken from what it did
// before, shrunken to the farm: the worst of many is picked because it was
// unlucky too, and gets better by itself.

// Luck is the most chance, of a subject on which nothing was changed, to be
// called held up.
const Luck = 0.10

// LuckAimed is the chance that good layers are counted for: less than Luck, because
// bad weeks end by themselves. On simulated farms with a cold spell a proof
// aimed at a tenth let 10.5 % of idle fixes through.
const LuckAimed = 0.08

// MostNeeded is how many good layers are asked for at most. Rarer failures
// cannot be shown to be gone by counting layers.
const MostNeeded = 150

// FarmRate is how the rates of a farm's units spread: the beta distribution that
// their counts (failures and graded layers, one entry a unit) tell of
// (stats.BetaBinomial, empirical Bayes). Where they cannot tell, because none or
// all failed, it is one failure in twenty layers. Of a large farm so many units as
// tell the spread well enough are taken, evenly.
func FarmRate(farmFailures, farmGraded []int) stats.Beta {
	const enough = 200
	if step := float64(len(farmGraded)) / enough; step > 1 {
		x, n := make([]int, enough), make([]int, enough)
		for i := range enough {
			k := int(float64(i) * step)
			x[i], n[i] = farmFailures[k], farmGraded[k]
		}
		farmFailures, farmGraded = x, n
	}
	prior, _ := stats.BetaBinomial(farmFailures, farmGraded)
	if math.IsNaN(prior.Alpha) || math.IsNaN(prior.Beta) {
		return stats.Beta{Alpha: 1, Beta: 19}
	}
	return prior
}

// Expected is how often a unit fails by what is known before a fix: the
// distribution of its rate after failures of graded layers, shrunken to its farm's.
func Expected(farmFailures, farmGraded []int, failures, graded int) stats.Beta {
	return FarmRate(farmFailures, farmGraded).After(failures, graded)
}

// GoodNeeded is the least number n of good layers for which a run of n by luck,
// averaged over the rate's distribution, is at most luck: E (1-p)^n =
// B(a, b+n) / B(a, b), the beta-binomial's chance of no failure. It is 0 where
// more than most would be needed: then there is only to watch for it coming back.
func GoodNeeded(rate stats.Beta, luck float64, most int) int {
	chance := 1.0
	for n := 1; n <= most; n++ {
		k := float64(n - 1)
		chance *= (rate.Beta + k) / (rate.Alpha + rate.Beta + k)
		if chance <= luck*(1+1e-12) { // 9 good layers are enough for 1/10, whatever is lost in the last digit
			return n
		}
	}
	return 0
}

// ProofState is how a proof stands.
type ProofState uint8

// The states of a proof.
const (
	Proving ProofState = iota
	HeldUp
	CameBack
)

func (s ProofState) String() string { return [...]string{"proving", "held_up", "came_back"}[s] }

// After is one start of the subject after the fix.
type After struct {
	At      time.Time
	Graded  bool
	Failed  bool // by the definition of a failure
	Nudged  bool // the nozzle was moved while it printed
	Watched bool // marginal, kept printing under watch, no failure
}

// Counts says what a layer is to a proof.
type Counts uint8

// What a layer is: good; neither, because it is not graded or is under watch;
// the count begins anew, because it was nudged; the fault came back; or it lies
// after the proof's end.
const (
	CountsGood Counts = iota
	CountsNeither
	CountsAnew
	CountsBack
	CountsAfter
)

// Proof is how far a fix is shown to hold.
type Proof struct {
	State  ProofState
	Good   int // in a row, none nudged
	Needed int // 0: cannot be shown by counting
	Ended  time.Time
	Layers []Counts // of each layer given
}

// Prove counts the starts after a fix, in order of time. Good is a graded layer
// that is no failure, was not nudged and is not under watch. A nudge says that
// height was not right yet: the count begins anew. A start that is not graded
// and a marginal layer count neither way. A failure means it came back, nudged
// or not. None of these makes held up by luck more likely than needed says: they
// all ask for at least needed good layers before the first failure.
func Prove(needed int, layers []After) Proof {
	p := Proof{Needed: needed, Layers: make([]Counts, len(layers))}
	for i, l := range layers {
		switch {
		case p.State != Proving:
			p.Layers[i] = CountsAfter
		case !l.Graded:
			p.Layers[i] = CountsNeither
		case l.Failed:
			p.State, p.Ended, p.Layers[i] = CameBack, l.At, CountsBack
		case l.Nudged:
			p.Good, p.Layers[i] = 0, CountsAnew
		case l.Watched:
			p.Layers[i] = CountsNeither
		default:
			p.Good++
			if needed > 0 && p.Good >= needed {
				p.State, p.Ended = HeldUp, l.At
			}
		}
	}
	return p
}
