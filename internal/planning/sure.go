package planning

// AtLeast is the chance that of starts that fail independently with the chances
// given at least need are good (Poisson-binomial, by adding one start after the
// other; exact up to rounding).
func AtLeast(fail []float64, need int) float64 {
	if need <= 0 {
		return 1
	}
	p := make([]float64, need+1) // so many are good; the last: need or more
	p[0] = 1
	for _, f := range fail {
		for k := need; k >= 0; k-- {
			stay := f
			if k == need {
				stay = 1
			}
			p[k] *= stay
			if k > 0 {
				p[k] += p[k-1] * (1 - f)
			}
		}
	}
	return min(p[need], 1)
}
