package store

import (
	"context"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// CaseMark is one step of a case, short: where it stands from then on.
type CaseMark struct {
	Kind, Subject, Cause, Step string
	At                         time.Time
}

// CaseMarks lists the steps of all cases, the first first; without what was not known at
// knownAt where that is given.
func (s *Store) CaseMarks(ctx context.Context, knownAt time.Time) ([]CaseMark, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	r := &analysisReader{knownAt: knownAt}
	rows, err := s.pool.Query(ctx, `SELECT t.subject_kind::text AS kind, coalesce(p.printer, l.plate) AS subject, t.cause::text AS cause, t.step::text AS step, t.at
		FROM (SELECT * FROM case_steps WHERE `+r.visible()+`) t LEFT JOIN printers p ON p.id = t.printer LEFT JOIN plates l ON l.id = t.plate ORDER BY t.at, t.id`)
	if err != nil {
		return nil, wrap("store.CaseMarks", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[CaseMark])
	return list, wrap("store.CaseMarks", err)
}

// aboutFinding is the condition on one finding of a subject: $1 its tag, $2 the cause.
func aboutFinding(kind string) string {
	column := "printer"
	if kind == "plate" {
		column = "plate"
	}
	return ` WHERE t.` + column + ` = (SELECT id FROM ` + column + `s WHERE ` + column + ` = $1) AND t.cause::text = $2`
}

// CaseStepsOf lists the steps of one case, voided ones too, the first first. A subject
// nobody knows has none.
func (s *Store) CaseStepsOf(ctx context.Context, kind, subject, cause string) ([]*farm.CaseStep, error) {
	return takeAs[farm.CaseStep](ctx, s, "store.CaseStepsOf", farm.KindCaseStep, aboutFinding(kind)+` ORDER BY t.at, t.id`, subject, cause)
}

// CaseStepsBetween lists the steps of all cases with from < at <= to, the first first; voided
// ones are left out.
func (s *Store) CaseStepsBetween(ctx context.Context, from, to time.Time) ([]*farm.CaseStep, error) {
	return takeAs[farm.CaseStep](ctx, s, "store.CaseStepsBetween", farm.KindCaseStep, ` WHERE t.at > $1 AND t.at <= $2 AND t.voided_at IS NULL ORDER BY t.at, t.id LIMIT 1000`, from, to)
}

// TestsOf lists the planned tests of one finding, the latest first; voided ones are left
// out.
func (s *Store) TestsOf(ctx context.Context, kind, subject, cause string) ([]*farm.PlannedTest, error) {
	return takeAs[farm.PlannedTest](ctx, s, "store.TestsOf", farm.KindPlannedTest, aboutFinding(kind)+` AND t.voided_at IS NULL ORDER BY t.begins_at DESC, t.id DESC`, subject, cause)
}

// TestsKnown lists the planned tests of one finding that had begun by a time, the first
// first, as they were known at knownAt: without what arrived later, voidings too, and without
// an end that was told later or lies after the time.
func (s *Store) TestsKnown(ctx context.Context, kind, subject, cause string, at, knownAt time.Time) ([]*farm.PlannedTest, error) {
	r := &analysisReader{knownAt: knownAt}
	list, err := takeAs[farm.PlannedTest](ctx, s, "store.TestsKnown", farm.KindPlannedTest, aboutFinding(kind)+` AND t.begins_at <= $3 AND `+r.visible()+` ORDER BY t.begins_at, t.id`, subject, cause, at)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	ids := make([]uuid.UUID, len(list))
	for i, t := range list {
		ids[i] = t.ID.UUID
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT x.id FROM planned_tests x WHERE x.id = ANY ($1) AND x.ended_at <= $2 AND (filled_at IS NULL OR filled_at <= $3
		OR NOT EXISTS (SELECT FROM changes c JOIN acts a ON a.id = c.act WHERE c.record = x.id AND c.field = 'ended_at' AND a.at > $3))`, ids, at, knownAt)
	if err != nil {
		return nil, wrap("store.TestsKnown", err)
	}
	ended, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return nil, wrap("store.TestsKnown", err)
	}
	for _, t := range list {
		if !slices.Contains(ended, t.ID.UUID) {
			t.EndedAt, t.EndedBy, t.EndIs, t.EndReason = time.Time{}, "", "", ""
		}
	}
	return list, nil
}

// RunningTests lists the planned tests that have begun and not ended by a time, the first
// first.
func (s *Store) RunningTests(ctx context.Context, at time.Time) ([]*farm.PlannedTest, error) {
	return takeAs[farm.PlannedTest](ctx, s, "store.RunningTests", farm.KindPlannedTest,
		` WHERE t.begins_at <= $1 AND (t.ended_at IS NULL OR t.ended_at > $1) AND t.voided_at IS NULL ORDER BY t.begins_at, t.id`, at)
}

// PlannedTest gives one by its id as text; NotFound when there is none, or it was
// voided.
func (s *Store) PlannedTest(ctx context.Context, text string) (*farm.PlannedTest, error) {
	id, err := farm.NewID(farm.KindPlannedTest, text)
	if err != nil {
		id.UUID = uuid.Nil
	}
	list, err := takeAs[farm.PlannedTest](ctx, s, "store.PlannedTest", farm.KindPlannedTest,
		` WHERE t.id = $1 AND t.begins_at = (SELECT happened_at FROM records WHERE id = $1) AND t.voided_at IS NULL`, id.UUID)
	if err == nil && len(list) != 1 {
		err = fault.New(fault.NotFound, "There is no such test.")
	}
	if err != nil {
		return nil, wrap("store.PlannedTest", err)
	}
	return list[0], nil
}

// takeAs reads records of one kind.
func takeAs[R any](ctx context.Context, s *Store, name string, kind farm.Kind, rest string, args ...any) ([]*R, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, kind, rest, args...)
	if err != nil {
		return nil, wrap(name, err)
	}
	out := make([]*R, len(list))
	for i, r := range list {
		out[i] = r.(*R)
	}
	return out, nil
}
