package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Standing is what was said of printers and plates that decides whether anything is
// to be done to them, by tag.
type Standing struct {
	Printers, Plates map[string]string    // on hold: why ("" no reason given)
	Away             map[string]time.Time // plates in wash, set aside or retired: since when
	Skipped          map[string][]LeftOut // by printer, the latest
	Drawn            map[string][]Drawn   // by printer, the latest, the oldest of them first
}

// LeftOut is a task of upkeep that somebody left out. Plate is "" where it is about
// the printer.
type LeftOut struct {
	Task, Plate string
	At          time.Time
}

// Standing reads it as of a time, of one printer and the plate on it ("" none) when a tag is given.
// With knownAt, what arrived later is left out, the end of a hold and voidings too.
func (s *Store) Standing(ctx context.Context, at, knownAt time.Time, printer, plate string) (*Standing, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	r := &analysisReader{knownAt: knownAt}
	visible := r.visible()
	ended := "released_at <= $1"
	if !knownAt.IsZero() {
		// An end that was filled in later was not known.
		ended += " AND (filled_at IS NULL OR filled_at <= " + sqlTime(knownAt) + " OR NOT EXISTS (SELECT FROM changes c JOIN acts a ON a.id = c.act WHERE c.record = x.id AND c.field = 'released_at' AND a.at > " + sqlTime(knownAt) + "))"
	}
	out := &Standing{Printers: map[string]string{}, Plates: map[string]string{}, Away: map[string]time.Time{}, Skipped: map[string][]LeftOut{}, Drawn: map[string][]Drawn{}}
	batch := &pgx.Batch{}
	batch.Queue(`SELECT coalesce(p.printer, ''), coalesce(l.plate, ''), coalesce(x.reason, '') FROM holds x LEFT JOIN printers p ON p.id = x.printer LEFT JOIN plates l ON l.id = x.plate
		WHERE x.placed_at <= $1 AND NOT coalesce(`+ended+`, false) AND `+visible+` AND ($2 = '' OR p.printer = $2 OR l.plate = $3)
		ORDER BY x.placed_at, x.id`, at, printer, plate).Query(func(rows pgx.Rows) error {
		var tag, held, reason string
		_, err := pgx.ForEachRow(rows, []any{&tag, &held, &reason}, func() error {
			if tag != "" {
				out.Printers[tag] = reason
			} else {
				out.Plates[held] = reason
			}
			return nil
		})
		return err
	})
	batch.Queue(`SELECT l.plate, x.at FROM plates l CROSS JOIN LATERAL (
			SELECT at, state FROM plate_states WHERE plate = l.id AND at <= $1 AND `+visible+` ORDER BY at DESC, id DESC LIMIT 1) x
		WHERE x.state <> 'in_use' AND ($2 = '' OR l.plate = $3)`, at, printer, plate).Query(func(rows pgx.Rows) error {
		var plate string
		var since time.Time
		_, err := pgx.ForEachRow(rows, []any{&plate, &since}, func() error {
			out.Away[plate] = since
			return nil
		})
		return err
	})
	batch.Queue(`SELECT p.printer, x.task, coalesce(l.plate, ''), x.at FROM printers p CROSS JOIN LATERAL (
			(SELECT NULL::int AS plate, 'probe' AS task, at FROM probes_skipped WHERE printer = p.id AND at <= $1 AND `+visible+` ORDER BY at DESC LIMIT 1)
			UNION ALL
			(SELECT plate, task::text, at FROM tasks_skipped WHERE printer = p.id AND at <= $1 AND `+visible+` ORDER BY at DESC LIMIT 8)) x
		LEFT JOIN plates l ON l.id = x.plate WHERE $2 = '' OR p.printer = $2 ORDER BY x.at, x.task`, at, printer).Query(func(rows pgx.Rows) error {
		var tag string
		var x LeftOut
		_, err := pgx.ForEachRow(rows, []any{&tag, &x.Task, &x.Plate, &x.At}, func() error {
			out.Skipped[tag] = append(out.Skipped[tag], x)
			return nil
		})
		return err
	})
	batch.Queue(fmt.Sprintf(latestDraws, visible), at, printer).Query(func(rows pgx.Rows) error {
		var tag string
		var x Drawn
		_, err := pgx.ForEachRow(rows, []any{&tag, &x.Task, &x.Arm, &x.Why, &x.At, &x.Chance, &x.Saves}, func() error {
			out.Drawn[tag] = append(out.Drawn[tag], x)
			return nil
		})
		return err
	})
	if err := s.pool.SendBatch(ctx, batch).Close(); err != nil {
		return nil, wrap("store.Standing", err)
	}
	return out, nil
}
