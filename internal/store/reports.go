package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// CareCount is how often something was done to printers and plates, or was left out.
type CareCount struct {
	What string // cleaning, probe, probe_skipped, task_skipped
	Code string // method, extent, reason, task
	N    int
}

// CareBetween counts upkeep with from < time <= to, of one thing or of all; voided
// records are left out.
func (s *Store) CareBetween(ctx context.Context, of Thing, from, to time.Time) ([]CareCount, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var rows pgx.Rows
	var err error
	const all = `SELECT what, code, count(*)::int FROM (
		SELECT 'cleaning' AS what, method::text AS code, plate, NULL::int AS printer FROM cleanings WHERE cleaned_at > $1 AND cleaned_at <= $2 AND voided_at IS NULL
		UNION ALL SELECT 'probe', coalesce(extent::text, 'full'), NULL, printer FROM probes WHERE probed_at > $1 AND probed_at <= $2 AND voided_at IS NULL
		UNION ALL SELECT 'probe_skipped', reason::text, NULL, printer FROM probes_skipped WHERE at > $1 AND at <= $2 AND voided_at IS NULL
		UNION ALL SELECT 'task_skipped', task::text, plate, printer FROM tasks_skipped WHERE at > $1 AND at <= $2 AND voided_at IS NULL) x`
	const order = ` GROUP BY 1, 2 ORDER BY 1, 3 DESC, 2`
	switch {
	case of.Printer != 0:
		rows, err = s.pool.Query(ctx, all+` WHERE printer = $3`+order, from, to, of.Printer)
	case of.Plate != 0:
		rows, err = s.pool.Query(ctx, all+` WHERE plate = $3`+order, from, to, of.Plate)
	default:
		rows, err = s.pool.Query(ctx, all+order, from, to)
	}
	if err != nil {
		return nil, wrap("store.CareBetween", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[CareCount])
	return list, wrap("store.CareBetween", err)
}

// WeekHold is a hold that was placed or released within a stretch.
type WeekHold struct {
	SubjectKind, Subject  string
	PlacedAt              time.Time
	ReleasedAt            *time.Time
	Reason, ReleaseReason string
}

// HoldsBetween lists holds placed or released with from < time <= to, the first first.
func (s *Store) HoldsBetween(ctx context.Context, from, to time.Time) ([]WeekHold, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT h.subject_kind::text, coalesce(p.printer, l.plate), h.placed_at, h.released_at, coalesce(h.reason, ''), coalesce(h.release_reason, '')
		FROM holds h LEFT JOIN printers p ON p.id = h.printer LEFT JOIN plates l ON l.id = h.plate
		WHERE h.voided_at IS NULL AND (h.placed_at > $1 AND h.placed_at <= $2 OR h.released_at > $1 AND h.released_at <= $2) ORDER BY h.placed_at, h.id LIMIT 500`, from, to)
	if err != nil {
		return nil, wrap("store.HoldsBetween", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[WeekHold])
	return list, wrap("store.HoldsBetween", err)
}

// MarksBetween counts a thing's graded first layers with from < started_at <= to by
// grade, and those that show each mark.
func (s *Store) MarksBetween(ctx context.Context, of Thing, from, to time.Time) (grades, marks map[string]int, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column, id := of.column()
	grades, marks = map[string]int{}, map[string]int{}
	rows, err := s.pool.Query(ctx, `SELECT what, code, count(*)::int FROM (
		SELECT 'grade' AS what, f.grade::text AS code FROM first_layers f WHERE f.`+column+` = $1 AND f.started_at > $2 AND f.started_at <= $3 AND f.voided_at IS NULL AND f.grade IS NOT NULL
		UNION ALL SELECT 'mark', m.mark FROM first_layers f, LATERAL (SELECT DISTINCT split_part(x, ':', 2) AS mark FROM unnest(string_to_array(f.marks, ' ')) x) m
			WHERE f.`+column+` = $1 AND f.started_at > $2 AND f.started_at <= $3 AND f.voided_at IS NULL AND f.marks IS NOT NULL) y GROUP BY 1, 2`, id, from, to)
	if err != nil {
		return nil, nil, wrap("store.MarksBetween", err)
	}
	var what, code string
	var n int
	_, err = pgx.ForEachRow(rows, []any{&what, &code, &n}, func() error {
		if what == "grade" {
			grades[code] = n
		} else {
			marks[code] = n
		}
		return nil
	})
	return grades, marks, wrap("store.MarksBetween", err)
}

// TrailLine is one thing the trail says of a record.
type TrailLine struct {
	Record                     uuid.UUID
	Kind                       string
	At                         time.Time
	Act                        int64
	Via, Person, Token, Device string
	Why, Field, Was, Became    string // no field: the record itself was stored
}

// TrailOf tells of records who stored and changed them, by what way, when and why, the
// first first; at most limit lines.
func (s *Store) TrailOf(ctx context.Context, records []uuid.UUID, limit int) ([]TrailLine, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
SELECT x.record, x.kind, a.at, a.id, a.via, coalesce(p.person, ''), coalesce(k.name, ''), coalesce(a.device, ''), coalesce(a.why, ''), x.field, coalesce(x.was, ''), coalesce(x.became, '')
FROM (
	SELECT r.id AS record, r.kind::text AS kind, r.act, '' AS field, NULL AS was, NULL AS became, 0::bigint AS nth FROM records r WHERE r.id = ANY ($1)
	UNION ALL SELECT c.record, c.kind, c.act, c.field, `+named("c.was")+`, `+named("c.became")+`, c.id FROM changes c WHERE c.record = ANY ($1)
) x JOIN acts a ON a.id = x.act LEFT JOIN people p ON p.id = a.person LEFT JOIN tokens k ON k.id = a.token
ORDER BY a.id, x.nth, x.record LIMIT $2`, records, limit)
	if err != nil {
		return nil, wrap("store.TrailOf", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[TrailLine])
	return list, wrap("store.TrailOf", err)
}

// ThingByTag finds a printer or a plate; NotFound when there is none.
func (s *Store) ThingByTag(ctx context.Context, kind, tag string) (Thing, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column := "printer"
	if kind == "plate" {
		column = "plate"
	}
	var id int32
	err := s.pool.QueryRow(ctx, `SELECT id FROM `+column+`s WHERE `+column+` = $1`, tag).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) {
		err = fault.New(fault.NotFound, "There is no %s %s.", column, fault.Quote(tag))
	}
	if err != nil {
		return Thing{}, wrap("store.ThingByTag", err)
	}
	if column == "plate" {
		return Thing{Plate: id}, nil
	}
	return Thing{Printer: id}, nil
}
