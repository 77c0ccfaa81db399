package stats

import "math"

// Calibration compares chances that were said with what came of them.
type Calibration struct {
	// Slope of the log-odds of what came on the log-odds said: below 1 the chances were
	// said too far apart, above 1 too close together. NaN where it cannot be told.
	Slope, SlopeLow, SlopeHigh float64
	Level                      float64 // intercept beside that slope, log-odds
	// Intercept at slope 1, log-odds: above 0 more came than was said (calibration in
	// the large).
	Intercept, InterceptLow, InterceptHigh float64
}

// Calibrate fits logit P(came) = a + b·logit(said) by maximum likelihood (Cox 1958,
// Biometrika 45:562-565), with two-sided 95 % Wald intervals (Hosmer, Lemeshow &
// Sturdivant 2013, Applied Logistic Regression, 3rd ed., ch. 2). Said lies between 0
// and 1; what is told apart perfectly or never came has no answer (NaN).
func Calibrate(said []float64, came []bool) Calibration {
	n, k := make([]int, len(said)), make([]int, len(said))
	for i, yes := range came {
		n[i] = 1
		if yes {
			k[i] = 1
		}
	}
	return CalibrateCounts(said, n, k)
}

// CalibrateCounts is Calibrate where each chance was said so many times and came so often.
func CalibrateCounts(said []float64, times, came []int) Calibration {
	nan := math.NaN()
	c := Calibration{nan, nan, nan, nan, nan, nan, nan}
	n, k := 0, 0
	x := make([]float64, len(said))
	for i, p := range said {
		p = min(max(p, 1e-9), 1-1e-9)
		x[i] = math.Log(p / (1 - p))
		n, k = n+times[i], k+came[i]
	}
	if k == 0 || k == n {
		return c
	}
	sums := func(a, b float64) (g0, g1, h00, h01, h11 float64) {
		for i := range x {
			q := 1 / (1 + math.Exp(-a-b*x[i]))
			m := float64(times[i])
			r, w := float64(came[i])-m*q, m*q*(1-q)
			g0, g1 = g0+r, g1+r*x[i]
			h00, h01, h11 = h00+w, h01+w*x[i], h11+w*x[i]*x[i]
		}
		return
	}
	a, b := 0.0, 1.0
	var h00 float64
	for range 60 {
		var g0 float64
		g0, _, h00, _, _ = sums(a, b)
		step := min(max(g0/h00, -2), 2)
		if a += step; math.Abs(step) < 1e-10 {
			break
		}
	}
	half := z95 / math.Sqrt(h00)
	c.Intercept, c.InterceptLow, c.InterceptHigh = a, a-half, a+half
	for range 60 {
		g0, g1, h00, h01, h11 := sums(a, b)
		det := h00*h11 - h01*h01
		if !(det > 1e-12*h00*h11) {
			return c // all said alike
		}
		da, db := (h11*g0-h01*g1)/det, (h00*g1-h01*g0)/det
		if far := max(math.Abs(da), math.Abs(db)); far > 2 {
			da, db = da*2/far, db*2/far
		}
		a, b = a+da, b+db
		if math.Abs(b) > 20 {
			return c // told apart perfectly
		}
		if math.Abs(da)+math.Abs(db) < 1e-10 {
			half := z95 * math.Sqrt(h00/det)
			c.Level, c.Slope, c.SlopeLow, c.SlopeHigh = a, b, b-half, b+half
			break
		}
	}
	return c
}
