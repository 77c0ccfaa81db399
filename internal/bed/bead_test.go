package bed

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func profile(t testing.TB, h, w float64) Profile {
	t.Helper()
	p, err := NewProfile(h, w, math.NaN(), math.NaN())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.9g, want %.9g within %g", what, got, want, within)
	}
}

// The table of the trade's geometry for 0.20 × 0.45, computed by hand from the
// formulas; two decimals as printed there.
func TestBeadOfTheUsualProfile(t *testing.T) {
	p := profile(t, 0.20, 0.45)
	near(t, "area", p.AreaMM2(), 0.0814, 5e-5)
	near(t, "pitch", p.PitchMM, 0.407, 5e-4)
	for _, x := range []struct{ gap, width, fill float64 }{
		{0.12, 0.70, 1.67}, {0.15, 0.58, 1.33}, {0.18, 0.49, 1.11}, {0.20, 0.45, 1}, {0.22, 0.42, 1}, {0.25, 0.38, 1}, {0.30, 0.34, 1},
	} {
		near(t, "width", p.BeadWidthMM(x.gap), x.width, 0.0055)
		near(t, "overfill", p.Overfill(x.gap), x.fill-1, 0.005)
	}
	b := p.Band()
	near(t, "lower edge", b.LowMM, 0.160, 5e-4)
	near(t, "upper edge", b.HighMM, 0.227, 5e-4)
	near(t, "middle", b.MiddleMM(), 0.194, 5e-4)
	near(t, "loss of hold", b.HoldMM, 0.32, 0.005)
	// Slack above the layer height for other profiles, three decimals.
	for _, x := range []struct{ h, w, slack float64 }{{0.25, 0.45, 0.048}, {0.30, 0.45, 0.081}, {0.30, 0.50, 0.066}, {0.20, 0.40, 0.032}, {0.20, 0.60, 0.018}} {
		near(t, "slack", profile(t, x.h, x.w).Band().OpensMM-x.h, x.slack, 6e-4)
	}
}

// 50 × 50 × 0.20 mm of PLA (1.24 g/cm³) weigh 0.62 g, worked out by hand.
func TestMassTellsTheFeed(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	near(t, "right", p.FeedShare(0.62, 2500, 1.24), 1, 1e-12)
	near(t, "a hundredth of a gram", p.FeedShare(0.63, 2500, 1.24)-1, 0.016, 5e-4)
}

func TestLinesSpacedByTheirWidth(t *testing.T) {
	p, err := NewProfile(0.2, 0.45, 0.45, math.NaN())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "area", p.AreaMM2(), 0.45*0.2, 1e-15)
	near(t, "width at the upper edge is the pitch", p.BeadWidthMM(p.Band().HighMM), 0.45, 1e-12)
	near(t, "lower edge", p.Band().LowMM, 0.16, 1e-12)
}

func anyProfile(t *rapid.T) Profile {
	h := rapid.Float64Range(0.05, 1).Draw(t, "height")
	w := rapid.Float64Range(max(0.1, h), 3).Draw(t, "width")
	pitch := math.NaN()
	if rapid.Bool().Draw(t, "own pitch") {
		pitch = rapid.Float64Range(math.Pi/4*h, 3).Draw(t, "pitch")
	}
	p, err := NewProfile(h, w, pitch, rapid.Float64Range(0.01, 2).Draw(t, "limit"))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestVolumeIsConserved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProfile(t)
		g := rapid.Float64Range(0.001, 3).Draw(t, "gap")
		if got, want := p.SectionMM2(g), p.AreaMM2(); math.Abs(got-want) > 1e-12*want {
			t.Fatalf("section at gap %g: got %.17g, want %.17g", g, got, want)
		}
		// A line as wide as the profile says has the area of the rounded rectangle.
		q := Profile{p.HeightMM, p.WidthMM, p.WidthMM - p.HeightMM*rounding, 0.25}
		h, w := q.HeightMM, q.WidthMM
		if got, want := q.AreaMM2(), (w-h)*h+math.Pi*h*h/4; math.Abs(got-want) > 1e-12*want {
			t.Fatalf("area: got %.17g, want %.17g", got, want)
		}
		if got := q.BeadWidthMM(h); math.Abs(got-w) > 1e-12*w {
			t.Fatalf("width at the layer height: got %.17g, want the line's %.17g", got, w)
		}
	})
}

func TestBeadNarrowsAndSlitsOpenAsTheNozzleRises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProfile(t)
		a := rapid.Float64Range(0.001, 2).Draw(t, "gap")
		b := a + rapid.Float64Range(0, 2).Draw(t, "more")
		const tiny = 1e-12
		if p.BeadWidthMM(b) > p.BeadWidthMM(a)*(1+tiny) || p.Overfill(b) > p.Overfill(a) || p.StrandGapMM(b) < p.StrandGapMM(a)-tiny || p.BeadThicknessMM(b) < p.BeadThicknessMM(a) {
			t.Fatalf("from gap %g to %g: width %g to %g, overfill %g to %g, slit %g to %g", a, b, p.BeadWidthMM(a), p.BeadWidthMM(b), p.Overfill(a), p.Overfill(b), p.StrandGapMM(a), p.StrandGapMM(b))
		}
		d := p.StrandMM()
		if w := p.BeadWidthMM(d * (1 + b)); math.Abs(w-d) > tiny*d {
			t.Fatalf("above the loss of hold the line is %g wide, want the strand's %g", w, d)
		}
		if w := p.BeadWidthMM(d * (1 - 1e-9)); math.Abs(w-d) > 1e-8*d {
			t.Fatalf("just below the loss of hold the line is %g wide, want about %g", w, d)
		}
	})
}

func TestBandFollowsFromTheBead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProfile(t)
		b := p.Band()
		if !(b.LowMM < p.HeightMM && p.HeightMM <= b.HighMM*(1+1e-12) && b.HighMM <= b.HoldMM*(1+1e-12)) {
			t.Fatalf("band %+v of %+v is out of order", b, p)
		}
		if got := p.Overfill(b.LowMM); math.Abs(got-p.OverfillLimit) > 1e-9 {
			t.Fatalf("overfill at the lower edge: got %g, want %g", got, p.OverfillLimit)
		}
		if math.IsNaN(b.OpensMM) {
			if p.StrandGapMM(b.HoldMM*2) > 1e-9 {
				t.Fatal("slits are said never to open, yet they do")
			}
			return
		}
		if got := p.BeadWidthMM(b.OpensMM); math.Abs(got-p.PitchMM) > 1e-9*p.PitchMM {
			t.Fatalf("width where slits open: got %g, want the pitch %g", got, p.PitchMM)
		}
	})
}

func TestGapComesBackFromTheSlit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyProfile(t)
		b := p.Band()
		if math.IsNaN(b.OpensMM) {
			if _, _, err := p.GapOfStrandGap(0.01); err == nil {
				t.Fatal("a slit where none can be must be refused")
			}
			return
		}
		share := rapid.Float64Range(0.01, 0.95).Draw(t, "share")
		g := b.OpensMM + share*(b.HoldMM-b.OpensMM)
		slit := p.StrandGapMM(g)
		got, how, err := p.GapOfStrandGap(slit)
		if slit < 1e-9 {
			return // the band between opening and loss of hold is nothing
		}
		if err != nil || how != Exactly && how != AtLeast || math.Abs(got-g) > 1e-6*g {
			t.Fatalf("gap %g makes a slit of %g, which gives %g (%s, %v)", g, slit, got, how, err)
		}
	})
}

func TestSlitsAtTheEnds(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	if g, how, err := p.GapOfStrandGap(0); err != nil || how != AtMost || g != p.Band().HighMM {
		t.Errorf("no slit: got %g %s %v, want at most the upper edge", g, how, err)
	}
	if g, how, err := p.GapOfStrandGap(p.PitchMM - p.StrandMM()); err != nil || how != AtLeast || g != p.StrandMM() {
		t.Errorf("round strands: got %g %s %v, want at least the loss of hold", g, how, err)
	}
	for _, slit := range []float64{-0.01, 0.2, math.NaN(), math.Inf(1)} {
		if _, _, err := p.GapOfStrandGap(slit); err == nil {
			t.Errorf("a slit of %g mm is not refused", slit)
		}
	}
}

func TestProfilesThatMakeNoSense(t *testing.T) {
	nan := math.NaN()
	for what, x := range map[string][4]float64{
		"height nan": {nan, 0.45, nan, nan}, "height 21": {21, 0.45, nan, nan}, "width 0": {0.2, 0, nan, nan}, "width below height": {0.3, 0.25, nan, nan},
		"pitch 0.1": {0.2, 0.45, 0.1, nan}, "pitch inf": {0.2, 0.45, math.Inf(1), nan}, "limit -1": {0.2, 0.45, nan, -1}, "limit inf": {0.2, 0.45, nan, math.Inf(1)},
	} {
		if p, err := NewProfile(x[0], x[1], x[2], x[3]); err == nil {
			t.Errorf("%s: got %+v, want a refusal", what, p)
		}
	}
}

func BenchmarkBead(b *testing.B) {
	p := profile(b, 0.2, 0.45)
	for b.Loop() {
		band := p.Band()
		sink = p.BeadWidthMM(band.LowMM) + p.StrandGapMM(band.HoldMM)
	}
}

var sink float64
