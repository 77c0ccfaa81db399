package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// PlanJob is an open job with what its starts came to by a time.
type PlanJob struct {
	Job, Material      string
	Needed             int     // good first layers; plates_needed, else quantity
	Hours              float64 // per plate; 0 unknown
	EarliestStart, Due *time.Time
	LateFee            *float64 // per hour
	Good               int
	Open               int      // not graded, and may still be good: not stopped, lost or thrown away
	Bed                *float64 // of the material, °C
}

// PlanPrinter is where a printer stands and until when its last start occupies it.
type PlanPrinter struct {
	Printer, Bay string
	SizeX, SizeY float64
	BusyUntil    *time.Time // by its job's hours; nil: free, or not known
	LastStart    *time.Time
	Held         bool
	LastBed      *float64 // of its last start's material, °C
	Changed      string   // service or offset: made since its last good first layer; "" none
}

// PlanPlate is a plate and whether it may be used.
type PlanPlate struct {
	Plate        string
	SizeX, SizeY *float64
	State        string
	Held         bool
}

// PlanShift is somebody's turn.
type PlanShift struct {
	Number   int32 // of the person
	Person   string
	From, To time.Time
}

// PlanRows is what a prep plan needs beside the risks, in the order of names.
type PlanRows struct {
	Jobs     []PlanJob
	Printers []PlanPrinter
	Plates   []PlanPlate
	Shifts   []PlanShift
}

// PlanRows reads open jobs, printers, plates and shifts not over, as of a time.
// With knownAt, records that arrived later are left out; things (jobs, shifts)
// are as they stand.
func (s *Store) PlanRows(ctx context.Context, at, knownAt time.Time) (*PlanRows, error) {
	tx, err := s.long(ctx)
	if err != nil {
		return nil, wrap("store.PlanRows", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	known := &knownAt
	if knownAt.IsZero() {
		known = nil
	}
	r := &PlanRows{}
	if r.Jobs, err = planRead[PlanJob](ctx, tx, planJobsSQL, at, known); err != nil {
		return nil, wrap("store.PlanRows", err)
	}
	if r.Printers, err = planRead[PlanPrinter](ctx, tx, planPrintersSQL, at, known); err != nil {
		return nil, wrap("store.PlanRows", err)
	}
	if r.Plates, err = planRead[PlanPlate](ctx, tx, planPlatesSQL, at, known); err != nil {
		return nil, wrap("store.PlanRows", err)
	}
	r.Shifts, err = planRead[PlanShift](ctx, tx, planShiftsSQL, at)
	return r, wrap("store.PlanRows", err)
}

func planRead[T any](ctx context.Context, tx pgx.Tx, query string, args ...any) ([]T, error) {
	rows, err := tx.Query(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[T])
}

// mayBeGoodSQL is true of a start f that nobody graded and that was not stopped,
// lost or thrown away: it may come out good.
const mayBeGoodSQL = `f.decision IS DISTINCT FROM 'stopped' AND coalesce(f.outcome = 'finished', true)`

// $1 at, $2 known at or null. A grade counts once it was given, and known.
const planJobsSQL = `
SELECT j.job, coalesce(m.material, ''), coalesce(j.plates_needed, j.quantity, 0), coalesce(j.hours_per_plate, 0),
	j.earliest_start, j.due, j.late_fee_per_hour, n.good, n.open, m.bed_temp_c
FROM jobs j LEFT JOIN materials m ON m.id = j.material
	CROSS JOIN LATERAL (
		SELECT count(*) FILTER (WHERE graded AND NOT ` + failureSQL + `)::int AS good,
			count(*) FILTER (WHERE NOT graded AND ` + mayBeGoodSQL + `)::int AS open
		FROM (SELECT x.*, x.grade IS NOT NULL AND coalesce(x.graded_at <= $1, true) AND ($2::timestamptz IS NULL OR x.filled_at IS NULL OR x.filled_at <= $2) AS graded
			FROM first_layers x WHERE x.job = j.id AND x.started_at <= $1 AND x.voided_at IS NULL AND ($2::timestamptz IS NULL OR x.arrived_at <= $2)) f) n
WHERE (j.closed_at IS NULL OR j.closed_at > $1) AND n.good < coalesce(j.plates_needed, j.quantity, 0)
ORDER BY j.job COLLATE "C"`

const planHeldSQL = `EXISTS (SELECT FROM holds h WHERE h.placed_at <= $1 AND (h.released_at IS NULL OR h.released_at > $1) AND h.voided_at IS NULL
	AND ($2::timestamptz IS NULL OR h.arrived_at <= $2) AND `

const planPrintersSQL = `
SELECT p.printer, coalesce(p.bay, ''), p.bed_x_mm, p.bed_y_mm,
	CASE WHEN l.outcome IS NULL AND l.decision IS DISTINCT FROM 'stopped' AND NOT coalesce(` + "l.grade = 'failed'" + `, false) THEN l.started_at + make_interval(secs => 3600 * j.hours_per_plate) END, l.started_at,
	` + planHeldSQL + `h.printer = p.id), l.bed_temp_c, coalesce(c.what, '')
FROM printers p
	LEFT JOIN LATERAL (
		SELECT f.started_at, f.outcome, f.decision, f.grade, f.job, m.bed_temp_c FROM first_layers f LEFT JOIN materials m ON m.id = f.material
		WHERE f.printer = p.id AND f.started_at <= $1 AND f.voided_at IS NULL AND ($2::timestamptz IS NULL OR f.arrived_at <= $2)
		ORDER BY f.started_at DESC, f.id DESC LIMIT 1) l ON true
	LEFT JOIN jobs j ON j.id = l.job
	LEFT JOIN LATERAL (
		SELECT x.what, x.at FROM (
			(SELECT 'service' AS what, s.done_at AS at FROM services s
			WHERE s.printer = p.id AND s.done_at <= $1 AND s.voided_at IS NULL AND ($2::timestamptz IS NULL OR s.arrived_at <= $2) ORDER BY s.done_at DESC LIMIT 1)
			UNION ALL
			(SELECT 'offset', o.changed_at FROM offset_changes o
			WHERE o.printer = p.id AND o.changed_at <= $1 AND o.voided_at IS NULL AND ($2::timestamptz IS NULL OR o.arrived_at <= $2) ORDER BY o.changed_at DESC LIMIT 1)) x
		WHERE NOT EXISTS (SELECT FROM first_layers f
			WHERE f.printer = p.id AND f.started_at >= x.at AND f.started_at <= $1 AND f.voided_at IS NULL AND ($2::timestamptz IS NULL OR f.arrived_at <= $2)
				AND f.grade IN ('clean', 'cosmetic') AND coalesce(f.graded_at <= $1, true) AND ($2::timestamptz IS NULL OR f.filled_at IS NULL OR f.filled_at <= $2))
		ORDER BY x.at DESC LIMIT 1) c ON true
WHERE (p.retired_at IS NULL OR p.retired_at > $1) AND (p.in_service_from IS NULL OR p.in_service_from <= $1)
ORDER BY p.printer COLLATE "C"`

const planPlatesSQL = `
SELECT l.plate, l.size_x_mm, l.size_y_mm, coalesce(t.state::text, 'in_use'), ` + planHeldSQL + `h.plate = l.id)
FROM plates l
	LEFT JOIN LATERAL (
		SELECT x.state FROM plate_states x
		WHERE x.plate = l.id AND x.at <= $1 AND x.voided_at IS NULL AND ($2::timestamptz IS NULL OR x.arrived_at <= $2)
		ORDER BY x.at DESC, x.id DESC LIMIT 1) t ON true
WHERE (l.retired_at IS NULL OR l.retired_at > $1) AND (l.in_service_from IS NULL OR l.in_service_from <= $1)
ORDER BY l.plate COLLATE "C"`

const planShiftsSQL = `
SELECT p.id, p.person, s.starts_at, s.ends_at FROM shifts s JOIN people p ON p.id = s.person
WHERE s.ends_at > $1 AND (s.cancelled_at IS NULL OR s.cancelled_at > $1)
ORDER BY p.person COLLATE "C", s.starts_at, s.ends_at`

// Turn is a shift of a person, by number.
type Turn struct {
	Person       int32
	Starts, Ends time.Time
}

// Turns reads the shifts that lie in a time or reach into it, by person and time.
func (s *Store) Turns(ctx context.Context, from, to time.Time) ([]Turn, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.pool.Query(ctx, `SELECT person, starts_at, ends_at FROM shifts
		WHERE starts_at < $2::timestamptz AND starts_at > $1::timestamptz - interval '3 days' AND ends_at > $1 AND cancelled_at IS NULL ORDER BY person, starts_at, ends_at LIMIT 20000`, from, to)
	if err != nil {
		return nil, wrap("store.Turns", err)
	}
	turns, err := pgx.CollectRows(list, pgx.RowToStructByPos[Turn])
	return turns, wrap("store.Turns", err)
}
