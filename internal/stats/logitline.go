package stats

import "math"

// LogitLine is a chance that follows a straight line on the log-odds scale. Its
// slope comes from elsewhere, with an interval; its level is the one at which
// the expected count equals the count seen.
type LogitLine struct {
	level, slope       float64 // log-odds at mean, change of log-odds per unit of x
	mean               float64 // of x, weighted by n·p·(1 − p)
	levelVar, slopeVar float64
}

// NewLogitLine lays a line of a slope (per unit of x, with its two-sided 95 %
// interval low to high) through n[i] trials at x[i] of which k in all counted.
// ok is false where there is no trial, or no level because all or none counted.
//
// The level is taken at the x where level and slope are uncorrelated, so their
// variances add: with the maximum-likelihood slope the line and its band are
// those of the logistic regression (Hosmer, Lemeshow & Sturdivant 2013, Applied
// Logistic Regression, 3rd ed., section 1.4).
func NewLogitLine(x []float64, n []int, k int, slope, low, high float64) (l LogitLine, ok bool) {
	total := 0
	for _, m := range n {
		total += m
	}
	if k <= 0 || k >= total {
		return l, false
	}
	// Newton on the intercept at x = 0 of the whole; the expected count rises with it.
	a := math.Log(float64(k)/float64(total-k)) - slope*weightedMean(x, n)
	var info, first float64
	for range 60 {
		expected := 0.0
		info, first = 0, 0
		for i, m := range n {
			p := 1 / (1 + math.Exp(-(a + slope*x[i])))
			w := float64(m) * p * (1 - p)
			expected += float64(m) * p
			info += w
			first += w * x[i]
		}
		if !(info > 0) {
			return l, false
		}
		step := (float64(k) - expected) / info
		step = math.Max(-2, math.Min(2, step))
		a += step
		if math.Abs(step) < 1e-12 {
			break
		}
	}
	se := (high - low) / (2 * z95)
	mean := first / info
	return LogitLine{level: a + slope*mean, slope: slope, mean: mean, levelVar: 1 / info, slopeVar: se * se}, true
}

// At gives the chance at x with its pointwise 95 % interval.
func (l LogitLine) At(x float64) (p float64, i Interval) {
	d := x - l.mean
	at := l.level + l.slope*d
	half := z95 * math.Sqrt(l.levelVar+d*d*l.slopeVar)
	expit := func(v float64) float64 { return 1 / (1 + math.Exp(-v)) }
	return expit(at), Interval{Low: expit(at - half), High: expit(at + half)}
}

const z95 = 1.959963984540054

func weightedMean(x []float64, n []int) float64 {
	s, total := 0.0, 0.0
	for i, m := range n {
		s += float64(m) * x[i]
		total += float64(m)
	}
	return s / total
}
