package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// ThingLayer is one started first layer of a printer or plate, reduced to what
// its page sums: where it lay and which marks it showed.
type ThingLayer struct {
	StartedAt time.Time
	Other     string // the plate of a printer's layer, the printer of a plate's; "" not known
	Graded    bool
	Failed    bool
	Marks     string
	Covered   string
	Side      string
	Turned    string
	Cols      int // of the printer's zone grid
	Rows      int
}

// ThingLayers gives the latest first layers of a thing that started by at,
// newest first, voided ones left out; at most limit.
func (s *Store) ThingLayers(ctx context.Context, of Thing, at time.Time, limit int) ([]ThingLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column, id := of.column()
	other := "plate"
	if column == "plate" {
		other = "printer"
	}
	rows, err := s.pool.Query(ctx, `
		SELECT f.started_at, coalesce(o.`+other+`, '') AS other, f.grade IS NOT NULL AS graded, coalesce(`+failureSQL+`, false) AS failed, coalesce(f.marks, '') AS marks,
			coalesce(f.covered, '') AS covered, coalesce(f.plate_side::text, '') AS side, coalesce(f.plate_turned::text, '') AS turned, p.zone_cols::int AS cols, p.zone_rows::int AS rows
		FROM (SELECT * FROM first_layers WHERE `+column+` = $1 AND started_at <= $2 AND voided_at IS NULL ORDER BY started_at DESC, id DESC LIMIT $3) f
			JOIN printers p ON p.id = f.printer LEFT JOIN `+other+`s o ON o.id = f.`+other+`
		ORDER BY f.started_at DESC, f.id DESC`, id, at, limit)
	if err != nil {
		return nil, wrap("store.ThingLayers", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[ThingLayer])
	return list, wrap("store.ThingLayers", err)
}

// Counts are first layers started, graded and failed.
type Counts struct{ Started, Graded, Failures int }

// CountsOf counts a thing's first layers over each of some stretches, from <
// started_at <= to.
func (s *Store) CountsOf(ctx context.Context, of Thing, stretches ...[2]time.Time) ([]Counts, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column, id := of.column()
	batch := &pgx.Batch{}
	for _, x := range stretches {
		batch.Queue(`SELECT count(*)::int AS started, count(f.grade)::int AS graded, (count(*) FILTER (WHERE `+failureSQL+`))::int AS failures
			FROM first_layers f WHERE f.`+column+` = $1 AND f.started_at > $2 AND f.started_at <= $3 AND f.voided_at IS NULL`, id, x[0], x[1])
	}
	r := s.pool.SendBatch(ctx, batch)
	defer func() { _ = r.Close() }()
	out := make([]Counts, len(stretches))
	for i := range out {
		rows, err := r.Query()
		if err != nil {
			return nil, wrap("store.CountsOf", err)
		}
		if out[i], err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[Counts]); err != nil {
			return nil, wrap("store.CountsOf", err)
		}
	}
	return out, nil
}
