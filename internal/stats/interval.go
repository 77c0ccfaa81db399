package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Interval is a closed interval; both ends are NaN where it is not defined.
type Interval struct{ Low, High float64 }

// Contains tells whether x lies in the interval.
func (i Interval) Contains(x float64) bool { return i.Low <= x && x <= i.High }

func undefined() Interval { return Interval{math.NaN(), math.NaN()} }

// Wilson is the two-sided score interval for a proportion of x out of n at the
// given confidence (0.95), without continuity correction: Wilson 1927, method
// 3 of Newcombe 1998 (Statistics in Medicine 17:857-872).
func Wilson(x, n int, confidence float64) Interval {
	if n <= 0 || x < 0 || x > n {
		return undefined()
	}
	z := NormalQuantile(0.5 + confidence/2)
	m, p := float64(n), float64(x)/float64(n)
	centre := (p + z*z/(2*m)) / (1 + z*z/m)
	half := z / (1 + z*z/m) * math.Sqrt(p*(1-p)/m+z*z/(4*m*m))
	out := Interval{max(0, centre-half), min(1, centre+half)}
	if x == 0 {
		out.Low = 0
	}
	if x == n {
		out.High = 1
	}
	return out
}

// ClopperPearson is the two-sided exact interval for a proportion of x out of
// n: Clopper and Pearson 1934, by quantiles of the beta distribution.
func ClopperPearson(x, n int, confidence float64) Interval {
	if n <= 0 || x < 0 || x > n {
		return undefined()
	}
	alpha := (1 - confidence) / 2
	out := Interval{0, 1}
	if x > 0 {
		out.Low = BetaQuantile(alpha, float64(x), float64(n-x+1))
	}
	if x < n {
		out.High = BetaQuantile(1-alpha, float64(x+1), float64(n-x))
	}
	return out
}

// BetaQuantile is the p-quantile of the beta distribution with shapes a and b,
// the library's inverse polished by bisection on the regularised incomplete
// beta function.
func BetaQuantile(p, a, b float64) float64 {
	switch {
	case !(a > 0 && b > 0) || !(p >= 0 && p <= 1):
		return math.NaN()
	case p == 0 || p == 1:
		return p
	}
	x := mathext.InvRegIncBeta(a, b, p)
	f := func(x float64) float64 { return mathext.RegIncBeta(a, b, x) - p }
	low, high := x*(1-1e-4), min(1, x*(1+1e-4))
	if f(low) > 0 || f(high) < 0 {
		low, high = 0, 1
	}
	return bisect(f, low, high)
}
