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
	// plate_state, plate (one put onto the printer), printer (that the plate was put
	// onto) or policy.
	What   string
	Detail string // work, lot, method, state, tag or the policy's name
}

// TrendEvents lists what happened to a printer, a plate or both in from <= t <
// to: offset changes, services, plates put on, plates' deep cleanings, coats and
// states, and the first start with each lot, in order of time; and, without either
// too, the policies that began or ended, those about other printers and plates
// left out.
func (s *Store) TrendEvents(ctx context.Context, printer, plate string, from, to time.Time) ([]TrendEvent, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	// What is not asked for is left out of the query, so that each part goes by
	// the index of its printer or plate.
	var of []string
	parts := []string{`SELECT in_force_from AS at, 'policy' AS what, name || CASE WHEN ended = 'yes' THEN ' ended' ELSE '' END AS detail FROM policies
		WHERE in_force_from >= $3 AND in_force_from < $4 AND voided_at IS NULL
			AND ($1::text = '' OR policies.printer IS NULL OR policies.printer = (SELECT id FROM printers WHERE printer = $1))
			AND ($2::text = '' OR policies.plate IS NULL OR policies.plate = (SELECT id FROM plates WHERE plate = $2))`}
	if printer != "" {
		of = append(of, `printer = (SELECT id FROM printers WHERE printer = $1)`)
		parts = append(parts, `SELECT changed_at AS at, 'offset_change' AS what, '' AS detail FROM offset_changes WHERE `+of[0]+` AND changed_at >= $3 AND changed_at < $4 AND voided_at IS NULL`,
			`SELECT done_at, 'service', work::text FROM services WHERE `+of[0]+` AND done_at >= $3 AND done_at < $4 AND voided_at IS NULL`,
			`SELECT t.fitted_at, 'plate', l.plate FROM fittings t JOIN plates l ON l.id = t.plate
				WHERE t.printer = (SELECT id FROM printers WHERE printer = $1) AND t.fitted_at >= $3 AND t.fitted_at < $4 AND t.voided_at IS NULL AND ($2::text = '' OR l.plate = $2)`)
	}
	if plate != "" {
		is := `plate = (SELECT id FROM plates WHERE plate = $2)`
		of = append(of, is)
		parts = append(parts, `SELECT cleaned_at AS at, 'cleaning' AS what, method::text AS detail FROM cleanings
				WHERE `+is+` AND cleaned_at >= $3 AND cleaned_at < $4 AND voided_at IS NULL AND method IN ('deep', 'coat')`,
			`SELECT at, 'plate_state', state::text FROM plate_states WHERE `+is+` AND at >= $3 AND at < $4 AND voided_at IS NULL`)
		if printer == "" {
			parts = append(parts, `SELECT t.fitted_at, 'printer', p.printer FROM fittings t JOIN printers p ON p.id = t.printer
				WHERE t.plate = (SELECT id FROM plates WHERE plate = $2) AND t.fitted_at >= $3 AND t.fitted_at < $4 AND t.voided_at IS NULL`)
		}
	}
	if len(of) > 0 {
		parts = append(parts, `SELECT min(started_at), 'lot', lot FROM first_layers WHERE `+strings.Join(of, " AND ")+`
		AND started_at >= $3 AND started_at < $4 AND voided_at IS NULL AND lot IS NOT NULL GROUP BY lot`)
	}
	rows, err := s.pool.Query(ctx, strings.Join(parts, " UNION ALL ")+` ORDER BY at, what, detail`, printer, plate, from, to)
	if err != nil {
		return nil, wrap("store.TrendEvents", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[TrendEvent])
	return list, wrap("store.TrendEvents", err)
}
