package store

import (
	"context"
	"time"

	"basecourse/internal/farm"
)

// LayerAround is what a diagnosis of one first layer needs beside exposures.
type LayerAround struct {
	Surface, Polymer string
	LastStart        time.Time // the printer's latest start, voided ones left out
	// PlateBefore is the other plate that the printer's latest start on another one
	// had, of the graded layers read; "" none.
	PlateBefore, SideBefore string
	// Printer are the printer's graded layers before it, Plate the plate's on other
	// printers; the oldest first, voided ones left out.
	Printer, Plate []*farm.FirstLayer
}

// LayersAround reads what stands around a first layer: its plate's surface, its
// material's polymer, and the graded layers of its printer and plate before it,
// at most limit of each. plate is the plate named or fitted, "" not known.
func (s *Store) LayersAround(ctx context.Context, f *farm.FirstLayer, plate string, limit int) (LayerAround, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var out LayerAround
	var latest *time.Time
	err := s.pool.QueryRow(ctx, `SELECT coalesce((SELECT surface::text FROM plates WHERE plate = $2), ''), coalesce((SELECT polymer FROM materials WHERE material = $3), ''),
		(SELECT max(started_at) FROM first_layers WHERE printer = p.id AND voided_at IS NULL) FROM printers p WHERE p.printer = $1`, f.Printer, plate, f.Material).
		Scan(&out.Surface, &out.Polymer, &latest)
	if err != nil {
		return out, wrap("store.LayersAround", err)
	}
	if latest != nil {
		out.LastStart = *latest
	}
	const before = ` AND t.started_at < $2 AND t.grade IS NOT NULL AND t.voided_at IS NULL`
	const last = ` ORDER BY t.started_at DESC, t.id DESC LIMIT $3`
	if out.Printer, err = s.layersBefore(ctx, ` WHERE t.printer = (SELECT id FROM printers WHERE printer = $1)`+before+last, f.Printer, f.StartedAt, limit); err != nil {
		return out, wrap("store.LayersAround", err)
	}
	for _, l := range out.Printer {
		if l.Plate != "" && l.Plate != plate {
			out.PlateBefore, out.SideBefore = l.Plate, l.PlateSide
		}
	}
	if plate != "" {
		out.Plate, err = s.layersBefore(ctx, ` WHERE t.plate = (SELECT id FROM plates WHERE plate = $1)`+before+` AND t.printer <> (SELECT id FROM printers WHERE printer = $4)`+last, plate, f.StartedAt, limit, f.Printer)
	}
	return out, wrap("store.LayersAround", err)
}

// layersBefore gives the layers of a query that names the newest first, the oldest
// first.
func (s *Store) layersBefore(ctx context.Context, rest string, args ...any) ([]*farm.FirstLayer, error) {
	list, err := s.take(ctx, farm.KindFirstLayer, rest, args...)
	if err != nil {
		return nil, err
	}
	out := make([]*farm.FirstLayer, len(list))
	for i, r := range list {
		out[len(list)-1-i] = r.(*farm.FirstLayer)
	}
	return out, nil
}
