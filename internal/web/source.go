package web

import (
	"context"
	"time"
)

// Findings gives the farm's findings. The pages and the API take them from here
// and compute nothing.
type Findings interface {
	// Latest gives the findings as of a time.
	Latest(ctx context.Context, at time.Time) (*FindingList, error)
	// Evidence gives what one finding rests on; NotFound for a question that is
	// not asked of the farm.
	Evidence(ctx context.Context, kind, tag, cause string, at time.Time) (*Evidence, error)
	// Answer gives the JSON object of data-contract section 4, byte for byte what
	// the command prints. Zero times are not given.
	Answer(ctx context.Context, at, knownAt, from, to time.Time) ([]byte, error)
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
	Missing     bool // could not be had just now
}

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
