package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// HandAct is one act of a person at a page and what it recorded.
type HandAct struct {
	ID      int64
	At      time.Time
	Person  string
	Entries []HandEntry // by kind and subject
}

// Standing counts the entries that are not voided.
func (a HandAct) Standing() int {
	n := 0
	for _, e := range a.Entries {
		if !e.Voided {
			n++
		}
	}
	return n
}

// HandEntry is one record of a HandAct: one it created, or one it filled.
type HandEntry struct {
	Kind    string
	ID      uuid.UUID
	At      time.Time // when it happened
	EndedAt *time.Time
	Filled  bool   // the act ended it (released, taken off), graded it, or told what was decided or became of it
	Field   string // of a first layer that was filled: grade, decision, outcome, unseen
	Subject string // tag of the printer or plate it is about
	Plate   bool   // the subject is a plate
	Other   string // the printer of a fitting, the plate of a probe
	Code    string // method, extent, reason, work, state
	Person  string
	Detail  string
	FromMM  *float64
	ToMM    *float64
	Late    bool // noted more than a day after it happened
	Voided  bool
}

// HandActs lists what people recorded at pages, newest first: grades, or all
// else; what was done to take something back is left out. Acts with a number
// below before (0: all), at most limit.
//
// OFFSET 0 keeps the planner from reading all records once for every act there is
// when only the latest are wanted.
func (s *Store) HandActs(ctx context.Context, grades bool, before int64, limit int) ([]HandAct, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, handActsSQL(`a.via = 'page' AND a.why IS NULL AND ($1 = 0 OR a.id < $1)
		AND (EXISTS (SELECT FROM records r WHERE r.act = a.id AND r.kind IN (`+handKinds+`) AND (r.kind = 'first_layer') = $3 OFFSET 0)
			OR EXISTS (SELECT FROM changes c WHERE c.act = a.id AND `+filledByHand+` AND (`+ofGrading+`) = $3 OFFSET 0))
		ORDER BY a.id DESC LIMIT $2`), before, limit, grades)
	if err != nil {
		return nil, wrap("store.HandActs", err)
	}
	list, err := collectActs(rows)
	return list, wrap("store.HandActs", err)
}

// HandAct gives one act of a person at a page; NotFound when there is none.
func (s *Store) HandAct(ctx context.Context, id int64) (HandAct, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, handActsSQL(`a.via = 'page' AND a.id = $1`), id)
	if err != nil {
		return HandAct{}, wrap("store.HandAct", err)
	}
	list, err := collectActs(rows)
	if err == nil && len(list) != 1 {
		err = fault.New(fault.NotFound, "there is no entry %d", id)
	}
	if err != nil {
		return HandAct{}, wrap("store.HandAct", err)
	}
	return list[0], nil
}

func collectActs(rows pgx.Rows) ([]HandAct, error) {
	var list []HandAct
	var a HandAct
	var e HandEntry
	_, err := pgx.ForEachRow(rows, []any{&a.ID, &a.At, &a.Person, &e.Kind, &e.ID, &e.At, &e.EndedAt, &e.Filled, &e.Subject, &e.Plate, &e.Other, &e.Code,
		&e.Person, &e.Detail, &e.FromMM, &e.ToMM, &e.Late, &e.Voided, &e.Field}, func() error {
		if len(list) == 0 || list[len(list)-1].ID != a.ID {
			list = append(list, HandAct{ID: a.ID, At: a.At, Person: a.Person})
		}
		last := &list[len(list)-1]
		last.Entries = append(last.Entries, e)
		return nil
	})
	if errors.Is(err, pgx.ErrNoRows) {
		err = nil
	}
	return list, err
}

// handKinds are what people record by hand; filledByHand is a change c that fills
// in what a record waited for: a release, an end, a grade, a decision, an outcome,
// or that nobody saw it.
const (
	handKinds    = `'first_layer', 'cleaning', 'probe', 'probe_skipped', 'offset_change', 'service', 'fitting', 'plate_state', 'hold', 'advice_done', 'task_skipped', 'handover', 'handover_entry'`
	filledByHand = `c.field IN ('released_at', 'removed_at', 'grade', 'decision', 'outcome', 'unseen')`
	ofGrading    = `c.field IN ('grade', 'decision', 'outcome', 'unseen')`
)

// Each event table by the place records gives; x is what the act did to it.
func handActsSQL(which string) string {
	part := func(kind farm.Kind, when, owner, columns string) string {
		return `
		SELECT t.id, t.` + when + ` AS at, ` + columns + `, t.noted_at - t.` + when + ` > interval '24 hours' AS late, t.voided_at IS NOT NULL AS voided
		FROM ` + layouts[kind].Name + ` t WHERE x.kind = '` + string(kind) + `' AND t.id = x.id AND t.` + when + ` = x.happened_at AND ` + owner
	}
	const printerOf, plateOf = `(SELECT printer FROM printers WHERE id = t.printer)`, `(SELECT plate FROM plates WHERE id = t.plate)`
	const none = `NULL::timestamptz AS ended_at`
	return `WITH a AS MATERIALIZED (SELECT a.id, a.at, coalesce(w.person, '') AS person FROM acts a LEFT JOIN people w ON w.id = a.person WHERE ` + which + `),
	x AS (
		SELECT a.id AS act, r.id, r.happened_at, r.owner, r.kind::text AS kind, false AS filled, '' AS field FROM a JOIN records r ON r.act = a.id WHERE r.kind IN (` + handKinds + `)
		UNION
		SELECT a.id, r.id, r.happened_at, r.owner, r.kind::text, true, CASE WHEN bool_or(c.field = 'grade') THEN 'grade' ELSE max(c.field) END FROM a JOIN changes c ON c.act = a.id AND ` + filledByHand + `
			JOIN records r ON r.id = c.record WHERE r.act <> a.id GROUP BY 1, 2, 3, 4, 5
	)
	SELECT a.id, a.at, a.person, x.kind, x.id, e.at, e.ended_at, x.filled, coalesce(e.subject, ''), e.plate, coalesce(e.other, ''), coalesce(e.code, ''),
		coalesce(w.person, ''), coalesce(e.detail, ''), e.from_mm, e.to_mm, e.late, e.voided, x.field
	FROM a JOIN x ON x.act = a.id CROSS JOIN LATERAL (` +
		part(farm.KindFirstLayer, "started_at", "t.printer = x.owner", none+`, `+printerOf+` AS subject, false AS plate, `+plateOf+` AS other, CASE x.field WHEN 'outcome' THEN t.outcome::text WHEN 'decision' THEN t.decision::text WHEN 'unseen' THEN t.unseen::text ELSE t.grade::text END AS code, t.grader AS person, t.marks AS detail, NULL::float8 AS from_mm, NULL::float8 AS to_mm`) + ` UNION ALL` +
		part(farm.KindCleaning, "cleaned_at", "t.plate = x.owner", none+`, `+plateOf+`, true, t.plate_side::text, t.method::text, t.person, concat_ws(', ', t.agent, t.note), NULL, NULL`) + ` UNION ALL` +
		part(farm.KindProbe, "probed_at", "t.printer = x.owner", none+`, `+printerOf+`, false, `+plateOf+`, t.extent::text, t.person, CASE WHEN t.heights_mm IS NOT NULL THEN 'with a mesh of ' || t.columns || ' × ' || t.rows END, NULL, NULL`) + ` UNION ALL` +
		part(farm.KindProbeSkipped, "at", "t.printer = x.owner", none+`, `+printerOf+`, false, NULL, t.reason::text, t.person, t.note, NULL, NULL`) + ` UNION ALL` +
		part(farm.KindOffsetChange, "changed_at", "t.printer = x.owner", none+`, `+printerOf+`, false, NULL, NULL, t.person, t.reason, t.from_mm, t.to_mm`) + ` UNION ALL` +
		part(farm.KindService, "done_at", "t.printer = x.owner", none+`, `+printerOf+`, false, NULL, t.work::text, t.person, t.note, NULL, NULL`) + ` UNION ALL` +
		part(farm.KindFitting, "fitted_at", "t.plate = x.owner", `t.removed_at, `+plateOf+`, true, `+printerOf+`, concat_ws(' ', t.plate_side::text, t.plate_turned::text), t.person, NULL, NULL, NULL`) + ` UNION ALL` +
		part(farm.KindPlateState, "at", "t.plate = x.owner", none+`, `+plateOf+`, true, NULL, t.state::text, t.person, t.reason, NULL, NULL`) + ` UNION ALL` +
		part(farm.KindHold, "placed_at", "(t.printer = x.owner OR t.plate = x.owner)", `t.released_at, coalesce(`+printerOf+`, `+plateOf+`), t.plate IS NOT NULL, t.release_reason, t.release_is::text, CASE WHEN x.filled THEN t.released_by ELSE t.person END, t.reason, NULL, NULL`) + ` UNION ALL` +
		part(farm.KindAdviceDone, "at", "(t.printer = x.owner OR t.plate = x.owner)", none+`, coalesce(`+printerOf+`, `+plateOf+`), t.plate IS NOT NULL, t.action::text, t.answer::text, t.person, t.reason, NULL, NULL`) + ` UNION ALL` +
		part(farm.KindTaskSkipped, "at", "t.printer = x.owner", none+`, `+printerOf+`, false, t.task::text, t.reason::text, t.person, concat_ws(', ', `+plateOf+`, t.note), NULL, NULL`) + ` UNION ALL` +
		part(farm.KindHandover, "at", "x.owner = 0", none+`, '', false, NULL, NULL, t.person, t.note, NULL, NULL`) + ` UNION ALL` +
		part(farm.KindHandoverEntry, "at", "x.owner = 0", none+`, '', false, t.handover, t.what::text, t.person, t.note, NULL, NULL`) +
		`) e LEFT JOIN people w ON w.id = e.person
	ORDER BY a.id DESC, x.kind, e.subject, e.at`
}
