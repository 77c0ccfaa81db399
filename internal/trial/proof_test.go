package trial

import (
	"fmt"
	"math"
	"testing"

	"basecourse/internal/stats"
)

func TestGoodNeeded(t *testing.T) {
	for _, c := range []struct {
		rate stats.Beta
		want int
	}{
		// All but certain rate p: the least n with Σ w (1-sp)^n >= 20 (1-p)^n, worked out by hand:
		// at p = 0.2, s = .05 .15 .30 .50 alike, n = 16 gives 17.9, 17 gives 21.8.
		{stats.Beta{Alpha: 2e6, Beta: 8e6}, 0},
		{stats.Beta{Alpha: 1, Beta: 1e6}, 0}, // too rare to count
	} {
		if c.want == 0 && c.rate.Alpha > 1 { // by the sum itself, without the distribution
			p := c.rate.Mean()
			for n := 1; ; n++ {
				helped := 0.0
				for _, l := range left {
					helped += l.weight * math.Pow(1-l.share*p, float64(n))
				}
				if helped >= UpheldAt*math.Pow(1-p, float64(n)) {
					c.want = n
					break
				}
			}
		}
		got := GoodNeeded(c.rate)
		// The level of the farm is taken to be unsure, so a little more is asked for.
		if got < c.want || got > c.want+c.want/3 {
			t.Errorf("%+v: %d good layers, want %d or a little more", c.rate, got, c.want)
		}
	}
	if few, many := GoodNeeded(stats.Beta{Alpha: 4, Beta: 36}), GoodNeeded(stats.Beta{Alpha: 40, Beta: 360}); few <= many {
		t.Errorf("a rate less well known asks for %d good layers, a well known one for %d", few, many)
	}
}

// The sum over points is the integral: E (1-p)^n of a beta distribution is
// B(a, b+n)/B(a, b), here by its product.
func TestPointsIntegrate(t *testing.T) {
	for _, rate := range []stats.Beta{{Alpha: 0.4, Beta: 9}, {Alpha: 1, Beta: 19}, {Alpha: 3, Beta: 40}, {Alpha: 60, Beta: 900}, {Alpha: 12, Beta: 30}} {
		w := newWeigher(rate)
		for _, n := range []int{1, 20, 150} {
			want, got, all := 1.0, 0.0, 0.0
			for k := range n {
				want *= (rate.Beta + float64(k)) / (rate.Alpha + rate.Beta + float64(k))
			}
			for i, p := range w.chance {
				got += w.weight[i] * math.Pow(1-p, float64(n))
				all += w.weight[i]
			}
			if got /= all; want > 1e-6 && math.Abs(got/want-1) > 2e-3 {
				t.Errorf("%+v, %d: %.6f, want %.6f", rate, n, got, want)
			}
		}
	}
}

// Without a farm one failure in twenty is taken for its rate.
func TestFarmRateWithoutAFarm(t *testing.T) {
	if got := FarmRate(nil, nil); got != (stats.Beta{Alpha: 1, Beta: 19}) {
		t.Errorf("%+v", got)
	}
}

func TestProve(t *testing.T) {
	rate := stats.Beta{Alpha: 20, Beta: 80}
	needed := GoodNeeded(rate)
	good, failed := After{Graded: true}, After{Graded: true, Failed: true}
	run := func(n int, l After) (out []After) {
		for range n {
			out = append(out, l)
		}
		return out
	}
	for _, c := range []struct {
		name   string
		layers []After
		over   bool
		state  ProofState
		more   int // -1: not looked at
	}{
		{"nothing yet", nil, false, Open, needed},
		{"on the way", run(needed-1, good), false, Open, 1},
		{"as promised", run(needed, good), false, Upheld, 0},
		{"ungraded, nudged and watched ones count neither way", append(run(needed-1, good), After{}, After{Graded: true, Nudged: true}, After{Graded: true, Watched: true}), false, Open, 1},
		{"failures go on", append(run(2, good), failed, failed, good, failed), false, NotUpheld, 0},
		{"a nudged failure is a failure", run(3, After{Graded: true, Failed: true, Nudged: true}), false, NotUpheld, 0},
		{"one failure asks for more", append(run(needed/2, good), failed), false, Open, -1},
		{"another fix came", run(3, good), true, TooLittle, 0},
		{"shown before another came", append(run(needed, good), failed, failed), true, Upheld, 0},
	} {
		p := Prove(rate, c.layers, c.over)
		if p.State != c.state || c.more >= 0 && p.More != c.more {
			t.Errorf("%s: %v, %d more, odds %.3g; want %v, %d more", c.name, p.State, p.More, p.Odds, c.state, c.more)
		}
	}
	if p := Prove(rate, append(run(needed/2, good), failed), false); p.More <= needed-needed/2 {
		t.Errorf("after a failure %d more are asked for, want more than %d", p.More, needed-needed/2)
	}
	// What goes well everywhere does not show a fix.
	better := run(needed, good)
	for i := range better {
		better[i].Beside = Beside{Failures: 10, Expected: 60}
	}
	if p := Prove(rate, better, false); p.State != Open {
		t.Errorf("look-alikes failed a sixth as often as well: %v, odds %.3g", p.State, p.Odds)
	}
}

func TestLookAlikes(t *testing.T) {
	d := NewDaily(6, 4)
	for u, x := range []int{4, 5, 3, 0, 4, 4} { // of 40 layers on the first two days
		d.Count(u, 0, x, 20)
		d.Count(u, 1, 0, 20)
		d.Count(u, 2, 1, 10)
	}
	d.Sum()
	prior := stats.Beta{Alpha: 1, Beta: 9}
	a := d.LookAlikes(0, prior.After(4, 40), prior, 2, 84, func(u int) bool { return u == 4 })
	if fmt.Sprint(a.units) != "[5 1 2]" { // 3 fails far less, 4 was touched
		t.Fatalf("look-alikes %v", a.units)
	}
	if b := a.To(3); b.Failures != 3 || math.Abs(b.Expected-10*(5+6+4)/50.) > 1e-12 {
		t.Errorf("%+v", b)
	}
	if b := a.To(2); b != (Beside{}) {
		t.Errorf("of the fix's own day nothing is known yet: %+v", b)
	}
}

// What was promised before expectations were kept is judged as it was promised.
func TestProveRun(t *testing.T) {
	good, ungraded, nudged, watched := After{Graded: true}, After{}, After{Graded: true, Nudged: true}, After{Graded: true, Watched: true}
	failed, failedNudged := After{Graded: true, Failed: true}, After{Graded: true, Failed: true, Nudged: true}
	for _, c := range []struct {
		name   string
		needed int
		layers []After
		over   bool
		state  ProofState
		good   int
		counts string
	}{
		{"nothing yet", 3, nil, false, Open, 0, ""},
		{"on the way", 3, []After{good, ungraded, good}, false, Open, 2, "010"},
		{"held", 2, []After{good, watched, good, failed}, false, Upheld, 2, "0103"},
		{"a nudge begins anew", 2, []After{good, nudged, good}, false, Open, 1, "110"},
		{"anew and held", 2, []After{good, nudged, good, good}, false, Upheld, 2, "1100"},
		{"came back", 3, []After{good, failed, good, good, good}, false, NotUpheld, 1, "02333"},
		{"a failure that was nudged is a failure", 3, []After{good, failedNudged}, false, NotUpheld, 1, "02"},
		{"only watched", 0, []After{good, good, good}, false, Open, 3, "000"},
		{"another came", 3, []After{good, good}, true, TooLittle, 2, "00"},
	} {
		p := ProveRun(c.needed, c.layers, c.over)
		counts := ""
		for _, k := range p.Layers {
			counts += fmt.Sprint(int(k))
		}
		if p.State != c.state || p.Good != c.good || counts != c.counts {
			t.Errorf("%s: %v with %d good, %s; want %v with %d, %s", c.name, p.State, p.Good, counts, c.state, c.good, c.counts)
		}
	}
}
