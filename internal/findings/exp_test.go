package findings

import (
	"math"
	"testing"
)

// The standard library's exponential is the reference.
func TestExpIsCloseToTheLibrarys(t *testing.T) {
	for x := -700.0; x <= 700; x += 0.0137 {
		want := math.Exp(x)
		if got := exp(x); math.Abs(got/want-1) > 2e-13 {
			t.Fatalf("exp(%v) = %v, want %v", x, got, want)
		}
	}
	if exp(-800) != 0 || !math.IsInf(exp(800), 1) || exp(0) != 1 {
		t.Error("exp at its ends and at 0")
	}
}

func TestLog1mIsCloseToTheLibrarys(t *testing.T) {
	for u := 1e-9; u < 1; u *= 1.01 {
		want := math.Log1p(-u)
		if got := log1m(u); math.Abs(got/want-1) > 1e-11 {
			t.Fatalf("log1m(%v) = %v, want %v", u, got, want)
		}
	}
}

func BenchmarkExp(b *testing.B) {
	var xs [1024]float64
	for i := range xs {
		xs[i] = -8 + float64(i*37%1024)/100
	}
	sum := 0.0
	for name, f := range map[string]func(float64) float64{"own": exp, "library": math.Exp} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				for _, x := range xs {
					sum += f(x)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1024, "ns/exp")
		})
	}
	_ = sum
}
