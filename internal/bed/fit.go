package bed

import (
	"math"
	"slices"

	"basecourse/internal/fault"
	"basecourse/internal/stats"

	"gonum.org/v1/gonum/stat/distuv"
)

// Reading is a thickness in mm measured in a zone on a peeled single layer: of
// a single line or stripe, or (Patch) of a solid patch.
type Reading struct {
	Zone  Zone
	MM    float64
	Patch bool
}

// Look is what somebody saw of the height in a zone: the severity, 1 to 3, of
// over-squish (Low) and of under-squish (High); both 0 where the zone was looked
// at and showed neither. Zones nothing was printed on, and zones where something
// else hides the height (lines that never stuck, debris), are left out.
type Look struct {
	Zone      Zone
	Low, High uint8
}

// Gauge is what readings are taken with.
type Gauge struct {
	ResolutionMM  float64 // of the display
	UncertaintyMM float64 // expanded, k = 2, common to all its readings
	// CorrectionMM is taken off every reading: what a flat anvil reads too much
	// on a textured surface. Its uncertainty (k = 2) is common to all readings.
	CorrectionMM, CorrectionUncertaintyMM float64
}

// DefaultGauge is a workshop micrometer (common practice, no source).
func DefaultGauge() Gauge { return Gauge{ResolutionMM: 0.001, UncertaintyMM: 0.004} }

// Assumptions are what is taken for granted where a layer's own readings cannot
// tell. All are settings; the defaults are common practice, no source.
type Assumptions struct {
	ScatterMM float64 // sd of one zone's line about the plane: bed shape, peeling, hand
	ScatterDF float64 // for how many degrees of freedom that counts where readings have fewer than three
	LookMM    float64 // sd of the gap at which people see a mark, zone by zone
	GraderMM  float64 // the same, common to all zones of one grader
	RidgeMM   float64 // how far surplus of a low nozzle may stand above the layer height in a patch
	OffsetMM  float64 // sd of gaps about the middle of the band, before anything is seen
	TiltMM    float64 // sd of the tilt each way, mm from the centre to the outer zones
}

// DefaultAssumptions are those used unless a farm sets its own.
func DefaultAssumptions() Assumptions {
	return Assumptions{ScatterMM: 0.012, ScatterDF: 4, LookMM: 0.012, GraderMM: 0.006, RidgeMM: 0.03, OffsetMM: 0.10, TiltMM: 0.04}
}

// Input is one first layer as far as its height is concerned. Zones are in the
// printer's frame, seen from above.
type Input struct {
	Profile  Profile
	Grid     Grid
	Gauge    Gauge
	Assume   Assumptions
	Readings []Reading
	Looks    []Look
}

// How an estimate was made.
const (
	ByLeastSquares = "least_squares" // line readings in four zones or more that span the bed
	ByBounds       = "bounds"        // few line readings, patches or marks: interval-censored likelihood
	ByNothing      = "nothing"
)

// level is the chance a k = 2 interval of a normal error holds the truth; the
// factor is taken from Student's t at this level where scatter is estimated.
const level = 0.9544997361036416

// tiltLevel is how sure a tilt must be before it counts: turning screws costs
// more than moving the nozzle.
const tiltLevel = 0.99

// ZoneGap is what one zone's line readings say beside the fit.
type ZoneGap struct {
	Zone       Zone
	Readings   int     // single lines; 0 none
	MeanMM     float64 // their mean, corrected; NaN without
	FittedMM   float64 // gap of the plane at the zone's centre
	ResidualMM float64 // mean minus fitted: the shape; NaN without readings
}

// Estimate is where the nozzle stood over the bed while the layer was laid.
type Estimate struct {
	Method string
	Gap    Plane // gap, mm; slopes > 0: the gap grows, so the bed falls, to the right or the back
	// Offset is Gap at the bed's centre minus the layer height: positive where
	// the nozzle is too high. Low and High are the ends of its interval with
	// k = 2 (about 95 %), by Student's t for few readings.
	OffsetMM, OffsetLowMM, OffsetHighMM float64
	// Ends of the slopes' intervals, k = 2.
	TiltXLow, TiltXHigh, TiltYLow, TiltYHigh float64
	TiltClear                                bool    // a level bed is excluded with 99 %, both slopes together
	ScatterMM                                float64 // sd of a zone about the plane: seen, or taken for granted
	DF                                       int     // degrees of freedom the scatter was seen with; 0: taken for granted
	Factor                                   float64 // coverage factor of the offset's interval
	Zones                                    []ZoneGap
	Left                                     []Zone // looked at, but showing low and high at once: says nothing

	profile Profile
	grid    Grid
}

// Uncertainty is half the offset's interval, mm.
func (e *Estimate) Uncertainty() float64 { return (e.OffsetHighMM - e.OffsetLowMM) / 2 }

// Grid is the bed the estimate is of.
func (e *Estimate) Grid() Grid { return e.grid }

// Profile is the profile the estimate rests on.
func (e *Estimate) Profile() Profile { return e.profile }

// Turned is the estimate in the frame of a plate that lay turned by 180°: what
// belongs to the plate stays with its places.
func (e Estimate) Turned() Estimate {
	e.Gap = e.Gap.Turned()
	e.TiltXLow, e.TiltXHigh = -e.TiltXHigh, -e.TiltXLow
	e.TiltYLow, e.TiltYHigh = -e.TiltYHigh, -e.TiltYLow
	zones := slices.Clone(e.Zones)
	for i := range zones {
		zones[i].Zone = e.grid.Turned(zones[i].Zone)
	}
	e.Zones = zones
	left := slices.Clone(e.Left)
	for i := range left {
		left[i] = e.grid.Turned(left[i])
	}
	e.Left = left
	return e
}

// Fit estimates the plane of gaps from readings and marks.
//
// Single lines follow the gap: with four zones or more that span the bed, the
// plane is least squares through zone means, and marks and patches, which say
// less, are left out. The offset's uncertainty joins the scatter about the plane
// (type A, its degrees of freedom by Welch and Satterthwaite) and the gauge
// (type B, common to all readings) after JCGM 100 (GUM) 5.1 and G.4.
//
// Otherwise every piece says what it can. A single line near the strand's own
// diameter says the gap is at least about that; a solid patch, which stands at
// the layer height though the nozzle is low, that the gap is at most its
// thickness; a mark, or its absence, that the gap lies in a range (LookRange).
// The plane is the maximum of the interval-censored likelihood under weak prior
// expectations (Assumptions), its intervals from the likelihood's profile.
func Fit(in Input) (Estimate, error) {
	if err := in.check(); err != nil {
		return Estimate{}, err
	}
	zones, lines, bounds, left, loose := in.sort()
	e := Estimate{Method: ByNothing, Zones: zones, Left: left, profile: in.Profile, grid: in.Grid}
	switch {
	case !loose && e.leastSquares(&in, lines):
		e.Method = ByLeastSquares
	default:
		if len(lines)+len(bounds) > 0 {
			e.Method = ByBounds
		}
		e.censored(&in, lines, bounds)
	}
	e.OffsetMM = e.Gap.MM - in.Profile.HeightMM
	for i := range e.Zones {
		z := &e.Zones[i]
		x, y := in.Grid.Centre(z.Zone)
		z.FittedMM = e.Gap.At(in.Grid, x, y)
		z.ResidualMM = z.MeanMM - z.FittedMM
	}
	return e, nil
}

func (in *Input) check() error {
	var problems []fault.Problem
	if !in.Grid.Valid() {
		problems = append(problems, fault.Problem{Column: "bed", Found: number(in.Grid.BedXMM) + " × " + number(in.Grid.BedYMM), Expected: "a bed of 50 to 2000 mm each way with 1 to 9 zones each way"})
	}
	if in.Profile.HeightMM <= 0 {
		problems = append(problems, fault.Problem{Column: "layer_height_mm", Expected: "a profile"})
	}
	for _, r := range in.Readings {
		if !in.Grid.Holds(r.Zone) {
			problems = append(problems, zoneProblem("readings", r.Zone))
		}
		if !(r.MM > 0 && r.MM < 5) {
			problems = append(problems, fault.Problem{Column: "readings", Found: number(r.MM), Expected: "a thickness in mm"})
		}
	}
	for _, l := range in.Looks {
		if !in.Grid.Holds(l.Zone) {
			problems = append(problems, zoneProblem("marks", l.Zone))
		}
		if l.Low > 3 || l.High > 3 {
			problems = append(problems, fault.Problem{Column: "marks", Found: number(float64(max(l.Low, l.High))), Expected: "a severity 1 to 3"})
		}
	}
	if len(problems) > 0 {
		return fault.At(problems...)
	}
	return nil
}

func zoneProblem(column string, z Zone) fault.Problem {
	found := number(float64(z.Col)) + ", " + number(float64(z.Row))
	if z.Col >= 0 && z.Col < 9 && z.Row >= 0 && z.Row < 9 {
		found = string([]byte{'A' + byte(z.Col), '1' + byte(z.Row)})
	}
	return fault.Problem{Column: column, Found: found, Expected: "a zone of the printer's grid"}
}

// observation is one zone's line mean, or a range of gaps with the sd of its
// ends. u, v are the zone's place from the centre in units of the outer zones.
type observation struct {
	x, y, u, v float64 // x, y mm from the bed's centre
	mm         float64
	low, high  float64
	sd         float64
}

// sort turns readings and looks into line means and bounds. loose tells that a
// line stood so near the strand's diameter that it is a bound.
func (in *Input) sort() (zones []ZoneGap, lines, bounds []observation, left []Zone, loose bool) {
	type sums struct {
		line, patch   float64
		lines, patchs int
	}
	per := make([]sums, in.Grid.Cols*in.Grid.Rows)
	for _, r := range in.Readings {
		s := &per[r.Zone.Row*in.Grid.Cols+r.Zone.Col]
		if r.Patch {
			s.patch += r.MM - in.Gauge.CorrectionMM
			s.patchs++
		} else {
			s.line += r.MM - in.Gauge.CorrectionMM
			s.lines++
		}
	}
	hx, hy := in.Grid.half()
	at := func(z Zone) observation {
		x, y := in.Grid.Centre(z)
		x, y = x-in.Grid.BedXMM/2, y-in.Grid.BedYMM/2
		return observation{x: x, y: y, u: x / hx, v: y / hy}
	}
	strand := in.Profile.StrandMM()
	for i, s := range per {
		z := Zone{i % in.Grid.Cols, i / in.Grid.Cols}
		zones = append(zones, ZoneGap{Zone: z, Readings: s.lines, MeanMM: math.NaN()})
		if s.lines > 0 {
			o := at(z)
			o.mm, o.sd = s.line/float64(s.lines), in.Assume.ScatterMM
			zones[i].MeanMM = o.mm
			if edge := strand - 2*o.sd; o.mm > edge {
				o.low, o.high = edge, math.Inf(1)
				bounds, loose = append(bounds, o), true
			} else {
				lines = append(lines, o)
			}
		}
		if s.patchs > 0 {
			o := at(z)
			mm := s.patch / float64(s.patchs)
			// A patch may stand exactly at the gap: two standard deviations of
			// room, or many zones that all do so would exclude each other.
			o.sd = in.Assume.ScatterMM
			o.low, o.high = math.Inf(-1), mm+2*o.sd
			if mm > in.Profile.HeightMM+in.Assume.RidgeMM {
				o.low = mm - in.Assume.RidgeMM
			}
			if mm > strand-2*o.sd {
				o.high = math.Inf(1)
			}
			bounds = append(bounds, o)
		}
	}
	band := in.Profile.Band()
	for _, l := range in.Looks {
		if l.Low > 0 && l.High > 0 {
			left = append(left, l.Zone)
			continue
		}
		o := at(l.Zone)
		o.low, o.high = band.LookRange(l.Low, l.High)
		o.sd = in.Assume.LookMM
		bounds = append(bounds, o)
	}
	return zones, lines, bounds, left, loose
}

// LookRange is the range of gaps, mm, in which people see a zone like that:
// neither mark: within the band; slight: about its edge, from three quarters of
// the way to a quarter beyond; clear: up to as far again as the band reaches;
// strong: beyond. Ways are from the middle of the band, and above end at the
// loss of hold (common practice, no source).
func (b Band) LookRange(low, high uint8) (lowMM, highMM float64) {
	middle, half := b.MiddleMM(), b.HalfMM()
	up := [3]float64{middle + 0.75*half, min(middle+1.25*half, (b.HighMM+b.HoldMM)/2), min(middle+2*half, b.HoldMM)}
	down := [3]float64{middle - 0.75*half, middle - 1.25*half, middle - 2*half}
	switch {
	case low == 1 || low == 2:
		return down[low], down[low-1]
	case low >= 3:
		return math.Inf(-1), down[2]
	case high == 1 || high == 2:
		return up[high-1], up[high]
	case high >= 3:
		return up[2], math.Inf(1)
	}
	return b.LowMM, b.HighMM
}

// leastSquares fits the plane through the line means; false where they are too
// few or do not span the bed.
func (e *Estimate) leastSquares(in *Input, lines []observation) bool {
	if len(lines) < 4 {
		return false
	}
	x, y := make([]float64, 0, 3*len(lines)), make([]float64, 0, len(lines))
	for _, o := range lines {
		x, y = append(x, 1, o.u, o.v), append(y, o.mm)
	}
	l, ok := stats.LeastSquares(x, 3, y)
	if !ok {
		return false
	}
	df, variance := float64(l.DF), l.SumSq/float64(l.DF)
	if l.DF < 3 {
		// So few cannot tell their own scatter: what is usual counts too.
		s := in.Assume.ScatterMM
		variance = (l.SumSq + in.Assume.ScatterDF*s*s) / (df + in.Assume.ScatterDF)
		df += in.Assume.ScatterDF
	}
	r := in.Gauge.ResolutionMM
	variance = max(variance, r*r/12)
	hx, hy := in.Grid.half()
	e.Gap = Plane{l.Coef[0], l.Coef[1] / hx * 1000, l.Coef[2] / hy * 1000}
	e.ScatterMM, e.DF = math.Sqrt(variance), l.DF

	a, b := variance*l.Cov.At(0, 0), in.Gauge.common()
	c := math.Sqrt(a + b)
	e.Factor = student(df * (a + b) * (a + b) / (a * a))
	e.OffsetLowMM = l.Coef[0] - in.Profile.HeightMM - e.Factor*c
	e.OffsetHighMM = l.Coef[0] - in.Profile.HeightMM + e.Factor*c

	cov := [3]float64{variance * l.Cov.At(1, 1), variance * l.Cov.At(1, 2), variance * l.Cov.At(2, 2)}
	e.tilt(l.Coef[1], l.Coef[2], cov, student(df))
	e.TiltClear = distuv.F{D1: 2, D2: df}.CDF(wald(l.Coef[1], l.Coef[2], cov)/2) > tiltLevel
	return true
}

// student is the coverage factor at the level of k = 2.
func student(df float64) float64 {
	if df > 1e6 {
		return 2
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile((1 + level) / 2)
}

// common is the variance all readings of a gauge share, mm².
func (g Gauge) common() float64 {
	return (g.UncertaintyMM*g.UncertaintyMM + g.CorrectionUncertaintyMM*g.CorrectionUncertaintyMM) / 4
}

// tilt fills the slopes' intervals from slopes and covariances per outer zone.
func (e *Estimate) tilt(b, c float64, cov [3]float64, factor float64) {
	hx, hy := e.grid.half()
	ub, uc := factor*math.Sqrt(cov[0]), factor*math.Sqrt(cov[2])
	e.TiltXLow, e.TiltXHigh = (b-ub)/hx*1000, (b+ub)/hx*1000
	e.TiltYLow, e.TiltYHigh = (c-uc)/hy*1000, (c+uc)/hy*1000
}

// wald is (b, c)·V⁻¹·(b, c)ᵀ for V = [cov0 cov1; cov1 cov2].
func wald(b, c float64, cov [3]float64) float64 {
	det := cov[0]*cov[2] - cov[1]*cov[1]
	return (b*b*cov[2] - 2*b*c*cov[1] + c*c*cov[0]) / det
}
