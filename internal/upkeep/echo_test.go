package upkeep

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"basecourse/internal/exposure"
	"basecourse/internal/findings"
)

// runsOf draws runs of starts of 40 printers: on the first four a missing probe fails
// a start by what effect says of the counts since the probe, starting anew at each run.
func runsOf(seed uint64, effect func(rng *rand.Rand) func(k int) float64) [][]Past {
	rng := rand.New(rand.NewPCG(seed, 1))
	var runs [][]Past
	for i := range int32(40) {
		for range 150 {
			at := func(int) float64 { return 0 }
			if i < 4 {
				at = effect(rng)
			}
			run := make([]Past, 1+rng.IntN(8))
			for k := range run {
				p := &run[k]
				p.Next = Next{Printer: i, Plate: -1, Material: -1, Probing: findings.ProbingSkipped, SinceProbe: int32(k), Gap: -1}
				if k == 0 {
					p.Probing = findings.ProbingValid
				}
				p.Graded = rng.Float64() < 0.85
				p.Failed = p.Graded && rng.Float64() < 1-0.96*(1-at(k))
			}
			runs = append(runs, run)
		}
	}
	return runs
}

func startsOf(seed uint64, effect func(rng *rand.Rand) func(k int) float64) []Past {
	return slices.Concat(runsOf(seed, effect)...)
}

// model of 40 printers at 4 % of failures, four of them surely affected.
func affected() *Forecast {
	m := &findings.Model{Mix: []findings.Weighted{{At: 0, Share: 1}}, Mean: findings.Level{At: math.Log(0.04 / 0.96)}}
	some := findings.HazardOf(0, 0, 0, 0, 0.25, 0.25, 0.5)
	for i := range 40 {
		m.Printers = append(m.Printers, findings.Level{})
		h := findings.HazardOf(1)
		if i < 4 {
			h = some
		}
		m.Skip = append(m.Skip, h)
	}
	m.NewSkip = findings.HazardOf(0.9, 0, 0, 0, 0.03, 0.03, 0.04)
	return NewForecast(m)
}

func TestLearnTellsACreepFromAJump(t *testing.T) {
	cast := affected()
	creeps := Learn(cast, startsOf(1, func(*rand.Rand) func(int) float64 {
		return func(k int) float64 { return 1 - math.Exp(-0.06*float64(k)) }
	}))
	steps := Learn(cast, startsOf(2, func(*rand.Rand) func(int) float64 {
		return func(k int) float64 { return 0.18 * min(1, float64(k)) }
	}))
	for i := range int32(4) {
		for _, c := range []struct {
			l    *Learned
			k    int
			want float64
		}{{creeps, 1, 0.058}, {creeps, 7, 0.343}, {steps, 1, 0.18}, {steps, 7, 0.18}} {
			e := c.l.Adviser(cast, DefaultCosts()).skipping(i)
			var s [horizon]float64
			e.mean(&s)
			if got := 1 - s[c.k]; math.Abs(got-c.want) > 0.12 {
				t.Errorf("printer %d, %d starts since the probe: harm %.3f, want %.3f", i, c.k, got, c.want)
			}
		}
	}
	if e := creeps.Adviser(cast, DefaultCosts()).skipping(7); e.harm() > 1e-9 {
		t.Errorf("harm %.3f where the model knows of none", e.harm())
	}
}

func TestLearnHearsAnEchoWhereThereIsOne(t *testing.T) {
	cast := affected()
	// Lost with chance 0.06 a start, for good until probed; a lost zero fails 0.7.
	lost := Learn(cast, startsOf(3, func(rng *rand.Rand) func(int) float64 {
		is := false
		return func(k int) float64 {
			is = is || k > 0 && rng.Float64() < 0.06
			if is {
				return 0.7
			}
			return 0
		}
	}))
	if lost.Hit < 0.5 || lost.Keep < 0.8 {
		t.Errorf("echo %+v, want one of 0.7 that stays", lost.Echo)
	}
	plain := Learn(cast, startsOf(4, func(*rand.Rand) func(int) float64 {
		return func(k int) float64 { return 0.12 * min(1, float64(k)) }
	}))
	if plain.Hit != 0 {
		t.Errorf("echo %+v, want none", plain.Echo)
	}
	// A failure asks for a probe at once, held layers put it off.
	a := lost.Adviser(cast, DefaultCosts())
	run := func(failed bool) []Past {
		var past []Past
		for k := range 3 {
			past = append(past, Past{Next: Next{Printer: 0, Plate: -1, Material: -1, Probing: findings.ProbingSkipped, SinceProbe: int32(k), Gap: -1}, Graded: true, Failed: failed && k == 2})
		}
		past[0].Probing = findings.ProbingValid
		return past
	}
	s := State{Next: Next{Printer: 0, Plate: -1, Material: -1, Probing: findings.ProbingSkipped, SinceProbe: 3, Gap: -1}}
	s.Since = run(true)
	failed := a.Answer(&s, &Limits{})
	s.Since = run(false)
	held := a.Answer(&s, &Limits{})
	if len(failed) != 1 || failed[0].Task != Probe || len(held) != 0 {
		t.Errorf("after a failure %+v, want a probe; after held layers %+v, want nothing", failed, held)
	}
	if len(failed) == 1 && (failed[0].Low > failed[0].Saves || failed[0].High < failed[0].Saves || failed[0].Saves <= 0) {
		t.Errorf("saves %g (%g to %g), want something above 0 in its interval", failed[0].Saves, failed[0].Low, failed[0].High)
	}
}

func TestRunsGoFromProbeToProbe(t *testing.T) {
	h := &exposure.History{Farm: exposure.Farm{RecordsAll: []bool{true, true}, Plates: 1}}
	for k := range int64(6) {
		h.Starts = append(h.Starts, exposure.Start{At: 10 * (k + 1), GradedAt: 10*(k+1) + 5, Printer: int32(k % 2), Plate: 0, Failed: k == 4})
	}
	h.Probes = []exposure.Probe{{At: 25, Printer: 0, Plate: 0, Ends: true}}
	ex := exposure.Of(h)
	open := NewOpen(2)
	var starts []Past
	for i := range h.Starts[:5] {
		p := PastOf(&h.Starts[i], &ex[i], 7, i < 4)
		starts = append(starts, p)
		open.Add(&p)
	}
	runs := Runs(starts)
	// Printer 0 starts at 10, probed 30 and 50; printer 1 at 20 and 40.
	if len(runs) != 3 || len(runs[0]) != 1 || len(open.Since(0)) != 2 || len(open.Since(1)) != 2 {
		t.Fatalf("runs %+v, open %+v", runs, open)
	}
	if p := open.Since(0); p[0].SinceProbe != 0 || p[1].SinceProbe != 1 || p[1].Graded || p[1].Failed || !p[0].Graded || p[0].Material != 7 || runs[0][0].SinceProbe != -1 {
		t.Errorf("runs %+v, open %+v", runs, open)
	}
	for k := range int32(100) {
		open.Add(&Past{Next: Next{Printer: 0, SinceProbe: 2 + k}})
	}
	if p := open.Since(0); len(p) != Remembered || p[0].SinceProbe != 102-Remembered || p[Remembered-1].SinceProbe != 101 {
		t.Errorf("the last starts are %+v", p)
	}
}
