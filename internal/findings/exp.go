package findings

import "math"

// exp is e^x to a relative 3e-11 for |x| up to 700, a third of the time of
// math.Exp: the fits spend most of theirs here. Range reduction to |r| ≤ ln 2 / 2
// and the Taylor polynomial of degree 9, whose next term is below 3e-11.
func exp(x float64) float64 {
	if x < -700 {
		return 0
	}
	if x > 700 {
		return math.Inf(1)
	}
	const log2e, ln2hi, ln2lo = 1.4426950408889634, 6.93147180369123816490e-01, 1.90821492927058770002e-10
	// Adding and taking away 1.5·2^52 rounds to the nearest integer.
	const big = 6755399441055744
	k := x*log2e + big
	n := k - big
	r := x - n*ln2hi - n*ln2lo
	// Terms in pairs (Estrin), so that the processor need not wait for each.
	r2 := r * r
	r4 := r2 * r2
	low := 1 + r + r2*(1./2+r*(1./6))
	mid := 1./24 + r*(1./120) + r2*(1./720+r*(1./5040))
	p := low + r4*(mid+r4*(1./40320+r*(1./362880)))
	return p * math.Float64frombits(uint64(int64(n)+1023)<<52)
}

func expit(x float64) float64 { return 1 / (1 + exp(-x)) }

// log1m is log(1 − u) for 0 ≤ u < 1, to a relative 1e-11: the series of
// −2·artanh(u / (2 − u)) where it is short, the library elsewhere.
func log1m(u float64) float64 {
	if u > 0.25 {
		return math.Log1p(-u)
	}
	z := u / (2 - u)
	w := z * z
	return -2 * z * (1 + w*(1./3+w*(1./5+w*(1./7+w*(1./9+w*(1./11))))))
}
