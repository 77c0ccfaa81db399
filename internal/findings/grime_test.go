package findings

import (
	"math"
	"math/rand/v2"
	"testing"

	"basecourse/internal/simfarm"
)

// subjects are curves as they come of subjects that have a hazard with the dose or none
// in their failures, and another in their near misses.
func subjects(rng *rand.Rand, n int, hazards func(i int) (fails, misses float64)) []*curve {
	var cs []*curve
	for i := range n {
		fails, misses := hazards(i)
		c := &curve{missed: true}
		// Of a normal likelihood, its middle off the truth by chance.
		const sdFails, sdMisses = 0.012, 0.006
		at, seen := fails+sdFails*rng.NormFloat64(), misses+sdMisses*rng.NormFloat64()
		for k, size := range sizes {
			c.fails[byDose][k] = (at*at - (size-at)*(size-at)) / (2 * sdFails * sdFails)
			c.fails[always][k] = math.Inf(-1)
		}
		for k, size := range missSizes {
			c.miss[byDose][k] = (seen*seen - (size-seen)*(size-seen)) / (2 * sdMisses * sdMisses)
		}
		c.ll = c.fails
		cs = append(cs, c)
	}
	return cs
}

func TestNearMissesAreToldFromGrimeByWhoFails(t *testing.T) {
	for _, c := range []struct {
		name    string
		hazards func(i int) (fails, misses float64)
		shows   bool    // whether the hazard shows as near misses
		dull    float64 // share of subjects with grime
	}{
		{"nothing", func(int) (float64, float64) { return 0, 0 }, false, 0},
		{"grime alone", func(i int) (float64, float64) { return 0, []float64{0.05, 0, 0, 0, 0, 0}[i%6] }, false, 1. / 6},
		{"harm that shows", func(i int) (float64, float64) {
			h := []float64{0.085, 0, 0, 0, 0, 0}[i%6]
			return h, 0.6 * h
		}, true, 0},
		{"harm that does not show", func(i int) (float64, float64) { return []float64{0.085, 0, 0, 0, 0, 0}[i%6], 0 }, false, 0},
		{"each on its own", func(i int) (float64, float64) {
			return []float64{0.085, 0, 0, 0, 0, 0}[i%6], []float64{0.05, 0, 0, 0, 0, 0}[(i+3)%6]
		}, false, 1. / 6},
		{"both", func(i int) (float64, float64) {
			h := []float64{0.085, 0, 0, 0, 0, 0}[i%6]
			return h, 0.6*h + []float64{0.05, 0, 0, 0, 0, 0}[(i+3)%6]
		}, true, 1. / 6},
	} {
		t.Run(c.name, func(t *testing.T) {
			cs := subjects(rand.New(rand.NewPCG(1, 2)), 240, c.hazards)
			p := learnPrior(cs, 0)
			b := learnBearing(cs, &p)
			if shows := b.kappa[byDose] >= 0.4 && b.kappa[byDose] <= 0.9; shows != c.shows || !c.shows && b.kappa[byDose] != 0 {
				t.Errorf("a share of %g shows, want that it does: %t", b.kappa[byDose], c.shows)
			}
			if dull := 1 - b.grime[0]; math.Abs(dull-c.dull) > 0.06 {
				t.Errorf("%.3f have grime, want %.3f", dull, c.dull)
			}
			learnPrior(cs, doubt)
			for i, s := range cs {
				if fails, misses := c.hazards(i); fails == 0 && misses > 0 && s.none() < 0.5 {
					t.Errorf("subject %d is dull and does not fail: nothing is the matter with %.3f", i, s.none())
				}
			}
		})
	}
}

// The sums are taken over one largest chance, and left out where nothing shows: held against
// the same written straight.
func TestGrimeIsAveragedOver(t *testing.T) {
	c := subjects(rand.New(rand.NewPCG(3, 4)), 1, func(int) (float64, float64) { return 0.05, 0.03 })[0]
	for k := range sizes[1:] {
		c.fails[always][k+1] = -float64(k)
		c.miss[always][k+1] = 2 - float64(k)
	}
	g := grime{0.7, 0, 0, 0.1, 0, 0.2}
	for _, kappa := range [][2]float64{{}, {0.4, 0}, {0, 0.6}, {0.25, 0.9}} {
		c.withMisses(&bearing{kappa: kappa, grime: &g})
		for part := range c.ll {
			for k, size := range sizes {
				sum, none := 0.0, 0.0
				for s, share := range g {
					none += share * math.Exp(c.miss[byDose][s])
					miss := c.miss[byDose].at(kappa[byDose]*size + missSizes[s])
					if part == always {
						miss = c.miss[byDose][s]
						if s == 0 {
							miss = c.miss[always].at(kappa[always] * size)
						}
					}
					sum += share * math.Exp(miss)
				}
				if want := c.fails[part][k] + math.Log(sum) - math.Log(none); math.Abs(c.ll[part][k]-want) > 1e-9 && !math.IsInf(want, -1) || math.IsInf(want, -1) != math.IsInf(c.ll[part][k], -1) {
					t.Errorf("shares %v, component %d, size %g: %.6f, want %.6f", kappa, part, size, c.ll[part][k], want)
				}
			}
		}
	}
}

// A farm on which grime alone made plates stand out, as long as near misses had to tell
// of harm or of nothing.
func TestGrimeThatDoesNoHarmRaisesNothing(t *testing.T) {
	sc, ok := simfarm.Named("grimy")
	if !ok {
		t.Fatal("no scenario grimy")
	}
	l, _ := layersOf(simfarm.Run(sc, 601503).Columns())
	for _, none := range []bool{true, false} {
		raised := 0
		for _, q := range Evaluate(l, sc.Printers, sc.Plates, medianGap(l), Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5, Credulous: none}) {
			if q.State == Raised {
				raised++
			}
		}
		if raised > 0 != none {
			t.Errorf("grime not known of %t: %d raised", none, raised)
		}
	}
}

// What stands alone is doubted as the fits say; beside others of its kind less.
func TestALoneFindingKeepsItsOdds(t *testing.T) {
	for _, c := range []struct {
		odds, none float64
		want       State
	}{
		{lone, 0.04, Raised}, {lone, 0.07, Watching}, {overdoubt, 0.07, Raised}, {overdoubt, 0.12, Watching}, {credulous, 0.1, Watching}, {credulous, 0.09, Raised},
	} {
		qs := []Question{{State: Quiet, None: c.none, Avoidable: 3, odds: c.odds}}
		decide(qs, Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5})
		if qs[0].State != c.want {
			t.Errorf("%+v: %s, q %.3f", c, qs[0].State, qs[0].Q)
		}
	}
}
