package bed

import (
	"math"
	"strconv"

	"basecourse/internal/fault"
	"basecourse/internal/stats"
)

// Screw is one levelling screw under a bed: its place from the front left
// corner, mm, and how far a turn raises the bed there, mm.
type Screw struct {
	Name              string
	XMM, YMM, PitchMM float64
}

// Turn is what to do at one screw.
type Turn struct {
	Screw     string
	Eighths   int  // of a turn; positive raises the bed there, negative lowers it
	Reference bool // not turned: the others are set to it
}

// Tramming is how to level a bed by its screws.
type Tramming struct {
	Turns []Turn
	// Left is the lean that stays, because turns are rounded to eighths.
	Left Lean
	// CentreMM is by how much the gap at the bed's centre grows (bed lower:
	// positive); measure again before the nozzle is moved.
	CentreMM float64
}

// mostScrews is how many screws are weighed against each other.
const mostScrews = 8

// Tram gives the turns that level a plane of gaps: one screw is left alone, the
// others are turned by whole eighths so that what stays at the screws about
// their mean is least in squares, and of equals the fewest turns. Three to eight
// screws, not in one line.
func Tram(gap Plane, g Grid, screws []Screw) (Tramming, error) {
	x := make([]float64, 0, 3*len(screws))
	needed := make([]float64, len(screws)) // how far the bed must rise there, against the centre
	for i, s := range screws {
		if !(s.PitchMM > 0) {
			return Tramming{}, fault.At(fault.Problem{Column: "pitch_mm", Found: number(s.PitchMM), Expected: "how far a turn of screw " + s.Name + " raises the bed, mm"})
		}
		x = append(x, 1, s.XMM-g.BedXMM/2, s.YMM-g.BedYMM/2)
		needed[i] = gap.At(g, s.XMM, s.YMM) - gap.MM
	}
	if _, ok := stats.LeastSquares(x, 3, needed); !ok || len(screws) > mostScrews {
		return Tramming{}, fault.New(fault.Invalid, "A bed is levelled by three to eight screws that do not stand in one line; %d are listed.", len(screws))
	}
	reference, eighths := bestTurns(screws, needed)
	t := Tramming{}
	raised := make([]float64, len(screws))
	for i, s := range screws {
		raised[i] = float64(eighths[i]) / 8 * s.PitchMM
		t.Turns = append(t.Turns, Turn{s.Name, eighths[i], i == reference})
	}
	plane, _ := stats.LeastSquares(x, 3, raised)
	left := Plane{XMMPerM: gap.XMMPerM - plane.Coef[1]*1000, YMMPerM: gap.YMMPerM - plane.Coef[2]*1000}
	t.Left, t.CentreMM = left.Lean(g), -plane.Coef[0]
	return t, nil
}

// bestTurns tries every screw as reference, and for the others the eighths
// below and above what is exact.
func bestTurns(screws []Screw, needed []float64) (reference int, eighths []int) {
	n := len(screws)
	leastLeft, leastTurns := math.Inf(1), 0
	try := make([]int, n)
	for r := range n {
		for up := range 1 << n {
			if up>>r&1 == 1 {
				continue // the reference has no above
			}
			mean, squares, turns := 0.0, 0.0, 0
			for i, s := range screws {
				try[i] = 0
				if i != r {
					try[i] = int(math.Floor(8*(needed[i]-needed[r])/s.PitchMM)) + up>>i&1
				}
				turns += max(try[i], -try[i])
				left := needed[i] - float64(try[i])/8*s.PitchMM
				mean += left / float64(n)
				squares += left * left
			}
			left := squares - float64(n)*mean*mean
			if left < leastLeft-1e-12 || left < leastLeft+1e-12 && turns < leastTurns {
				reference, leastLeft, leastTurns = r, min(left, leastLeft), turns
				eighths = append(eighths[:0], try...)
			}
		}
	}
	return reference, eighths
}

var eighthWords = [8]string{"", "⅛", "¼", "⅜", "½", "⅝", "¾", "⅞"}

// Words says a turn: "right-front screw: raise the bed, ⅛ turn".
func (t Turn) Words() string {
	n := t.Eighths
	if n < 0 {
		n = -n
	}
	amount := eighthWords[n%8]
	if n >= 8 {
		amount = strconv.Itoa(n/8) + amount
	}
	unit := " turn"
	if n > 8 {
		unit = " turns"
	}
	name := t.Screw + " screw: "
	switch {
	case t.Reference:
		return name + "leave it, the others are set to it"
	case t.Eighths > 0:
		return name + "raise the bed, " + amount + unit
	case t.Eighths < 0:
		return name + "lower the bed, " + amount + unit
	}
	return name + "leave it"
}
