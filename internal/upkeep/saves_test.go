package upkeep

import (
	"math"
	"testing"
)

// Where one size of the effect holds nearly all of the chance, what doing it saves is
// still not known to the cent: the sizes looked at lie apart.
func TestASavingIsARangeAlsoWhereOneSizeIsAllButSure(t *testing.T) {
	a := &Adviser{echo: Echo{Keep: 1}}
	sizes := []float64{0, 0.05, 0.1, 0.2, 0.4}
	table := make([][horizon]float64, len(sizes))
	for s, size := range sizes {
		for k := range horizon {
			table[s][k] = math.Exp(-size * math.Min(float64(k), 8) / 4)
		}
	}
	for sure := range sizes {
		chance := make([]float64, len(sizes))
		chance[sure] = 1
		effect := known{chance, table}
		mid, low, high := a.saved(&effect, plan{every: 6}, 6, 6, 0.2, 5, 0)
		if !(low <= mid && mid <= high) || high-low < 1e-3*math.Abs(mid) {
			t.Errorf("size %g: %g (%g to %g)", sizes[sure], mid, low, high)
		}
		// The range stays between what the sizes beside it would save.
		for _, beside := range []int{sure - 1, sure + 1} {
			if beside < 0 || beside >= len(sizes) {
				continue
			}
			one := make([]float64, len(sizes))
			one[beside] = 1
			v, _, _ := a.saved(&known{one, table}, plan{every: 6}, 6, 6, 0.2, 5, 0)
			if beside < sure && low < v || beside > sure && high > v {
				t.Errorf("size %g: %g to %g reaches beyond size %g, which saves %g", sizes[sure], low, high, sizes[beside], v)
			}
		}
	}
}

// The quantiles of a uniform number told at points of a grid are its own: those of a
// uniform distribution from 0 to 1 are p (by definition).
func TestQuantilesOfAnEvenGridIsEven(t *testing.T) {
	const n = 50
	for _, p := range []float64{0.1, 0.025, 0.5, 0.77, 0.975} {
		var list []weighted
		for i := range n {
			list = append(list, weighted{(float64(i) + 0.5) / n, 1})
		}
		if got := between(list, p); math.Abs(got-p) > 0.011 {
			t.Errorf("%g: got %g", p, got)
		}
	}
	if got := between([]weighted{{3, 1}}, 0.3); got != 3 {
		t.Errorf("a single point: %g", got)
	}
}
