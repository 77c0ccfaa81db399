package store

import (
	"context"
	"errors"

	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5"
)

// LatestProfile gives layer height, line width and line pitch, mm, of a
// printer's latest first layer in force; each is farm.Unknown where that start
// does not say it, and all are without a start. The printer is known by its tag;
// one nobody knows has no starts.
func (s *Store) LatestProfile(ctx context.Context, printer string) (heightMM, widthMM, pitchMM float64, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var h, w, p *float64
	err = s.pool.QueryRow(ctx, `SELECT t.layer_height_mm, t.line_width_mm, t.line_pitch_mm FROM first_layers t
		WHERE t.printer = (SELECT id FROM printers WHERE printer = $1) AND t.voided_at IS NULL
		ORDER BY t.started_at DESC, t.id DESC LIMIT 1`, printer).Scan(&h, &w, &p)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return 0, 0, 0, wrap("store.LatestProfile", err)
	}
	return orUnknown(h), orUnknown(w), orUnknown(p), nil
}

func orUnknown(x *float64) float64 {
	if x == nil {
		return farm.Unknown()
	}
	return *x
}
