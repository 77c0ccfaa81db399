package store

import (
	"cmp"
	"context"
	"maps"
	"slices"
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
	list, err := s.handActs(ctx, `a.via = 'page' AND a.why IS NULL AND ($1 = 0 OR a.id < $1)
		AND (EXISTS (SELECT FROM records r WHERE r.act = a.id AND r.kind IN (`+handKinds+`) AND (r.kind = 'first_layer') = $3 OFFSET 0)
			OR EXISTS (SELECT FROM changes c WHERE c.act = a.id AND `+filledByHand+` AND (`+ofGrading+`) = $3 OFFSET 0))
		ORDER BY a.id DESC LIMIT $2`, before, limit, grades)
	return list, wrap("store.HandActs", err)
}

// HandAct gives one act of a person at a page; NotFound when there is none.
func (s *Store) HandAct(ctx context.Context, id int64) (HandAct, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.handActs(ctx, `a.via = 'page' AND a.id = $1`, id)
	if err == nil && len(list) != 1 {
		err = fault.New(fault.NotFound, "there is no entry %d", id)
	}
	if err != nil {
		return HandAct{}, wrap("store.HandAct", err)
	}
	return list[0], nil
}

// handActs lists the acts that are asked for, the newest first, with what they recorded
// and filled, by kind and subject. It asks twice: which rows there are, and the tables of
// these for what they say. All tables in one question take the planner longer than the
// answer, on each connection anew.
func (s *Store) handActs(ctx context.Context, which string, args ...any) ([]HandAct, error) {
	rows, err := s.pool.Query(ctx, handKeysSQL(which), args...)
	if err != nil {
		return nil, err
	}
	var list []HandAct
	var entries []HandEntry
	var acts []int // of entries, in list
	asked := map[string]*handKeys{}
	var a HandAct
	var e HandEntry
	var happened time.Time
	var owner int32
	if _, err := pgx.ForEachRow(rows, []any{&a.ID, &a.At, &a.Person, &e.Kind, &e.ID, &happened, &owner, &e.Filled, &e.Field}, func() error {
		if len(list) == 0 || list[len(list)-1].ID != a.ID {
			list = append(list, HandAct{ID: a.ID, At: a.At, Person: a.Person})
		}
		k := asked[e.Kind]
		if k == nil {
			k = &handKeys{}
			asked[e.Kind] = k
		}
		k.places = append(k.places, int32(len(entries)))
		k.ids, k.happened, k.owners = append(k.ids, e.ID), append(k.happened, happened), append(k.owners, owner)
		k.fields, k.filled = append(k.fields, e.Field), append(k.filled, e.Filled)
		entries, acts = append(entries, e), append(acts, len(list)-1)
		return nil
	}); err != nil {
		return nil, err
	}
	var batch pgx.Batch
	for _, kind := range slices.Sorted(maps.Keys(asked)) {
		k := asked[kind]
		batch.Queue(handEntrySQL(farm.Kind(kind)), k.places, k.ids, k.happened, k.owners, k.fields, k.filled).Query(func(rows pgx.Rows) error {
			var place int32
			var e HandEntry
			_, err := pgx.ForEachRow(rows, []any{&place, &e.At, &e.EndedAt, &e.Subject, &e.Plate, &e.Other, &e.Code, &e.Person, &e.Detail, &e.FromMM, &e.ToMM, &e.Late, &e.Voided}, func() error {
				said := entries[place]
				e.Kind, e.ID, e.Filled, e.Field = said.Kind, said.ID, said.Filled, said.Field
				to := &list[acts[place]]
				to.Entries = append(to.Entries, e)
				return nil
			})
			return err
		})
	}
	if batch.Len() > 0 {
		if err := s.pool.SendBatch(ctx, &batch).Close(); err != nil {
			return nil, err
		}
	}
	for i := range list {
		slices.SortStableFunc(list[i].Entries, func(a, b HandEntry) int {
			return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Subject, b.Subject), a.At.Compare(b.At))
		})
	}
	return slices.DeleteFunc(list, func(a HandAct) bool { return len(a.Entries) == 0 }), nil
}

// handKeys are the rows of one kind that are asked for.
type handKeys struct {
	places   []int32
	ids      []uuid.UUID
	happened []time.Time
	owners   []int32
	fields   []string
	filled   []bool
}

// handKinds are what people record by hand; filledByHand is a change c that fills
// in what a record waited for: a release, an end, a grade, a decision, an outcome,
// or that nobody saw it.
const (
	handKinds    = `'first_layer', 'cleaning', 'probe', 'probe_skipped', 'offset_change', 'service', 'fitting', 'plate_state', 'hold', 'advice_done', 'task_skipped', 'handover', 'handover_entry'`
	filledByHand = `c.field IN ('released_at', 'removed_at', 'grade', 'decision', 'outcome', 'unseen')`
	ofGrading    = `c.field IN ('grade', 'decision', 'outcome', 'unseen')`
)

// handKeysSQL finds the rows that acts recorded or filled.
func handKeysSQL(which string) string {
	return `WITH a AS MATERIALIZED (SELECT a.id, a.at, coalesce(w.person, '') AS person FROM acts a LEFT JOIN people w ON w.id = a.person WHERE ` + which + `),
	x AS (
		SELECT a.id AS act, r.id, r.happened_at, r.owner, r.kind::text AS kind, false AS filled, '' AS field FROM a JOIN records r ON r.act = a.id WHERE r.kind IN (` + handKinds + `)
		UNION
		SELECT a.id, r.id, r.happened_at, r.owner, r.kind::text, true, CASE WHEN bool_or(c.field = 'grade') THEN 'grade' ELSE max(c.field) END FROM a JOIN changes c ON c.act = a.id AND ` + filledByHand + `
			JOIN records r ON r.id = c.record WHERE r.act <> a.id GROUP BY 1, 2, 3, 4, 5
	)
	SELECT a.id, a.at, a.person, x.kind, x.id, x.happened_at, x.owner, x.filled, x.field FROM a JOIN x ON x.act = a.id ORDER BY a.id DESC, x.kind, x.id`
}

// handColumns are what a row of a kind says, by the place records gives it; x is what the
// act did to it.
type handColumns struct {
	when, owner                                        string
	ended, subject, plate, other, code, person, detail string
	from, to                                           string
}

const printerOf, plateOf = `(SELECT printer FROM printers WHERE id = t.printer)`, `(SELECT plate FROM plates WHERE id = t.plate)`

var handTables = map[farm.Kind]handColumns{
	farm.KindFirstLayer: {when: "started_at", subject: printerOf, other: plateOf, person: "t.grader", detail: "t.marks",
		code: `CASE x.field WHEN 'outcome' THEN t.outcome::text WHEN 'decision' THEN t.decision::text WHEN 'unseen' THEN t.unseen::text ELSE t.grade::text END`},
	farm.KindCleaning: {when: "cleaned_at", owner: "t.plate = x.owner", subject: plateOf, plate: "true", other: "t.plate_side::text", code: "t.method::text", detail: "concat_ws(', ', t.agent, t.note)"},
	farm.KindProbe: {when: "probed_at", subject: printerOf, other: plateOf, code: "t.extent::text",
		detail: "CASE WHEN t.heights_mm IS NOT NULL THEN 'with a mesh of ' || t.columns || ' × ' || t.rows END"},
	farm.KindProbeSkipped: {when: "at", subject: printerOf, code: "t.reason::text", detail: "t.note"},
	farm.KindOffsetChange: {when: "changed_at", subject: printerOf, detail: "t.reason", from: "t.from_mm", to: "t.to_mm"},
	farm.KindService:      {when: "done_at", subject: printerOf, code: "t.work::text", detail: "t.note"},
	farm.KindFitting: {when: "fitted_at", owner: "t.plate = x.owner", ended: "t.removed_at", subject: plateOf, plate: "true", other: printerOf,
		code: "concat_ws(' ', t.plate_side::text, t.plate_turned::text)"},
	farm.KindPlateState: {when: "at", owner: "t.plate = x.owner", subject: plateOf, plate: "true", code: "t.state::text", detail: "t.reason"},
	farm.KindHold: {when: "placed_at", owner: "(t.printer = x.owner OR t.plate = x.owner)", ended: "t.released_at", subject: `coalesce(` + printerOf + `, ` + plateOf + `)`, plate: "t.plate IS NOT NULL",
		other: "t.release_reason", code: "t.release_is::text", person: "CASE WHEN x.filled THEN t.released_by ELSE t.person END", detail: "t.reason"},
	farm.KindAdviceDone: {when: "at", owner: "(t.printer = x.owner OR t.plate = x.owner)", subject: `coalesce(` + printerOf + `, ` + plateOf + `)`, plate: "t.plate IS NOT NULL",
		other: "t.action::text", code: "t.answer::text", detail: "t.reason"},
	farm.KindTaskSkipped:   {when: "at", subject: printerOf, other: "t.task::text", code: "t.reason::text", detail: `concat_ws(', ', ` + plateOf + `, t.note)`},
	farm.KindHandover:      {when: "at", owner: "x.owner = 0", detail: "t.note"},
	farm.KindHandoverEntry: {when: "at", owner: "x.owner = 0", other: "t.handover", code: "t.what::text", detail: "t.note"},
}

// handEntrySQL reads what rows of one kind say.
func handEntrySQL(kind farm.Kind) string {
	c := handTables[kind]
	text := func(column string) string { return `coalesce(` + cmp.Or(column, "NULL") + `, '')` }
	return `SELECT x.place, t.` + c.when + `, ` + cmp.Or(c.ended, "NULL::timestamptz") + `, ` + text(c.subject) + `, ` + cmp.Or(c.plate, "false") + `, ` + text(c.other) + `, ` + text(c.code) + `,
		coalesce(w.person, ''), ` + text(c.detail) + `, ` + cmp.Or(c.from, "NULL::float8") + `, ` + cmp.Or(c.to, "NULL::float8") + `,
		t.noted_at - t.` + c.when + ` > interval '24 hours', t.voided_at IS NOT NULL
	FROM unnest($1::int[], $2::uuid[], $3::timestamptz[], $4::int[], $5::text[], $6::bool[]) AS x (place, id, happened_at, owner, field, filled)
	JOIN ` + layouts[kind].Name + ` t ON t.id = x.id AND t.` + c.when + ` = x.happened_at AND ` + cmp.Or(c.owner, "t.printer = x.owner") + `
	LEFT JOIN people w ON w.id = ` + cmp.Or(c.person, "t.person")
}
