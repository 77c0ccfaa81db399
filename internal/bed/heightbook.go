package bed

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// HeightLayer is one first layer as the height book sees it: which printer and
// which side of which plate, and how much too high the nozzle stood (gap minus
// layer height at the bed's centre, mm). Printers and plates are numbered from 0.
type HeightLayer struct {
	Printer, Plate int
	Side           byte    // 'a', 'b'; 0 not said
	Day            float64 // days since any day
	ErrorMM        float64
	SDMM           float64 // standard uncertainty of its own, beside what all layers share
}

// What can move a printer's zero at once.
const (
	HeightService = iota // nozzle change, moved, bed work
	HeightProbe          // the zero was taken anew
	HeightOffset         // the Z offset was set
)

// HeightEvent is something after which a printer's zero is not what it was.
// FromMM and ToMM are a Z offset before and after, up positive; NaN unknown.
type HeightEvent struct {
	Printer      int
	Day          float64
	Kind         int
	FromMM, ToMM float64
}

// HeightParts are the standard deviations of what adds up to an offset error, mm.
type HeightParts struct {
	ZeroMM    float64 // printers' zeros about each other
	DriftMM   float64 // a zero's wandering over a day; over n days √n times it
	ServiceMM float64 // what a service moves it
	ProbeMM   float64 // what taking the zero anew moves it
	PlateMM   float64 // plates' thicknesses
	NoiseMM   float64 // one layer, beside its own uncertainty
}

// Fixed expectations (common practice, no source).
const (
	// sideShare is what the two sides of a plate differ by, as a share of what
	// plates differ by: one sheet, two coatings.
	sideShare = 0.3
	// offsetLostMM is what a zero may have moved where an offset was set and nobody
	// wrote down from where.
	offsetLostMM = 0.1
	// leastStepMM keeps two layers of one instant apart.
	leastStepMM = 3e-5
)

// UsualHeightParts are expected before anything is seen (common practice, no
// source); data move each of them, by factors where they ask for it.
func UsualHeightParts() HeightParts {
	return HeightParts{ZeroMM: 0.05, DriftMM: 0.002, ServiceMM: 0.03, ProbeMM: 0.004, PlateMM: 0.025, NoiseMM: 0.008}
}

// HeightInput is all that is known, as of a day. Layers and events after it are
// left out by the caller. Only printers whose zero is the frame belong here:
// where the zero is taken from the plate in place, thickness cancels.
type HeightInput struct {
	Printers, Plates int
	Layers           []HeightLayer
	Events           []HeightEvent
	Day              float64
	Parts            HeightParts
}

// HeightBook is what layers tell of printers' zeros and plate sides'
// thicknesses. Printers and plates that no chain of layers connects stand in
// different groups, between which nothing is claimed.
type HeightBook struct {
	// Printers by number. Sides in order of plate, then side.
	Printers []PrinterZero
	Sides    []PlateSide
	Groups   int

	groups  []*heightGroup
	sideAt  map[[2]int]int // plate, side → index in Sides
	ofPlate [][]int        // a plate's sides
	parts   HeightParts
}

// PrinterZero is where a printer's nozzle stands over the mean plate side of its
// group as the printer is set now, minus the layer height: too high is
// positive. Group -1: no layer tells.
type PrinterZero struct {
	Group, Layers         int
	LastDay               float64 // of its last layer
	MM, LowMM, HighMM     float64 // 95 %
	Plates                int     // sides it was measured with
	chain                 *heightChain
	settingMM, laterSqrMM float64 // offset now; variance since the last layer
}

// PlateSide is how much thicker a plate's side is than the mean of its group's.
type PlateSide struct {
	Plate             int
	Side              byte
	Group, Layers     int
	Printers          []int // where it was measured
	MM, LowMM, HighMM float64
	Alone             bool // the only side of its group: nothing to compare it with
	column            int  // in its group's equations
}

// HeightMove is what to expect of a pair.
type HeightMove struct {
	ErrorMM           float64 // how much too high the nozzle will stand
	MM, LowMM, HighMM float64 // the nozzle move to the aim, up positive, 95 %
	Tried             bool    // the pair was measured before
	SideKnown         bool    // else from the plate's other side
}

// HeightGap is a difference of two plate sides, mm.
type HeightGap struct{ MM, LowMM, HighMM float64 }

// Clear tells whether the interval excludes zero.
func (g HeightGap) Clear() bool { return g.LowMM > 0 || g.HighMM < 0 }

// SolveHeights solves
//
//	offset error = group's mean + printer's zero + Z offset set − plate side's thickness + noise
//
// over all pairs at once: a mixed model with the group's mean fixed, plates and
// their sides random, and each printer's zero a random walk that drifts with
// time and is loosened by services and probes. Best linear unbiased predictions
// and prediction variances by Henderson's mixed-model equations (Henderson
// 1975, Biometrics 31:423), printers' walks eliminated first: their equations
// are tridiagonal. Intervals are 95 %, by Student's t with the degrees of
// freedom left by means, printers and sides (at least 4).
func SolveHeights(in HeightInput) *HeightBook {
	b := &HeightBook{Printers: make([]PrinterZero, in.Printers), sideAt: map[[2]int]int{}, ofPlate: make([][]int, in.Plates), parts: in.Parts}
	for i := range b.Printers {
		b.Printers[i].Group = -1
	}
	b.groups = heightGroups(&in)
	b.Groups = len(b.groups)
	for g, x := range b.groups {
		x.solve(in.Parts)
		b.add(g, x, &in)
	}
	return b
}

func (b *HeightBook) add(g int, x *heightGroup, in *HeightInput) {
	k := len(x.sides)
	mean := make([]float64, 1+k) // picks the mean thickness
	for i := range k {
		mean[1+i] = 1 / float64(k)
	}
	// Everything is told against the mean: its own part is worked out once.
	thickness, covMean := x.dot(mean), mat.NewVecDense(1+k, nil)
	covMean.MulVec(x.cov, mat.NewVecDense(1+k, mean))
	varMean := mat.Dot(covMean, mat.NewVecDense(1+k, mean))
	for _, c := range x.chains {
		p := &b.Printers[c.printer]
		p.Group, p.Layers, p.LastDay, p.chain = g, c.layers, c.days[len(c.days)-1], c
		p.settingMM = heightSetting(c.events, math.Inf(1))
		p.laterSqrMM = c.steps[len(c.steps)-1].variance(in.Parts)
		p.Plates = len(c.columns) - 1
		v := c.lastVar + p.laterSqrMM + x.variance(c.last) + varMean
		for i, l := range c.last {
			v -= 2 * l * covMean.AtVec(i)
		}
		p.MM = x.dot(c.last) - thickness + c.lastAlone + p.settingMM
		half := x.factor() * math.Sqrt(v)
		p.LowMM, p.HighMM = p.MM-half, p.MM+half
	}
	for i, s := range x.sides {
		s.Group, s.Alone, s.column = g, k == 1, 1+i
		s.MM = x.beta[1+i] - thickness
		half := x.factor() * math.Sqrt(max(0, x.cov.At(1+i, 1+i)-2*covMean.AtVec(1+i)+varMean))
		s.LowMM, s.HighMM = s.MM-half, s.MM+half
		b.sideAt[[2]int{s.Plate, int(s.Side)}] = len(b.Sides)
		b.ofPlate[s.Plate] = append(b.ofPlate[s.Plate], len(b.Sides))
		b.Sides = append(b.Sides, s)
	}
}

// side gives the combination of a group's equations that predicts a plate's
// side and the variance that is left where the side itself was never measured.
func (b *HeightBook) side(plate int, side byte) (group int, a []float64, left float64, known, ok bool) {
	if plate < 0 || plate >= len(b.ofPlate) || len(b.ofPlate[plate]) == 0 {
		return 0, nil, 0, false, false
	}
	of := b.ofPlate[plate]
	group = b.Sides[of[0]].Group
	a = make([]float64, 1+len(b.groups[group].sides))
	if at, there := b.sideAt[[2]int{plate, int(side)}]; there {
		a[b.Sides[at].column] = 1
		return group, a, 0, true, true
	}
	plateSqr, sideSqr := sqr(b.parts.PlateMM), sqr(sideShare*b.parts.PlateMM)
	n := float64(len(of))
	w := plateSqr / (n*plateSqr + sideSqr)
	for _, at := range of {
		a[b.Sides[at].column] = w
	}
	return group, a, plateSqr + sideSqr - n*w*plateSqr, false, true
}

// Expect gives the nozzle move a pair will need so that the gap is the aim;
// aimMM is the aim minus the layer height. False where the printer or the plate
// was never measured, or no chain of layers connects the two.
func (b *HeightBook) Expect(printer, plate int, side byte, aimMM float64) (HeightMove, bool) {
	group, s, left, known, ok := b.side(plate, side)
	if !ok || printer < 0 || printer >= len(b.Printers) || b.Printers[printer].Group != group {
		return HeightMove{}, false
	}
	p, x := &b.Printers[printer], b.groups[group]
	a := slices.Clone(p.chain.last)
	for i := range a {
		a[i] -= s[i]
	}
	half := x.factor() * math.Sqrt(p.chain.lastVar+p.laterSqrMM+left+x.variance(a))
	m := HeightMove{ErrorMM: x.dot(a) + p.chain.lastAlone + p.settingMM, SideKnown: known}
	m.MM = aimMM - m.ErrorMM
	m.LowMM, m.HighMM = m.MM-half, m.MM+half
	if known {
		m.Tried = slices.Contains(b.Sides[b.sideAt[[2]int{plate, int(side)}]].Printers, printer)
	}
	return m, true
}

// Differ gives how much thicker one plate's side is than another's. False where
// either was never measured or no chain of layers connects them.
func (b *HeightBook) Differ(plate int, side byte, than int, thanSide byte) (HeightGap, bool) {
	g, s, left, _, ok := b.side(plate, side)
	h, t, more, _, there := b.side(than, thanSide)
	if !ok || !there || g != h {
		return HeightGap{}, false
	}
	if plate == than && side == thanSide {
		return HeightGap{}, true
	}
	if plate == than && left > 0 && more > 0 { // two sides nobody measured
		left, more = sqr(sideShare*b.parts.PlateMM), sqr(sideShare*b.parts.PlateMM)
	}
	x := b.groups[g]
	for i := range s {
		s[i] -= t[i]
	}
	d := HeightGap{MM: x.dot(s)}
	half := x.factor() * math.Sqrt(max(0, x.variance(s)+left+more))
	d.LowMM, d.HighMM = d.MM-half, d.MM+half
	return d, true
}

// Side finds a plate's side in Sides; false where it was never measured.
func (b *HeightBook) Side(plate int, side byte) (PlateSide, bool) {
	at, ok := b.sideAt[[2]int{plate, int(side)}]
	if !ok {
		return PlateSide{}, false
	}
	return b.Sides[at], true
}

// heightFactor is the coverage factor for 95 %.
func heightFactor(df int) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(max(4, df))}.Quantile(0.975)
}

func sqr(x float64) float64 { return x * x }

// HeightError is what one layer says for the height book: how much too high the
// nozzle stood when it began, mm, and its standard uncertainty. Readings tell
// through Fit. Where the nozzle was moved while the layer was laid (nudgeMM, up
// positive, NaN unknown), a reading mixes both heights: it counts for half the
// move, uncertain by what a move at any time makes (|move|/√12). A move without
// a reading tells that somebody brought the nozzle to the aim by it, give or
// take nudgeSDMM (common practice, no source). False where the layer says
// nothing.
func HeightError(in Input, nudgeMM float64) (errorMM, sdMM float64, ok bool) {
	nudged := !math.IsNaN(nudgeMM) && nudgeMM != 0
	if len(in.Readings) > 0 {
		e, err := Fit(in)
		if err != nil || e.Method == ByNothing || e.Uncertainty() > vagueMM {
			return 0, 0, false
		}
		errorMM, sdMM = e.OffsetMM, e.Uncertainty()/2
		if nudged {
			errorMM -= nudgeMM / 2
			sdMM = math.Hypot(sdMM, nudgeMM/math.Sqrt(12))
		}
		return errorMM, sdMM, true
	}
	if !nudged {
		return 0, 0, false
	}
	return AimErrorMM(in.Profile) - nudgeMM, nudgeSDMM, true
}

const (
	nudgeSDMM = 0.02 // how near people bring the nozzle to the aim by eye
	vagueMM   = 0.10 // intervals wider to each side say nothing
)

// KeptOffset is what an offset change that was printed on, and not changed again
// first, says: that the nozzle stood at the aim afterwards, give or take.
func KeptOffset(p Profile) (errorMM, sdMM float64) { return AimErrorMM(p), nudgeSDMM }

// AimErrorMM is the middle of the profile's band minus its layer height.
func AimErrorMM(p Profile) float64 { return p.Band().MiddleMM() - p.HeightMM }
