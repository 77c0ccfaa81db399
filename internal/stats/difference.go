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
