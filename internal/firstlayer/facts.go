package firstlayer

import (
	"math"

	"basecourse/internal/bed"
	"basecourse/internal/farm"

	"gonum.org/v1/gonum/stat/distuv"
)

// seen is how one mark shows on a layer.
type seen struct {
	zones int
	worst uint8
}

// pattern is how the height shows.
type pattern uint8

const (
	plain      pattern = iota // no mark of height
	allLow                    // in two thirds of the zones or more
	allHigh                   //
	someLow                   // in some places
	someHigh                  //
	spotLow                   // in one zone only
	spotHigh                  //
	lowAndHigh                // in different zones
	confused                  // only in the same zone
)

// facts are what the rules look at.
type facts struct {
	c           *Case
	cols, rows  int
	covered     int
	marks       map[string]seen
	height      pattern
	severity    float64 // of the height marks: slightly, 0.85 clear, 1 strong
	worst       uint8   // of all marks
	uneven      bool    // nearly everywhere, but strong on one side and missing on the other
	atCorners   bool    // it lifts, and at corners only
	oneZone     bool    // what did not grip, or shows dull, lies in one zone only
	markedThere bool    // so does a mark of the plate, in one of their zones
	judged      bool    // somebody looked: graded or painted

	est            *bed.Estimate
	target         bed.Target
	measured       bool    // by line readings that span the bed
	low, mid, high float64 // chance that the nozzle stands below, in, above the band; measured only
	leans          bool    // measured: it leans, and that says more than the offset
	feed           float64 // plastic in the patch as a share of what it should hold; NaN
	overBonds      bool

	printerAlike, printerGood int // this printer's layers on other plates: the same height, or good
	plateAlike                int // this plate's layers on other printers with the same height
	pairGood                  int // this plate's layers on this printer that came out well
	turnsAlong, staysTurned   bool
	leanAgain                 bool // the same lean on this printer, both on fresh probes
	meshLeans                 bool // the latest mesh leans the way the height shows
	liftsAgain                int  // layers of this printer on other plates whose corners lift
	spotCleaned               int  // layers of this plate that did not grip in the same spot before it was cleaned
	spotOnPlate, spotOnBed    int  // layers with a mark in the same place of the plate (on another printer), of the bed (under another plate)
}

func (f *facts) has(mark string) bool { return f.marks[mark].zones > 0 }
func (f *facts) share(mark string) float64 {
	return float64(f.marks[mark].zones) / float64(max(1, f.covered))
}

// grip tells whether lines did not stick somewhere.
func (f *facts) grip() bool { return f.has("blobs") || f.has("dragged") || f.has("lifting") }

// only tells whether all marks are among some.
func (f *facts) only(marks ...string) bool {
	n := 0
	for _, m := range marks {
		if f.has(m) {
			n++
		}
	}
	return n > 0 && n == len(f.marks)
}

func gatherFacts(c *Case) (*facts, error) {
	f := &facts{c: c, cols: max(1, orInt(c.ZoneCols, 3)), rows: max(1, orInt(c.ZoneRows, 3)), marks: map[string]seen{}, feed: math.NaN()}
	l := &c.Layer
	f.covered = len(l.Covered)
	if f.covered == 0 {
		f.covered = f.cols * f.rows
	}
	for _, m := range l.Marks {
		s := f.marks[m.Mark]
		f.marks[m.Mark] = seen{s.zones + 1, max(s.worst, m.Severity)}
		f.worst = max(f.worst, m.Severity)
	}
	f.judged = l.Grade != "" || len(l.Marks) > 0
	f.height, f.severity = heightOf(l, f.covered)
	if f.worst >= 2 && f.severity == slightly {
		f.severity *= 0.75 // what is stronger did the harm
	}

	f.uneven = (f.height == allLow || f.height == allHigh) && f.worst == 3 && f.covered > f.marks["nozzle_low"].zones && f.covered > f.marks["nozzle_high"].zones
	f.atCorners = corners(l, f.cols, f.rows)
	f.oneZone, f.markedThere = oneZone(l), markedThere(l)

	profile, err := bed.NewProfile(or(l.LayerHeightMM, farm.DefaultLayerHeightMM), or(l.LineWidthMM, farm.DefaultLineWidthMM), l.LinePitchMM, math.NaN())
	if err != nil {
		return nil, err
	}
	polymer := c.Context.Polymer
	if polymer == "" {
		polymer = l.Material
	}
	table := c.Farm.OverBonding
	if table == nil {
		table = bed.DefaultOverBonding()
	}
	f.overBonds = table.Threatens(polymer, c.Context.Surface)
	f.target = profile.Target(f.overBonds)
	if err := f.measure(profile); err != nil {
		return nil, err
	}
	x := &c.Context
	if x.PatchMassG > 0 && x.PatchAreaMM2 > 0 && x.DensityGCM3 > 0 {
		f.feed = profile.FeedShare(x.PatchMassG, x.PatchAreaMM2, x.DensityGCM3)
	}
	f.remember()
	f.meshLeans = meshLeans(f)
	return f, nil
}

func or(x, standard float64) float64 {
	if math.IsNaN(x) {
		return standard
	}
	return x
}

func orInt(n, standard int) int {
	if n == 0 {
		return standard
	}
	return n
}

// slightly is how strong height marks of severity 1 are.
const slightly = 0.6

// heightOf tells how a layer's height marks lie, and how strong they are.
func heightOf(l *farm.FirstLayer, covered int) (pattern, float64) {
	low, high := map[farm.Zone]bool{}, map[farm.Zone]bool{}
	worst := uint8(0)
	for _, m := range l.Marks {
		switch m.Mark {
		case "nozzle_low":
			low[m.Zone] = true
		case "nozzle_high":
			high[m.Zone] = true
		default:
			continue
		}
		worst = max(worst, m.Severity)
	}
	both := 0
	for z := range low {
		if high[z] {
			both++
		}
	}
	severity := [...]float64{0, slightly, 0.85, 1}[min(3, worst)]
	nLow, nHigh := len(low)-both, len(high)-both
	most := max(1, (2*covered+2)/3)
	switch {
	case nLow == 0 && nHigh == 0 && both > 0:
		return confused, severity
	case nLow == 0 && nHigh == 0:
		return plain, 0
	case nLow > 0 && nHigh > 0:
		return lowAndHigh, severity
	case nLow >= most:
		return allLow, severity
	case nHigh >= most:
		return allHigh, severity
	case nLow == 1:
		return spotLow, severity
	case nHigh == 1:
		return spotHigh, severity
	case nLow > 0:
		return someLow, severity
	}
	return someHigh, severity
}

// hides are marks under which the height of a zone cannot be seen.
var hides = map[string]bool{"blobs": true, "dragged": true, "lifting": true, "no_start": true, "debris": true, "moisture": true, "striping": true, "under_fed": true, "over_fed": true}

// measure estimates where the nozzle stood.
func (f *facts) measure(profile bed.Profile) error {
	c, l := f.c, &f.c.Layer
	g := bed.Grid{BedXMM: or(c.BedXMM, 200), BedYMM: or(c.BedYMM, 200), Cols: f.cols, Rows: f.rows}
	in := bed.Input{Profile: profile, Grid: g, Gauge: bed.DefaultGauge(), Assume: bed.DefaultAssumptions()}
	for _, r := range l.Readings {
		in.Readings = append(in.Readings, bed.Reading{Zone: bed.Zone{Col: int(r.Zone.Col), Row: int(r.Zone.Row)}, MM: r.MM, Patch: r.Patch})
	}
	// A layer without any mark that did not pass was not painted: it says nothing
	// of the height.
	if len(l.Marks) > 0 || l.Grade == "clean" {
		in.Looks = looksOf(l, f.cols, f.rows)
	}
	if len(in.Readings)+len(in.Looks) == 0 {
		return nil
	}
	e, err := bed.Fit(in)
	if err != nil {
		return err
	}
	if e.Method == bed.ByNothing {
		return nil
	}
	f.est = &e
	lean, lines := e.Gap.Lean(g), 0
	for _, z := range e.Zones {
		if z.Readings > 0 {
			lines++
		}
	}
	clear := lines >= 4 && e.TiltClear && lean.LowMM > bed.DefaultLimits(0.01).TiltDeadBandMM
	f.leans = clear && lean.LowMM/2 > math.Abs(e.Gap.MM-f.target.AimMM)
	if e.Method != bed.ByLeastSquares {
		return nil
	}
	f.measured = true
	sd := max(1e-6, e.Uncertainty()/2)
	at := func(gap float64) float64 { return distuv.UnitNormal.CDF((gap - e.Gap.MM) / sd) }
	band := f.target.Band
	f.low = at(band.LowMM)
	f.high = 1 - at(band.HighMM)
	f.mid = 1 - f.low - f.high
	// The middle may stand right while an end of the bed does not.
	if ends := lean.LowMM / 2; e.Gap.MM-ends < band.LowMM || e.Gap.MM+ends > band.HighMM {
		f.leans = f.leans || f.mid > 0.5 && clear
		f.mid = 0
	}
	return nil
}

func looksOf(l *farm.FirstLayer, cols, rows int) []bed.Look {
	type look struct {
		low, high     uint8
		hidden, skips bool
	}
	all := make([]look, cols*rows)
	for i := range all {
		all[i].skips = len(l.Covered) > 0
	}
	at := func(z farm.Zone) *look {
		if !z.In(cols, rows) {
			return &look{}
		}
		return &all[int(z.Row)*cols+int(z.Col)]
	}
	for _, z := range l.Covered {
		at(z).skips = false
	}
	for _, m := range l.Marks {
		x := at(m.Zone)
		switch {
		case m.Mark == "nozzle_low":
			x.low = m.Severity
		case m.Mark == "nozzle_high":
			x.high = m.Severity
		case hides[m.Mark]:
			x.hidden = true
		}
	}
	var out []bed.Look
	for i, x := range all {
		if x.skips || x.hidden && x.low == 0 && x.high == 0 {
			continue
		}
		out = append(out, bed.Look{Zone: bed.Zone{Col: i % cols, Row: i / cols}, Low: x.low, High: x.high})
	}
	return out
}

// fresh tells whether the layer was laid on a valid probe.
func (x *Context) fresh() bool { return x.Skipped == "no" && x.Swapped != "yes" && x.Serviced != "yes" }

// stale tells whether the probe is known not to hold.
func (x *Context) stale() bool {
	return x.Skipped == "yes" || x.Swapped == "yes" || x.Serviced == "yes"
}
