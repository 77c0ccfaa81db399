package planning

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// With equal, known chances the range is that of the binomial distribution (gonum).
func TestRangeIsTheBinomialsWhereChancesAreEqual(t *testing.T) {
	for _, c := range []struct {
		n          int
		p          float64
		confidence float64
	}{{1, 0.01, 0.95}, {10, 0.1, 0.9}, {40, 0.05, 0.95}, {300, 0.07, 0.9}, {200, 0.5, 0.99}} {
		low, high := Range(Failures(slices.Repeat([]float64{c.p}, c.n)), c.confidence)
		b := distuv.Binomial{N: float64(c.n), P: c.p}
		cdf := func(k int) float64 {
			if k < 0 {
				return 0
			}
			return b.CDF(float64(k))
		}
		if tail := (1 - c.confidence) / 2; cdf(low-1) > tail || cdf(low) <= tail || 1-cdf(high) > tail || 1-cdf(high-1) <= tail {
			t.Errorf("%d starts at %g: %d to %d", c.n, c.p, low, high)
		}
	}
	for _, c := range []struct{ p, want int }{{0, 0}, {1, 4}} {
		if low, high := Range(Failures(slices.Repeat([]float64{float64(c.p)}, 4)), 0.9); low != c.want || high != c.want {
			t.Errorf("certain starts: %d to %d", low, high)
		}
	}
}

// Doubt keeps the expected number and widens what may come: the variance is that of the
// law of total variance, the mean of the binomial variances and the variance of the
// means, with the levels' chances by numerical integration over the normal shift.
func TestDoubtKeepsTheMeanAndWidens(t *testing.T) {
	const n, p, doubt = 60, 0.08, 0.5
	chance := Together{slices.Repeat([]float64{p}, n), doubt}.Failures()
	mean, square := 0.0, 0.0
	for k, c := range chance {
		mean += c * float64(k)
		square += c * float64(k*k)
	}
	near(t, "mean", mean, n*p, 1e-6)
	// Levels: logistic(a + 0.5 z) with a such that the mean is p.
	z := distuv.UnitNormal
	level := func(a, x float64) float64 { return 1 / (1 + math.Exp(-a-doubt*x)) }
	over := func(f func(x float64) float64) (sum float64) {
		for x := -8.0; x <= 8; x += 0.001 {
			sum += 0.001 * z.Prob(x) * f(x)
		}
		return sum
	}
	low, high := -6.0, 0.0
	for range 60 {
		if mid := (low + high) / 2; over(func(x float64) float64 { return level(mid, x) }) < p {
			low = mid
		} else {
			high = mid
		}
	}
	second := over(func(x float64) float64 { return level(low, x) * level(low, x) })
	want := n*(p-second) + n*n*(second-p*p)
	if got := square - mean*mean; math.Abs(got-want) > 0.06*want { // 31 levels for a normal shift
		t.Errorf("variance %g, want %g", got, want)
	}
	if a, b := Failures(slices.Repeat([]float64{p}, n)), chance; b[0] <= a[0] {
		t.Errorf("no failure at all: %g with doubt, %g without", b[0], a[0])
	}
	none := Together{slices.Repeat([]float64{p}, n), math.NaN()}
	near(t, "without doubt", none.AtLeast(n-3), AtLeast(none.P, n-3), 1e-12)
}
