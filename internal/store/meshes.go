package store

import (
	"context"
	"time"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// MeshProbe is a probe with a mesh, in force.
type MeshProbe struct {
	ID        uuid.UUID
	At        time.Time
	Plate     string
	Side      string
	Turned    string
	BedTempC  *float64
	XMinMM    *float64
	XMaxMM    *float64
	YMinMM    *float64
	YMaxMM    *float64
	Columns   int
	Rows      int
	HeightsMM []float64 // row-major from the front left, NaN where missing
}

// MeshEvent is something between probes that may move a bed: a start, a fitting
// or a service.
type MeshEvent struct {
	Kind   string // first_layer, fitting, service
	At     time.Time
	Plate  string
	Side   string
	Turned string
}

// Meshes gives a printer's latest probes with a mesh by at, oldest first, at
// most limit, and what happened to the printer from the first of them on, in
// order. Voided records are left out.
func (s *Store) Meshes(ctx context.Context, printer string, at time.Time, limit int) ([]MeshProbe, []MeshEvent, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `
		SELECT * FROM (
			SELECT t.id, t.probed_at AS at, coalesce(l.plate, '') AS plate, coalesce(t.plate_side::text, '') AS side, coalesce(t.plate_turned::text, '') AS turned, t.bed_temp_c,
				t.x_min_mm, t.x_max_mm, t.y_min_mm, t.y_max_mm, t.columns::int AS columns, t.rows::int AS rows, array_replace(t.heights_mm, NULL, 'NaN'::float8) AS heights_mm
			FROM probes t LEFT JOIN plates l ON l.id = t.plate
			WHERE t.printer = (SELECT id FROM printers WHERE printer = $1) AND t.probed_at <= $2 AND t.voided_at IS NULL AND t.heights_mm IS NOT NULL
				AND coalesce(t.extent, 'full') = 'full'
			ORDER BY t.probed_at DESC, t.id DESC LIMIT $3) p
		ORDER BY at, id`, printer, at, limit)
	if err != nil {
		return nil, nil, wrap("store.Meshes", err)
	}
	probes, err := pgx.CollectRows(rows, pgx.RowToStructByName[MeshProbe])
	if err != nil || len(probes) == 0 {
		return nil, nil, wrap("store.Meshes", err)
	}
	rows, err = s.pool.Query(ctx, `
		WITH p AS (SELECT id FROM printers WHERE printer = $1)
		SELECT e.kind, e.at, coalesce(l.plate, '') AS plate, coalesce(e.side, '') AS side, coalesce(e.turned, '') AS turned FROM (
			SELECT 'service' AS kind, 0 AS rank, done_at AS at, NULL::int AS plate, NULL::text AS side, NULL::text AS turned FROM services WHERE printer = (SELECT id FROM p) AND done_at BETWEEN $2 AND $3 AND voided_at IS NULL
			UNION ALL
			SELECT 'fitting', 1, fitted_at, plate, plate_side::text, plate_turned::text FROM fittings WHERE printer = (SELECT id FROM p) AND fitted_at BETWEEN $2 AND $3 AND voided_at IS NULL
			UNION ALL
			SELECT 'first_layer', 2, started_at, plate, plate_side::text, plate_turned::text FROM first_layers WHERE printer = (SELECT id FROM p) AND started_at BETWEEN $2 AND $3 AND voided_at IS NULL) e
			LEFT JOIN plates l ON l.id = e.plate
		ORDER BY e.at, e.rank`, printer, probes[0].At, at)
	if err != nil {
		return nil, nil, wrap("store.Meshes", err)
	}
	events, err := pgx.CollectRows(rows, pgx.RowToStructByName[MeshEvent])
	return probes, events, wrap("store.Meshes", err)
}
