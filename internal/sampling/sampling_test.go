package sampling

import (
	"math"
	"testing"

	"basecourse/internal/stats"
)

// The chances add up to the share asked for, none is below half of it, and the
// start most at risk is the likeliest to be looked at.
func TestChancesAddUpToTheShare(t *testing.T) {
	risks := make([]float64, 0, 500)
	for i := range 500 {
		risks = append(risks, 0.002+0.6*math.Pow(float64(i)/500, 6))
	}
	for _, share := range []float64{0.02, 0.1, 0.25, 0.6, 0.95} {
		d := Plan(share, risks)
		sum, last := 0.0, 0.0
		for _, p := range risks {
			c := d.Chance(p)
			if c < share/2-1e-4 || c > 1 || c < last {
				t.Fatalf("share %g: chance %g at risk %g after %g", share, c, p, last)
			}
			sum, last = sum+c, c
		}
		if got := sum / 500; math.Abs(got-share) > 2e-4 {
			t.Errorf("share %g: chances add up to %g", share, got)
		}
	}
	for name, c := range map[string]struct {
		d    Design
		risk float64
		want float64
	}{
		"no forecast at all is a lot":        {Plan(0.2, nil), 0.5, 0.2},
		"everything is looked at":            {Plan(1, risks), 0.001, 1},
		"nothing is":                         {Plan(0, risks), 0.9, 0},
		"a forecast of nothing is a lot":     {Plan(0.3, []float64{0, 0}), 0, 0.3},
		"all alike are a lot":                {Plan(0.3, []float64{0.04, 0.04, 0.04}), 0.04, 0.3},
		"an unknown risk counts as a middle": {Plan(0.3, []float64{0.04, 0.04, 0.04}), math.NaN(), 0.3},
	} {
		if got := c.d.Chance(c.risk); math.Abs(got-c.want) > 1e-4 {
			t.Errorf("%s: chance %g, want %g", name, got, c.want)
		}
	}
}

// A draw follows from the id alone, and about as many are drawn as the chances
// say: of 20,000 ids at 0.2, half by lot.
func TestDraws(t *testing.T) {
	d := Plan(0.2, []float64{0.02, 0.02, 0.02, 0.2})
	n := map[Why]int{}
	want := 0.0
	for i := range 20_000 {
		id := [16]byte{byte(i), byte(i >> 8), 7}
		risk := []float64{0.02, 0.02, 0.02, 0.2}[i%4]
		c, why := d.Draw(Number(nil, id), risk)
		again, same := d.Draw(Number(nil, id), risk)
		if c != again || why != same {
			t.Fatal("drawn twice, two answers")
		}
		n[why]++
		want += c
	}
	if got := float64(n[ByLot] + n[ByRisk]); math.Abs(got-want) > 4*math.Sqrt(want) || math.Abs(float64(n[ByLot])-2000) > 4*math.Sqrt(2000) {
		t.Errorf("drawn %v, expected %.0f, 2000 of them by lot", n, want)
	}
	// The first eight bytes of RFC 2104's HMAC with SHA-256, as Python's hmac gives it
	// under the key "of a farm", of "look list", a zero byte and sixteen more, over 2^64.
	if got := Number([]byte("of a farm"), [16]byte{}); math.Abs(got-0.9694212806433253) > 1e-12 {
		t.Errorf("number %.15f", got)
	}
}

// The estimator of a total, Σ wy, is unbiased over all samples of a population of
// six that can be drawn (Horvitz and Thompson 1952, theorem 1), and so is that of
// the number of starts, Σ w: every sample is written out with its chance.
func TestTotalsAreUnbiasedOverAllSamples(t *testing.T) {
	chances := []float64{0.1, 0.25, 0.5, 0.9, 1, 0.3333}
	failed := []bool{true, false, true, true, false, false}
	var mean, starts, squares float64
	for mask := range 1 << len(chances) {
		p := 1.0
		var s Sums
		for i, c := range chances {
			if mask>>i&1 == 1 {
				p *= c
				s.Add(c, failed[i])
			} else {
				p *= 1 - c
			}
		}
		mean += p * s.WF
		starts += p * s.W
		squares += p * s.W2F
	}
	variance := 0.0 // of the total under Poisson sampling, plus what fixed outcomes add: Σ y/chance
	for i, c := range chances {
		if failed[i] {
			variance += 1 / c
		}
	}
	if math.Abs(mean-3) > 1e-12 || math.Abs(starts-6) > 1e-12 || math.Abs(squares-variance) > 1e-9 {
		t.Errorf("expected totals %g of %g, squares %g; want 3 of 6 and %g", mean, starts, squares, variance)
	}
}

// With equal chances the weights cancel: Wilson's interval, Newcombe 1998, table I
// (Statistics in Medicine 17:857-872), as in testdata/reference/stats.json, where
// the outcomes say nothing of the weights.
func TestEqualChancesGiveWilson(t *testing.T) {
	for _, c := range []struct{ x, n int }{{81, 263}, {15, 148}, {0, 20}, {1, 29}} {
		var s Sums
		for i := range c.n {
			s.Add(0.25, i < c.x)
		}
		r := s.Rate(0.95)
		w := stats.Wilson(c.x, c.n, 0.95)
		near := func(a, b float64) bool { return math.Abs(a-b) < 0.004 }
		if math.Abs(r.Rate-float64(c.x)/float64(c.n)) > 1e-12 || !near(r.Low, w.Low) || !near(r.High, w.High) || math.Abs(r.Effect-1) > 0.02 {
			t.Errorf("%d of %d: %+v, want about %+v and a design effect of 1", c.x, c.n, r, w)
		}
	}
	if r := (&Sums{}).Rate(0.95); !math.IsNaN(r.Rate) {
		t.Errorf("no layer gives a rate: %+v", r)
	}
}

// Kish's design effect of weights 1 and 3 in equal numbers is 1 + cv² = 1.25
// (Kish 1965, section 11.7), without a failure to say more.
func TestDesignEffectOfUnequalWeights(t *testing.T) {
	var s Sums
	for i := range 100 {
		s.Add([]float64{1, 1.0 / 3}[i%2], false)
	}
	if r := s.Rate(0.95); math.Abs(r.Effect-1.25) > 1e-9 || r.Rate != 0 || r.Low != 0 {
		t.Errorf("%+v", r)
	}
}
