package store

import (
	"context"
	"time"

	"basecourse/internal/upkeep"

	"github.com/jackc/pgx/v5"
)

// RiskDays reads the days from one on, in order: what was said of the risk of their
// starts, with what came. They are worked out once and kept (assess.readySaid).
func (s *Store) RiskDays(ctx context.Context, from time.Time) ([]upkeep.SaidDay, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT day, starts, bins, bin_graded, bin_expected, bin_failed, printers, printer_graded, printer_expected, printer_variance, printer_failed,
		materials, material_graded, material_expected, material_variance, material_failed FROM risk_days WHERE day >= $1 ORDER BY day`, from)
	if err != nil {
		return nil, wrap("store.RiskDays", err)
	}
	type sums struct {
		names    []string
		graded   []int32
		expected []float64
		variance []float64
		failed   []int32
	}
	list := func(x sums) []upkeep.Sum {
		out := make([]upkeep.Sum, len(x.names))
		for i := range out {
			out[i] = upkeep.Sum{Name: x.names[i], Graded: int(x.graded[i]), Expected: x.expected[i], Variance: x.variance[i], Failed: int(x.failed[i])}
		}
		return out
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (d upkeep.SaidDay, err error) {
		var steps []int16
		var bins, printers, materials sums
		err = r.Scan(&d.Day, &d.Starts, &steps, &bins.graded, &bins.expected, &bins.failed, &printers.names, &printers.graded, &printers.expected, &printers.variance, &printers.failed,
			&materials.names, &materials.graded, &materials.expected, &materials.variance, &materials.failed)
		for i, step := range steps {
			d.Bins = append(d.Bins, upkeep.Bin{Step: int(step), Graded: int(bins.graded[i]), Expected: bins.expected[i], Failed: int(bins.failed[i])})
		}
		d.Printers, d.Materials = list(printers), list(materials)
		return d, err
	})
	return out, wrap("store.RiskDays", err)
}

// KeepRiskDay keeps a day; one that is kept already stays as it is.
func (s *Store) KeepRiskDay(ctx context.Context, zone string, d *upkeep.SaidDay) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	graded := 0
	steps, n, expected, failed := []int16{}, []int32{}, []float64{}, []int32{}
	for _, b := range d.Bins {
		steps, n, expected, failed = append(steps, int16(b.Step)), append(n, int32(b.Graded)), append(expected, b.Expected), append(failed, int32(b.Failed))
		graded += b.Graded
	}
	args := []any{d.Day, zone, s.Now(), d.Starts, graded, steps, n, expected, failed}
	for _, list := range [][]upkeep.Sum{d.Printers, d.Materials} {
		names, n, expected, variance, failed := []string{}, []int32{}, []float64{}, []float64{}, []int32{}
		for _, x := range list {
			names, n, expected, variance, failed = append(names, x.Name), append(n, int32(x.Graded)), append(expected, x.Expected), append(variance, x.Variance), append(failed, int32(x.Failed))
		}
		args = append(args, names, n, expected, variance, failed)
	}
	_, err := s.pool.Exec(ctx, `INSERT INTO risk_days (day, zone, made_at, starts, graded, bins, bin_graded, bin_expected, bin_failed, printers, printer_graded, printer_expected, printer_variance, printer_failed,
		materials, material_graded, material_expected, material_variance, material_failed) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19) ON CONFLICT (day) DO NOTHING`, args...)
	return wrap("store.KeepRiskDay", err)
}
