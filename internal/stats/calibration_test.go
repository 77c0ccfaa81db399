package stats

import (
	"math"
	"testing"
)

// With two chances said the line goes through both groups: its slope is the log odds
// ratio over the distance said, its standard error Woolf's (1955, Annals of Human
// Genetics 19:251-253) over the same.
func TestCalibrationOfTwoGroupsIsTheOddsRatio(t *testing.T) {
	type group struct {
		p    float64
		k, n int
	}
	groups := []group{{0.1, 18, 120}, {0.4, 40, 90}}
	var said []float64
	var came []bool
	for _, g := range groups {
		for i := range g.n {
			said, came = append(said, g.p), append(came, i < g.k)
		}
	}
	logit := func(p float64) float64 { return math.Log(p / (1 - p)) }
	apart := logit(0.4) - logit(0.1)
	odds := func(g group) float64 { return logit(float64(g.k) / float64(g.n)) }
	slope := (odds(groups[1]) - odds(groups[0])) / apart
	woolf := math.Sqrt(1./18+1./102+1./40+1./50) / apart
	c := Calibrate(said, came)
	for _, x := range []struct{ got, want float64 }{{c.Slope, slope}, {c.SlopeLow, slope - 1.959963984540054*woolf}, {c.SlopeHigh, slope + 1.959963984540054*woolf}} {
		if math.Abs(x.got-x.want) > 1e-7 {
			t.Errorf("got %v, want %v", x.got, x.want)
		}
	}
	// The intercept is the one at which as many are expected as came.
	sum := 0.0
	for _, p := range said {
		sum += 1 / (1 + math.Exp(-logit(p)-c.Intercept))
	}
	if math.Abs(sum-58) > 1e-6 || !(c.InterceptLow < c.Intercept && c.Intercept < c.InterceptHigh) {
		t.Errorf("expected %v of 58 at the intercept %+v", sum, c)
	}
}

func TestCalibrationWithoutAnAnswer(t *testing.T) {
	if c := Calibrate([]float64{0.1, 0.2}, []bool{false, false}); !math.IsNaN(c.Slope) || !math.IsNaN(c.Intercept) {
		t.Errorf("nothing came: %+v", c)
	}
	if c := Calibrate([]float64{0.1, 0.1, 0.1}, []bool{true, false, false}); !math.IsNaN(c.Slope) || math.IsNaN(c.Intercept) {
		t.Errorf("all said alike: %+v", c)
	}
	if c := Calibrate([]float64{0.1, 0.2, 0.8, 0.9}, []bool{false, false, true, true}); !math.IsNaN(c.Slope) {
		t.Errorf("told apart perfectly: %+v", c)
	}
}
