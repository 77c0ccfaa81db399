package store

import (
	"context"
	"strings"
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
	// What is not asked for is left out of the query, so that each part goes by
	// the index of its printer or plate.
	var parts, of []string
	if printer != "" {
		of = append(of, `printer = (SELECT id FROM printers WHERE printer = $1)`)
		parts = append(parts, `SELECT changed_at AS at, 'offset_change' AS what, '' AS detail FROM offset_changes WHERE `+of[0]+` AND changed_at >= $3 AND changed_at < $4 AND voided_at IS NULL`,
			`SELECT done_at, 'service', work::text FROM services WHERE `+of[0]+` AND done_at >= $3 AND done_at < $4 AND voided_at IS NULL`)
	}
	if plate != "" {
		is := `plate = (SELECT id FROM plates WHERE plate = $2)`
		of = append(of, is)
		parts = append(parts, `SELECT cleaned_at AS at, 'cleaning' AS what, method::text AS detail FROM cleanings
				WHERE `+is+` AND cleaned_at >= $3 AND cleaned_at < $4 AND voided_at IS NULL AND method IN ('deep', 'coat')`,
			`SELECT at, 'plate_state', state::text FROM plate_states WHERE `+is+` AND at >= $3 AND at < $4 AND voided_at IS NULL`)
	}
	parts = append(parts, `SELECT min(started_at), 'lot', lot FROM first_layers WHERE `+strings.Join(of, " AND ")+`
		AND started_at >= $3 AND started_at < $4 AND voided_at IS NULL AND lot IS NOT NULL AND ($1::text || $2::text) IS NOT NULL GROUP BY lot`)
	rows, err := s.pool.Query(ctx, strings.Join(parts, " UNION ALL ")+` ORDER BY at, what, detail`, printer, plate, from, to)
	if err != nil {
		return nil, wrap("store.TrendEvents", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[TrendEvent])
	return list, wrap("store.TrendEvents", err)
}
