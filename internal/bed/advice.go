package bed

import (
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// thin goes before units; it does not break.
const thin = "\u202f"

// OverBond names a polymer and a surface that can bond so well that parts or
// plates tear.
type OverBond struct{ Polymer, Surface string }

// OverBonding is a farm's table of them.
type OverBonding []OverBond

// DefaultOverBonding are PETG, TPU and PC on smooth PEI or glass (common
// practice, no source; editable).
func DefaultOverBonding() OverBonding {
	var t OverBonding
	for _, polymer := range []string{"PETG", "TPU", "PC"} {
		for _, surface := range []string{"pei_smooth", "glass"} {
			t = append(t, OverBond{polymer, surface})
		}
	}
	return t
}

// Threatens tells whether a polymer stands in the table for a surface. Case,
// blanks and what follows the polymer's name ("TPU 95A", "PETG-CF") play no
// part. Of an unknown surface nothing is said.
func (t OverBonding) Threatens(polymer, surface string) bool {
	name := strings.ToUpper(strings.TrimSpace(polymer))
	if i := strings.IndexFunc(name, func(r rune) bool { return r < 'A' || r > 'Z' }); i > 0 {
		name = name[:i]
	}
	for _, o := range t {
		if o.Surface == surface && o.Polymer == name {
			return true
		}
	}
	return false
}

// Target is where the nozzle should stand.
type Target struct {
	AimMM     float64 // gap at the bed's centre
	Band      Band
	NominalMM float64 // the layer height
	OverBonds bool    // then no move may end below the layer height
}

// Target aims at the middle of the band; where over-bonding threatens never
// below the layer height.
func (p Profile) Target(overBonds bool) Target {
	t := Target{Band: p.Band(), NominalMM: p.HeightMM, OverBonds: overBonds}
	t.AimMM = t.Band.MiddleMM()
	if overBonds {
		t.AimMM = max(t.AimMM, p.HeightMM)
	}
	return t
}

// Limits are what a printer can do and a farm wants done at once.
type Limits struct {
	ZStepMM        float64 // the printer's smallest move
	CapMM          float64 // most in one move; look again before the next
	DeadBandMM     float64 // offsets up to this are left, however sure
	TiltDeadBandMM float64 // tilts up to this across the zone centres are left
}

// DefaultLimits for a Z step (common practice, no source; editable): 0.05 mm a
// move, 0.01 mm or the step's half left alone, 0.03 mm of tilt left alone.
func DefaultLimits(zStepMM float64) Limits {
	return Limits{ZStepMM: zStepMM, CapMM: 0.05, DeadBandMM: 0.01, TiltDeadBandMM: 0.03}
}

// Why an advice is what it is.
type Reason string

// Reasons. The first four say to leave the nozzle where it is.
const (
	NearAim     Reason = "near_aim"     // within the dead band of the aim
	FinerThan   Reason = "finer_than"   // less than half a step of the printer
	InsideError Reason = "inside_error" // the aim lies inside what can be told, and so does the band
	CannotTell  Reason = "cannot_tell"  // the aim lies inside what can be told, but the band may well be left
	TooLow      Reason = "too_low"
	TooHigh     Reason = "too_high"
)

// How sure an advice is: clear from 95 %, likely from 80 %.
const (
	Clear    = "clear"
	Likely   = "likely"
	Unsure   = "cannot_tell"
	clearAt  = 0.95
	likelyAt = 0.80
)

// SureWord gives the word for a chance.
func SureWord(chance float64) string {
	switch {
	case chance >= clearAt:
		return Clear
	case chance >= likelyAt:
		return Likely
	}
	return Unsure
}

// Advice is how far to move the nozzle, and whether to tram. Leaving it is a
// full answer.
type Advice struct {
	Leave  bool
	Reason Reason
	// MoveMM is the move, up (away from the bed) positive, a multiple of the Z
	// step; 0 with Leave. LowMM and HighMM are the ends of the move's interval,
	// neither rounded nor capped.
	MoveMM, LowMM, HighMM float64
	Capped                bool    // more is needed: look again after this move
	Chance                float64 // that the direction is right; with Leave, that the nozzle stands in the band
	Sure                  string  // Chance as a word
	Tram                  bool    // the bed leans so that it should be trammed, before the nozzle is moved
	Lean                  Lean    // which place is low; "" where no lean can be told
	stepMM                float64
}

// Move says what to do about an estimate: nothing inside the dead band or
// inside the uncertainty, otherwise a move to the aim in whole steps and at most
// the cap.
func Move(e *Estimate, t Target, l Limits) Advice {
	a := Advice{stepMM: l.ZStepMM}
	off := e.Gap.MM - t.AimMM // the nozzle is that much too high
	below, above := e.OffsetMM-e.OffsetLowMM, e.OffsetHighMM-e.OffsetMM
	a.LowMM, a.HighMM = -(off + above), -(off - below)
	if lean := e.Gap.Lean(e.grid); e.TiltClear {
		a.Lean = lean
		a.Tram = lean.LowMM > l.TiltDeadBandMM
	}
	if e.Method == ByNothing {
		a.Leave, a.Reason, a.Sure = true, CannotTell, Unsure
		return a
	}
	// Each side of the interval is two standard deviations of its own.
	chanceBelow := func(gap float64) float64 {
		d := gap - e.Gap.MM
		if d < 0 {
			return distuv.UnitNormal.CDF(2 * d / below)
		}
		return distuv.UnitNormal.CDF(2 * d / above)
	}
	inBand := chanceBelow(t.Band.HighMM) - chanceBelow(t.Band.LowMM)
	leave := func(why Reason) Advice {
		a.Leave, a.Reason, a.MoveMM = true, why, 0
		a.Chance, a.Sure = inBand, SureWord(inBand)
		return a
	}
	inside := off-below <= 0 && off+above >= 0
	switch {
	case inside && inBand < likelyAt:
		return leave(CannotTell)
	case math.Abs(off) <= l.DeadBandMM:
		return leave(NearAim)
	case inside:
		return leave(InsideError)
	}
	n := math.Round(-off / l.ZStepMM)
	if t.OverBonds && off > 0 {
		// Down only as far as the layer height; the rest of a step is left.
		n = max(n, math.Ceil((t.NominalMM-e.Gap.MM)/l.ZStepMM-1e-9))
	} else if t.OverBonds {
		n = math.Ceil(-off/l.ZStepMM - 1e-9)
	}
	if n == 0 {
		return leave(FinerThan)
	}
	if most := max(1, math.Floor(l.CapMM/l.ZStepMM+1e-9)); math.Abs(n) > most {
		n, a.Capped = math.Copysign(most, n), true
	}
	a.MoveMM = roundTo(n*l.ZStepMM, 1e-9)
	a.Reason = TooLow
	a.Chance = chanceBelow(t.AimMM)
	if off > 0 {
		a.Reason, a.Chance = TooHigh, 1-a.Chance
	}
	a.Sure = SureWord(a.Chance)
	return a
}

// roundTo takes the dust of binary fractions off a multiple.
func roundTo(x, unit float64) float64 { return math.Round(x/unit) * unit }

// Words says a move in words: "Nozzle up 0.04 mm (away from the bed)", or to
// leave it and why. Never a bare sign.
func (a Advice) Words() string {
	switch a.Reason {
	case NearAim:
		return "Leave it: the nozzle stands where it should."
	case FinerThan:
		return "Leave it: what is missing is less than half a step of this printer."
	case InsideError:
		return "Leave it: the difference is smaller than what can be told."
	case CannotTell:
		return "Leave it for now: height cannot be told from this. Measure a single line in each zone."
	}
	s := MoveWords(a.MoveMM, a.stepMM) + "."
	if a.Capped {
		s += " More is needed: look again before the next move."
	}
	return s
}

// MoveWords says a nozzle move in words, with three decimals where the printer
// moves in finer steps than 0.01 mm or between them.
func MoveWords(moveMM, stepMM float64) string {
	digits := 2
	if r := stepMM * 100; math.Abs(r-math.Round(r)) > 1e-6 {
		digits = 3
	}
	size := strconv.FormatFloat(math.Abs(moveMM), 'f', digits, 64) + thin + "mm"
	switch {
	case moveMM > 0:
		return "Nozzle up " + size + " (away from the bed)"
	case moveMM < 0:
		return "Nozzle down " + size + " (towards the bed)"
	}
	return "Leave the nozzle where it is"
}

// Words says a lean: "front right is 0.06 mm lower than back left".
func (l Lean) Words() string {
	if l.Low == "" {
		return "level"
	}
	return l.Low + " is " + strconv.FormatFloat(l.LowMM, 'f', 2, 64) + thin + "mm lower than " + l.Opposite
}
