package planning

import "math"

// Together are starts that fail with chances P, each by itself once the level of the
// risks is given; the level is not: all chances may be off one way together, by a shift
// of their log-odds that is normal with standard deviation Doubt (NaN: none). Each
// chance stays the mean over the levels.
type Together struct {
	P     []float64
	Doubt float64
}

// Failures gives the chances of 0, 1, ... len(P) failures: the mean over the levels of
// the Poisson-binomial distributions.
func (t Together) Failures() []float64 {
	if !(t.Doubt > 0) {
		return Failures(t.P)
	}
	var tallies [levels]tally
	for k := range tallies {
		tallies[k].p = []float64{1}
	}
	reach := 1.959964 * t.Doubt
	for _, p := range t.P {
		ends := Shifted(p, reach)
		at := Odds{p, ends[0], ends[1]}.at()
		for k := range tallies {
			tallies[k].add(at[k])
		}
	}
	out := make([]float64, len(t.P)+1)
	for k := range tallies {
		for i, c := range tallies[k].p {
			out[tallies[k].first+i] += c / levels
		}
	}
	return out
}

// AtLeast is the chance that at least need of the starts are good.
func (t Together) AtLeast(need int) float64 {
	if need <= 0 {
		return 1
	}
	sum := 0.0
	for k, c := range t.Failures() {
		if len(t.P)-k >= need {
			sum += c
		}
	}
	return min(sum, 1)
}

// Range gives the numbers between which a count of the given chances (of 0, 1, 2, ...)
// lies with a confidence: as few and as many as leave out at most half of the rest on
// each side.
func Range(chance []float64, confidence float64) (low, high int) {
	tail := (1 - confidence) / 2
	below := 0.0
	for low < len(chance)-1 && below+chance[low] <= tail {
		below += chance[low]
		low++
	}
	above := 0.0
	for high = len(chance) - 1; high > low && above+chance[high] <= tail; high-- {
		above += chance[high]
	}
	return low, high
}

// Shifted is a chance with its log-odds lower and higher by an amount.
func Shifted(p, by float64) [2]float64 {
	p = min(max(p, 1e-9), 1-1e-9)
	odds := p / (1 - p)
	low, high := odds*math.Exp(-by), odds*math.Exp(by)
	return [2]float64{low / (1 + low), high / (1 + high)}
}
