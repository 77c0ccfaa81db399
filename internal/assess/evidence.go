package assess

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/stats"
	"basecourse/internal/store"
)

// Evidence is what one finding rests on.
type Evidence struct {
	Finding
	AsOf, From, To time.Time
	GapSplit       float64
	// Cells are the groups that are compared: by the probe's state (valid,
	// skipped, void, unknown), or by bands of prints since cleaning.
	Cells []Cell
	// Curve is the share that fails by prints since cleaning as the adjusted
	// effect has it, from gap 0 to the longest seen; empty for probing, without an
	// estimate, and where all or none failed.
	Curve []CurvePoint
	// Plain is failures per 100, exposed minus not, as counted; NaN where one
	// side is empty. For probing, skipped minus valid.
	Plain, PlainLow, PlainHigh float64
	// Marks that were seen, among failures and good layers of the question.
	Marks                    []MarkCount
	FailedLayers, GoodLayers int
	Restarts                 int // starts left out of the adjusted comparison
	Differ                   string
	Method                   string
}

// Cell is one group of layers.
type Cell struct {
	Code      string  // valid, skipped, void, unknown; for gaps band or unknown
	Low, High int     // of a band, prints since cleaning; High -1: and more
	Mean      float64 // prints since cleaning of its graded layers; NaN without
	Started   int
	Graded    int
	Failures  int
}

// CurvePoint is failures per 100 at a gap, with the pointwise 95 % band.
type CurvePoint struct {
	Gap           int
	At, Low, High float64
}

// MarkCount is how many layers show a mark.
type MarkCount struct {
	Mark         string
	Failed, Good int
}

// Evidence gives what a question's answer rests on; a refusal of kind NotFound
// for a question that is not asked of the farm.
func (a *Assessor) Evidence(ctx context.Context, kind, tag, cause string, now time.Time) (*Evidence, error) {
	v, q, err := a.viewWithin(ctx, now, store.DataVersion{}, fresh)
	if err != nil {
		return nil, err
	}
	all := v.findings(q)
	for i := range all.Items {
		if f := &all.Items[i]; f.Kind == kind && f.Subject == tag && f.Cause == cause {
			return v.evidence(f, q), nil
		}
	}
	return nil, fault.New(fault.NotFound, "There is no question about %s of %s %s in this window.", cause, kind, fault.Quote(tag))
}

// bandEnds are the last gaps of the bands beside the split: the farm's median
// gap is always an end, so that bands add up to the two groups compared.
func bandEnds(split float64) []int {
	if split != split || split < 0 {
		split = 0
	}
	s := int(split) // gaps are whole: over the split is over its floor
	ends := []int{}
	for _, part := range []float64{0.25, 0.5} {
		if e := int(part * float64(s+1)); e >= 1 && (len(ends) == 0 || e-1 > ends[len(ends)-1]) && e-1 < s {
			ends = append(ends, e-1)
		}
	}
	return append(ends, s, 2*(s+1)-1)
}

func (v *view) evidence(f *Finding, q AsOf) *Evidence {
	e := &Evidence{Finding: *f, AsOf: q.At, From: v.from, To: v.to, GapSplit: v.gapSplit, Plain: unknown, PlainLow: unknown, PlainHigh: unknown}
	probing := f.Cause == "skipped_probing"
	ends := bandEnds(v.gapSplit)
	if probing {
		e.Cells = []Cell{{Code: "valid"}, {Code: "skipped"}, {Code: "void"}, {Code: "unknown"}}
	} else {
		low := 0
		for _, end := range ends {
			e.Cells = append(e.Cells, Cell{Code: "band", Low: low, High: end})
			low = end + 1
		}
		e.Cells = append(e.Cells, Cell{Code: "band", Low: low, High: -1}, Cell{Code: "unknown"})
	}
	subject := v.index(f)
	var failed, good [16]int
	gaps := map[int32]int{} // graded layers by prints since cleaning
	sums := make([]float64, len(e.Cells))
	for i := range v.layers {
		l := &v.layers[i]
		at := l.printer
		if f.Kind == "plate" {
			at = l.plate
		}
		if at != subject {
			continue
		}
		if l.restart {
			e.Restarts++
		}
		c := len(e.Cells) - 1 // unknown
		if probing {
			switch l.state {
			case exposure.StateValid:
				c = 0
			case exposure.StateSkipped:
				c = 1
			case exposure.StateVoid:
				c = 2
			}
		} else if l.gap >= 0 {
			for c = 0; c < len(ends) && int(l.gap) > ends[c]; {
				c++
			}
		}
		cell := &e.Cells[c]
		cell.Started++
		if !l.graded {
			continue
		}
		cell.Graded++
		if l.gap >= 0 {
			gaps[l.gap]++
			sums[c] += float64(l.gap)
		}
		seen := &good
		if l.failed {
			cell.Failures++
			e.FailedLayers++
			seen = &failed
		} else {
			e.GoodLayers++
		}
		for k := range farm.Marks {
			if l.marks&(1<<k) != 0 {
				seen[k]++
			}
		}
	}
	for k, mark := range farm.Marks {
		if failed[k]+good[k] > 0 {
			e.Marks = append(e.Marks, MarkCount{mark, failed[k], good[k]})
		}
	}
	for c := range e.Cells {
		e.Cells[c].Mean = unknown
		if !probing && e.Cells[c].Code == "band" && e.Cells[c].Graded > 0 {
			e.Cells[c].Mean = sums[c] / float64(e.Cells[c].Graded)
		}
	}
	if !probing {
		e.Curve = e.curve(gaps)
	}
	e.compare(probing)
	e.Method = method(v.midnight)
	e.Differ = e.lotWords() + e.lookWords() + e.differ(probing)
	return e
}

// curvePoints is how many points a curve has at most, besides its first.
const curvePoints = 40

// curve lays the adjusted effect through the layers counted: its slope is the
// odds ratio's, per doubling of 1 + gap; its level is what the counts say.
func (e *Evidence) curve(gaps map[int32]int) []CurvePoint {
	if !(e.OddsRatio > 0) || len(gaps) == 0 {
		return nil
	}
	var x []float64
	var n []int
	longest := int32(0)
	for _, g := range slices.Sorted(maps.Keys(gaps)) {
		x, n = append(x, math.Log2(1+float64(g))), append(n, gaps[g])
		longest = max(longest, g)
	}
	line, ok := stats.NewLogitLine(x, n, e.Failures, math.Log(e.OddsRatio), math.Log(e.OddsLow), math.Log(e.OddsHigh))
	if !ok || longest == 0 {
		return nil
	}
	step := max(1, (int(longest)+curvePoints-1)/curvePoints)
	var out []CurvePoint
	for g := 0; ; g = min(g+step, int(longest)) {
		p, band := line.At(math.Log2(1 + float64(g)))
		out = append(out, CurvePoint{g, 100 * p, 100 * band.Low, 100 * band.High})
		if g == int(longest) {
			return out
		}
	}
}

// index of a finding's subject.
func (v *view) index(f *Finding) int32 {
	list := v.printers
	if f.Kind == "plate" {
		list = v.plates
	}
	for i := range list {
		if list[i].Tag == f.Subject {
			return int32(i)
		}
	}
	return -2
}

// compare takes the plain difference of the two groups.
func (e *Evidence) compare(probing bool) {
	exposed := arm{e.NExposed, e.FailuresExposed}
	rest := arm{e.N - e.NExposed, e.Failures - e.FailuresExposed}
	if probing {
		rest = arm{e.Cells[0].Graded, e.Cells[0].Failures}
	}
	if exposed.n == 0 || rest.n == 0 {
		return
	}
	e.Plain = 100 * (float64(exposed.failures)/float64(exposed.n) - float64(rest.failures)/float64(rest.n))
	i := stats.Newcombe(exposed.failures, exposed.n, rest.failures, rest.n, 0.95)
	e.PlainLow, e.PlainHigh = 100*i.Low, 100*i.High
}

// method says in short how the estimate comes about.
func method(midnight time.Time) string {
	return "A layer holds only if every cause spares it. A model of the whole farm (printers, plates, materials, graders, hours, days, what had just failed) " +
		"tells how likely each layer was to fail without the exposure; what it adds is estimated for each machine, drawn towards what the farm's other machines show, most of which show nothing. " +
		"Marks on failed layers count as far as the farm's own failures show what they are worth. " +
		"Raised is what should hold at most 5 false alarms among 100. Fitted to records before " + midnight.Format("2006-01-02 15:04") + "; counts are of now."
}

// differ says why the plain and the adjusted figure are not the same.
func (e *Evidence) differ(probing bool) string {
	if e.State == "too_little_data" {
		return "Nothing is adjusted here: there are too few failures, or too few layers on one side."
	}
	restarts := ""
	if e.Restarts > 0 {
		restarts = fmt.Sprintf(" The plain figure counts %d restarts, the adjusted one leaves them out.", e.Restarts)
		if e.Restarts == 1 {
			restarts = " The plain figure counts 1 restart, the adjusted one leaves it out."
		}
	}
	if e.Plain != e.Plain || e.N == 0 {
		return "There is nothing to count on one side." + restarts
	}
	plain := e.Plain * float64(e.NExposed) / float64(e.N)
	group, against := "long gaps", "the adjusted figure compares every start with one on a freshly cleaned plate, the plain one only long gaps with short ones"
	if probing {
		group, against = "skips", "layers after skips had easier plates, materials, graders, hours or days"
	}
	switch d := e.Avoidable - plain; {
	case d > -0.25 && d < 0.25:
		return "Plain and adjusted say nearly the same." + restarts
	case d < 0:
		return "The adjusted figure is lower: plates, materials, graders, hours and days explain a part of what goes with " + group + ", and few machines' figures hold up as seen." + restarts
	default:
		return "The adjusted figure is higher: " + against + "." + restarts
	}
}
