package firstlayer

import (
	"math"
	"strconv"

	"basecourse/internal/bed"
)

// leanShown is how much a mesh must rise across the zones' centres before it is
// taken to lean (common practice: up to 0.10 mm is very good).
const leanShown = 0.10

// meshLeans tells whether the latest mesh leans the way the layer shows its
// height: low where the mesh is high, for the gap is what the mesh leaves of the
// way to the nozzle, and high where it is low.
func meshLeans(f *facts) bool {
	x, y := f.c.Context.MeshTiltXMMPerM, f.c.Context.MeshTiltYMMPerM
	if math.IsNaN(x) || math.IsNaN(y) || math.IsNaN(f.c.BedXMM) || math.IsNaN(f.c.BedYMM) || f.height != lowAndHigh && f.height != someLow && f.height != someHigh && !f.uneven {
		return false
	}
	g := bed.Grid{BedXMM: f.c.BedXMM, BedYMM: f.c.BedYMM, Cols: f.cols, Rows: f.rows}
	type sum struct{ z, n float64 }
	var low, high, none sum
	add := func(s *sum, z float64) { s.z, s.n = s.z+z, s.n+1 }
	least, most := math.Inf(1), math.Inf(-1)
	for _, look := range looksOf(&f.c.Layer, f.cols, f.rows) {
		cx, cy := g.Centre(look.Zone)
		z := (x*(cx-f.c.BedXMM/2) + y*(cy-f.c.BedYMM/2)) / 1000
		least, most = min(least, z), max(most, z)
		switch {
		case look.Low > look.High:
			add(&low, z)
		case look.High > look.Low:
			add(&high, z)
		default:
			add(&none, z)
		}
	}
	if low.n == 0 {
		low = none
	} else if high.n == 0 {
		high = none
	}
	span := most - least
	return span >= leanShown && low.n > 0 && high.n > 0 && low.z/low.n-high.z/high.n > 0.4*span
}

// thickShown is the least difference of plates that the height book's word is
// taken for, mm: what people move the nozzle for.
const thickShown = 0.015

// thicker is how much thicker the plate is by the height book; 0 where that is
// not clear.
func (f *facts) thicker() float64 {
	t := f.c.Context.Thicker
	if !t.Known() || math.Abs(t.MM) < thickShown || t.LowMM <= 0 && t.HighMM >= 0 {
		return 0
	}
	return t.MM
}

// asThick tells whether the height book has the plate surely as thick as others.
func (f *facts) asThick() bool {
	t := f.c.Context.Thicker
	return t.Known() && t.LowMM > -2*thickShown && t.HighMM < 2*thickShown && math.Abs(t.MM) < thickShown
}

// byBook is the move the height book expects for printer and plate, in whole
// steps, capped, and never below the layer height where it over-bonds; leave where
// the book tells none.
func (f *facts) byBook() bed.Advice {
	pair, limits := f.c.Context.PairMove, bed.DefaultLimits(or(f.c.ZStepMM, 0.01))
	out := bed.Advice{Leave: true, Reason: bed.CannotTell}
	if !pair.Known() || pair.LowMM <= 0 && pair.HighMM >= 0 {
		return out
	}
	raise := f.target.AimMM - f.target.Band.MiddleMM()
	move := pair.MM + raise
	out.LowMM, out.HighMM = pair.LowMM+raise, pair.HighMM+raise
	n := math.Round(move / limits.ZStepMM)
	if f.overBonds {
		n = math.Ceil(move/limits.ZStepMM - 1e-9)
	}
	if n == 0 || math.Abs(move) <= limits.DeadBandMM {
		out.Reason = bed.NearAim
		return out
	}
	if most := max(1, math.Floor(limits.CapMM/limits.ZStepMM+1e-9)); math.Abs(n) > most {
		n, out.Capped = math.Copysign(most, n), true
	}
	out.Leave, out.MoveMM = false, math.Round(n*limits.ZStepMM*1e9)/1e9
	return out
}

// bookWords is what the height book says before a move that follows from it.
func (p *plan) bookWords(plate string) string {
	x := &p.f.c.Context
	if t := p.f.thicker(); t != 0 {
		word := "thicker"
		if t < 0 {
			word = "thinner"
		}
		if name := p.f.c.Layer.Plate; name != "" {
			plate = name
		}
		return plate + " is " + strconv.FormatFloat(math.Abs(t), 'f', 2, 64) + "\u202fmm " + word + " than " + orWord(x.ThickerThan, "the mean plate") + " by the height book. "
	}
	return "By the height book: "
}
