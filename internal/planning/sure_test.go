package planning

import (
	"math"
	"testing"
)

// Against the binomial distribution in closed form, and unequal chances by hand.
func TestAtLeast(t *testing.T) {
	for _, c := range []struct {
		fail []float64
		need int
		want float64
	}{
		{nil, 0, 1}, {nil, 1, 0}, {[]float64{0.1}, 1, 0.9}, {[]float64{0.1}, 2, 0},
		{[]float64{0.2, 0.2, 0.2}, 2, 3*0.8*0.8*0.2 + 0.8*0.8*0.8},
		{[]float64{0.1, 0.3}, 1, 1 - 0.03}, {[]float64{0.1, 0.3}, 2, 0.63},
		{[]float64{0.5, 0.1, 0.3}, 2, 0.5*0.9*0.7 + 0.5*0.9*0.7 + 0.5*0.1*0.7 + 0.5*0.9*0.3},
	} {
		if got := AtLeast(c.fail, c.need); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v at least %d: %g, want %g", c.fail, c.need, got, c.want)
		}
	}
}
