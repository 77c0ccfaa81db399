package store

import (
	"context"
	"time"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// RunningLayer is the last start of a printer while its print goes on and nobody has
// graded it.
type RunningLayer struct {
	ID       uuid.UUID
	At       time.Time
	Printer  string
	Bay      string
	Plate    string // as recorded with the start; "" not stated
	Job      string
	Material string
	Sent     bool       // At is when the job was sent: the layer began later
	Minutes  *float64   // that the job says a first layer takes
	Until    *time.Time // when the print is over by its job's hours; nil not known
	Held     *string    // why the printer is on hold; nil it is not
	Drawn    string     // what the look list drew: lot, risk, no; "" it was not drawn for
}

// RunningLayers lists the running first layers that nobody has graded at a time, of
// starts in the day before it, in no order. Where a job does not say how long a plate
// takes, a print is taken to run an hour, or until its first layer is covered. Each printer's last start is read at the
// end of an index.
func (s *Store) RunningLayers(ctx context.Context, at time.Time) ([]RunningLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		SELECT f.id, f.started_at AS at, p.printer, coalesce(p.bay, '') AS bay, coalesce(l.plate, '') AS plate, coalesce(j.job, '') AS job, coalesce(m.material, '') AS material,
			coalesce(f.start_is = 'sent', false) AS sent, j.first_layer_minutes AS minutes, f.started_at + j.hours_per_plate * interval '1 hour' AS until, h.reason AS held, coalesce(f.look_drawn::text, '') AS drawn
		FROM printers p CROSS JOIN LATERAL (SELECT * FROM first_layers x WHERE x.printer = p.id AND x.started_at <= $1 AND x.voided_at IS NULL ORDER BY x.started_at DESC, x.id DESC LIMIT 1) f
			LEFT JOIN jobs j ON j.id = f.job LEFT JOIN plates l ON l.id = f.plate LEFT JOIN materials m ON m.id = f.material
			LEFT JOIN LATERAL (SELECT coalesce(x.reason, '') AS reason FROM holds x WHERE x.printer = p.id AND x.placed_at <= $1 AND (x.released_at IS NULL OR x.released_at > $1) AND x.voided_at IS NULL
				ORDER BY x.placed_at DESC LIMIT 1) h ON true
		WHERE f.started_at > $1 - interval '24 hours' AND f.grade IS NULL AND f.outcome IS NULL AND f.unseen IS NULL AND f.decision IS DISTINCT FROM 'stopped'
			AND f.started_at + coalesce(j.hours_per_plate, greatest(1, j.first_layer_minutes / 30)) * interval '1 hour' > $1`, at)
	if err != nil {
		return nil, wrap("store.RunningLayers", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[RunningLayer])
	return list, wrap("store.RunningLayers", err)
}

// looksLearned is how many of a job's latest looks tell when its first layer is down.
const looksLearned = 40

// LookMinutes gives, by job, how many minutes after its start each of the latest first
// layers was graded that were looked at from above while they printed; starts that
// only say when they were sent tell nothing.
func (s *Store) LookMinutes(ctx context.Context, jobs []string, at time.Time) (map[string][]float64, error) {
	out := map[string][]float64{}
	if len(jobs) == 0 {
		return out, nil
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT j.job, f.minutes FROM jobs j CROSS JOIN LATERAL (
			SELECT extract(epoch FROM f.graded_at - f.started_at)::float8 / 60 AS minutes FROM (SELECT * FROM first_layers f
				WHERE f.job = j.id AND f.started_at < $2 ORDER BY f.started_at DESC LIMIT $4) f
			WHERE f.graded_at > f.started_at AND f.graded_at <= $2 AND f.seen_from = 'above_printing' AND f.start_is IS DISTINCT FROM 'sent' AND f.voided_at IS NULL
			LIMIT $3) f WHERE j.job = ANY ($1)`, jobs, at, looksLearned, 5*looksLearned)
	if err != nil {
		return nil, wrap("store.LookMinutes", err)
	}
	var job string
	var minutes float64
	_, err = pgx.ForEachRow(rows, []any{&job, &minutes}, func() error {
		out[job] = append(out[job], minutes)
		return nil
	})
	return out, wrap("store.LookMinutes", err)
}
