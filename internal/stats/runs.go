package stats

import "math"

// Chances are those of one point of a control chart at a rate that stays the same:
// beyond a limit, within them above or below the centre, on it. They add up to 1.
type Chances struct{ Beyond, Above, Below, On float64 }

// NormalChances are those of a normal point whose mean has moved by shift standard
// deviations, between limits of three.
func NormalChances(shift float64) Chances {
	c := Chances{Beyond: upperTail(3-shift) + upperTail(3+shift), Above: upperTail(-shift) - upperTail(3-shift)}
	c.Below = 1 - c.Beyond - c.Above
	return c
}

// RulesRun is how many points pass on average until one of the chart's rules speaks
// (a point beyond a limit, run points in a row on one side), each point by itself: the
// exact solution of the Markov chain of Champ and Woodall (1987, Technometrics
// 29:393-399). With run 0 limits stand alone.
func RulesRun(c Chances, run int) float64 {
	if run <= 0 {
		return 1 / c.Beyond
	}
	// From k in a row above, A(k) = 1 + above·A(k+1) + below·B(1) + on·E with A(run) = 0,
	// so A(1) = α(1 + below·B(1) + on·E), α = 1 + above + … + above^(run-2); B(1)
	// likewise with β, and E = 1 + above·A(1) + below·B(1) + on·E from none in a row.
	sum := func(p float64) (s float64) {
		for range run - 1 {
			s = 1 + p*s
		}
		return s
	}
	// A(1) = α·(E - above·A(1)), hence A(1) = E·α/(1 + α·above).
	a, b := sum(c.Above), sum(c.Below)
	a, b = a/(1+a*c.Above), b/(1+b*c.Below)
	return 1 / (1 - c.On - c.Above*a - c.Below*b)
}

// FalseAlarm is the chance that any of the chart's rules speaks over these counts at a
// rate that stays at Centre: the Markov chain of the run so far, over the points in
// their order.
func (c *PChart) FalseAlarm(n []int) float64 {
	// quiet[RunLength-1+k]: the last k points, none silent, lie above; -k below.
	var quiet [2*RunLength - 1]float64
	quiet[RunLength-1] = 1
	for i, m := range n {
		if m == 0 {
			continue
		}
		at := NormalChances(0)
		if c.Sigma <= 1 {
			at = binomialChances(m, c.Centre, c.Low[i], c.High[i])
		}
		var next [len(quiet)]float64
		for k, p := range quiet {
			row := k - (RunLength - 1)
			if up := max(row, 0) + 1; up < RunLength {
				next[RunLength-1+up] += p * at.Above
			}
			if down := min(row, 0) - 1; -down < RunLength {
				next[RunLength-1+down] += p * at.Below
			}
			next[RunLength-1] += p * at.On
		}
		quiet = next
	}
	all := 0.0
	for _, p := range quiet {
		all += p
	}
	return 1 - all
}

// binomialChances are those of a share of n at a rate, with limits as shares.
func binomialChances(n int, rate, low, high float64) (c Chances) {
	m := float64(n)
	last, first := int(math.Round(high*m)), int(math.Round(low*m))
	c.Beyond = BinomialUpperTail(last+1, n, rate) + BinomialLowerTail(first-1, n, rate)
	// Shares are compared as the chart compares them.
	over := firstTrue(0, n+1, func(x int) bool { return float64(x)/m > rate })
	under := firstTrue(0, n+1, func(x int) bool { return float64(x)/m >= rate }) - 1
	c.Above = max(0, BinomialUpperTail(over, n, rate)-BinomialUpperTail(last+1, n, rate))
	c.Below = max(0, BinomialLowerTail(under, n, rate)-BinomialLowerTail(first-1, n, rate))
	c.On = max(0, 1-c.Beyond-c.Above-c.Below)
	return c
}

// Chances are those of a gap at the chart's rate.
func (c *GChart) Chances() (out Chances) {
	if !(c.Rate > 0 && c.Rate < 1) {
		return Chances{On: 1}
	}
	atLeast := func(g int) float64 { return math.Exp(float64(g) * math.Log1p(-c.Rate)) }
	middle := int(math.Ceil(c.Centre))
	long, short := atLeast(c.High+1), 1-atLeast(c.Low)
	return Chances{Beyond: long + short, Above: atLeast(middle) - long, Below: 1 - atLeast(middle) - short}
}
