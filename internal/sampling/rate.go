package sampling

import (
	"math"

	"basecourse/internal/stats"
)

// Sums are what a rate needs to be known of the layers on the list that were
// graded, of any group: they can be added up. W sums weights (one over the
// chance), W2 their squares; WF and W2F those of the failures.
type Sums struct {
	N, Failed      int
	W, WF, W2, W2F float64
}

// Add takes in a layer of the list.
func (s *Sums) Add(chance float64, failed bool) {
	w := 1 / chance
	s.N++
	s.W += w
	s.W2 += w * w
	if failed {
		s.Failed++
		s.WF += w
		s.W2F += w * w
	}
}

// Join adds the sums of another group.
func (s *Sums) Join(o Sums) {
	s.N += o.N
	s.Failed += o.Failed
	s.W += o.W
	s.WF += o.WF
	s.W2 += o.W2
	s.W2F += o.W2F
}

// Rate is a share of failures with its interval.
type Rate struct {
	Rate, Low, High float64 // NaN without a layer
	// Effective is how many layers drawn by lot alone would tell as much, and
	// Effect the design effect: how many layers of the list that many take.
	Effective, Effect float64
}

// Rate weighs the layers by one over their chance (Hájek's estimator), with the
// two-sided interval of the given confidence: Wilson's at the effective number
// of layers (Korn and Graubard 1998 use it with Clopper and Pearson's).
//
// The variance is that of a ratio under Poisson sampling of starts that could
// have gone otherwise: Σ w²(y-r)² / (Σ w)², with n/(n-1). With few failures it is
// too uncertain to rest on, so one failure more of the mean weight and as many
// good layers as belong to it stand in: it then leans on Kish's (Σ w)²/Σ w², in
// which weights and outcomes have nothing to do with each other.
func (s *Sums) Rate(confidence float64) Rate {
	if s.N == 0 || !(s.W > 0) {
		return Rate{math.NaN(), math.NaN(), math.NaN(), 0, math.NaN()}
	}
	r := s.WF / s.W
	out := Rate{Rate: r, Effective: s.effective(r)}
	out.Effect = float64(s.N) / out.Effective
	l := wilson(r, out.Effective, confidence)
	out.Low, out.High = l.Low, l.High
	return out
}

// lean is how many failures' worth of Kish's number the variance leans on.
const lean = 2

func (s *Sums) effective(r float64) float64 {
	kish := s.W * s.W / s.W2
	if s.N < 2 || s.Failed == 0 || s.Failed == s.N {
		return kish
	}
	n := float64(s.N)
	v := n / (n - 1) * (s.W2F*(1-r)*(1-r) + (s.W2-s.W2F)*r*r) / (s.W * s.W)
	few := float64(min(s.Failed, s.N-s.Failed))
	own := v / (r * (1 - r)) // 1/n of it
	return (few + lean) / (few*own + lean/kish)
}

// wilson is stats.Wilson at a rate and a number that need not be whole.
func wilson(p, n, confidence float64) stats.Interval {
	z := stats.NormalQuantile(0.5 + confidence/2)
	centre := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	out := stats.Interval{Low: max(0, centre-half), High: min(1, centre+half)}
	if p == 0 {
		out.Low = 0
	}
	if p == 1 {
		out.High = 1
	}
	return out
}
