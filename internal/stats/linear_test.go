package stats

import (
	"math"
	"slices"
	"testing"
)

// linear answers the cases of least squares: NIST StRD Norris and Longley, and
// planes fitted by R.
func linear(t *testing.T, c *refCase) map[string]any {
	y := c.Inputs.Y
	var x []float64
	cols := 3
	if c.Method == "plane_fit" {
		var px, py []float64
		c.decode(t, c.raw["x"], &px)
		c.decode(t, c.raw["y"], &py)
		c.decode(t, c.raw["z"], &y)
		for i := range px {
			x = append(x, 1, px[i], py[i])
		}
	} else {
		x, cols = c.design(t)
	}
	l, ok := LeastSquares(x, cols, y)
	if !ok {
		t.Fatalf("%s: not fitted", c.ID)
	}
	se := make([]float64, cols)
	for k := range se {
		se[k] = l.SE(k)
	}
	return map[string]any{"coef": l.Coef, "se": se, "residual_sd": l.ResidualSD(), "r2": l.R2,
		"residual_range": slices.Max(l.Residuals) - slices.Min(l.Residuals)}
}

// The calibration line of a thermometer, JCGM 100:2008 (GUM) H.3, table H.6;
// data and results from memory, to the digits printed there.
func TestCalibrationLineOfTheGUM(t *testing.T) {
	at := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	b := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	var x []float64
	for _, v := range at {
		x = append(x, 1, v-20)
	}
	l, ok := LeastSquares(x, 2, b)
	if !ok {
		t.Fatal("not fitted")
	}
	cov := l.Cov.At(0, 1) / math.Sqrt(l.Cov.At(0, 0)*l.Cov.At(1, 1))
	var30 := l.Cov.At(0, 0) + 100*l.Cov.At(1, 1) + 20*l.Cov.At(0, 1)
	for _, v := range []struct {
		what              string
		got, want, within float64
	}{
		{"intercept", l.Coef[0], -0.1712, 5e-5}, {"slope", l.Coef[1], 0.00218, 5e-6},
		{"u(intercept)", l.SE(0), 0.0029, 5e-5}, {"u(slope)", l.SE(1), 0.00067, 5e-6}, {"correlation", cov, -0.930, 5e-4},
		{"s", l.ResidualSD(), 0.0035, 5e-5}, {"correction at 30 °C", l.Coef[0] + 10*l.Coef[1], -0.1494, 5e-5},
		{"its u", l.ResidualSD() * math.Sqrt(var30), 0.0041, 5e-5}, {"degrees of freedom", float64(l.DF), 9, 0},
	} {
		if math.Abs(v.got-v.want) > v.within {
			t.Errorf("%s: got %.7g, want %g within %g", v.what, v.got, v.want, v.within)
		}
	}
}

func TestLeastSquaresRefusesWhatItCannotTell(t *testing.T) {
	for what, x := range map[string][]float64{
		"fewer rows than columns": {1, 2}, "columns alike": {1, 1, 1, 1, 1, 1}, "a column of zeros": {1, 0, 1, 0, 1, 0}, "an infinity": {1, math.Inf(1), 1, 2, 1, 3},
	} {
		if l, ok := LeastSquares(x, 2, make([]float64, len(x)/2)); ok {
			t.Errorf("%s: got %v, want a refusal", what, l.Coef)
		}
	}
	if l, ok := LeastSquares([]float64{1, 0, 1, 1}, 2, []float64{2, 5}); !ok || l.DF != 0 || !math.IsNaN(l.ResidualSD()) || math.Abs(l.Coef[1]-3) > 1e-12 {
		t.Errorf("a line through two points: got %+v", l)
	}
}

func BenchmarkLeastSquaresPlaneOfNine(b *testing.B) {
	var x, y []float64
	for i := range 9 {
		x, y = append(x, 1, float64(i%3), float64(i/3)), append(y, float64(i*i%7))
	}
	for b.Loop() {
		LeastSquares(x, 3, y)
	}
}
