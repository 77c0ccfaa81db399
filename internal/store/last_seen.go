package store

import (
	"context"
	"time"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// Seen is what was last seen of a printer: the plate that was fitted or named by a
// first layer, whichever is later ("" none), and the material ("" not noted) and
// time of its last start (zero: none).
type Seen struct {
	Plate    string
	Material string
	At       time.Time
	// Starts tells of the printer's last starts, by id, what is no part of a history.
	Starts map[uuid.UUID]SeenStart
}

// SeenStart is a start's material ("" not noted), and whether it was graded.
type SeenStart struct {
	Material string
	Graded   bool
}

// LastSeen reads what was last seen of a printer at or before a time, by the ends
// of indexes, with so many of its starts. Whether the plate is still there is for
// exposures to say.
func (s *Store) LastSeen(ctx context.Context, printer string, at time.Time, starts int) (seen Seen, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	batch := &pgx.Batch{}
	batch.Queue(`SELECT coalesce((SELECT l.plate FROM (
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
		WHERE p.printer = $1`, printer, at).QueryRow(func(row pgx.Row) error {
		var started *time.Time
		if err := row.Scan(&seen.Plate, &seen.Material, &started); err != nil {
			return err
		}
		if started != nil {
			seen.At = *started
		}
		return nil
	})
	batch.Queue(`SELECT f.id, coalesce(m.material, ''), f.grade IS NOT NULL AND coalesce(f.graded_at, f.started_at) <= $2
		FROM first_layers f LEFT JOIN materials m ON m.id = f.material
		WHERE f.printer = (SELECT id FROM printers WHERE printer = $1) AND f.started_at <= $2 AND f.voided_at IS NULL
		ORDER BY f.started_at DESC, f.id DESC LIMIT $3`, printer, at, starts).Query(func(rows pgx.Rows) error {
		seen.Starts = make(map[uuid.UUID]SeenStart, starts)
		var id uuid.UUID
		var x SeenStart
		_, err := pgx.ForEachRow(rows, []any{&id, &x.Material, &x.Graded}, func() error {
			seen.Starts[id] = x
			return nil
		})
		return err
	})
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return seen, wrap("store.LastSeen", err)
	}
	return seen, nil
}
