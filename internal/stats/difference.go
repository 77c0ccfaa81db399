package stats

import "math"

// Newcombe is the two-sided interval for the difference x1/n1 - x2/n2 of two
// independent proportions at the given confidence (0.95), from their score
// intervals without continuity correction: method 10 of Newcombe 1998
// (Statistics in Medicine 17:873-890).
func Newcombe(x1, n1, x2, n2 int, confidence float64) Interval {
	a, b := Wilson(x1, n1, confidence), Wilson(x2, n2, confidence)
	if math.IsNaN(a.Low) || math.IsNaN(b.Low) {
		return undefined()
	}
	p, q := float64(x1)/float64(n1), float64(x2)/float64(n2)
	return Interval{
		p - q - math.Hypot(p-a.Low, b.High-q),
		p - q + math.Hypot(a.High-p, q-b.Low),
	}
}

// MiettinenNurminen is the two-sided interval for the difference x1/n1 - x2/n2 of two
// independent proportions at the given confidence: the differences that the score
// test with the variance restricted to them and the factor N/(N-1) does not refuse
// (Miettinen and Nurminen 1985, Statistics in Medicine 4:213-226; the restricted
// estimate in closed form as in Farrington and Manning 1990).
func MiettinenNurminen(x1, n1, x2, n2 int, confidence float64) Interval {
	if n1 <= 0 || n2 <= 0 {
		return undefined()
	}
	p, q := float64(x1)/float64(n1), float64(x2)/float64(n2)
	limit := NormalQuantile((1 + confidence) / 2)
	score := func(d float64) float64 { return scoreOf(p, q, d, float64(n1), float64(n2)) }
	out := Interval{-1, 1}
	if score(-1) > limit {
		out.Low = bisect(func(d float64) float64 { return limit - score(d) }, -1, p-q)
	}
	if score(1) < -limit {
		out.High = bisect(func(d float64) float64 { return -limit - score(d) }, p-q, 1)
	}
	return out
}

// scoreOf is the score statistic of the difference d between proportions p and q.
func scoreOf(p, q, d, n, m float64) float64 {
	t := m / n
	a, b := 1+t, -(1 + t + p + t*q + d*(t+2))
	c, e := d*d+d*(2*p+t+1)+p+t*q, -p*d*(1+d)
	v := b*b*b/(27*a*a*a) - b*c/(6*a*a) + e/(2*a)
	u := math.Copysign(math.Sqrt(max(0, b*b/(9*a*a)-c/(3*a))), v)
	w := math.Pi / 3
	if u != 0 {
		w = (math.Pi + math.Acos(min(1, max(-1, v/(u*u*u))))) / 3
	}
	r := min(1, max(0, 2*u*math.Cos(w)-b/(3*a)))
	s := min(1, max(0, r-d))
	sd := math.Sqrt((r*(1-r)/n + s*(1-s)/m) * (n + m) / (n + m - 1))
	switch gap := p - q - d; {
	case gap == 0:
		return 0
	case sd == 0:
		return math.Copysign(math.Inf(1), gap)
	default:
		return gap / sd
	}
}
