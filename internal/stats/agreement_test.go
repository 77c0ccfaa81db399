package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func near(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s: got %.6f, want %.6f", what, got, want)
	}
}

// Cohen 1968, Psychol Bull 70:213-220: two raters, 200 patients, weights of
// disagreement 0, 1, 3 / 1, 0, 6 / 3, 6, 0. Table and values from memory.
func TestKappaOfCohen1968(t *testing.T) {
	list, k := Ratings([][]int{{88, 14, 18}, {10, 40, 10}, {2, 6, 12}})
	near(t, "kappa", Kappa(list, k, Plainly, 0.95).At, 0.492, 6e-4)
	miss := [3][3]float64{{0, 1, 3}, {1, 0, 6}, {3, 6, 0}}
	near(t, "weighted", KappaWith(list, k, func(i, j int) float64 { return 1 - miss[i][j]/6 }, 0.95).At, 0.348, 6e-4)
}

// Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323-327, their example of 200 things;
// table, weights and values from memory.
func TestStandardErrorOfFleissCohenEveritt1969(t *testing.T) {
	list, k := Ratings([][]int{{106, 10, 4}, {22, 28, 10}, {2, 12, 6}})
	a := Kappa(list, k, Plainly, 0.95)
	near(t, "kappa", a.At, 0.429, 6e-4)
	near(t, "its variance", a.SE*a.SE, 0.002885, 2e-5)
}

// Fleiss 1971, Psychol Bull 76:378-382: 30 patients, 6 psychiatrists, 5 diagnoses
// (depression, personality disorder, schizophrenia, neurosis, other). Table from
// memory; its margins, and the paper's figures, are checked.
func TestFleiss1971(t *testing.T) {
	counts := [][]int{{0, 0, 0, 6, 0}, {0, 3, 0, 0, 3}, {0, 1, 4, 0, 1}, {0, 0, 0, 0, 6}, {0, 3, 0, 3, 0}, {2, 0, 4, 0, 0}, {0, 0, 4, 0, 2}, {2, 0, 3, 1, 0}, {2, 0, 0, 4, 0}, {0, 0, 0, 0, 6},
		{1, 0, 0, 5, 0}, {1, 1, 0, 4, 0}, {0, 3, 3, 0, 0}, {1, 0, 0, 5, 0}, {0, 2, 0, 3, 1}, {0, 0, 5, 0, 1}, {3, 0, 0, 1, 2}, {5, 1, 0, 0, 0}, {0, 2, 0, 4, 0}, {1, 0, 2, 0, 3},
		{0, 0, 0, 0, 6}, {0, 1, 0, 5, 0}, {0, 2, 0, 1, 3}, {2, 0, 0, 4, 0}, {1, 0, 0, 4, 1}, {0, 5, 0, 1, 0}, {4, 0, 0, 0, 2}, {0, 2, 0, 4, 0}, {1, 0, 5, 0, 0}, {0, 0, 0, 0, 6}}
	var margin [5]int
	for _, c := range counts {
		for j, x := range c {
			margin[j] += x
		}
	}
	if margin != [5]int{26, 26, 30, 55, 43} {
		t.Fatalf("margins %v", margin)
	}
	f := FleissOf(counts, 0.95)
	near(t, "seen", f.Seen, 0.555, 6e-4)
	near(t, "by chance", f.Chance, 0.220, 6e-4)
	near(t, "kappa", f.At, 0.430, 6e-4)
	near(t, "z by the standard error of 1979", f.At/f.NullSE, 17.7, 0.06) // from memory, of a library's help page
}

// With two raters who share their margins Fleiss' kappa is Cohen's; worked by hand.
func TestAgreementWorkedByHand(t *testing.T) {
	list, _ := Ratings([][]int{{20, 5}, {10, 15}})
	fails := func(c int) bool { return c == 0 }
	near(t, "alike", Alike(list, 0.95).At, 35.0/50, 1e-12)
	near(t, "on the first", AlikeOn(list, fails, 0.95).At, 40.0/55, 1e-12)
	near(t, "on the second", AlikeOn(list, func(c int) bool { return c == 1 }, 0.95).At, 30.0/45, 1e-12)
	w := Wilson(35, 50, 0.95)
	a := Alike(list, 0.95)
	near(t, "Wilson low", a.Low, w.Low, 1e-9)
	near(t, "Wilson high", a.High, w.High, 1e-9)
	// Graham & Bull's variance: 4a(b+c)(a+b+c) / (2a+b+c)^4.
	near(t, "SE on the first", AlikeOn(list, fails, 0.95).SE, math.Sqrt(4*20*15*35/math.Pow(55, 4)), 1e-9)
	if x := Kappa(nil, 2, Plainly, 0.95); !math.IsNaN(x.At) || x.N != 0 {
		t.Errorf("of nothing: %+v", x)
	}
	if x := Kappa([]Rated{{0, 0, 1}, {0, 0, 1}}, 2, Plainly, 0.95); !math.IsNaN(x.At) {
		t.Errorf("all in one category: %+v", x)
	}
	if x := AlikeOn([]Rated{{1, 1, 1}}, fails, 0.95); !math.IsNaN(x.At) {
		t.Errorf("on what nobody gave: %+v", x)
	}
}

// Drawing half of one kind and all of another, and weighting back, gives the whole's
// figures on average, and the interval holds.
func TestWeightedBackToTheWhole(t *testing.T) {
	lot := rand.New(rand.NewPCG(4, 4))
	whole := make([]Rated, 0, 4000)
	for range 4000 {
		c := 0
		if lot.Float64() < 0.06 {
			c = 1
		}
		second := c
		if lot.Float64() < 0.04+0.2*float64(c) {
			second = 1 - c
		}
		whole = append(whole, Rated{First: c, Second: second})
	}
	truth := Kappa(whole, 2, Plainly, 0.95).At
	sum, held, times := 0.0, 0, 300
	for range times {
		var drawn []Rated
		for _, r := range whole {
			chance := 0.05
			if r.First == 1 {
				chance = 0.8
			}
			if lot.Float64() < chance {
				r.Weight = 1 / chance
				drawn = append(drawn, r)
			}
		}
		k := Kappa(drawn, 2, Plainly, 0.95)
		sum += k.At
		if k.Contains(truth) {
			held++
		}
	}
	near(t, "mean", sum/float64(times), truth, 0.02)
	if held < times*90/100 {
		t.Errorf("the interval holds %d of %d", held, times)
	}
}

// bootstrap gives the percentile interval of any figure of the ratings by drawing
// things with replacement so many times (Efron & Tibshirani 1993, ch. 13); draws
// where the figure is not defined are left out. The same seed gives the same answer.
func bootstrap(list []Rated, times int, seed uint64, confidence float64, of func([]Rated) float64) Interval {
	lot := rand.New(rand.NewPCG(seed, 0x6b61707061))
	again := make([]Rated, len(list))
	var got []float64
	for range times {
		for i := range again {
			again[i] = list[lot.IntN(len(list))]
		}
		if x := of(again); !math.IsNaN(x) {
			got = append(got, x)
		}
	}
	slices.Sort(got)
	at := func(q float64) float64 { return got[int(q*float64(len(got)-1)+0.5)] }
	return Interval{at((1 - confidence) / 2), at((1 + confidence) / 2)}
}

// How often the intervals hold the true kappa on four grades. With 15 things neither
// the asymptotic one nor a bootstrap holds 95 of 100.
func TestIntervalsOfKappaHold(t *testing.T) {
	margin := []float64{0.5, 0.2, 0.15, 0.15}
	draw := func(lot *rand.Rand) int {
		x := lot.Float64()
		for c, p := range margin {
			if x -= p; x < 0 {
				return c
			}
		}
		return 3
	}
	one := func(lot *rand.Rand) Rated { // both see the same with 0.6, else each their own: kappa 0.6
		c := draw(lot)
		if lot.Float64() < 0.6 {
			return Rated{First: c, Second: c}
		}
		return Rated{First: c, Second: draw(lot)}
	}
	for _, c := range []struct {
		n, times        int
		least, leastByB float64 // of 100
	}{{15, 200, 85, 85}, {Few, 200, 91, 90}, {200, 400, 93, 0}} {
		lot := rand.New(rand.NewPCG(uint64(c.n), 1))
		held, heldBoot := 0.0, 0.0
		for range c.times {
			list := make([]Rated, c.n)
			for i := range list {
				list[i] = one(lot)
			}
			if Kappa(list, 4, Plainly, 0.95).Contains(0.6) {
				held += 100 / float64(c.times)
			}
			if c.leastByB > 0 && bootstrap(list, 200, 1, 0.95, func(l []Rated) float64 { return Kappa(l, 4, Plainly, 0.95).At }).Contains(0.6) {
				heldBoot += 100 / float64(c.times)
			}
		}
		t.Logf("n %d: asymptotic %.1f, bootstrap %.1f", c.n, held, heldBoot)
		if held < c.least || heldBoot < c.leastByB {
			t.Errorf("n %d: asymptotic %.1f of 100, bootstrap %.1f", c.n, held, heldBoot)
		}
	}
}
