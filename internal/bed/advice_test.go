package bed

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// estimate is one whose offset and interval are given.
func estimate(p Profile, gap, u float64) Estimate {
	return Estimate{Method: ByLeastSquares, Gap: Plane{MM: gap}, OffsetMM: gap - p.HeightMM, OffsetLowMM: gap - p.HeightMM - u, OffsetHighMM: gap - p.HeightMM + u, profile: p, grid: simGrid}
}

func TestMoves(t *testing.T) {
	p := profile(t, 0.2, 0.45) // band 0.160 to 0.227, middle 0.194
	for _, x := range []struct {
		what           string
		gap, u, step   float64
		overBonds      bool
		move           float64
		reason         Reason
		sure, in       string
		capped, leaves bool
	}{
		{"right", 0.194, 0.004, 0.01, false, 0, NearAim, Clear, "Leave it", false, true},
		{"a little high", 0.203, 0.004, 0.01, false, 0, NearAim, Clear, "Leave it", false, true},
		{"high", 0.226, 0.005, 0.01, false, -0.03, TooHigh, Clear, "Nozzle down 0.03\u202fmm (towards the bed).", false, false},
		{"low", 0.153, 0.005, 0.01, false, 0.04, TooLow, Clear, "Nozzle up 0.04\u202fmm (away from the bed).", false, false},
		{"far too high", 0.33, 0.02, 0.01, false, -0.05, TooHigh, Clear, "More is needed", true, false},
		{"a step above the cap", 0.33, 0.02, 0.1, false, -0.1, TooHigh, Clear, "Nozzle down 0.10", false, false},
		{"steps of 0.025", 0.153, 0.005, 0.025, false, 0.05, TooLow, Clear, "Nozzle up 0.050\u202fmm", false, false},
		{"finer than a step", 0.21, 0.004, 0.05, false, 0, FinerThan, Clear, "half a step", false, true},
		{"inside what can be told", 0.205, 0.015, 0.01, false, 0, InsideError, Clear, "smaller than what can be told", false, true},
		{"cannot tell", 0.21, 0.06, 0.01, false, 0, CannotTell, Unsure, "cannot be told", false, true},
		{"over-bonding, right for others", 0.18, 0.004, 0.01, true, 0.02, TooLow, Clear, "up 0.02", false, false},
		{"over-bonding, high", 0.2251, 0.004, 0.01, true, -0.02, TooHigh, Clear, "down 0.02", false, false},
		{"over-bonding, coarse steps", 0.24, 0.004, 0.05, true, 0, FinerThan, Unsure, "half a step", false, true},
	} {
		e := estimate(p, x.gap, x.u)
		a := Move(&e, p.Target(x.overBonds), DefaultLimits(x.step))
		if math.Abs(a.MoveMM-x.move) > 1e-12 || a.Reason != x.reason || a.Sure != x.sure || a.Capped != x.capped || a.Leave != x.leaves || !strings.Contains(a.Words(), x.in) {
			t.Errorf("%s: got %+v %q", x.what, a, a.Words())
		}
	}
}

func TestAdviceKeepsItsRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProfile(t)
		step := rapid.SampledFrom([]float64{0.005, 0.01, 0.02, 0.025, 0.05}).Draw(t, "step")
		target := p.Target(rapid.Bool().Draw(t, "over-bonds"))
		limits := DefaultLimits(step)
		e := estimate(p, rapid.Float64Range(0.01, 1).Draw(t, "gap"), rapid.Float64Range(0.001, 0.1).Draw(t, "u"))
		a := Move(&e, target, limits)
		if a.Leave != (a.MoveMM == 0) {
			t.Fatalf("leave %v with a move of %g", a.Leave, a.MoveMM)
		}
		if n := a.MoveMM / step; math.Abs(n-math.Round(n)) > 1e-6 {
			t.Fatalf("%g is no multiple of %g", a.MoveMM, step)
		}
		if math.Abs(a.MoveMM) > max(limits.CapMM, step)+1e-9 {
			t.Fatalf("%g is above the cap", a.MoveMM)
		}
		off := e.Gap.MM - target.AimMM
		if a.MoveMM*off > 0 {
			t.Fatalf("moved by %g with the nozzle off by %g", a.MoveMM, off)
		}
		if after := off + a.MoveMM; math.Abs(after) > math.Abs(off)+1e-9 && !target.OverBonds {
			t.Fatalf("off by %g before and %g after", off, after)
		}
		if target.OverBonds && a.MoveMM < 0 && e.Gap.MM+a.MoveMM < p.HeightMM-1e-6 {
			t.Fatalf("over-bonding: moved down to %g, below the layer height %g", e.Gap.MM+a.MoveMM, p.HeightMM)
		}
		if w := a.Words(); strings.ContainsAny(w, "+-\u2212") || !strings.HasSuffix(w, ".") {
			t.Fatalf("words %q", w)
		}
	})
}

func TestOverBonding(t *testing.T) {
	table := DefaultOverBonding()
	for _, x := range []struct {
		polymer, surface string
		want             bool
	}{
		{"PETG", "pei_smooth", true}, {"petg", "glass", true}, {"TPU 95A", "glass", true}, {"PC-CF", "pei_smooth", true}, {"PETG", "pei_textured", false},
		{"PLA", "glass", false}, {"PCTG", "glass", false}, {"", "glass", false}, {"TPU", "", false}, {"95A", "glass", false},
	} {
		if got := table.Threatens(x.polymer, x.surface); got != x.want {
			t.Errorf("%q on %q: got %v", x.polymer, x.surface, got)
		}
	}
	p := profile(t, 0.2, 0.45)
	near(t, "aim", p.Target(false).AimMM, 0.194, 5e-4)
	near(t, "aim where it over-bonds", p.Target(true).AimMM, 0.2, 0)
	near(t, "a thick layer's middle lies above the layer height", profile(t, 0.3, 0.45).Target(true).AimMM, 0.31, 0.005)
}

func TestLeansAreSaidAsPlaces(t *testing.T) {
	for _, x := range []struct {
		x, y float64 // mm across the outer zone centres
		want string
	}{
		{0.06, 0, "right side is 0.06\u202fmm lower than left side"}, {-0.06, 0.01, "left side is 0.06\u202fmm lower than right side"},
		{0, 0.05, "back is 0.05\u202fmm lower than front"}, {0.03, -0.03, "front right is 0.06\u202fmm lower than back left"},
		{-0.02, -0.04, "front left is 0.06\u202fmm lower than back right"}, {0, 0, "level"},
	} {
		hx, hy := simGrid.half()
		got := Plane{XMMPerM: x.x / hx * 500, YMMPerM: x.y / hy * 500}.Lean(simGrid).Words()
		if got != x.want {
			t.Errorf("%v: got %q, want %q", x, got, x.want)
		}
	}
}

func TestScrewsLevelThePlane(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		screws := simScrews[:rapid.IntRange(3, 4).Draw(t, "screws")]
		gap := Plane{0.2, rapid.Float64Range(-2, 2).Draw(t, "right"), rapid.Float64Range(-2, 2).Draw(t, "back")}
		tram, err := Tram(gap, simGrid, screws)
		if err != nil {
			t.Fatal(err)
		}
		reference := 0
		for _, turn := range tram.Turns {
			if turn.Reference {
				reference++
				if turn.Eighths != 0 {
					t.Fatal("the reference is turned")
				}
			}
			if w := turn.Words(); strings.ContainsAny(w, "+-\u2212") && !strings.Contains(w, turn.Screw) {
				t.Fatalf("words %q", w)
			}
		}
		// An eighth of 0.5 mm is 0.0625 mm, so rounding leaves at most half of it
		// at a screw, and less than an eighth between opposite corners.
		if reference != 1 || tram.Left.LowMM > 0.0625*1.01 {
			t.Fatalf("%d references, left %+v", reference, tram.Left)
		}
	})
	for what, screws := range map[string][]Screw{"two": simScrews[:2], "none": nil, "in a line": {{"a", 10, 10, 0.5}, {"b", 100, 100, 0.5}, {"c", 200, 200, 0.5}}, "no pitch": {{"a", 10, 10, 0}, {"b", 100, 10, 0.5}, {"c", 200, 200, 0.5}}} {
		if got, err := Tram(Plane{0.2, 1, 1}, simGrid, screws); err == nil {
			t.Errorf("%s: got %+v, want a refusal", what, got)
		}
	}
}

func TestTurnsAreSaidByWhatTheyDo(t *testing.T) {
	tram, err := Tram(Plane{0.2, 1, 0}, simGrid, simScrews)
	if err != nil {
		t.Fatal(err)
	}
	// 0.22 mm between the screws: 0.44 turns of 0.5 mm, an eighth is 0.125: three or four eighths.
	for i, want := range []string{"left-front screw: leave it, the others are set to it", "right-front screw: raise the bed, ½ turn", "left-back screw: leave it", "right-back screw: raise the bed, ½ turn"} {
		if got := tram.Turns[i].Words(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	if w := (Turn{"x", -11, false}).Words(); w != "x screw: lower the bed, 1⅜ turns" {
		t.Errorf("got %q", w)
	}
	if tram.CentreMM >= 0 {
		t.Errorf("raising the right side makes the gap at the centre smaller, got %+.3f", tram.CentreMM)
	}
}
