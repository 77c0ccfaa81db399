package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// TrendEvent is something that happened to the one printer or plate a trend is
// of, and may explain a change.
type TrendEvent struct {
	At time.Time
	// What is offset_change, service, lot (the first start with it), cleaning,
	// or plate_state.
	What   string
	Detail string // work, lot, method or state
}

// TrendEvents lists what happened to a printer, a plate or both in from <= t <
// to: offset changes, services, plates' deep cleanings, coats and states, and
// the first start with each lot, in order of time. Without either it lists
// nothing.
func (s *Store) TrendEvents(ctx context.Context, printer, plate string, from, to time.Time) ([]TrendEvent, error) {
	if printer == "" && plate == "" {
		return nil, nil
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		WITH p AS (SELECT id FROM printers WHERE printer = $1), l AS (SELECT id FROM plates WHERE plate = $2), lots AS (
			SELECT f.lot, min(f.started_at) AS at FROM first_layers f
			WHERE ($1 = '' OR f.printer = (SELECT id FROM p)) AND ($2 = '' OR f.plate = (SELECT id FROM l))
				AND f.started_at >= $3 AND f.started_at < $4 AND f.voided_at IS NULL AND f.lot IS NOT NULL GROUP BY f.lot)
		SELECT changed_at AS at, 'offset_change' AS what, '' AS detail FROM offset_changes WHERE printer = (SELECT id FROM p) AND changed_at >= $3 AND changed_at < $4 AND voided_at IS NULL
		UNION ALL SELECT done_at, 'service', work::text FROM services WHERE printer = (SELECT id FROM p) AND done_at >= $3 AND done_at < $4 AND voided_at IS NULL
		UNION ALL SELECT cleaned_at, 'cleaning', method::text FROM cleanings
			WHERE plate = (SELECT id FROM l) AND cleaned_at >= $3 AND cleaned_at < $4 AND voided_at IS NULL AND method IN ('deep', 'coat')
		UNION ALL SELECT at, 'plate_state', state::text FROM plate_states WHERE plate = (SELECT id FROM l) AND at >= $3 AND at < $4 AND voided_at IS NULL
		UNION ALL SELECT at, 'lot', lot FROM lots
		ORDER BY at, what, detail`, printer, plate, from, to)
	if err != nil {
		return nil, wrap("store.TrendEvents", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[TrendEvent])
	return list, wrap("store.TrendEvents", err)
}
