package store

import (
	"context"
	"math"
	"time"

	"github.com/jackc/pgx/v5"
)

// Running is a print that is taken to go on: the last start of its printer, not
// failed, stopped or ended, within the hours that its job's plates take.
type Running struct {
	Printer, Job string
	Until        time.Time
}

// Running lists the prints that go on at a time. Starts without a job, or of a
// job that does not say how long a plate takes, are not among them; nor are
// starts more than a week old.
func (s *Store) Running(ctx context.Context, at time.Time) ([]Running, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT p.printer, j.job, f.started_at + j.hours_per_plate * interval '1 hour'
		FROM first_layers f JOIN jobs j ON j.id = f.job JOIN printers p ON p.id = f.printer
		WHERE f.started_at <= $1 AND f.started_at > $1 - least((SELECT coalesce(max(hours_per_plate), 0) FROM jobs), 168) * interval '1 hour'
			AND f.started_at + j.hours_per_plate * interval '1 hour' > $1 AND f.voided_at IS NULL AND f.outcome IS NULL
			AND f.grade IS DISTINCT FROM 'failed' AND f.decision IS DISTINCT FROM 'stopped'
			AND NOT EXISTS (SELECT FROM first_layers g WHERE g.printer = f.printer AND g.started_at > f.started_at AND g.started_at <= $1 AND g.voided_at IS NULL)
		ORDER BY p.printer COLLATE "C"`, at)
	if err != nil {
		return nil, wrap("store.Running", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Running])
	return list, wrap("store.Running", err)
}

// Room is how large a bed or plate is, in mm; NaN unknown. Surface is a plate's.
type Room struct {
	XMM, YMM float64
	Surface  string
}

// Rooms gives the beds of all printers and the sizes of all plates, by tag.
func (s *Store) Rooms(ctx context.Context) (beds, plates map[string]Room, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	read := func(sql string) (map[string]Room, error) {
		rows, err := s.pool.Query(ctx, sql)
		if err != nil {
			return nil, err
		}
		out := map[string]Room{}
		var tag string
		var x, y *float64
		var surface string
		_, err = pgx.ForEachRow(rows, []any{&tag, &x, &y, &surface}, func() error {
			r := Room{math.NaN(), math.NaN(), surface}
			if x != nil {
				r.XMM = *x
			}
			if y != nil {
				r.YMM = *y
			}
			out[tag] = r
			return nil
		})
		return out, err
	}
	if beds, err = read(`SELECT printer, bed_x_mm, bed_y_mm, '' FROM printers`); err == nil {
		plates, err = read(`SELECT plate, size_x_mm, size_y_mm, surface::text FROM plates`)
	}
	return beds, plates, wrap("store.Rooms", err)
}
