package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// OneSided is the chance of a false alarm on one side of a control chart's
// limits: that of three standard deviations of a normal variable.
var OneSided = upperTail(3)

// BinomialUpperTail is P(X >= x) for X binomial of n and p, and
// BinomialLowerTail is P(X <= x), by the regularised incomplete beta function.
func BinomialUpperTail(x, n int, p float64) float64 {
	switch {
	case n < 0 || !(p >= 0 && p <= 1):
		return math.NaN()
	case x <= 0:
		return 1
	case x > n:
		return 0
	}
	return mathext.RegIncBeta(float64(x), float64(n-x+1), p)
}

// BinomialLowerTail is P(X <= x) for X binomial of n and p.
func BinomialLowerTail(x, n int, p float64) float64 {
	switch {
	case n < 0 || !(p >= 0 && p <= 1):
		return math.NaN()
	case x < 0:
		return 0
	case x >= n:
		return 1
	}
	return mathext.RegIncBeta(float64(n-x), float64(x+1), 1-p)
}

// BinomialLimits are the exact limits of a count of n at rate p: low is the
// smallest x with P(X <= x) > alpha and high the largest x with P(X >= x) >
// alpha, so that a count outside them has at most the chance alpha on its side.
// They are the alpha and 1 - alpha quantiles of the binomial distribution.
func BinomialLimits(n int, p, alpha float64) (low, high int) {
	low = firstTrue(0, n, func(x int) bool { return BinomialLowerTail(x, n, p) > alpha })
	high = firstTrue(0, n, func(x int) bool { return BinomialUpperTail(x+1, n, p) <= alpha })
	return low, high
}

// firstTrue is the first x of low..high for which f holds, where f once true
// stays true; high if none before.
func firstTrue(low, high int, f func(int) bool) int {
	for low < high {
		mid := low + (high-low)/2
		if f(mid) {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return low
}

// PrimeLimits are p ± 3·sigma·√(p(1-p)/n), kept within 0 and 1: with sigma 1 the
// limits of Shewhart's p chart (ISO 7870-2), with sigma from LaneySigma those of
// Laney's p′ chart (Laney 2002, Quality Engineering 14:531-537).
func PrimeLimits(p float64, n int, sigma float64) Interval {
	if n <= 0 {
		return undefined()
	}
	half := 3 * sigma * math.Sqrt(p*(1-p)/float64(n))
	return Interval{max(0, p-half), min(1, p+half)}
}

// movingRange is d₂ for ranges of two, the mean range of two standard normals:
// 2/√π = 1.128 (ISO 7870-2, table of factors).
var movingRange = 2 / math.Sqrt(math.Pi)

// LaneySigma is how much wider than by chance alone the standardised shares
// scatter from one point to the next: the mean moving range of
// z = (x/n - p)/√(p(1-p)/n) over d₂. NaN with fewer than two points.
func LaneySigma(x, n []int, p float64) float64 {
	sum, pairs, last := 0.0, 0, math.NaN()
	for i := range x {
		if n[i] == 0 {
			continue
		}
		z := (float64(x[i])/float64(n[i]) - p) / math.Sqrt(p*(1-p)/float64(n[i]))
		if !math.IsNaN(last) {
			sum += math.Abs(z - last)
			pairs++
		}
		last = z
	}
	return sum / float64(pairs) / movingRange
}

// Overdispersed tells whether shares differ by more than chance alone:
// Pearson's χ² of k counts against their common rate, at 1 %, where there are
// enough points (8) and failures (5 a point on average) for it to mean
// something, and Laney's sigma above 1.
func Overdispersed(x, n []int) bool {
	points, sumX, sumN := 0, 0, 0
	for i := range x {
		if n[i] > 0 {
			points++
			sumX += x[i]
			sumN += n[i]
		}
	}
	if points < 8 || sumX < 5*points {
		return false
	}
	p := float64(sumX) / float64(sumN)
	if p >= 1 {
		return false
	}
	chi := 0.0
	for i := range x {
		if n[i] > 0 {
			m := float64(n[i])
			d := float64(x[i]) - m*p
			chi += d * d / (m * p * (1 - p))
		}
	}
	return chiSquareTail(chi, points-1) < 0.01 && LaneySigma(x, n, p) > 1
}

// Rule is why points of a control chart stand out.
type Rule int

// The rules: a point beyond a limit, and RunLength points in a row on one side
// of the centre: at a steady rate an alarm in 152.7 points where limits alone give
// one in 370.4 (RulesRun). Two of three beyond two and four of five beyond one
// standard deviation would make it 91.8 (Champ and Woodall 1987, from memory), and
// a small rise that stays, which they are for, is what the cumulative sum looks for.
const (
	BeyondHigh Rule = iota + 1
	BeyondLow
	RunHigh
	RunLow
)

// RunLength is how many points in a row on one side make a run: at a rate that
// stays the same, one stretch of 8 in 128 does.
const RunLength = 8

// Signal is what stands out: points First to Last, both included.
type Signal struct {
	Rule        Rule
	First, Last int
}

// PChart is a control chart of shares at unequal n. Centre is the common rate of
// all points; Low and High are the limits by point as shares, NaN where nothing
// was counted. A point lies beyond a limit when its share is outside Low..High.
type PChart struct {
	Centre    float64
	Low, High []float64
	// Sigma is 1 where limits are exact, Laney's otherwise.
	Sigma   float64
	Signals []Signal
}

// PChartOf charts x out of n by point. Limits are exact binomial ones (at most
// OneSided false alarms a side); where points scatter more than chance allows
// they are Laney's, or every point of a busy farm would lie beyond them.
func PChartOf(x, n []int) PChart {
	sumX, sumN := 0, 0
	for i := range x {
		sumX += x[i]
		sumN += n[i]
	}
	centre, sigma := float64(sumX)/float64(sumN), 1.0
	if Overdispersed(x, n) {
		sigma = LaneySigma(x, n, centre)
	}
	return pChart(x, n, centre, sigma)
}

// PChartAround charts x out of n against a rate that is known otherwise, with
// exact limits: one of many against what is usual for all.
func PChartAround(x, n []int, centre float64) PChart { return pChart(x, n, centre, 1) }

func pChart(x, n []int, centre, sigma float64) PChart {
	c := PChart{Centre: centre, Sigma: sigma, Low: make([]float64, len(x)), High: make([]float64, len(x))}
	values := make([]float64, len(x))
	for i := range x {
		values[i], c.Low[i], c.High[i] = math.NaN(), math.NaN(), math.NaN()
		if n[i] == 0 {
			continue
		}
		values[i] = float64(x[i]) / float64(n[i])
		if sigma > 1 {
			l := PrimeLimits(centre, n[i], sigma)
			c.Low[i], c.High[i] = l.Low, l.High
			continue
		}
		low, high := BinomialLimits(n[i], centre, OneSided)
		c.Low[i], c.High[i] = float64(low)/float64(n[i]), float64(high)/float64(n[i])
	}
	c.Signals = signals(values, c.Low, c.High, centre)
	return c
}

// signals applies the rules to values in order; NaN values are passed over.
func signals(values, low, high []float64, centre float64) (out []Signal) {
	for i, v := range values {
		switch {
		case v > high[i]:
			out = append(out, Signal{BeyondHigh, i, i})
		case v < low[i]:
			out = append(out, Signal{BeyondLow, i, i})
		}
	}
	side, first, last, length := 0, 0, 0, 0
	end := func() {
		if length >= RunLength {
			rule := RunHigh
			if side < 0 {
				rule = RunLow
			}
			out = append(out, Signal{rule, first, last})
		}
		length = 0
	}
	for i, v := range values {
		now := 0
		switch {
		case math.IsNaN(v):
			continue
		case v > centre:
			now = 1
		case v < centre:
			now = -1
		}
		if now != side || now == 0 {
			end()
			side, first = now, i
		}
		if now != 0 {
			length++
			last = i
		}
	}
	end()
	return out
}

// GChart is a control chart of the good layers between failures, for failures
// too rare for shares: each gap is geometric at a constant rate (Kaminsky,
// Benneyan, Davis and Burke 1992; Benneyan 2001).
type GChart struct {
	// Rate is the failure rate the gaps speak of: 1/(mean gap + 1).
	Rate float64
	// Centre is the median gap at that rate: half of all gaps are shorter.
	Centre float64
	// High is the longest gap that is no signal; Low the shortest, 0 when even
	// two failures in a row are none.
	Low, High int
	Signals   []Signal // BeyondHigh: an unusually long gap, for the better
}

// GChartOf charts gaps in their order, with exact limits.
func GChartOf(gaps []int) GChart {
	sum := 0
	for _, g := range gaps {
		sum += g
	}
	c := GChart{Rate: float64(len(gaps)) / float64(sum+len(gaps))}
	c.Low, c.High = GeometricLimits(c.Rate, OneSided)
	c.Centre = geometricMedian(c.Rate)
	values, low, high := make([]float64, len(gaps)), make([]float64, len(gaps)), make([]float64, len(gaps))
	for i, g := range gaps {
		values[i], low[i], high[i] = float64(g), float64(c.Low), float64(c.High)
	}
	c.Signals = signals(values, low, high, c.Centre)
	return c
}

// GeometricLimits are the exact limits of a gap G with P(G >= g) = (1-p)^g: low
// the smallest g with P(G <= g) > alpha, high the largest g with P(G >= g) >
// alpha.
func GeometricLimits(p, alpha float64) (low, high int) {
	if !(p > 0 && p < 1) {
		return 0, 0
	}
	q := math.Log1p(-p)
	// P(G <= g) = 1 - (1-p)^(g+1)
	low = max(0, int(math.Floor(math.Log1p(-alpha)/q)))
	for -math.Expm1(float64(low+1)*q) <= alpha {
		low++
	}
	high = int(math.Floor(math.Log(alpha) / q))
	for high > 0 && math.Exp(float64(high)*q) <= alpha {
		high--
	}
	return low, high
}

// geometricMedian is where a gap lies above and below about equally often,
// between whole gaps so that no gap lies on it.
func geometricMedian(p float64) float64 {
	if !(p > 0 && p < 1) {
		return 0
	}
	return max(0.5, math.Round(math.Ln2/-math.Log1p(-p))-0.5)
}

// FunnelLimits are the limits of a share of n at a common rate p, alpha a side,
// drawn smooth: the exact quantile's count less the part of its chance that is
// not needed (Spiegelhalter 2005, Statistics in Medicine 24:1185-1202, appendix
// A.1.1).
func FunnelLimits(n int, p, alpha float64) Interval {
	if n <= 0 {
		return undefined()
	}
	at := func(alpha float64) float64 {
		r := firstTrue(0, n, func(x int) bool { return BinomialLowerTail(x, n, p) >= alpha })
		here, before := BinomialLowerTail(r, n, p), BinomialLowerTail(r-1, n, p)
		return (float64(r) - (here-alpha)/(here-before)) / float64(n)
	}
	return Interval{max(0, at(alpha)), min(1, at(1-alpha))}
}
