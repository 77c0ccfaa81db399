package bed

import (
	"math"
	"math/rand/v2"
	"testing"
)

// simBed is a bed of known truth: a plane of gaps, and what each zone adds.
type simBed struct {
	gap   Plane
	shape [9]float64
	gauge float64 // error common to all readings, mm
}

var (
	simGrid   = Grid{250, 250, 3, 3}
	simScrews = []Screw{{"left-front", 15, 15, 0.5}, {"right-front", 235, 15, 0.5}, {"left-back", 15, 235, 0.5}, {"right-back", 235, 235, 0.5}}
)

// drawBed draws a nozzle that stands off by offsetSD about the band's middle and
// a bed that leans by tiltSD (mm from the centre to the outer zones, each way).
func drawBed(r *rand.Rand, p Profile, offsetSD, tiltSD, shapeSD float64) simBed {
	hx, hy := simGrid.half()
	b := simBed{gap: Plane{p.Band().MiddleMM() + offsetSD*r.NormFloat64(), tiltSD * r.NormFloat64() / hx * 1000, tiltSD * r.NormFloat64() / hy * 1000}}
	b.gap.MM = max(b.gap.MM, 0.04)
	b.gauge = DefaultGauge().UncertaintyMM / 2 * r.NormFloat64()
	for i := range b.shape {
		b.shape[i] = shapeSD * r.NormFloat64()
	}
	return b
}

// at is the true gap in a zone; a nozzle cannot go through the plate.
func (b *simBed) at(i int) float64 {
	x, y := simGrid.Centre(Zone{i % 3, i / 3})
	return max(0.02, b.gap.At(simGrid, x, y)+b.shape[i])
}

// lines reads a single line in each of the zones given.
func (b *simBed) lines(r *rand.Rand, p Profile, noise float64, zones ...int) (out []Reading) {
	for _, i := range zones {
		mm := p.BeadThicknessMM(b.at(i)) + b.gauge + noise*r.NormFloat64()
		out = append(out, Reading{Zone: Zone{i % 3, i / 3}, MM: max(0.05, math.Round(1000*mm)/1000)}) // thinner is not recorded
	}
	return out
}

// patches reads a solid patch in each zone: it stands at the layer height though
// the nozzle is low, a little above where the surplus makes ridges.
func (b *simBed) patches(r *rand.Rand, p Profile, noise float64) (out []Reading) {
	for i := range 9 {
		mm := max(p.HeightMM+0.03*r.Float64()*min(1, p.Overfill(b.at(i))), p.BeadThicknessMM(b.at(i)))
		out = append(out, Reading{Zone: Zone{i % 3, i / 3}, MM: mm + b.gauge + noise*r.NormFloat64(), Patch: true})
	}
	return out
}

// looks is what a grader of her own strictness sees.
func (b *simBed) looks(r *rand.Rand, p Profile) (out []Look) {
	band := p.Band()
	strict := 0.006 * r.NormFloat64()
	for i := range 9 {
		q := (b.at(i) + strict + 0.012*r.NormFloat64() - band.MiddleMM()) / band.HalfMM()
		severity := uint8(0)
		switch a := math.Abs(q); {
		case a > 2:
			severity = 3
		case a > 1.25:
			severity = 2
		case a > 1:
			severity = 1
		}
		l := Look{Zone: Zone{i % 3, i / 3}, High: severity}
		if q < 0 {
			l.Low, l.High = severity, 0
		}
		out = append(out, l)
	}
	return out
}

var allNine = []int{0, 1, 2, 3, 4, 5, 6, 7, 8}

func fit(t testing.TB, p Profile, readings []Reading, looks []Look) Estimate {
	t.Helper()
	e, err := Fit(Input{Profile: p, Grid: simGrid, Gauge: DefaultGauge(), Assume: DefaultAssumptions(), Readings: readings, Looks: looks})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// kinds of evidence that are judged.
var kinds = []struct {
	name string
	see  func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look)
}{
	{"nine lines, noise 0.006", func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look) {
		return b.lines(r, p, 0.006, allNine...), nil
	}},
	{"nine lines and marks", func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look) {
		return b.lines(r, p, 0.006, allNine...), b.looks(r, p)
	}},
	{"five lines", func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look) {
		return b.lines(r, p, 0.006, 0, 2, 4, 6, 8), nil
	}},
	{"four lines", func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look) {
		return b.lines(r, p, 0.006, 0, 2, 6, 8), nil
	}},
	{"one line in the middle and marks", func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look) {
		return b.lines(r, p, 0.006, 4), b.looks(r, p)
	}},
	{"nine patches and marks", func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look) {
		return b.patches(r, p, 0.006), b.looks(r, p)
	}},
	{"nine patches alone", func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look) { return b.patches(r, p, 0.006), nil }},
	{"marks alone", func(b *simBed, r *rand.Rand, p Profile) ([]Reading, []Look) { return nil, b.looks(r, p) }},
}

// score is how estimates and advice did on many beds.
type score struct {
	beds, within, covered, inBefore, inAfter, zonesAfter, tilts int
	width, absError                                             float64
	rounds                                                      int
}

// judge draws beds, estimates, and follows the advice until it says to leave it.
func judge(t testing.TB, kind, beds int, seed uint64, offsetSD, tiltSD, shapeSD float64) (s score) {
	p := profile(t, 0.2, 0.45)
	target, limits := p.Target(false), DefaultLimits(0.01)
	r := rand.New(rand.NewPCG(seed, uint64(kind)))
	for range beds {
		b := drawBed(r, p, offsetSD, tiltSD, shapeSD)
		readings, looks := kinds[kind].see(&b, r, p)
		e := fit(t, p, readings, looks)
		truth := b.gap.MM - p.HeightMM
		s.beds++
		s.absError += math.Abs(e.OffsetMM - truth)
		if math.Abs(e.OffsetMM-truth) <= 0.01 {
			s.within++
		}
		if e.OffsetLowMM <= truth && truth <= e.OffsetHighMM {
			s.covered++
		}
		s.width += e.OffsetHighMM - e.OffsetLowMM
		if target.Band.Contains(b.gap.MM) {
			s.inBefore++
		}
		for round := range 8 {
			a := Move(&e, target, limits)
			if round == 0 && a.Tram {
				s.tilts++
			}
			turned := false
			if a.Tram {
				tram, err := Tram(e.Gap, simGrid, simScrews)
				if err != nil {
					t.Fatal(err)
				}
				turned = turn(&b, tram)
			}
			if !turned {
				if a.Leave {
					break
				}
				b.gap.MM += a.MoveMM
			}
			s.rounds++
			readings, looks = kinds[kind].see(&b, r, p)
			e = fit(t, p, readings, looks)
		}
		if target.Band.Contains(b.gap.MM) {
			s.inAfter++
		}
		all := true
		for i := range 9 {
			all = all && target.Band.Contains(b.at(i)-b.shape[i])
		}
		if all {
			s.zonesAfter++
		}
	}
	return s
}

// turn turns the screws of a bed; false where none was to be turned.
func turn(b *simBed, tram Tramming) bool {
	x, y := make([]float64, 0, 12), make([]float64, 0, 4)
	turned := false
	for i, s := range simScrews {
		x = append(x, 1, s.XMM-125, s.YMM-125)
		y = append(y, float64(tram.Turns[i].Eighths)/8*s.PitchMM)
		turned = turned || tram.Turns[i].Eighths != 0
	}
	raised := planeThrough(x, y)
	b.gap.MM -= raised.MM
	b.gap.XMMPerM -= raised.XMMPerM
	b.gap.YMMPerM -= raised.YMMPerM
	return turned
}

func share(k, n int) float64 { return float64(k) / float64(n) }

// The full table is kept by TestBedValidation (build tag long).
func TestEstimatesAndAdviceOnSimulatedBeds(t *testing.T) {
	s := judge(t, 0, 400, 1, 0.06, 0.015, 0)
	if got := share(s.within, s.beds); got < 0.95 {
		t.Errorf("nine lines with 0.006 mm noise: %.3f of the offsets within 0.01 mm, want 0.95", got)
	}
	if got := share(s.inAfter, s.beds); got < 0.95 {
		t.Errorf("following the advice: %.3f in the band, want 0.95", got)
	}
	if got := share(s.covered, s.beds); got < 0.92 {
		t.Errorf("intervals of nine lines hold the truth in %.3f, want about 0.95", got)
	}
	for kind := range kinds {
		s := judge(t, kind, 60, 2, 0.06, 0.015, 0)
		if got := share(s.covered, s.beds); got < 0.85 {
			t.Errorf("%s: intervals hold the truth in %.3f", kinds[kind].name, got)
		}
	}
}

// flatTilts counts how often a tilt is advised on a level bed.
func flatTilts(t testing.TB, beds int, seed uint64, noise float64) (tilts int) {
	p := profile(t, 0.2, 0.45)
	r := rand.New(rand.NewPCG(seed, 99))
	for range beds {
		b := drawBed(r, p, 0.02, 0, 0)
		e := fit(t, p, b.lines(r, p, noise, allNine...), nil)
		if Move(&e, p.Target(false), DefaultLimits(0.01)).Tram {
			tilts++
		}
	}
	return tilts
}

func TestALevelBedIsSeldomTrammed(t *testing.T) {
	if got := flatTilts(t, 1000, 3, 0.02); got > 50 {
		t.Errorf("a level bed with 0.02 mm noise: a tilt advised on %d of 1000, want at most 50", got)
	}
}
