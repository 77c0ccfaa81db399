package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// PoissonBinomial gives the chances of 0, 1, .. len(p) events among
// independent ones with chances p, by adding one at a time (the direct
// convolution; Hong 2013, section 2). The work grows with the square of len(p).
func PoissonBinomial(p []float64) []float64 {
	out := make([]float64, 1, len(p)+1)
	out[0] = 1
	for _, q := range p {
		out = append(out, 0)
		for k := len(out) - 1; k > 0; k-- {
			out[k] = out[k]*(1-q) + out[k-1]*q
		}
		out[0] *= 1 - q
	}
	return out
}

// PoissonBinomialAtLeast is the chance of k or more events among independent
// ones with chances p. The work grows with len(p) times k.
func PoissonBinomialAtLeast(p []float64, k int) float64 {
	if k <= 0 {
		return 1
	}
	if k > len(p) {
		return 0
	}
	below := make([]float64, k) // chances of 0..k-1
	below[0] = 1
	reached := 0.0
	for _, q := range p {
		reached += below[k-1] * q
		for j := k - 1; j > 0; j-- {
			below[j] = below[j]*(1-q) + below[j-1]*q
		}
		below[0] *= 1 - q
	}
	return min(1, reached)
}

// Beta is a beta distribution: of a rate, before or after seeing counts.
type Beta struct{ Alpha, Beta float64 }

// Mean is the expected rate.
func (b Beta) Mean() float64 { return b.Alpha / (b.Alpha + b.Beta) }

// After is the distribution once x failures of n are seen.
func (b Beta) After(x, n int) Beta { return Beta{b.Alpha + float64(x), b.Beta + float64(n-x)} }

// Limits is the central interval holding the rate with the given confidence.
func (b Beta) Limits(confidence float64) Interval {
	tail := (1 - confidence) / 2
	return Interval{BetaQuantile(tail, b.Alpha, b.Beta), BetaQuantile(1-tail, b.Alpha, b.Beta)}
}

// mostAlike caps Alpha + Beta: rates that spread no more than chance alone
// have no maximum short of infinity.
const mostAlike = 1e7

// BetaBinomial estimates how rates spread over units from their counts, x[i]
// failures of n[i], by maximum marginal likelihood (the beta-binomial model,
// Skellam 1948; empirical Bayes as in Casella 1985), and gives the log
// likelihood without binomial coefficients. Where counts spread no more than
// chance alone Alpha + Beta stops at 1e7. At least one failure and one good
// unit are needed; NaN otherwise.
func BetaBinomial(x, n []int) (Beta, float64) {
	failures, all := 0, 0
	for i := range x {
		failures, all = failures+x[i], all+n[i]
	}
	if failures == 0 || failures == all {
		return Beta{math.NaN(), math.NaN()}, math.NaN()
	}
	lb := func(a, b float64) float64 { return mathext.Lbeta(a, b) }
	// Over u = log(a/b) and v = log(a+b): nearly uncorrelated, no bounds on u.
	params := func(u, v float64) (a, b float64) {
		s := math.Exp(v)
		return s / (1 + math.Exp(-u)), s / (1 + math.Exp(u))
	}
	loglik := func(u, v float64) float64 {
		a, b := params(u, v)
		sum := -float64(len(x)) * lb(a, b)
		for i := range x {
			sum += lb(a+float64(x[i]), b+float64(n[i]-x[i]))
		}
		return sum
	}
	// Profile over v: for each v the best u by a root of its score, which falls.
	best := func(v float64) float64 {
		return bisect(func(u float64) float64 {
			a, b := params(u, v)
			score := 0.0
			for i := range x {
				score -= mathext.Digamma(a+float64(x[i])) - mathext.Digamma(a) -
					mathext.Digamma(b+float64(n[i]-x[i])) + mathext.Digamma(b)
			}
			return score
		}, -40, 40)
	}
	slope := func(v float64) float64 { // derivative of the profile by v, times -1
		a, b := params(best(v), v)
		s := a + b
		score := 0.0
		for i := range x {
			xi, ni := float64(x[i]), float64(n[i])
			score += a*(mathext.Digamma(a+xi)-mathext.Digamma(a)) + b*(mathext.Digamma(b+ni-xi)-mathext.Digamma(b)) -
				s*(mathext.Digamma(s+ni)-mathext.Digamma(s))
		}
		return -score
	}
	// The profile may have several stationary points: take the best of a grid,
	// then the zero of its slope beside it.
	low, high, steps := -7.0, math.Log(mostAlike), 48
	at, top := 0, math.Inf(-1)
	grid := func(k int) float64 { return low + (high-low)*float64(k)/float64(steps) }
	for k := 0; k <= steps; k++ {
		if l := loglik(best(grid(k)), grid(k)); l > top {
			at, top = k, l
		}
	}
	v := bisect(slope, grid(max(0, at-1)), grid(min(steps, at+1)))
	if at == steps {
		v = high
	}
	u := best(v)
	a, b := params(u, v)
	return Beta{a, b}, loglik(u, v)
}
