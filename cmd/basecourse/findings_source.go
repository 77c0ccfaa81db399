package main

import (
	"context"
	"sync"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/store"
	"basecourse/internal/web"
)

// findingsSource is where pages, API and command get the findings from.
type findingsSource struct {
	*assess.Assessor
	last *lastList
}

// lastList keeps the latest list in the form pages take, so that it is made once
// and not for every page.
type lastList struct {
	mu    sync.Mutex
	of    *assess.Finding // first of the list it was made from
	items []web.Finding
	about web.FindingsAbout
	days  map[string]web.Lately
	risks map[string][]web.Risk
}

func newFindings(st *store.Store) findingsSource {
	return findingsSource{assess.New(st), &lastList{}}
}

var _ web.Findings = findingsSource{}

// Latest gives the findings as of a time.
func (s findingsSource) Latest(ctx context.Context, at time.Time, seen store.DataVersion) (*web.FindingList, error) {
	return s.list(s.Assessor.Latest(ctx, at, seen))
}

// Fresh gives them for pages that are about findings.
func (s findingsSource) Fresh(ctx context.Context, at time.Time, seen store.DataVersion) (*web.FindingList, error) {
	return s.list(s.Assessor.Fresh(ctx, at, seen))
}

func (s findingsSource) list(f *assess.Findings, err error) (*web.FindingList, error) {
	if err != nil {
		return nil, err
	}
	list := &web.FindingList{AsOf: f.AsOf, From: f.From, To: f.To, FirstLayers: f.FirstLayers, Graded: f.Graded, Failures: f.Failures, GapSplit: f.GapSplit, Ahead: f.Ahead}
	if len(f.Items) > 0 {
		s.last.take(f, list)
	}
	return list, nil
}

// take gives a list what it shares with others of the same answer, made anew only
// when it is another one.
func (l *lastList) take(f *assess.Findings, list *web.FindingList) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.of != &f.Items[0] {
		l.of, l.items, l.days = &f.Items[0], make([]web.Finding, len(f.Items)), make(map[string]web.Lately, len(f.Lately))
		for i := range f.Items {
			l.items[i] = forPages(&f.Items[i])
		}
		for tag, n := range f.Lately {
			l.days[tag] = web.Lately(n)
		}
		l.about = web.NewFindingsAbout(l.items)
		l.risks = make(map[string][]web.Risk, len(f.Lately))
		for i := range f.Risks {
			r := &f.Risks[i]
			l.risks[r.Printer] = append(l.risks[r.Printer], web.Risk{Plate: r.Plate, Material: r.Material, Last: r.Last,
				Now: web.Chance(r.Now), Cleaned: web.Chance(r.Cleaned), Probed: web.Chance(r.Probed), Both: web.Chance(r.Both)})
		}
	}
	list.Items, list.About, list.Lately, list.Risks = l.items, l.about, l.days, l.risks
}

// Evidence gives what one finding rests on.
func (s findingsSource) Evidence(ctx context.Context, kind, tag, cause string, at time.Time) (*web.Evidence, error) {
	e, err := s.Assessor.Evidence(ctx, kind, tag, cause, at)
	if err != nil {
		return nil, err
	}
	w := &web.Evidence{Finding: forPages(&e.Finding), From: e.From, To: e.To, GapSplit: e.GapSplit,
		Plain: e.Plain, PlainLow: e.PlainLow, PlainHigh: e.PlainHigh,
		FailedLayers: e.FailedLayers, GoodLayers: e.GoodLayers, Restarts: e.Restarts, Differ: e.Differ, Method: e.Method}
	if l := e.Lot; l != nil {
		w.Lot = &web.LotShown{Draws: l.Draws, Graded: l.Graded, Do: l.Own.Do.Starts, DoFailed: l.Own.Do.Failures, Leave: l.Own.Leave.Starts, LeaveFailed: l.Own.Leave.Failures,
			Spared: l.Spared, Low: l.Low, High: l.High, Followed: l.Own.Followed, Done: l.Own.Done, DoneLow: l.Own.DoneLow, DoneHigh: l.Own.DoneHigh, Alone: l.Alone}
	}
	for _, c := range e.Cells {
		w.Cells = append(w.Cells, web.EvidenceCell(c))
	}
	for _, p := range e.Curve {
		w.Curve = append(w.Curve, web.CurvePoint(p))
	}
	for _, m := range e.Marks {
		w.Marks = append(w.Marks, web.MarkCount(m))
	}
	return w, nil
}

// Answer gives the JSON object that command and API print.
func (s findingsSource) Answer(ctx context.Context, at, knownAt, from, to time.Time) ([]byte, error) {
	f, err := s.Findings(ctx, assess.AsOf{At: at, KnownAt: knownAt, From: from, To: to})
	if err != nil {
		return nil, err
	}
	return f.JSON(), nil
}

// Risk gives the JSON object that command and API print.
func (s findingsSource) Risk(ctx context.Context, at, knownAt, from, to time.Time) ([]byte, error) {
	r, err := s.Risks(ctx, assess.AsOf{At: at, KnownAt: knownAt, From: from, To: to})
	if err != nil {
		return nil, err
	}
	return r.JSON(), nil
}

// Plan gives the JSON object that command and API print.
func (s findingsSource) Plan(ctx context.Context, at, knownAt, from, to time.Time, confidence float64) ([]byte, error) {
	p, err := s.Assessor.Plan(ctx, assess.AsOf{At: at, KnownAt: knownAt, From: from, To: to}, confidence)
	if err != nil {
		return nil, err
	}
	return p.JSON(), nil
}

// LatestPlan gives the plan in force for pages, with what names its tasks.
func (s findingsSource) LatestPlan(ctx context.Context, now time.Time, confidence float64) ([]byte, error) {
	p, err := s.Assessor.LatestPlan(ctx, now, confidence)
	if err != nil {
		return nil, err
	}
	return p.PageJSON(), nil
}

// Upkeep gives the JSON object that command and API print.
func (s findingsSource) Upkeep(ctx context.Context, at, knownAt, from, to time.Time, printer string) ([]byte, error) {
	u, err := s.Assessor.Upkeep(ctx, assess.AsOf{At: at, KnownAt: knownAt, From: from, To: to}, printer)
	if err != nil {
		return nil, err
	}
	return u.JSON(), nil
}

func forPages(f *assess.Finding) web.Finding {
	return web.Finding{Kind: f.Kind, Subject: f.Subject, Cause: f.Cause, State: f.State, Case: f.Case, Starts: f.Starts, Graded: f.Graded,
		N: f.N, Failures: f.Failures, NExposed: f.NExposed, FailuresExposed: f.FailuresExposed,
		OddsRatio: f.OddsRatio, OddsLow: f.OddsLow, OddsHigh: f.OddsHigh, Q: f.Q,
		Avoidable: f.Avoidable, AvoidableLow: f.AvoidableLow, AvoidableHigh: f.AvoidableHigh,
		Reverse: f.Reverse, Settle: f.Settle, Summary: f.Summary}
}
