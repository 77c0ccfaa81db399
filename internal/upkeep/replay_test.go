package upkeep

import (
	"math"
	"math/rand/v2"
	"testing"

	"basecourse/internal/findings"
)

// habit makes a season of starts of some printers and plates whose exposures are those
// of what was done: probed and cleaned now and then.
func habit(r *rand.Rand, printers, plates, starts int, probe, wipe, wash float64) *Season {
	s := &Season{}
	for i := range printers {
		for j := range plates {
			s.Grounds = append(s.Grounds, Ground{Place: Place{Printer: string(rune('A' + i)), Plate: string(rune('a' + j))}, Next: Next{Printer: int32(i), Plate: int32(j), Material: -1}, BedC: 55})
		}
	}
	since, gap, washed := make([]int32, printers), make([]int32, plates), make([]int32, plates)
	for n := range starts {
		g := r.IntN(len(s.Grounds))
		i, j := s.Grounds[g].Next.Printer, s.Grounds[g].Next.Plate
		x := Ran{At: int64(n) * 600e6, Ground: int32(g), Graded: true, Failed: r.IntN(10) == 0, Probing: findings.ProbingSkipped}
		if r.Float64() < probe || since[i] == 0 {
			since[i], x.Probing = 0, findings.ProbingValid
		}
		switch u := r.Float64(); {
		case u < wash:
			gap[j], washed[j] = 0, 0
		case u < wash+wipe:
			gap[j] = 0
		}
		x.SinceProbe, x.Gap, x.SinceWash = since[i], gap[j], washed[j]
		since[i]++
		gap[j]++
		washed[j]++
		s.Starts = append(s.Starts, x)
	}
	return s
}

// Where no policy says anything, what was done is what is asked; the tally is that of
// the plain count.
func TestReplayWithoutPoliciesIsWhatWasDone(t *testing.T) {
	a := learnedOf(t)
	for seed := range uint64(20) {
		s := habit(rand.New(rand.NewPCG(seed, 1)), 4, 5, 400, 0.5, 0.2, 0.03)
		s.Work = []Work{{At: 1e9, Printer: 2}}
		from := s.Starts[100].At
		got := a.Replay(s, nil, &Scope{}, from)
		want, others := s.Count(&Scope{}, from, math.MaxInt64)
		want.Expected = got.Done.Expected
		if got.Done != want || others != (Tally{}) || got.Saved != 0 || got.Low != 0 || got.High != 0 {
			t.Fatalf("seed %d: got %+v, want %+v", seed, got, want)
		}
		if got.Asked.Wipes != want.Wipes || got.Asked.Washes != want.Washes || got.Asked.Probes != want.Probes || got.Asked.Expected != got.Done.Expected {
			t.Fatalf("seed %d: asked %+v, done %+v", seed, got.Asked, got.Done)
		}
	}
}

// What fixed rules ask for can be counted on fingers.
func TestReplayCountsWhatARuleAsks(t *testing.T) {
	a := learnedOf(t)
	s := habit(rand.New(rand.NewPCG(1, 1)), 1, 1, 121, 0, 0, 0) // probed once, never cleaned again
	for _, c := range []struct {
		rules                 Rules
		wipes, washes, probes int
	}{
		// As recorded it was washed and probed before the first start.
		{Rules{}, 0, 1, 1},
		{Rules{CleanPrints: 10}, 12, 1, 1},
		{Rules{WashPrints: 40}, 0, 3, 1},
		{Rules{CleanPrints: 10, WashPrints: 40}, 9, 3, 1},
		{Rules{CleanHours: 5}, 4, 1, 1}, // a start every ten minutes
		{Rules{ProbeStarts: 1}, 0, 1, 120},
		{Rules{ProbeStarts: 12}, 0, 1, 10},
		{Rules{ProbeHours: 2}, 0, 1, 10},
		{Rules{ProbeAfter: Service}, 0, 1, 2}, // on top of what was done,
		{Rules{ProbeAfter: Move | Service}, 0, 1, 3},
		{Rules{ProbeAfter: Swap | Temperature}, 0, 1, 1},
	} {
		season := *s
		season.Work = []Work{{At: 30*600e6 + 1, Moved: true}, {At: 60*600e6 + 1}}
		got := a.Replay(&season, []Policy{{Rules: c.rules}}, &Scope{}, 0).Asked
		if got.Starts != 121 || got.Wipes != c.wipes || got.Washes != c.washes || got.Probes != c.probes {
			t.Errorf("%+v: got %+v, want %d wipes, %d washes, %d probes", c.rules, got, c.wipes, c.washes, c.probes)
		}
	}
}

// More upkeep never costs failures where effects do harm only by its absence: a stricter
// rule saves at least what a looser one does, and asks for no less.
func TestStricterRulesAskForMoreAndSaveMore(t *testing.T) {
	a := learnedOf(t)
	for seed := range uint64(6) {
		s := habit(rand.New(rand.NewPCG(seed, 2)), 6, 8, 1500, 0.4, 0.1, 0.02)
		from := s.Starts[300].At
		last := Replayed{Saved: math.Inf(-1)}
		for _, n := range []int32{40, 20, 10, 5, 2, 1} {
			got := a.Replay(s, []Policy{{Rules: Rules{CleanPrints: n, ProbeStarts: n}}}, &Scope{}, from)
			if got.Low > got.Saved || got.High < got.Saved {
				t.Fatalf("%g saved, %g to %g", got.Saved, got.Low, got.High)
			}
			if got.Saved < last.Saved-0.3 || got.Asked.Probes < last.Asked.Probes || got.Asked.Wipes < last.Asked.Wipes {
				t.Errorf("seed %d: every %d saves %g and asks %+v, a looser rule %g and %+v", seed, n, got.Saved, got.Asked, last.Saved, last.Asked)
			}
			last = got
		}
		if again := a.Replay(s, []Policy{{Rules: Rules{CleanPrints: 1, ProbeStarts: 1}}}, &Scope{}, from); again != last {
			t.Errorf("twice the same question: %+v and %+v", last, again)
		}
	}
}

// A printer's parts add up to the farm's, and a scope counts only itself.
func TestScopesOfAReplayAddUp(t *testing.T) {
	a := learnedOf(t)
	s := habit(rand.New(rand.NewPCG(5, 2)), 3, 4, 900, 0.4, 0.1, 0.02)
	s.Jobs = make([]int32, len(s.Starts))
	for i := range s.Jobs {
		s.Jobs[i] = int32(i % 3 * 5)
	}
	rules := []Policy{{Rules: Rules{CleanPrints: 6, ProbeStarts: 3}}, {Scope: Scope{JobFrom: 10}, Rules: Rules{ProbeStarts: 1}}}
	all := a.Replay(s, rules, &Scope{}, 0)
	sum := Replayed{}
	for _, p := range []string{"A", "B", "C"} {
		r := a.Replay(s, rules, &Scope{Printer: p}, 0)
		sum.Saved += r.Saved
		sum.Asked.Probes += r.Asked.Probes
		sum.Asked.Starts += r.Asked.Starts
		sum.Asked.Wipes += r.Asked.Wipes
	}
	if math.Abs(sum.Saved-all.Saved) > 1e-9 || sum.Asked.Probes != all.Asked.Probes || sum.Asked.Starts != all.Asked.Starts || sum.Asked.Wipes != all.Asked.Wipes {
		t.Errorf("parts %+v, all %+v", sum, all)
	}
	if r := a.Replay(s, rules, &Scope{JobFrom: 10}, 0); r.Asked.Starts != 300 || r.Asked.Probes < 290 {
		t.Errorf("jobs of at least 10 plates: %+v, want a probe before nearly each of 300 starts", r.Asked)
	}
	within, others := s.Count(&Scope{Printer: "A"}, s.Starts[100].At, s.Starts[500].At)
	if within.Starts+others.Starts != 400 || within.Starts == 0 || others.Starts == 0 {
		t.Errorf("within %+v, others %+v", within, others)
	}
}

// A farm of a million first layers in its window has some 330,000 starts in four
// weeks, and twice as many are replayed.
func BenchmarkReplay(b *testing.B) {
	a := learnedOf(b)
	r := rand.New(rand.NewPCG(2, 2))
	s := &Season{}
	for i := range 1000 {
		for k := range 6 {
			s.Grounds = append(s.Grounds, Ground{Next: Next{Printer: int32(i), Plate: int32((2*i + k/2) % 2000), Material: int32(k % 2)}, BedC: 55})
		}
	}
	for n := range 660_000 {
		x := Ran{At: int64(n) * 7e6, Ground: int32(r.IntN(len(s.Grounds))), SinceProbe: int32(r.IntN(4)), Gap: int32(r.IntN(12)), SinceWash: int32(r.IntN(60)), Graded: true}
		if x.SinceProbe > 0 {
			x.Probing = findings.ProbingSkipped
		} else {
			x.Probing = findings.ProbingValid
		}
		s.Starts = append(s.Starts, x)
	}
	policies := []Policy{{Rules: Rules{CleanPrints: 8, WashPrints: 40, ProbeStarts: 3, ProbeAfter: Swap}}, {Scope: Scope{Printer: "A"}, Rules: Rules{ProbeStarts: 1}}}
	for b.Loop() {
		a.Replay(s, policies, &Scope{}, s.Starts[330_000].At)
	}
}

func TestPoolingAlikesIsTheSame(t *testing.T) {
	a := learnedOf(t)
	var list []Suggestion
	var weights []float64
	for j := range int32(24) {
		one := a.SuggestCleaning(Next{Printer: -1, Plate: 2 * j, Material: -1})
		if p := Pool([]Suggestion{one}, []float64{7}); p.Every != one.Every || len(p.Curve) != len(one.Curve) || math.Abs(p.Curve[3].Cost-one.Curve[3].Cost) > 1e-9 {
			t.Fatalf("plate %d alone: every %d, pooled %d: %+v and %+v", j, one.Every, p.Every, one.Curve[3], p.Curve[3])
		}
		if got := one.At(one.Curve[4].Every); got != one.Curve[4] {
			t.Fatalf("got %+v, the curve has %+v", got, one.Curve[4])
		}
		list, weights = append(list, one), append(weights, float64(j))
	}
	p := Pool(list, weights)
	sum := 0.0
	for i := range list {
		sum += weights[i] * list[i].At(5).Cost / 276
	}
	if got := p.At(5); math.Abs(got.Cost-sum) > 1e-9 || got.Low > got.Cost || got.High < got.Cost {
		t.Errorf("every 5 costs %+v, want %g", got, sum)
	}
	for _, x := range p.Curve {
		if best := p.At(p.Every); x.Cost < best.Cost-1e-9 {
			t.Errorf("every %d is cheaper than every %d: %g, %g", x.Every, p.Every, x.Cost, best.Cost)
		}
	}
	if Pool(nil, nil).Every != 0 || Pool(list[:1], []float64{0}).Curve != nil {
		t.Error("a pool of none")
	}
}
