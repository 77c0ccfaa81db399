package findings

import (
	"math"
	"testing"
)

// The standard library's exponential is the reference.
func TestExpIsCloseToTheLibrarys(t *testing.T) {
	for x := -700.0; x <= 700; x += 0.0137 {
		want := math.Exp(x)
		if got := exp(x); math.Abs(got/want-1) > 3e-11 {
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
	x, s := -3.0, 0.0
	b.Run("own", func(b *testing.B) {
		for b.Loop() {
			s += exp(x)
			x = -x * 0.999
		}
	})
	x = -3
	b.Run("library", func(b *testing.B) {
		for b.Loop() {
			s += math.Exp(x)
			x = -x * 0.999
		}
	})
	_ = s
}
