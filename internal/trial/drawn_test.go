package trial

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The trial of vitamin A among children of Sumatra (Sommer and Zeger 1991, Statistics in
// Medicine 10:45-52; Imbens and Rubin 1997, Annals of Statistics 25:305-327, table 3;
// values from memory): drawn for it 12,094, of whom 9,675 took it (12 died) and 2,419 did
// not (34 died); drawn against it 11,588, of whom none took it (74 died). Drawing it spared
// 2.6 of 1,000, taking it 3.2 of 1,000 with a standard error of 1.2.
func TestVitaminA(t *testing.T) {
	const chance = 12094.0 / (12094 + 11588)
	var list []Governed
	add := func(n, died int, do, did bool) {
		for k := range n {
			list = append(list, Governed{Do: do, Chance: chance, Did: did, Failed: k < died})
		}
	}
	add(9675, 12, true, true)
	add(2419, 34, true, false)
	add(11588, 74, false, false)
	e := Estimate(list, 0.95)
	if e.Do != (Arm{12094, 46}) || e.Leave != (Arm{11588, 74}) {
		t.Errorf("arms: %+v", e)
	}
	if !near(e.Drawn, 0.26, 0.005) || !near(e.Done, 0.32, 0.005) || !near(e.Followed, 80, 0.05) {
		t.Errorf("spared by drawing it %g of 100, by taking it %g, followed %g", e.Drawn, e.Done, e.Followed)
	}
	if se := (e.DoneHigh - e.DoneLow) / 2 / 1.96; e.Open || !near(se, 0.12, 0.01) {
		t.Errorf("limits %g to %g: half of it %g standard errors of 0.12", e.DoneLow, e.DoneHigh, se)
	}
}

// With even chances and everything followed the interval is the score interval of a
// difference: at each limit the sum is q standard errors from 0, looked at term by term.
func TestLimitsAreWhereTheTestTurns(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	list := made(r, 900, 0.12, 0.05, 0.7, 1)
	e := Estimate(list, 0.95)
	score := func(spared float64, did bool) float64 {
		var w, m float64
		value := func(x Governed) float64 {
			v := 0.0
			if x.Failed {
				v = 1
			}
			if did && x.Did || !did && x.Do {
				v += spared / 100
			}
			return v
		}
		for _, x := range list {
			c := x.Chance * (1 - x.Chance)
			w, m = w+c, m+c*value(x)
		}
		var s, ss float64
		for _, x := range list {
			u := -x.Chance
			if x.Do {
				u++
			}
			v := u * (value(x) - m/w)
			s, ss = s+v, ss+v*v
		}
		return s / math.Sqrt(ss)
	}
	for _, c := range []struct {
		at, want float64
		did      bool
	}{{e.Drawn, 0, false}, {e.Low, 1.959964, false}, {e.High, 1.959964, false}, {e.Done, 0, true}, {e.DoneLow, 1.959964, true}, {e.DoneHigh, 1.959964, true}} {
		if got := math.Abs(score(c.at, c.did)); !near(got, c.want, 1e-5) {
			t.Errorf("spared %g: %g standard errors, want %g", c.at, got, c.want)
		}
	}
	if !(e.Low < e.Drawn && e.Drawn < e.High && e.DoneLow < e.Done && e.Done < e.DoneHigh) {
		t.Errorf("%+v", e)
	}
}

func near(x, want, by float64) bool { return math.Abs(x-want) <= by }

// made draws starts whose chances differ and lie with the risk: what would mislead a
// comparison of the arms as they are. left and done are chances of failure, hidden raises
// both failing and not doing what was drawn, follow is how often the draw is followed.
func made(r *rand.Rand, n int, left, done, follow, hidden float64) []Governed {
	list := make([]Governed, n)
	for k := range list {
		mood := r.Float64()
		x := &list[k]
		x.Chance = math.Round(100*(0.1+0.8*(1-mood)*r.Float64())) / 100
		x.Do = r.Float64() < x.Chance
		x.Did = x.Do
		if r.Float64() > follow {
			x.Did = r.Float64() > mood*hidden // in a bad mood it is skipped
		}
		p := left
		if x.Did {
			p = done
		}
		x.Failed = r.Float64() < p+hidden*0.2*mood
	}
	return list
}

// Limits of 95 % hold the truth in 95 of 100, with unequal chances that go with the risk
// and with people who do not follow the draw when things are bad.
func TestTheLotTellsWhatIsTrueThoughMoodsMislead(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 2))
	const times, spared = 400, 7.0
	held, plain := 0, 0
	for range times {
		list := made(r, 600, 0.12, 0.05, 0.7, 1)
		if e := Estimate(list, 0.95); e.DoneLow <= spared && spared <= e.DoneHigh {
			held++
		}
		var did, left Arm
		for _, x := range list {
			to := &left
			if x.Did {
				to = &did
			}
			to.Starts++
			if x.Failed {
				to.Failures++
			}
		}
		a, b := did.rate(), left.rate()
		se := math.Sqrt(a*(1-a)/float64(did.Starts) + b*(1-b)/float64(left.Starts))
		if d := b - a; math.Abs(100*d-spared) <= 196*se {
			plain++
		}
	}
	t.Logf("of %d: the lot's hold it in %d, those of what was done in %d", times, held, plain)
	if share := float64(held) / times; share < 0.92 || share > 0.98 || plain > 320 {
		t.Errorf("of %d: the lot's hold it in %d, those of what was done in %d", times, held, plain)
	}
}

// Few draws say nothing, and one subject's few lean on the farm's many.
func TestFewDrawsLeanOnTheFarm(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	lists := [][]Governed{made(r, 1500, 0.15, 0.05, 1, 0), made(r, 1500, 0.15, 0.05, 1, 0), made(r, 12, 0.15, 0.05, 1, 0), nil}
	all, each := Pool(lists, 0.95)
	if !all.Enough() || !(all.Low < 10 && 10 < all.High) {
		t.Errorf("farm: %+v", all)
	}
	for i, s := range each {
		if !(s.Low < s.Spared && s.Spared < s.High) || math.Abs(s.Spared-all.Drawn) > 3 {
			t.Errorf("%d: %+v, farm %g", i, s, all.Drawn)
		}
	}
	if few := Estimate(lists[2], 0.95); few.Enough() || !math.IsNaN(few.Low) || !few.Open {
		t.Errorf("twelve draws: %+v", few)
	}
	if _, each := Pool([][]Governed{lists[2]}, 0.95); !math.IsNaN(each[0].Low) {
		t.Errorf("a farm of twelve draws: %+v", each)
	}
	if e := Estimate(nil, 0.95); !math.IsNaN(e.Drawn) || e.Enough() {
		t.Errorf("none: %+v", e)
	}
}
