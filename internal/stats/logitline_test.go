package stats_test

import (
	"math"
	"testing"

	"basecourse/internal/stats"
)

// The O-ring data of 23 flights (Dalal, Fowlkes & Hoadley 1989, JASA
// 84:945-957): temperature in °F and whether an O-ring failed. The logistic
// regression is log-odds = 15.0429 − 0.2322 t with standard errors 7.3786 and
// 0.1082, deviance 20.315 (the values every textbook's fit of these data gives;
// quoted from memory). At 31 °F the chance is 0.9996, at 53 °F 0.939.
func TestALogitLineIsTheLogisticRegressions(t *testing.T) {
	temperature := []float64{53, 57, 58, 63, 66, 67, 67, 67, 68, 69, 70, 70, 70, 70, 72, 73, 75, 75, 76, 76, 78, 79, 81}
	n := make([]int, len(temperature))
	for i := range n {
		n[i] = 1
	}
	const slope, se, z = -0.23216, 0.10824, 1.959963984540054
	l, ok := stats.NewLogitLine(temperature, n, 7, slope, slope-z*se, slope+z*se)
	if !ok {
		t.Fatal("no line")
	}
	for at, want := range map[float64]float64{31: 0.9996, 53: 0.939, 64.7935: 0.5} {
		if p, _ := l.At(at); math.Abs(p-want) > 0.001 {
			t.Errorf("at %g °F: got %.4f, want %.4f", at, p, want)
		}
	}
	// The intercept's standard error is the band's half width at 0 °F.
	_, i := l.At(0)
	width := (math.Log(i.High/(1-i.High)) - math.Log(i.Low/(1-i.Low))) / (2 * z)
	if math.Abs(width-7.3786) > 0.05 {
		t.Errorf("standard error at 0 °F: got %.4f, want 7.3786", width)
	}
}

func TestALogitLineNeedsBothOutcomes(t *testing.T) {
	for _, c := range []struct {
		n []int
		k int
	}{{[]int{0, 0}, 0}, {[]int{5, 5}, 0}, {[]int{5, 5}, 10}, {nil, 0}} {
		if _, ok := stats.NewLogitLine([]float64{0, 1}[:len(c.n)], c.n, c.k, 0.5, 0, 1); ok {
			t.Errorf("%v with %d: got a line", c.n, c.k)
		}
	}
	// A flat line without doubt about its slope stands at the share seen.
	l, _ := stats.NewLogitLine([]float64{0, 7}, []int{40, 60}, 10, 0, 0, 0)
	p, i := l.At(100)
	if math.Abs(p-0.1) > 1e-9 || !(i.Low < 0.1 && 0.1 < i.High) {
		t.Errorf("flat: got %g in %g to %g", p, i.Low, i.High)
	}
}
