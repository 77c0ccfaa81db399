package stats

import (
	"math"
	"testing"
)

// Newcombe 1998, Statistics in Medicine 17:873-890, Table II, method 10 (from
// memory, to the four decimals printed there).
func TestNewcombeEqualsThePublishedExamples(t *testing.T) {
	for _, c := range []struct {
		x1, n1, x2, n2 int
		low, high      float64
	}{
		{56, 70, 48, 80, 0.0524, 0.3339},
		{9, 10, 3, 10, 0.1705, 0.8090},
		{6, 7, 2, 7, 0.0582, 0.8062},
		{5, 56, 0, 29, -0.0381, 0.1926},
		{0, 10, 0, 20, -0.1611, 0.2775},
		{0, 10, 0, 10, -0.2775, 0.2775},
		{10, 10, 0, 20, 0.6791, 1},
		{10, 10, 0, 10, 0.6075, 1},
	} {
		i := Newcombe(c.x1, c.n1, c.x2, c.n2, 0.95)
		if math.Abs(i.Low-c.low) > 5.1e-5 || math.Abs(i.High-c.high) > 5.1e-5 {
			t.Errorf("%d/%d - %d/%d: got %.4f to %.4f, want %.4f to %.4f", c.x1, c.n1, c.x2, c.n2, i.Low, i.High, c.low, c.high)
		}
	}
}

func TestNewcombeOfAnEmptyGroupIsNotDefined(t *testing.T) {
	if i := Newcombe(0, 0, 3, 10, 0.95); !math.IsNaN(i.Low) || !math.IsNaN(i.High) {
		t.Errorf("got %v, want NaN", i)
	}
}

// Newcombe 1998, Statistics in Medicine 17:873-890, Table II, method 6 (from memory):
// Miettinen and Nurminen's interval.
func TestMiettinenNurminenEqualsThePublishedExamples(t *testing.T) {
	for _, c := range []struct {
		x1, n1, x2, n2 int
		low, high      float64
	}{
		{56, 70, 48, 80, 0.0528, 0.3382},
		{9, 10, 3, 10, 0.1700, 0.8406},
		{6, 7, 2, 7, 0.0342, 0.8534},
		{5, 56, 0, 29, -0.0326, 0.1933},
		{0, 10, 0, 20, -0.1658, 0.2844},
	} {
		i := MiettinenNurminen(c.x1, c.n1, c.x2, c.n2, 0.95)
		if math.Abs(i.Low-c.low) > 6e-5 || math.Abs(i.High-c.high) > 6e-5 {
			t.Errorf("%d of %d, %d of %d: %.4f to %.4f, want %.4f to %.4f", c.x1, c.n1, c.x2, c.n2, i.Low, i.High, c.low, c.high)
		}
	}
	if i := MiettinenNurminen(0, 0, 3, 10, 0.95); !math.IsNaN(i.Low) {
		t.Errorf("of an empty group: %+v", i)
	}
}
