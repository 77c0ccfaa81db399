package assess

import (
	"math"
	"slices"
	"time"

	"basecourse/internal/findings"
	"basecourse/internal/store"
)

var unknown = math.NaN()

// Findings are the answers to every question of a farm as of a time. Numbers
// that are not known are NaN, times that are not given zero.
type Findings struct {
	AsOf, KnownAt                 time.Time
	From, To                      time.Time // window: from < started_at <= to
	FirstLayers, Graded, Failures int
	FalseDiscoveryRate            float64
	GapSplit                      float64 // median prints since cleaning of graded layers
	Items                         []Finding
	Lately                        map[string]Lately // by printer, counts over the last days of the window
	Risks                         []Risk            // of the next first layers, by printer and material
	Ahead                         Outlook           // what is due and coming; of Latest alone
}

// Finding is the answer to one question: does failure of the subject go with
// the cause?
type Finding struct {
	Kind, Subject, Cause         string
	State                        string // raised, watching, quiet, too_little_data
	Case                         string // "" none
	Starts, Graded               int    // in the window
	N, Failures                  int    // graded and exposure known
	NExposed, FailuresExposed    int
	OddsRatio, OddsLow, OddsHigh float64
	P, Q                         float64
	Avoidable                    float64 // failures per 100 of N
	AvoidableLow, AvoidableHigh  float64
	Reverse                      bool   // the evidence points the other way
	Needs                        int    // with too_little_data: further graded layers
	Settle                       string // Needs in words; "" with any other state
	Summary                      string
	Chosen                       *Chosen   // nil: no look list is in use
	Lot                          *LotShown // nil: nothing of it was drawn by lot

	void arm
}

// Lately counts a printer's first layers of the last days of the window.
type Lately struct{ Started, Graded, Failures int }

// LatelyWindow is what Lately covers: the last days of the window.
const LatelyWindow = 14 * 24 * time.Hour

// findings gives the answers of a view as of a time at which it holds. What it
// lists is shared between callers.
func (v *view) findings(q AsOf) *Findings {
	v.once.Do(v.list)
	items := v.items
	if v.movedSince(v.q.At, q.At) {
		items = slices.Clone(items)
		v.settleCases(items, q.At)
	}
	return &Findings{AsOf: q.At, KnownAt: q.KnownAt, From: v.from, To: v.to,
		FirstLayers: v.total.started, Graded: v.total.graded, Failures: v.total.failures,
		FalseDiscoveryRate: FalseDiscoveryRate, GapSplit: v.gapSplit, Items: items, Lately: v.byTag, Risks: v.risksAt(q.At)}
}

func (v *view) list() {
	v.shown, v.lotted = v.lotted.shown(len(v.printers)), nil
	v.items = make([]Finding, 0, len(v.fit.questions))
	v.byTag = make(map[string]Lately, len(v.printers))
	for i := range v.printers {
		n := &v.lately[i]
		v.byTag[v.printers[i].Tag] = Lately{n.started, n.graded, n.failures}
		if v.listed(&v.printers[i], &v.byPrinter[i]) {
			v.items = append(v.items, v.finding(2*i), v.finding(2*i+1))
		}
	}
	for i := range v.plates {
		if v.listed(&v.plates[i], &v.byPlate[i]) {
			v.items = append(v.items, v.finding(2*len(v.printers)+i))
		}
	}
	v.settleCases(v.items, v.q.At)
	v.risks = v.forecast()
}

// listed tells whether a thing was in service in the window or has a start in
// it. What is not known of its service does not take it out.
func (v *view) listed(t *store.AnalysisThing, c *counts) bool {
	return c.started > 0 || !t.InServiceFrom.After(v.to) && (t.RetiredAt.IsZero() || t.RetiredAt.After(v.from))
}

// finding puts the counts of now beside the estimates of last midnight.
func (v *view) finding(i int) Finding {
	q := &v.fit.questions[i]
	c, subject := &v.byPrinter, v.printers
	if q.Kind == findings.PlateSubject {
		c, subject = &v.byPlate, v.plates
	}
	n := &(*c)[q.Index]
	f := Finding{Kind: q.Kind.String(), Subject: subject[q.Index].Tag, Cause: q.Cause.String(), State: q.State.String(),
		Starts: n.started, Graded: n.graded, N: n.known[q.Cause].n, Failures: n.known[q.Cause].failures,
		NExposed: n.exposed[q.Cause].n, FailuresExposed: n.exposed[q.Cause].failures,
		OddsRatio: q.OddsRatio, OddsLow: q.OddsLow, OddsHigh: q.OddsHigh, P: q.P, Q: q.Q,
		Avoidable: q.Avoidable, AvoidableLow: q.AvoidableLow, AvoidableHigh: q.AvoidableHigh, Reverse: q.Reverse}
	switch q.State {
	case findings.TooLittleData:
		f.Needs = q.Needs
		for _, x := range []*float64{&f.OddsRatio, &f.OddsLow, &f.OddsHigh, &f.P, &f.Q, &f.Avoidable, &f.AvoidableLow, &f.AvoidableHigh} {
			*x = unknown
		}
	}
	if v.chosen != nil {
		f.beside(q, &v.chosen.questions[i])
	}
	if q.Cause == findings.SkippedProbing {
		f.void = n.void
	}
	if f.State == "too_little_data" {
		f.Settle = settle(f.Needs, f.Graded, v.to.Sub(v.from))
	}
	f.Lot = v.shown[i]
	f.Summary = f.sentence(v.gapSplit)
	return f
}
