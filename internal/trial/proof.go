package trial

import (
	"math"
	"time"

	"basecourse/internal/stats"
)

// A proof says whether a fix held. What the subject would do had nothing changed is a
// distribution of its rate: what it did before, shrunken to the farm's rates, because
// the worst of many is picked for being unlucky too and gets better by itself. Starts
// since the fix are weighed, one after the other, between that and a rate that fell;
// what happened meanwhile to look-alikes that nobody touched moves the expectation
// with them. See Prove.

// UpheldAt and NotUpheldAt are the odds, for a fix that helped against one that
// changed nothing, at which a proof ends: were the expectation right, a fix that
// changes nothing would reach the first at most once in twenty, and one that helps
// fall to the second at most once in ten (Wald 1945; Ville 1939).
const (
	UpheldAt    = 20
	NotUpheldAt = 0.1
)

// MostNeeded is how many good layers in a row are asked for at most. Rarer failures
// cannot be shown to be gone.
const MostNeeded = 300

// ProofDays is how long a proof stays open. What is not settled by then was too
// little to tell.
const ProofDays = 84

// left is the share of the failures that a fix that helped may leave, and how much
// each counts.
var left = [...]struct{ share, weight float64 }{{0.05, 0.25}, {0.15, 0.25}, {0.30, 0.25}, {0.50, 0.25}}

// shaken is how many failures a proof without look-alikes takes the farm's level to
// be known by: it may move by about 1/√shaken.
const shaken = 25

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

// Beside is what look-alikes did since the fix: failures, and how many were expected
// of them by what they did before, each shrunken as the subject is.
type Beside struct {
	Failures int
	Expected float64
}

// level is the farm's level as a multiple of what it was before, and its coefficient
// of variation.
func (b Beside) level() (mean, spread float64) {
	return (shaken + float64(b.Failures)) / (shaken + b.Expected), 1 / math.Sqrt(shaken+float64(b.Failures))
}

// weigher holds the distribution of the chance of failure as points.
type weigher struct{ chance, weight []float64 }

const points = 48

// newWeigher lays points over a rate's distribution: evenly in the log-odds, where
// the density falls off at both ends and the sum is all but exact.
func newWeigher(rate stats.Beta) *weigher {
	a, b := rate.Alpha, rate.Beta
	middle, sd := math.Log(a/b), math.Sqrt(1/a+1/b)
	low, high := middle-4*sd-16/a, middle+4*sd+16/b
	w := &weigher{make([]float64, points), make([]float64, points)}
	top := math.Inf(-1)
	for i := range points {
		u := low + (high-low)*float64(i)/(points-1)
		w.chance[i] = 1 / (1 + math.Exp(-u))
		w.weight[i] = -a*math.Log1p(math.Exp(-u)) - b*math.Log1p(math.Exp(u))
		top = max(top, w.weight[i])
	}
	for i := range w.weight {
		w.weight[i] = math.Exp(w.weight[i] - top)
	}
	return w
}

// odds are for a fix that helped against one that changed nothing, after failures of
// graded layers.
func (w *weigher) odds(failures, graded int, beside Beside) float64 {
	mean, spread := beside.level()
	x, good := float64(failures), float64(graded-failures)
	log := func(p float64) float64 {
		l := good * math.Log1p(-p)
		if x > 0 {
			l += x * math.Log(p)
		}
		return l
	}
	// Three points of a normal for the log of the level (Gauss and Hermite).
	levels := [...]float64{mean * math.Exp(-math.Sqrt(3)*spread), mean, mean * math.Exp(math.Sqrt(3)*spread)}
	heavy := [...]float64{1. / 6, 2. / 3, 1. / 6}
	top := math.Inf(-1)
	for _, p := range w.chance {
		if l := log(min(0.999, p*mean)); l > top {
			top = l
		}
	}
	same, helped := 0.0, 0.0
	for i, p := range w.chance {
		if w.weight[i] < 1e-12 {
			continue
		}
		for k, c := range levels {
			q, wt := min(0.999, p*c), w.weight[i]*heavy[k]
			same += wt * math.Exp(log(q)-top)
			for _, l := range left {
				helped += wt * l.weight * math.Exp(log(q*l.share)-top)
			}
		}
	}
	return helped / same
}

// GoodNeeded is the least number of good layers in a row, right after a fix, that
// show that it held while look-alikes stay as they were; 0 where more than MostNeeded
// would be needed: then counting cannot show it.
func GoodNeeded(rate stats.Beta) int {
	return newWeigher(rate).more(Proof{})
}

// ProofState is how a proof stands.
type ProofState uint8

// The states of a proof: going on; shown; shown not to have helped; over without
// enough layers to tell.
const (
	Open ProofState = iota
	Upheld
	NotUpheld
	TooLittle
)

func (s ProofState) String() string {
	return [...]string{"open", "upheld", "not_upheld", "too_little"}[s]
}

// After is one start of the subject after the fix.
type After struct {
	At      time.Time
	Graded  bool
	Failed  bool   // by the definition of a failure
	Nudged  bool   // the nozzle was moved while it printed
	Watched bool   // marginal, kept printing under watch, no failure
	Beside  Beside // what look-alikes did from the fix to the day before
}

// Counts says what a layer is to a proof.
type Counts uint8

// What a layer is: good; neither, because it is not graded, was nudged or is under
// watch; a failure; or it lies after the proof's end.
const (
	CountsGood Counts = iota
	CountsNeither
	CountsFailed
	CountsAfter
)

// Proof is how far a fix is shown to have held.
type Proof struct {
	State          ProofState
	Good, Failures int
	More           int     // good layers in a row that would show it from here; 0: settled, or more than MostNeeded
	Odds           float64 // for a fix that helped
	Expected       float64 // failures expected of the counted layers had nothing changed
	Beside         Beside  // at the last layer counted
	Ended          time.Time
	Layers         []Counts // of each layer given
}

// Prove weighs the starts after a fix, in order of time. Good is a graded layer that
// is no failure, was not nudged and is not under watch; those count neither way,
// which makes upheld rarer. over says that no more layers will count: the subject was
// touched again, or ProofDays have gone by.
func Prove(rate stats.Beta, layers []After, over bool) Proof {
	p := Proof{Odds: 1, Layers: make([]Counts, len(layers))}
	w := newWeigher(rate)
	for i, l := range layers {
		switch {
		case p.State != Open:
			p.Layers[i] = CountsAfter
			continue
		case !l.Graded || !l.Failed && (l.Nudged || l.Watched):
			p.Layers[i] = CountsNeither
			continue
		case l.Failed:
			p.Failures++
			p.Layers[i] = CountsFailed
		default:
			p.Good++
		}
		p.Beside = l.Beside
		level, _ := l.Beside.level()
		p.Expected = rate.Mean() * level * float64(p.Good+p.Failures)
		p.Odds = w.odds(p.Failures, p.Good+p.Failures, l.Beside)
		switch {
		case p.Odds >= UpheldAt:
			p.State, p.Ended = Upheld, l.At
		case p.Odds <= NotUpheldAt:
			p.State, p.Ended = NotUpheld, l.At
		}
	}
	switch {
	case p.State != Open:
	case over:
		p.State = TooLittle
	default:
		p.More = w.more(p)
	}
	return p
}

// more counts the good layers in a row that would settle it from here.
func (w *weigher) more(p Proof) int {
	n := p.Good + p.Failures
	if w.odds(p.Failures, n+MostNeeded, p.Beside) < UpheldAt {
		return 0
	}
	low, high := 0, MostNeeded
	for high-low > 1 {
		if mid := (low + high) / 2; w.odds(p.Failures, n+mid, p.Beside) >= UpheldAt {
			high = mid
		} else {
			low = mid
		}
	}
	return high
}
