package planning

import (
	"math"

	"basecourse/internal/stats"
)

// Odds is the chance that a start fails, 0 to 1, with its 95 % interval.
type Odds struct{ P, Low, High float64 }

// levels is how many equally likely levels of the risks are looked at.
const levels = 31

// MostStarts is the most starts that HowMany looks at.
const MostStarts = 5000

// at gives the chance at each of the levels, low to high: normal on the
// log-odds, each side as wide as the interval says, moved so that the mean over
// the levels is P.
func (o Odds) at() (p [levels]float64) {
	logit := func(p float64) float64 {
		p = min(max(p, 1e-9), 1-1e-9)
		return math.Log(p / (1 - p))
	}
	mid := logit(o.P)
	below, above := max(mid-logit(o.Low), 0)/1.959964, max(logit(o.High)-mid, 0)/1.959964
	// The shift that makes the mean P, by Newton's steps.
	shift := 0.0
	for range 40 {
		mean, slope := 0.0, 0.0
		for k, z := range quantiles {
			x := mid + shift + z*above
			if z < 0 {
				x = mid + shift + z*below
			}
			p[k] = 1 / (1 + math.Exp(-x))
			mean += p[k] / levels
			slope += p[k] * (1 - p[k]) / levels
		}
		if off := mean - o.P; math.Abs(off) < 1e-13 || slope <= 0 {
			break
		} else {
			shift -= min(max(off/slope, -2), 2)
		}
	}
	return p
}

var quantiles = func() (z [levels]float64) {
	for k := range z {
		z[k] = stats.NormalQuantile((float64(k) + 0.5) / levels)
	}
	return z
}()

// tally is the distribution of the number of failures among starts of unequal
// chances (Poisson-binomial), by adding one start after the other: sums of
// positive terms only, so that nothing cancels (recursion of Barlow and
// Heidtmann 1984, IEEE Transactions on Reliability 33:322-323). Ends of less than
// 1e-18 are left out.
type tally struct {
	first int // failures of p[0]
	p     []float64
}

const leftOut = 1e-18

func (t *tally) add(fails float64) {
	if len(t.p) == 0 {
		t.p = append(t.p, 1)
	}
	t.p = append(t.p, 0)
	for k := len(t.p) - 1; k > 0; k-- {
		t.p[k] = t.p[k]*(1-fails) + t.p[k-1]*fails
	}
	t.p[0] *= 1 - fails
	for len(t.p) > 1 && t.p[0] < leftOut {
		t.p = t.p[1:]
		t.first++
	}
	for len(t.p) > 1 && t.p[len(t.p)-1] < leftOut {
		t.p = t.p[:len(t.p)-1]
	}
}

// Failures gives the chances of 0, 1, ... len(p) failures among starts that fail
// with chances p, each by itself.
func Failures(p []float64) []float64 {
	t := tally{p: []float64{1}}
	for _, x := range p {
		t.add(x)
	}
	out := make([]float64, len(p)+1)
	copy(out[t.first:], t.p)
	return out
}

// Spares prices too many and too few, in money.
type Spares struct {
	Spare float64 // a good one more than needed
	Later float64 // a missing one, made later
	Late  float64 // any missing at all
}

// Order is what a job still needs.
type Order struct {
	Needed     int    // good ones still missing
	UnderWay   []Odds // starts made, their grade not known
	Next       []Odds // of the starts to come, in their order; after the last the first again
	Confidence float64
	Spares
}

// Number is what starting so many would bring.
type Number struct {
	Start                   int     // further starts
	Enough                  float64 // chance that enough are good, the risks' uncertainty taken in
	EnoughLow, EnoughHigh   float64 // were all risks at their lowest or highest level: 97 in 100 lie between
	Cost, CostLow, CostHigh float64 // expected, of spares and of what is missing
}

// Answer is how many to start.
type Answer struct {
	Number            // the least that is enough with the confidence asked for
	Cannot   bool     // not within MostStarts, or nothing to start on
	Cheapest Number   // the least expected cost of spares and rework
	Curve    []Number // from none lacking on to a few beyond both
}

// HowMany tells how many to start so that the needed are good with the confidence
// asked for. The risks are uncertain together: all high or all low at once, which
// is the careful side where the records cannot tell, so a chance is the mean over
// levels of the risks and no more certain than they are.
func HowMany(o Order) Answer {
	var a Answer
	next := make([][levels]float64, len(o.Next))
	for i, x := range o.Next {
		next[i] = x.at()
	}
	var tallies [levels]tally
	for k := range tallies {
		tallies[k].p = []float64{1}
	}
	for _, x := range o.UnderWay {
		p := x.at()
		for k := range tallies {
			tallies[k].add(p[k])
		}
	}
	found, best := false, math.Inf(1)
	most := MostStarts - len(o.UnderWay)
	from := max(o.Needed-len(o.UnderWay), 0)
	for n := 0; n <= most; n++ {
		if n > 0 {
			if len(next) == 0 {
				break
			}
			for k := range tallies {
				tallies[k].add(next[(n-1)%len(next)][k])
			}
		}
		if n < from {
			continue
		}
		x := o.number(&tallies, n)
		a.Curve = append(a.Curve, x)
		if x.Cost < best-1e-12 {
			best, a.Cheapest = x.Cost, x
		}
		if !found && x.Enough >= o.Confidence {
			found, a.Number = true, x
		}
		if found && n >= a.Cheapest.Start+3 && n >= a.Start+3 {
			break
		}
	}
	a.Cannot = !found
	return a
}

func (o *Order) number(tallies *[levels]tally, n int) Number {
	x := Number{Start: n}
	starts := len(o.UnderWay) + n
	var enough, cost [levels]float64
	for k := range tallies {
		t := &tallies[k]
		for i, p := range t.p {
			switch over := starts - (t.first + i) - o.Needed; {
			case over >= 0:
				enough[k] += p
				cost[k] += p * o.Spare * float64(over)
			default:
				cost[k] += p * (o.Later*float64(-over) + o.Late)
			}
		}
		x.Enough += enough[k]
		x.Cost += cost[k]
	}
	x.Enough, x.Cost = x.Enough/levels, x.Cost/levels
	x.EnoughHigh, x.EnoughLow = enough[0], enough[levels-1]
	x.CostLow, x.CostHigh = min(cost[0], cost[levels-1], x.Cost), max(cost[0], cost[levels-1], x.Cost)
	return x
}
