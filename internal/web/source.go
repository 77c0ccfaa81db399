package web

import (
	"context"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// FreshFindings may wait a moment for what was recorded just now, where Latest would
// give those of a moment before; whoever gives Findings may also be one.
type FreshFindings interface {
	Fresh(ctx context.Context, at time.Time, seen store.DataVersion) (*FindingList, error)
}

// Findings gives the farm's findings. The pages and the API take them from here
// and compute nothing.
type Findings interface {
	// Latest gives the findings as of a time, or on a large farm those of a moment
	// before. Before there are any it waits for them as long as ctx allows. The
	// lists in the answer are shared: nobody may change them.
	//
	// seen is the version of the data that was read for the same page; its zero
	// value when none was.
	Latest(ctx context.Context, at time.Time, seen store.DataVersion) (*FindingList, error)
	// Evidence gives what one finding rests on; NotFound for a question that is
	// not asked of the farm.
	Evidence(ctx context.Context, kind, tag, cause string, at time.Time) (*Evidence, error)
	// Answer gives the JSON object of data-contract section 4, byte for byte what
	// the command prints. Zero times are not given.
	Answer(ctx context.Context, at, knownAt, from, to time.Time) ([]byte, error)
	// Risk gives the JSON object of data-contract section 5 in the same way.
	Risk(ctx context.Context, at, knownAt, from, to time.Time) ([]byte, error)
	// Plan gives the prep plan's JSON object in the same way; confidence, above 0
	// and below 1, that each job gets as many good ones as it needs.
	Plan(ctx context.Context, at, knownAt, from, to time.Time, confidence float64) ([]byte, error)
	// LatestPlan is Plan as of now, for pages; where it takes long it may be the one
	// of a moment ago.
	LatestPlan(ctx context.Context, now time.Time, confidence float64) ([]byte, error)
	// Upkeep does so with what is due, of one printer when its tag is given.
	Upkeep(ctx context.Context, at, knownAt, from, to time.Time, printer string) ([]byte, error)
}

// FindingList is the findings of a farm as of a time.
type FindingList struct {
	AsOf        time.Time
	From, To    time.Time // window: from < started_at <= to
	FirstLayers int
	Graded      int
	Failures    int
	GapSplit    float64 // median prints since cleaning; NaN when unknown
	Items       []Finding
	About       FindingsAbout     // where Items is about whom; nil: not made
	Lately      map[string]Lately // by printer: counts over the last LatelyDays of the window
	Risks       map[string][]Risk // by printer: of its next first layer, by material
	// Ahead is what is due before each printer's next start, and what comes next, by its
	// counts alone; nil: not known. How things stand is for whoever reads it to add.
	Ahead   map[string][]upkeep.Item
	Missing bool // could not be had just now
	Working bool // is being worked out for the first time
}

// FindingsAbout tells by kind and tag which items of a list are about a printer
// or a plate.
type FindingsAbout map[[2]string][]int

// NewFindingsAbout makes the table of a list.
func NewFindingsAbout(items []Finding) FindingsAbout {
	about := make(FindingsAbout, len(items))
	for i := range items {
		key := [2]string{items[i].Kind, items[i].Subject}
		about[key] = append(about[key], i)
	}
	return about
}

// LatelyDays is how many days the counts of Lately cover.
const LatelyDays = 14

// Lately counts a printer's first layers of the last days.
type Lately struct{ Started, Graded, Failures int }

// Risk is the chance that a printer's next first layer fails, with the plate on
// it ("" none) and a material ("" not noted).
type Risk struct {
	Plate, Material            string
	Last                       bool // the material of its last start
	Now, Cleaned, Probed, Both Chance
}

// Chance is a chance from 0 to 1 with its 95 % interval.
type Chance struct{ P, Low, High float64 }

// Finding is one answered question. Numbers that could not be estimated are
// NaN.
type Finding struct {
	Kind, Subject, Cause         string
	State                        string
	Case                         string // "" none
	Starts, Graded               int
	N, Failures                  int
	NExposed, FailuresExposed    int
	OddsRatio, OddsLow, OddsHigh float64
	Q                            float64
	Avoidable                    float64 // failures per 100 of N
	AvoidableLow, AvoidableHigh  float64
	Reverse                      bool
	Settle                       string // with too_little_data: "about 40 more graded layers"; "" unknown
	Summary                      string
}

// Evidence is what one finding rests on.
type Evidence struct {
	Finding
	From, To time.Time
	GapSplit float64
	// Cells are the groups that are compared, in order: by the probe's state
	// (valid, skipped, void, unknown) or by bands of prints since cleaning.
	Cells []EvidenceCell
	// Curve is failures per 100 by prints since cleaning, adjusted; may be empty.
	Curve []CurvePoint
	// Plain is failures per 100, exposed minus not, as counted.
	Plain, PlainLow, PlainHigh float64
	// Marks seen among failures and among good layers of the question.
	Marks                    []MarkCount
	FailedLayers, GoodLayers int // layers the marks are counted over
	Restarts                 int // starts left out of the comparison
	Differ                   string
	Method                   string
	Lot                      *LotShown // nil: nothing of it was drawn by lot
}

// LotShown is what draws of probing or wiping tell: failures of 100 starts that it spared.
type LotShown struct {
	Draws, Graded           int // that governed a start of the window
	Do, DoFailed            int // graded, drawn to do it
	Leave, LeaveFailed      int // graded, drawn to leave it
	Spared, Low, High       float64
	Followed                float64 // of 100 starts, by how many more it was done where the lot said so
	Done, DoneLow, DoneHigh float64 // among starts that followed it; NaN not to be told
	Alone                   bool    // by its own draws, not drawn towards the farm's
}

// EvidenceCell is one group of layers.
type EvidenceCell struct {
	Code     string  // valid, skipped, void, unknown; for gaps "band"
	Low      int     // of a band, prints since cleaning
	High     int     // -1: and more
	Mean     float64 // prints since cleaning of its graded layers; NaN without
	Started  int
	Graded   int
	Failures int
}

// CurvePoint is failures per 100 at a gap, with its pointwise 95 % band.
type CurvePoint struct {
	Gap           int
	At, Low, High float64
}

// MarkCount is how many layers show a mark.
type MarkCount struct {
	Mark   string
	Failed int
	Good   int
}
