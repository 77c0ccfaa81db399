package findings

import "math"

// exp is e^x to a relative 2e-13 for |x| up to 700.
func exp(x float64) float64 {
	if x < -700 || x > 700 {
		return math.Exp(x)
	}
	return inner(x)
}

// inner is exp for |x| up to 700: the fits spend most of their time here, so it is
// small enough to be put in its callers' place. Range reduction to |r| ≤ ln 2 / 128
// with a table of the 64th roots of 2 (P. T. P. Tang 1989, ACM Trans. Math. Softw.
// 15:144-157) and the Taylor polynomial of degree 4, whose next term is below 4e-14.
// One constant stands for ln 2 / 64, which costs 1e-16·|x|.
func inner(x float64) float64 {
	// Adding and taking away 1.5·2^52 rounds to the nearest integer, which then
	// stands in the sum's lowest bits.
	k := x*(64*math.Log2E) + big
	r := x - (k-big)*(math.Ln2/64)
	n := math.Float64bits(k)
	return math.Float64frombits(math.Float64bits(roots[n&63]*(1+r*(1+r*(1./2+r*(1./6+r*(1./24)))))) + n>>6<<52)
}

const big = 6755399441055744

// roots are 2^(j/64).
var roots = func() (t [64]float64) {
	for j := range t {
		t[j] = math.Exp2(float64(j) / 64)
	}
	return t
}()

// expit of log-odds, which stay within ±700.
func expit(x float64) float64 { return 1 / (1 + inner(-x)) }

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
