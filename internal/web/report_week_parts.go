package web

import (
	"context"
	"time"

	"basecourse/internal/store"
)

// weekChart is the rate of a week beside those before it, drawn and judged as Trends do.
func (s *Server) weekChart(ctx context.Context, from, to, until, now time.Time, zone *time.Location) (reportPart, error) {
	p := reportPart{id: "weeks", title: "Week by week", columns: []reportColumn{{"week", "", false}, {"from", "", false}, {"started", "", true}, {"graded", "", true}, {"failures", "", true}}}
	bounds := []time.Time{}
	for k := weeksBefore; k > 0; k-- {
		begin, _, _ := weekOf(weekName(from.In(zone).AddDate(0, 0, 3-7*k), zone), zone)
		bounds = append(bounds, begin)
	}
	bounds = append(bounds, from, to)
	got, err := s.store.Trends(ctx, store.TrendQuery{By: store.TrendAll, Bounds: bounds, Until: until, Zone: zone})
	if err != nil {
		return p, err
	}
	c := &trendsChart{q: trendsQuery{per: "week", by: "week"}, bounds: bounds, got: got, zone: zone, now: now, about: "the whole farm"}
	p.chart, _ = c.rateChart()
	p.chart.ID = "weeks-chart"
	for k, b := range got.Buckets {
		p.rows = append(p.rows, []reportCell{{value: weekName(bounds[k].Add(12*time.Hour), zone)}, {value: iso(bounds[k])}, {value: b.Started}, {value: b.Graded}, {value: b.Failures}})
	}
	return p, nil
}

// weekCases lists what was decided of cases.
func (s *Server) weekCases(ctx context.Context, from, to time.Time, zone *time.Location) (reportPart, error) {
	p := reportPart{id: "cases", title: "Cases decided", empty: "No case was decided in this week.",
		columns: []reportColumn{{"at", "When", false}, {"subject_kind", "", false}, {"subject", "Of", false}, {"cause", "Finding", false}, {"step", "It stands as", false}, {"state", "Evidence then", false}, {"why", "Why", false}}}
	steps, err := s.store.CaseStepsBetween(ctx, from, to)
	if err != nil {
		return p, err
	}
	for _, x := range steps {
		evidence := reportCell{text: "–"}
		if x.State != "" {
			evidence = reportCell{text: stateFor(evidenceStates, x.State).Word, value: x.State}
		}
		p.rows = append(p.rows, []reportCell{when(x.At, zone), {value: x.SubjectKind}, linked(x.Subject, s.findingHref(x.SubjectKind, x.Subject, x.Cause)+"#case"), {text: wordFor(causeWords, x.Cause), value: x.Cause},
			{text: wordFor(caseWords, x.Step), value: x.Step}, evidence, inWords(x.Reason)})
	}
	return p, nil
}
