package trial

import (
	"math"

	"basecourse/internal/stats"

	"gonum.org/v1/gonum/mathext"
)

// Arm counts the graded starts that were drawn one way.
type Arm struct{ Starts, Failures int }

func (a Arm) rate() float64 { return float64(a.Failures) / float64(a.Starts) }

// priorWeight is how many failures the mixture over effects counts for: at a share
// of half, effects between a tenth and ten times are in it.
const priorWeight = 4

// Look is what a running test shows so far, good at every time it is looked at.
type Look struct {
	Evidence float64        // for a difference, against none: 1 is none; may be looked at after every start
	Ratio    stats.Interval // failures of starts done, as a multiple of those of starts left; always valid
	Diff     stats.Interval // difference of chances, done minus left; always valid, a little wider than Ratio
}

// Watch looks at a running test. Of a start that failed, had doing changed nothing,
// the lot says with which chance it was drawn to be done: the share, whatever the
// printer, the plate, the hour and the failures before. With a fixed ratio θ of
// chances it is sθ/(1-s+sθ). So the failures' arms are a coin with known chance, and
// the mixture of a beta distribution over that chance, divided by its likelihood, is
// a martingale (Robbins 1970; Ville 1939): it reaches 1/level at any time ever with a
// chance of at most the level. Failures may become commoner or rarer meanwhile. What
// good starts would add is little where failures are rare, and left out.
//
// The difference follows from the ratio and from how often starts fail at all, for which the
// same mixture gives an always-valid interval while that stays as it is: a fifth of
// what may go wrong is kept for it.
func Watch(do, leave Arm, share, confidence float64) Look {
	done, left := float64(do.Failures), float64(leave.Failures)
	c := newCoin(priorWeight*share, priorWeight*(1-share), done, left)
	ratio := func(chance float64) float64 { return chance / (1 - chance) * (1 - share) / share }
	out := Look{Evidence: math.Exp(c.log(share)), Ratio: stats.Interval{Low: 0, High: math.Inf(1)}, Diff: stats.Interval{Low: -1, High: 1}}
	if done+left == 0 {
		return out
	}
	arms := c.limits(1 - confidence)
	if done > 0 {
		out.Ratio.Low = ratio(arms.Low)
	}
	if left > 0 {
		out.Ratio.High = ratio(arms.High)
	}
	all := newCoin(0.5, 0.5, done+left, float64(do.Starts+leave.Starts)-done-left).limits((1 - confidence) / 5)
	arms = c.limits((1 - confidence) * 4 / 5)
	// Failures done are chance c of all P: their chance is cP/s, of those left (1-c)P/(1-s).
	diff := func(c, p float64) float64 { return p * (c/share - (1-c)/(1-share)) }
	out.Diff.Low = max(-1, min(diff(arms.Low, all.High), diff(arms.Low, all.Low)))
	out.Diff.High = min(1, max(diff(arms.High, all.High), diff(arms.High, all.Low)))
	return out
}

// coin is a coin of unknown chance after heads and tails; mixed is the log chance of
// them, mixed over a beta distribution.
type coin struct{ mixed, heads, tails float64 }

func newCoin(a, b, heads, tails float64) coin {
	return coin{mathext.Lbeta(a+heads, b+tails) - mathext.Lbeta(a, b), heads, tails}
}

// log is the log evidence against a chance of heads.
func (c coin) log(chance float64) float64 {
	l := c.mixed
	if c.heads > 0 {
		l -= c.heads * math.Log(chance)
	}
	if c.tails > 0 {
		l -= c.tails * math.Log1p(-chance)
	}
	return l
}

// limits are the chances against which the evidence is below 1/level: it rises away
// from the share of heads seen.
func (c coin) limits(level float64) stats.Interval {
	limit, best := -math.Log(level), c.heads/(c.heads+c.tails)
	edge := func(out float64) float64 {
		in := best
		if c.log(out) < limit {
			return out
		}
		for range 50 {
			if mid := (in + out) / 2; c.log(mid) < limit {
				in = mid
			} else {
				out = mid
			}
		}
		return out
	}
	return stats.Interval{Low: edge(0), High: edge(1)}
}

// One is one graded start of a test, as it was drawn.
type One struct{ Do, Failed bool }

// Crossed is the number of starts, in their order, after which the evidence first
// reached 1/level; 0 if it has not. From then on stopping is honest.
func Crossed(starts []One, share, level float64) int {
	done, left := 0.0, 0.0
	for i, x := range starts {
		switch {
		case !x.Failed:
			continue
		case x.Do:
			done++
		default:
			left++
		}
		if newCoin(priorWeight*share, priorWeight*(1-share), done, left).log(share) >= -math.Log(level) {
			return i + 1
		}
	}
	return 0
}
