// Package stats holds the statistics that findings, risk and charts rest on:
// intervals, exact tests, penalised regression and false discovery control, on
// top of gonum's distributions. Nothing here knows of printers or plates.
//
// Functions of a few counts return NaN where the answer is not defined (x > n,
// no observations); nothing is random, and no answer depends on the number of
// cores.
package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// upperTail is 1 - Φ(z), accurate far out.
func upperTail(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// NormalQuantile is Φ⁻¹(p), the standard normal quantile.
func NormalQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// NormalUpperTail is the chance that a standard normal exceeds z.
func NormalUpperTail(z float64) float64 { return upperTail(z) }

// chiSquareTail is the chance that a chi-square with df degrees of freedom
// exceeds x.
func chiSquareTail(x float64, df int) float64 {
	if df == 1 {
		return math.Erfc(math.Sqrt(x / 2))
	}
	return distuv.ChiSquared{K: float64(df)}.Survival(x)
}

// bisect finds the zero of an increasing f in [low, high] to the last digits
// of a float64, by the Illinois form of regula falsi with bisection whenever
// that is slow. If f does not change sign the nearer end is returned.
func bisect(f func(float64) float64, low, high float64) float64 {
	fl, fh := f(low), f(high)
	if fl >= 0 {
		return low
	}
	if fh <= 0 {
		return high
	}
	side := 0
	for n := range 200 {
		mid := (low*fh - high*fl) / (fh - fl)
		if n%3 == 2 || !(mid > low && mid < high) {
			mid = low + (high-low)/2
			side = 0
		}
		if mid <= low || mid >= high || high-low <= 1e-15*(math.Abs(low)+math.Abs(high)) {
			return mid
		}
		switch fm := f(mid); {
		case fm == 0:
			return mid
		case fm < 0:
			low, fl = mid, fm
			if side == -1 {
				fh /= 2
			}
			side = -1
		default:
			high, fh = mid, fm
			if side == 1 {
				fl /= 2
			}
			side = 1
		}
	}
	return low + (high-low)/2
}
