package planning

// AtLeast is the chance that of starts that fail independently with the chances
// given at least need are good.
func AtLeast(fail []float64, need int) float64 {
	if need <= 0 {
		return 1
	}
	sum := 0.0
	for k, p := range Failures(fail) {
		if len(fail)-k >= need {
			sum += p
		}
	}
	return min(sum, 1)
}
