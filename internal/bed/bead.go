package bed

import (
	"math"
	"strconv"

	"basecourse/internal/fault"
)

// rounding is 1 − π/4: what the two half-round sides of a bead take off its
// bounding rectangle, as a share of the height squared.
const rounding = 1 - math.Pi/4

// DefaultOverfillLimit is the overfill at the lower edge of the tolerance band
// unless set per material (common practice, no source).
const DefaultOverfillLimit = 0.25

// Profile is how a first layer is meant to be laid: layer height, line width,
// the distance between neighbouring lines, and how much overfill is tolerated
// (0.25: a quarter more plastic than room). Make it with NewProfile.
//
// A line of width w at height h is a rounded rectangle of area
// (w − h)h + πh²/4. Solid lines lie s = w − h(1 − π/4) apart, so the area is
// s·h. Where a toolpath spaces lines otherwise (s = w), what is laid still
// fills the layer, so the area is s·h there too, and everything follows from s
// and h.
type Profile struct {
	HeightMM, WidthMM, PitchMM float64
	OverfillLimit              float64
}

// Ranges of a profile, mm. Heights and widths are those of the records.
const (
	leastHeightMM, mostHeightMM = 0.05, 1.0
	leastWidthMM, mostWidthMM   = 0.1, 3.0
	leastLimit, mostLimit       = 0.01, 2.0
)

// NewProfile checks a profile. A pitch that is not known (NaN) is that of
// touching rounded rectangles, w − h(1 − π/4); a limit that is not known is
// DefaultOverfillLimit. The problems of a refusal name the record's columns.
func NewProfile(heightMM, widthMM, pitchMM, overfillLimit float64) (Profile, error) {
	p := Profile{heightMM, widthMM, pitchMM, overfillLimit}
	if math.IsNaN(p.PitchMM) {
		p.PitchMM = widthMM - heightMM*rounding
	}
	if math.IsNaN(p.OverfillLimit) {
		p.OverfillLimit = DefaultOverfillLimit
	}
	var problems []fault.Problem
	say := func(column string, x float64, expected string) {
		problems = append(problems, fault.Problem{Column: column, Found: number(x), Expected: expected})
	}
	if !(p.HeightMM >= leastHeightMM && p.HeightMM <= mostHeightMM) {
		say("layer_height_mm", p.HeightMM, "0.05 to 1 mm")
	}
	if !(p.WidthMM >= leastWidthMM && p.WidthMM <= mostWidthMM) {
		say("line_width_mm", p.WidthMM, "0.1 to 3 mm")
	}
	if !(p.OverfillLimit >= leastLimit && p.OverfillLimit <= mostLimit) {
		say("overfill_limit", p.OverfillLimit, "a share from 0.01 to 2 (0.25 is a quarter too much)")
	}
	if len(problems) == 0 {
		switch least := math.Pi / 4 * p.HeightMM; {
		case p.WidthMM < p.HeightMM:
			say("line_width_mm", p.WidthMM, "at least the layer height, "+number(p.HeightMM)+" mm: a narrower line is never pressed on")
		case !(p.PitchMM >= least*(1-1e-12) && p.PitchMM <= mostWidthMM):
			say("line_pitch_mm", p.PitchMM, number(math.Ceil(least*1000)/1000)+" to 3 mm: with closer lines a strand is thinner than the layer")
		}
	}
	if len(problems) > 0 {
		return Profile{}, fault.At(problems...)
	}
	return p, nil
}

func number(x float64) string {
	if math.IsNaN(x) {
		return ""
	}
	return strconv.FormatFloat(x, 'g', 6, 64)
}

// AreaMM2 is the cross-section of a line, mm²: pitch times layer height.
// Whatever the gap, this much is laid.
func (p Profile) AreaMM2() float64 { return p.PitchMM * p.HeightMM }

// StrandMM is the diameter of the round strand the same plastic makes when
// nothing presses on it, mm: 2·√(s·h/π). At or above this gap it has lost hold.
func (p Profile) StrandMM() float64 { return 2 * math.Sqrt(p.AreaMM2()/math.Pi) }

// Overfill is the plastic beyond what fits under the nozzle, as a share of what
// fits: h/g − 1 below the layer height, 0 from there on. gapMM > 0.
func (p Profile) Overfill(gapMM float64) float64 { return max(0, p.HeightMM/gapMM-1) }

// BeadWidthMM is the width of a single line at a gap > 0, mm: s·h/g + g(1 − π/4)
// while the nozzle presses on it, the strand's diameter above. It falls
// steadily with the gap. In a solid patch below the layer height the
// neighbours leave no room for it; the surplus rises as ridges.
func (p Profile) BeadWidthMM(gapMM float64) float64 {
	g := p.BeadThicknessMM(gapMM)
	return p.AreaMM2()/g + g*rounding
}

// BeadThicknessMM is how thick a single line is at a gap, mm: the gap, at most
// the strand's diameter.
func (p Profile) BeadThicknessMM(gapMM float64) float64 { return min(gapMM, p.StrandMM()) }

// SectionMM2 is the cross-section of the bead drawn at a gap, mm², from its
// width and thickness. It equals AreaMM2: volume is conserved.
func (p Profile) SectionMM2(gapMM float64) float64 {
	w, t := p.BeadWidthMM(gapMM), p.BeadThicknessMM(gapMM)
	return (w-t)*t + math.Pi/4*t*t
}

// StrandGapMM is the slit between neighbouring lines at a gap, mm; 0 where they
// touch.
func (p Profile) StrandGapMM(gapMM float64) float64 {
	return max(0, p.PitchMM-p.BeadWidthMM(gapMM))
}

// FeedShare is how much plastic a solid patch holds of what it should: its mass,
// g, over area, mm², layer height and density, g/cm³. The gap plays no part: a
// thin patch of the right mass lay under a low nozzle, a light one was under-fed.
func (p Profile) FeedShare(massG, areaMM2, densityGCM3 float64) float64 {
	return massG / (areaMM2 * p.HeightMM * densityGCM3 / 1000)
}

// Band is the range of gaps in which lines touch and are not overfilled.
type Band struct {
	LowMM  float64 // here overfill reaches its limit
	HighMM float64 // here slits open, or where they never do, lines lose hold
	// OpensMM is where neighbouring lines stop touching; NaN where they are so
	// close that they touch until they lose hold.
	OpensMM float64
	HoldMM  float64 // from here on a strand is laid in air
}

// MiddleMM is the middle of the band.
func (b Band) MiddleMM() float64 { return (b.LowMM + b.HighMM) / 2 }

// HalfMM is half the band's width.
func (b Band) HalfMM() float64 { return (b.HighMM - b.LowMM) / 2 }

// Contains tells whether a gap lies in the band, edges included.
func (b Band) Contains(gapMM float64) bool { return gapMM >= b.LowMM && gapMM <= b.HighMM }

// Band gives the tolerance band. For 0.20 × 0.45 it is 0.160 to 0.227.
func (p Profile) Band() Band {
	b := Band{LowMM: p.HeightMM / (1 + p.OverfillLimit), HoldMM: p.StrandMM(), OpensMM: math.NaN()}
	b.HighMM = b.HoldMM
	if p.PitchMM > b.HoldMM {
		b.OpensMM = p.gapOfWidth(p.PitchMM)
		b.HighMM = b.OpensMM
	}
	return b
}

// gapOfWidth solves s·h/g + g(1 − π/4) = width for the smaller root, in the
// form without cancellation. The width is at least the strand's diameter.
func (p Profile) gapOfWidth(widthMM float64) float64 {
	a := p.AreaMM2()
	return 2 * a / (widthMM + math.Sqrt(max(0, widthMM*widthMM-4*rounding*a)))
}

// Bound says how a gap is known.
type Bound string

// Ways a gap is known.
const (
	Exactly Bound = "exactly"
	AtMost  Bound = "at_most"
	AtLeast Bound = "at_least"
)

// GapOfStrandGap gives the gap at which a slit of that width, mm, is seen
// between neighbouring lines. Without a slit the gap is at most where slits
// open; with one as wide as round strands leave it is at least where lines lose
// hold. A wider slit cannot come from the gap (a line is missing, or
// under-fed), nor can any where lines touch until they lose hold: refused.
func (p Profile) GapOfStrandGap(slitMM float64) (float64, Bound, error) {
	b := p.Band()
	most := p.PitchMM - b.HoldMM
	switch {
	case math.IsNaN(slitMM) || slitMM < 0:
		return 0, "", fault.At(fault.Problem{Column: "strand_gap_mm", Found: number(slitMM), Expected: "0 mm or more"})
	case slitMM == 0:
		return b.HighMM, AtMost, nil
	case most <= 0:
		return 0, "", fault.At(fault.Problem{Column: "strand_gap_mm", Found: number(slitMM), Expected: "0 mm: with this profile lines touch until they lose hold, so a slit is a missing or thin line"})
	case slitMM > most*(1+1e-9):
		return 0, "", fault.At(fault.Problem{Column: "strand_gap_mm", Found: number(slitMM),
			Expected: "at most " + strconv.FormatFloat(most, 'f', 3, 64) + " mm, the slit between round strands: a wider one is a missing or thin line, not height"})
	case slitMM >= most*(1-1e-9):
		return b.HoldMM, AtLeast, nil
	}
	return p.gapOfWidth(p.PitchMM - slitMM), Exactly, nil
}
