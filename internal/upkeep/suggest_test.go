package upkeep

import (
	"math"
	"testing"

	"basecourse/internal/findings"
	"basecourse/internal/simfarm"
)

// learned is a forecast from a small farm with wandering zeros and oily plates.
func learned(t testing.TB) *Forecast { return learnedOf(t).cast }

func learnedOf(t testing.TB) *Adviser {
	t.Helper()
	sc, _ := simfarm.Named("both")
	sc = small(sc, 24)
	sc.Days = habitDays
	a := newAsking(nil, sc, 7)
	f := simfarm.Run(sc, 3)
	c := f.Columns()
	a.study(c, c.To)
	return a.adviser
}

func TestSuggestionsAreTheLowestPointsOfTheirCurves(t *testing.T) {
	cast := learned(t)
	a := NewAdviser(cast, DefaultCosts(), Echo{})
	finite, never := 0, 0
	for i := range int32(24) {
		for _, s := range []Suggestion{a.SuggestProbing(Next{Printer: i, Plate: -1, Material: -1, Gap: -1}), a.SuggestCleaning(Next{Printer: -1, Plate: 2 * i, Material: -1})} {
			least, at := math.Inf(1), -1
			for _, p := range s.Curve {
				if p.Low > p.Cost+1e-9 || p.High < p.Cost-1e-9 || p.FailuresLow > p.FailuresHigh {
					t.Fatalf("%s %d: an interval that does not hold its point: %+v", s.Task, i, p)
				}
				if p.Every > 0 && math.Abs(p.PersonMinutes*float64(p.Every)-100) > 1e-9 {
					t.Fatalf("%s %d: %g person minutes at every %d", s.Task, i, p.PersonMinutes, p.Every)
				}
				if p.Cost < least-1e-9 || p.Cost < least+1e-9 && p.Every == s.Every {
					least, at = p.Cost, p.Every
				}
			}
			if at != s.Every {
				t.Errorf("%s %d: suggested every %d, the curve is lowest at %d", s.Task, i, s.Every, at)
			}
			if s.Every > 0 {
				finite++
			} else {
				never++
			}
		}
	}
	if finite == 0 || never == 0 {
		t.Errorf("%d intervals and %d never: want some of both", finite, never)
	}
}

// Dearer failures never lengthen an interval, dearer probing never shortens it.
func TestIntervalsFollowPrices(t *testing.T) {
	cast := learned(t)
	at := func(failure, probe float64) (list []int) {
		c := DefaultCosts()
		c.FailureMaterial *= failure
		c.FailureLabour *= failure
		c.Effort[Probe] = Effort{probe, 6 * probe}
		a := NewAdviser(cast, c, Echo{})
		for i := range int32(24) {
			n := a.SuggestProbing(Next{Printer: i, Plate: -1, Material: -1, Gap: -1}).Every
			if n == 0 {
				n = math.MaxInt
			}
			list = append(list, n)
		}
		return list
	}
	base, dear, slow := at(1, 1), at(5, 1), at(1, 4)
	for i := range base {
		if dear[i] > base[i] || slow[i] < base[i] {
			t.Errorf("printer %d: every %d; with dearer failures %d, with slower probing %d", i, base[i], dear[i], slow[i])
		}
	}
}

// A farm's due list is an answer a printer: 10,000 of them in a second means 100 µs each.
func BenchmarkAnswerLearned(b *testing.B) {
	a := learnedOf(b)
	past := make([]Past, 30)
	for i := range past {
		past[i] = Past{Next: Next{Printer: 1, Plate: 2, Probing: findings.ProbingSkipped, SinceProbe: int32(i), Gap: 4}, Graded: true, Failed: i%9 == 4}
	}
	n := int32(0)
	for b.Loop() {
		n++
		s := State{Next: Next{Printer: n % 24, Plate: n % 48, Probing: findings.ProbingSkipped, SinceProbe: 6, Gap: 5}, SinceWash: 40, Since: past[:n%31]}
		a.Answer(&s, &Limits{Rules: Rules{ProbeStarts: 20, WashPrints: 30}})
	}
}
