package bed

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/stats"

	"pgregory.net/rapid"
)

// planeThrough is the least-squares plane over rows of (1, x mm, y mm).
func planeThrough(x, y []float64) Plane {
	l, ok := stats.LeastSquares(x, 3, y)
	if !ok {
		panic("no plane")
	}
	return Plane{l.Coef[0], l.Coef[1] * 1000, l.Coef[2] * 1000}
}

func TestAPlaneIsFoundExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := Grid{rapid.Float64Range(50, 2000).Draw(t, "x"), rapid.Float64Range(50, 2000).Draw(t, "y"), rapid.IntRange(2, 9).Draw(t, "cols"), rapid.IntRange(2, 9).Draw(t, "rows")}
		p, err := NewProfile(0.2, 0.45, math.NaN(), math.NaN())
		if err != nil {
			t.Fatal(err)
		}
		want := Plane{rapid.Float64Range(0.14, 0.24).Draw(t, "gap"), 0, 0}
		want.XMMPerM = rapid.Float64Range(-20, 20).Draw(t, "right") / g.BedXMM
		want.YMMPerM = rapid.Float64Range(-20, 20).Draw(t, "back") / g.BedYMM
		in := Input{Profile: p, Grid: g, Gauge: Gauge{}, Assume: DefaultAssumptions()}
		for i := range g.Cols * g.Rows {
			z := Zone{i % g.Cols, i / g.Cols}
			x, y := g.Centre(z)
			in.Readings = append(in.Readings, Reading{Zone: z, MM: want.At(g, x, y)})
		}
		e, err := Fit(in)
		if err != nil || e.Method != ByLeastSquares {
			t.Fatalf("got method %s, %v", e.Method, err)
		}
		if d := math.Abs(e.Gap.MM - want.MM); d > 1e-12 {
			t.Fatalf("gap at the centre: off by %g", d)
		}
		if dx, dy := math.Abs(e.Gap.XMMPerM-want.XMMPerM), math.Abs(e.Gap.YMMPerM-want.YMMPerM); dx > 1e-9 || dy > 1e-9 {
			t.Fatalf("tilt: off by %g and %g mm/m", dx, dy)
		}
		// Turned twice is as before; turned once the slopes are the other way.
		if back := e.Turned().Turned(); back.Gap != e.Gap || !slices.EqualFunc(back.Zones, e.Zones, func(a, b ZoneGap) bool { return a.Zone == b.Zone && a.MeanMM == b.MeanMM }) {
			t.Fatal("turning twice changes the estimate")
		}
	})
}

// A peeled layer is turned over left to right to be read from below. What is
// read there, taken back to the printer's frame, gives the same plane as from
// above; taken as it lies, the mirrored one.
func TestUndersideAndTurnedPlates(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	r := rand.New(rand.NewPCG(5, 5))
	b := drawBed(r, p, 0.02, 0.02, 0)
	above := b.lines(r, p, 0, allNine...)
	var below []Reading
	for _, x := range above {
		seen := simGrid.FromBelow(x.Zone) // where it lies on the table
		below = append(below, Reading{Zone: simGrid.FromBelow(seen), MM: x.MM})
	}
	want, got := fit(t, p, above, nil), fit(t, p, below, nil)
	if got.Gap != want.Gap {
		t.Errorf("from below %+v, from above %+v", got.Gap, want.Gap)
	}
	if z := simGrid.FromBelow(Zone{0, 0}); z != (Zone{2, 0}) {
		t.Errorf("front left from below: got %v, want front right", z)
	}
	if z := simGrid.Turned(Zone{0, 0}); z != (Zone{2, 2}) {
		t.Errorf("front left on a turned plate: got %v, want back right", z)
	}
	turned := want.Turned()
	for _, z := range turned.Zones {
		x, y := simGrid.Centre(z.Zone)
		near(t, "fitted in the plate's frame", turned.Gap.At(simGrid, x, y), z.FittedMM, 1e-12)
	}
}

// One zone's readings count by their mean, so that reading it thrice says where
// it is, not three times that the plane is there.
func TestZonesCountOnce(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	r := rand.New(rand.NewPCG(6, 6))
	b := drawBed(r, p, 0.02, 0.01, 0)
	once := b.lines(r, p, 0.006, allNine...)
	thrice := slices.Concat(once, once, once)
	a, c := fit(t, p, once, nil), fit(t, p, thrice, nil)
	near(t, "offset", c.OffsetMM, a.OffsetMM, 1e-12)
	near(t, "uncertainty", c.Uncertainty(), a.Uncertainty(), 1e-12)
}

// The uncertainty of an offset worked out by hand: nine zones, residual sd s,
// six degrees of freedom: s/3 joined with the gauge's 0.002, Student's t with
// the effective degrees of freedom of Welch and Satterthwaite (GUM G.4).
func TestUncertaintyJoinsScatterAndGauge(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	r := rand.New(rand.NewPCG(7, 7))
	b := drawBed(r, p, 0.02, 0.01, 0)
	e := fit(t, p, b.lines(r, p, 0.006, allNine...), nil)
	ua, ub := e.ScatterMM/3, 0.002
	uc := math.Hypot(ua, ub)
	df := 6 * math.Pow(uc, 4) / math.Pow(ua, 4)
	near(t, "U", e.Uncertainty(), student(df)*uc, 1e-12)
	if e.DF != 6 || e.Factor < 2 || e.Factor > 2.6 {
		t.Errorf("got %d degrees of freedom, factor %.3f", e.DF, e.Factor)
	}
	// Table G.2 of the GUM at 95.45 %, from memory.
	for _, x := range []struct{ df, k float64 }{{1, 13.97}, {4, 2.87}, {6, 2.52}, {9, 2.32}, {20, 2.13}, {1e9, 2}} {
		near(t, "coverage factor", student(x.df), x.k, 0.006)
	}
}

func look(low, high uint8) (out []Look) {
	for i := range 9 {
		out = append(out, Look{Zone{i % 3, i / 3}, low, high})
	}
	return out
}

// A low nozzle's solid patches read as the layer height. They must not pass for
// a nozzle that stands right.
func TestASaturatedPatchDoesNotReadAsPerfect(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	var patches []Reading
	for i := range 9 {
		patches = append(patches, Reading{Zone{i % 3, i / 3}, 0.201, true})
	}
	marked := fit(t, p, patches, look(2, 0))
	if a := Move(&marked, p.Target(false), DefaultLimits(0.01)); a.MoveMM < 0.03 || a.Reason != TooLow {
		t.Errorf("patches at 0.201 with over-squish everywhere: got %+v (offset %.3f), want a move up", a, marked.OffsetMM)
	}
	alone := fit(t, p, patches, nil)
	if alone.OffsetLowMM > -0.1 || alone.OffsetHighMM > 0.03 {
		t.Errorf("patches alone: offset %.3f to %.3f, want open downwards and closed a little above 0", alone.OffsetLowMM, alone.OffsetHighMM)
	}
	if a := Move(&alone, p.Target(false), DefaultLimits(0.01)); a.Leave && a.Sure != Unsure {
		t.Errorf("patches alone: got %+v, want no claim that all is well", a)
	}
	// The same numbers as single lines do say that all is well.
	for i := range patches {
		patches[i].Patch = false
	}
	lines := fit(t, p, patches, nil)
	if a := Move(&lines, p.Target(false), DefaultLimits(0.01)); !a.Leave || a.Sure != Clear {
		t.Errorf("lines at 0.201: got %+v, want to leave it", a)
	}
}

func TestMarksAloneGiveWiderIntervalsAndTheRightDirection(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	lines := fit(t, p, (&simBed{gap: Plane{MM: 0.24}}).lines(rand.New(rand.NewPCG(8, 8)), p, 0.006, allNine...), nil)
	before := math.Inf(-1)
	for _, l := range [][]Look{look(3, 0), look(2, 0), look(1, 0), look(0, 0), look(0, 1), look(0, 2), look(0, 3)} {
		e := fit(t, p, nil, l)
		if e.Method != ByBounds || e.OffsetMM <= before || e.OffsetLowMM >= e.OffsetMM || e.OffsetHighMM <= e.OffsetMM {
			t.Errorf("marks %+v: offset %.3f (%.3f to %.3f) after %.3f", l[0], e.OffsetMM, e.OffsetLowMM, e.OffsetHighMM, before)
		}
		before = e.OffsetMM
		if e.Uncertainty() < 1.5*lines.Uncertainty() {
			t.Errorf("marks %+v: uncertainty %.3f, want clearly more than the lines' %.3f", l[0], e.Uncertainty(), lines.Uncertainty())
		}
	}
	// Fewer zones looked at say less.
	few := fit(t, p, nil, look(0, 1)[:2])
	if many := fit(t, p, nil, look(0, 1)); few.Uncertainty() <= many.Uncertainty() {
		t.Errorf("two zones ± %.3f, nine zones ± %.3f", few.Uncertainty(), many.Uncertainty())
	}
	// One side low, the other high: a lean.
	var lean []Look
	for i := range 9 {
		l := Look{Zone: Zone{i % 3, i / 3}}
		switch i % 3 {
		case 0:
			l.Low = 2
		case 2:
			l.High = 2
		}
		lean = append(lean, l)
	}
	e := fit(t, p, nil, lean)
	if !e.TiltClear || !strings.HasPrefix(e.Gap.Lean(simGrid).Low, "right side") {
		t.Errorf("left low, right high: got %+v, clear %v", e.Gap.Lean(simGrid), e.TiltClear)
	}
}

func TestNothingSeenSaysNothing(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	e := fit(t, p, nil, nil)
	a := Move(&e, p.Target(false), DefaultLimits(0.01))
	if e.Method != ByNothing || !a.Leave || a.Reason != CannotTell || a.Sure != Unsure || e.Uncertainty() < 0.15 {
		t.Errorf("got %+v and %+v", e, a)
	}
	both := fit(t, p, nil, []Look{{Zone{1, 1}, 2, 2}})
	if both.Method != ByNothing || len(both.Left) != 1 {
		t.Errorf("a zone both low and high: got %s, left out %v", both.Method, both.Left)
	}
}

func TestFitRefusesWhatIsNotOnTheBed(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	for what, in := range map[string]Input{
		"zone":     {Profile: p, Grid: simGrid, Readings: []Reading{{Zone{3, 0}, 0.2, false}}},
		"nan":      {Profile: p, Grid: simGrid, Readings: []Reading{{Zone{0, 0}, math.NaN(), false}}},
		"look":     {Profile: p, Grid: simGrid, Looks: []Look{{Zone{0, 9}, 0, 0}}},
		"severity": {Profile: p, Grid: simGrid, Looks: []Look{{Zone{0, 0}, 4, 0}}},
		"grid":     {Profile: p, Grid: Grid{250, 250, 10, 3}},
		"profile":  {Grid: simGrid},
	} {
		if _, err := Fit(in); err == nil {
			t.Errorf("%s: not refused", what)
		}
	}
}

func TestCensoredLikelihoodHasItsOwnDerivatives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-60, 60).Draw(t, "low")
		high := low + rapid.Float64Range(0.05, 6).Draw(t, "width")
		if rapid.Bool().Draw(t, "open") {
			high = math.Inf(1)
		}
		const d = 1e-5
		v, s, w := between(low, high)
		up, su, _ := between(low-d, high-d)
		down, sd, _ := between(low+d, high+d)
		if math.IsNaN(v) || w < 0 || math.Abs((up-down)/(2*d)-s) > 1e-3*(1+math.Abs(s)) {
			t.Fatalf("log chance %g of %g to %g: slope %g, by differences %g", v, low, high, s, (up-down)/(2*d))
		}
		if math.Abs(low) < 30 && math.Abs(-(su-sd)/(2*d)-w) > 2e-2*(1+w) {
			t.Fatalf("%g to %g: weight %g, by differences %g", low, high, w, -(su-sd)/(2*d))
		}
	})
}

func BenchmarkFitNineLines(b *testing.B) {
	p := profile(b, 0.2, 0.45)
	r := rand.New(rand.NewPCG(9, 9))
	bed := drawBed(r, p, 0.02, 0.01, 0)
	in := Input{Profile: p, Grid: simGrid, Gauge: DefaultGauge(), Assume: DefaultAssumptions(), Readings: bed.lines(r, p, 0.006, allNine...)}
	for b.Loop() {
		if _, err := Fit(in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFitMarksOnNineByNine(b *testing.B) {
	p := profile(b, 0.2, 0.45)
	in := Input{Profile: p, Grid: Grid{300, 300, 9, 9}, Gauge: DefaultGauge(), Assume: DefaultAssumptions()}
	for i := range 81 {
		in.Looks = append(in.Looks, Look{Zone{i % 9, i / 9}, 0, uint8(i % 3)})
	}
	for b.Loop() {
		if _, err := Fit(in); err != nil {
			b.Fatal(err)
		}
	}
}
