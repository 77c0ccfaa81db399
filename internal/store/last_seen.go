package store

import (
	"context"
	"time"
)

// Seen is what was last seen of a printer: the plate that was fitted or named by a
// first layer, whichever is later ("" none), and the material ("" not noted) and
// time of its last start (zero: none).
type Seen struct {
	Plate    string
	Material string
	At       time.Time
}

// LastSeen reads what was last seen of a printer at or before a time, by the ends
// of indexes. Whether the plate is still there is for exposures to say.
func (s *Store) LastSeen(ctx context.Context, printer string, at time.Time) (seen Seen, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var started *time.Time
	err = s.pool.QueryRow(ctx, `SELECT coalesce((SELECT l.plate FROM (
			(SELECT t.fitted_at AS at, 0 AS kind, t.id, t.plate FROM fittings t
				WHERE t.printer = p.id AND t.fitted_at <= $2 AND t.voided_at IS NULL ORDER BY t.fitted_at DESC, t.id DESC LIMIT 1)
			UNION ALL
			(SELECT f.started_at, 1, f.id, f.plate FROM first_layers f
				WHERE f.printer = p.id AND f.started_at <= $2 AND f.voided_at IS NULL AND f.plate IS NOT NULL ORDER BY f.started_at DESC, f.id DESC LIMIT 1)
			ORDER BY at DESC, kind DESC LIMIT 1) x JOIN plates l ON l.id = x.plate), ''),
			coalesce(m.material, ''), n.started_at
		FROM printers p
			LEFT JOIN LATERAL (SELECT f.started_at, f.material FROM first_layers f
				WHERE f.printer = p.id AND f.started_at <= $2 AND f.voided_at IS NULL ORDER BY f.started_at DESC, f.id DESC LIMIT 1) n ON true
			LEFT JOIN materials m ON m.id = n.material
		WHERE p.printer = $1`, printer, at).Scan(&seen.Plate, &seen.Material, &started)
	if err != nil {
		return seen, wrap("store.LastSeen", err)
	}
	if started != nil {
		seen.At = *started
	}
	return seen, nil
}
