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
	severity    float64 // of the height marks: 0.6 slight, 0.85 clear, 1 strong
	worst       uint8   // of all marks
	uneven      bool    // nearly everywhere, but strong on one side and missing on the other
	liftsInside bool    // a lift in a zone that touches no edge
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
	turnsAlong, staysTurned   bool
	leanAgain                 bool // the same lean on this printer, both on fresh probes
	liftsAgain                int  // layers of this printer on other plates whose corners lift
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

	f.uneven = (f.height == allLow || f.height == allHigh) && f.worst == 3 && f.covered > f.marks["nozzle_low"].zones && f.covered > f.marks["nozzle_high"].zones
	for _, m := range l.Marks {
		z := m.Zone
		if m.Mark == "lifting" && z.Col > 0 && int(z.Col) < f.cols-1 && z.Row > 0 && int(z.Row) < f.rows-1 {
			f.liftsInside = true
		}
	}

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
	severity := [...]float64{0, 0.6, 0.85, 1}[min(3, worst)]
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
	f.leans = lines >= 4 && e.TiltClear && lean.LowMM > bed.DefaultLimits(0.01).TiltDeadBandMM && lean.LowMM/2 > math.Abs(e.Gap.MM-f.target.AimMM)
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

// placed are the zones of marks that belong to a place.
var placed = map[string]bool{"contamination": true, "lifting": true, "plate_mark": true, "debris": true, "nozzle_low": true, "nozzle_high": true}

// remember compares with earlier layers, in the printer's frame and the plate's.
func (f *facts) remember() {
	here := places(&f.c.Layer)
	for i := range f.c.Context.Earlier {
		e := &f.c.Context.Earlier[i]
		if e.Layer.Grade == "" && len(e.Layer.Marks) == 0 {
			continue
		}
		covered := len(e.Layer.Covered)
		if covered == 0 {
			covered = f.cols * f.rows
		}
		height, _ := heightOf(&e.Layer, covered)
		there := places(&e.Layer)
		turned := f.c.Layer.PlateTurned != "" && e.Layer.PlateTurned != "" && f.c.Layer.PlateTurned != e.Layer.PlateTurned
		switch {
		case e.SamePrinter == "yes" && e.SamePlate == "no":
			if height != plain && height == f.height {
				f.printerAlike++
			}
			if len(e.Layer.Marks) == 0 && (e.Layer.Grade == "clean" || e.Layer.Grade == "cosmetic") {
				f.printerGood++
			}
			if corners(&e.Layer, f.cols, f.rows) {
				f.liftsAgain++
			}
			if small(here, f) && overlap(here, there) {
				f.spotOnBed++
			}
		case e.SamePlate == "yes" && e.SamePrinter == "no":
			if (height == allLow || height == allHigh) && height == f.height {
				f.plateAlike++
			}
			if turned {
				there = f.turn(there)
			}
			if small(here, f) && overlap(here, there) {
				f.spotOnPlate++
			}
		case e.SamePlate == "yes" && turned && len(here) > 0 && len(there) > 0:
			along, stays := likeness(here, f.turn(there)), likeness(here, there)
			f.turnsAlong = f.turnsAlong || along > 0.6 && along > stays+0.3
			f.staysTurned = f.staysTurned || stays > 0.6 && stays > along+0.3
		}
		if e.SamePrinter == "yes" && e.Skipped == "no" && f.c.Context.fresh() && (f.height == lowAndHigh || f.height == someLow || f.height == someHigh) && height == f.height && likeness(here, there) > 0.6 {
			f.leanAgain = true
		}
	}
}

type place struct {
	zone farm.Zone
	mark string
}

func places(l *farm.FirstLayer) map[place]bool {
	out := map[place]bool{}
	for _, m := range l.Marks {
		if placed[m.Mark] {
			out[place{m.Zone, m.Mark}] = true
		}
	}
	return out
}

// small tells whether the marks that belong to a place lie in a few zones.
func small(p map[place]bool, f *facts) bool {
	zones := map[farm.Zone]bool{}
	for x := range p {
		zones[x.zone] = true
	}
	return len(zones) > 0 && len(zones) <= max(1, f.cols*f.rows/4)
}

func overlap(a, b map[place]bool) bool {
	for x := range a {
		if b[x] {
			return true
		}
	}
	return false
}

// likeness is the share of places two layers have in common.
func likeness(a, b map[place]bool) float64 {
	common, all := 0, len(b)
	for x := range a {
		if b[x] {
			common++
		} else {
			all++
		}
	}
	if all == 0 {
		return 0
	}
	return float64(common) / float64(all)
}

func (f *facts) turn(p map[place]bool) map[place]bool {
	out := make(map[place]bool, len(p))
	for x := range p {
		x.zone = farm.Zone{Col: uint8(f.cols-1) - x.zone.Col, Row: uint8(f.rows-1) - x.zone.Row}
		out[x] = true
	}
	return out
}

// corners tells whether a layer lifts, and only at corners.
func corners(l *farm.FirstLayer, cols, rows int) bool {
	n := 0
	for _, m := range l.Marks {
		if m.Mark != "lifting" {
			continue
		}
		if c, r := int(m.Zone.Col), int(m.Zone.Row); c != 0 && c != cols-1 || r != 0 && r != rows-1 {
			return false
		}
		n++
	}
	return n > 0
}
