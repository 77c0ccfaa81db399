package simfarm

import (
	"math"
	"math/rand/v2"
)

// feedstock is one material: its share of the work, its own risk and hardness
// against the others, how it takes oil, and how far it over-bonds.
type feedstock struct {
	name, polymer string
	bedTempC      float64
	share, risk   float64
	hard          float64 // 0 easy to 1 hard
	oil, overBond float64
}

// The risks average to 1 over the shares.
var feedstocks = []feedstock{
	{"PLA", "PLA", 58, 0.40, 0.50, 0, 0.8, 0},
	{"PETG", "PETG", 78, 0.28, 0.85, 0.2, 1.0, 1},
	{"ASA", "ASA", 102, 0.16, 1.60, 0.7, 1.2, 0},
	{"TPU", "TPU", 45, 0.10, 1.55, 0.6, 1.1, 1.2},
	{"PA12", "PA", 100, 0.06, 2.50, 1, 1.4, 0},
}

// printer is what one machine is like; nobody on the farm knows it.
type printer struct {
	bay            int
	interval       float64 // mean minutes between starts
	wander, jump   float64 // mm
	frame          bool
	oil, cook, tip float64
	rough, extra   float64
	drift          float64
	skip           float64 // log-odds
	material       uint8
}

// plate is what one plate is like.
type plate struct {
	bay         int
	surface     uint8 // index into farm.Surfaces
	thickness   float64
	oil, over   float64
	grimy       float64
	film        float64
	worn, extra float64
	habit       float64
	oilAtFirst  float64
	badZone     uint8 // where its wear sits
}

// grader is one person who grades.
type grader struct {
	shift            int
	strict, lenient  float64
	markEye, quicker float64 // sees more marks; grades sooner
}

func (f *Farm) dealTraits() {
	s := &f.Scenario
	// Every trait has a generator of its own, so that switching one effect on
	// leaves all others as they were.
	gen := func(trait uint64) *rand.Rand { return rand.New(rand.NewPCG(f.Seed, mix(trait))) }
	base, wander, jump, oil, cook, tip, rough, skip := gen(1), gen(2), gen(3), gen(4), gen(5), gen(6), gen(7), gen(8)
	f.printers = make([]printer, s.Printers)
	for i := range f.printers {
		p := &f.printers[i]
		p.bay = i * s.Bays / s.Printers
		p.interval = 24 * 60 / (s.StartsLow + (s.StartsMax-s.StartsLow)*base.Float64())
		p.frame = base.Float64() < s.FrameZero
		p.material = pickMaterial(base.Float64())
		p.drift = s.DriftSD * base.NormFloat64()
		p.wander = s.Wander.strength(wander)
		p.wander = math.Max(p.wander, s.WanderOrdinaryMM*math.Exp(0.3*wander.NormFloat64()))
		p.jump = s.JumpMM.strength(jump)
		p.oil = s.OilPrinters.strength(oil)
		p.cook = math.Max(1, s.Cookers.strength(cook))
		p.tip = s.TipBlobs.strength(tip)
		p.rough = lognormal(rough, s.RoughMean, s.RoughSD)
		p.extra = s.RoughPrinters.strength(rough)
		own := skip.NormFloat64()
		p.skip = logit(s.SkipShare) + s.SkipSD*own
		if s.SkipRisk != 0 {
			p.rough *= math.Exp(s.SkipRisk * own)
		}
	}
	pbase, poil, pover, pworn, pthick, pgrime, pfilm := gen(21), gen(22), gen(23), gen(24), gen(25), gen(26), gen(27)
	f.plates = make([]plate, s.Plates)
	for j := range f.plates {
		p := &f.plates[j]
		p.bay = j * s.Bays / s.Plates
		switch u := pbase.Float64(); {
		case u < 0.55:
			p.surface = 0 // pei_textured
		case u < 0.85:
			p.surface = 1 // pei_smooth
		default:
			p.surface = 2 // glass
		}
		p.thickness = s.ThicknessMM * pbase.NormFloat64()
		p.habit = math.Max(2, s.HabitPrints*math.Exp(s.HabitSD*pbase.NormFloat64()))
		p.oilAtFirst = p.habit * pbase.Float64()
		p.badZone = uint8(pbase.IntN(9))
		p.oil = s.OilPlates.strength(poil)
		p.over = s.OverBond.strength(pover)
		p.grimy = s.GrimyPlates.strength(pgrime)
		p.film = s.FilmPlates.strength(pfilm)
		p.worn = lognormal(pworn, s.WornMean, s.WornSD)
		p.extra = s.WornPlates.strength(pworn)
		if thick := s.ThickPlates.strength(pthick); thick > 0 {
			p.thickness += math.Copysign(thick, pthick.Float64()-0.5)
		}
	}
	people := gen(41)
	f.graders = make([]grader, 3*s.GradersPerShift)
	for g := range f.graders {
		p := &f.graders[g]
		p.shift = g / s.GradersPerShift
		p.strict = math.Min(0.9, s.Strictness*2*people.Float64())
		p.lenient = math.Min(0.5, s.Leniency*2*people.Float64())
		p.markEye = 0.7 + 0.6*people.Float64()
		p.quicker = 0.6 + 0.8*people.Float64()
		if p.shift == night && s.NightStrict > 0 {
			p.strict = math.Min(0.95, s.NightStrict*(0.8+0.4*people.Float64()))
			p.lenient *= 0.3
			p.markEye += 0.4
		}
	}
	colds := gen(51)
	f.coldBay = make([]bool, s.Bays)
	for b := range f.coldBay {
		f.coldBay[b] = colds.Float64() < s.ColdBays
	}
	f.band = newBand(s.LayerHeightMM, s.LineWidthMM)
}

func pickMaterial(u float64) uint8 {
	for m := range feedstocks {
		u -= feedstocks[m].share
		if u < 0 {
			return uint8(m)
		}
	}
	return 0
}

// The three shifts.
const (
	early = 0 // 6 to 14
	late  = 1 // 14 to 22
	night = 2 // 22 to 6
)

// band is how far the gap may be from its aim, mm: the tolerance band of the
// bead model about its own middle.
type band struct{ low, aim, high float64 }

// newBand follows the bead model for a profile (layer height h, line width w,
// mm). Lines lie s = w − h(1 − π/4) apart, so a line's area is s·h; the upper
// edge is the gap g at which its width s·h/g + g(1 − π/4) falls to s, the lower
// edge an overfill h/g − 1 of 25 % (common practice, no source).
func newBand(h, w float64) band {
	c := 1 - math.Pi/4
	s := w - h*c
	high := (s - math.Sqrt(s*s-4*c*s*h)) / (2 * c)
	low := h / 1.25
	aim := (low + high) / 2
	return band{low: low - aim, aim: aim, high: high - aim}
}
