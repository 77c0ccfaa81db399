package webtest

import (
	"context"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/web"
)

// Findings answers what a test put there; its zero value is a farm without
// findings.
type Findings struct {
	List      web.FindingList
	Evidences []web.Evidence
	JSON      string
	RiskJSON  string
	PlanJSON  string
	DueJSON   string
	Err       error
}

// NoFindings is the answer of an empty farm.
const NoFindings = `{"as_of":"2026-03-09T14:00:00Z","known_at":null,"window":{"from":null,"to":null},"first_layers":0,"graded":0,"failures":0,"false_discovery_rate":0.05,"gap_split":null,"findings":[]}
`

// Latest gives the list.
func (f *Findings) Latest(context.Context, time.Time, store.DataVersion) (*web.FindingList, error) {
	list := f.List
	return &list, f.Err
}

// Evidence finds one by kind, tag and cause.
func (f *Findings) Evidence(_ context.Context, kind, tag, cause string, _ time.Time) (*web.Evidence, error) {
	for _, e := range f.Evidences {
		if e.Kind == kind && e.Subject == tag && e.Cause == cause {
			return &e, f.Err
		}
	}
	return nil, fault.New(fault.NotFound, "There is no %s %s.", kind, fault.Quote(tag))
}

// Answer gives the JSON.
func (f *Findings) Answer(context.Context, time.Time, time.Time, time.Time, time.Time) ([]byte, error) {
	if f.JSON == "" {
		return []byte(NoFindings), f.Err
	}
	return []byte(f.JSON), f.Err
}

// NoRisks is the answer of a farm without first layers.
const NoRisks = `{"as_of":"2026-03-09T14:00:00Z","items":[]}` + "\n"

// Risk gives the JSON.
func (f *Findings) Risk(context.Context, time.Time, time.Time, time.Time, time.Time) ([]byte, error) {
	if f.RiskJSON == "" {
		return []byte(NoRisks), f.Err
	}
	return []byte(f.RiskJSON), f.Err
}

// NoPlan is the answer of a farm without open jobs.
const NoPlan = `{"as_of":"2026-03-09T14:00:00Z","jobs":[],"tasks":[],"cost":0,"bound":0,"gap":null}` + "\n"

// Plan gives the JSON.
func (f *Findings) Plan(context.Context, time.Time, time.Time, time.Time, time.Time, float64) ([]byte, error) {
	if f.PlanJSON != "" {
		return []byte(f.PlanJSON), f.Err
	}
	return []byte(NoPlan), f.Err
}

// LatestPlan gives it too.
func (f *Findings) LatestPlan(ctx context.Context, now time.Time, confidence float64) ([]byte, error) {
	return f.Plan(ctx, now, time.Time{}, time.Time{}, time.Time{}, confidence)
}

// Upkeep gives the JSON.
func (f *Findings) Upkeep(context.Context, time.Time, time.Time, time.Time, time.Time, string) ([]byte, error) {
	if f.DueJSON == "" {
		return []byte(NoRisks), f.Err
	}
	return []byte(f.DueJSON), f.Err
}
