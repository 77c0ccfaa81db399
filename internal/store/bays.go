package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// Bays tells in which bay printers stand and plates lie at a time, by tag. A
// plate lies where its printer stands on which it was seen last and not taken
// off since; what is not known is not there.
type Bays struct{ Printers, Plates map[string]string }

// Bays reads the bays of printers, and with plates those of plates too.
func (s *Store) Bays(ctx context.Context, at time.Time, plates bool) (Bays, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	b := Bays{Printers: map[string]string{}, Plates: map[string]string{}}
	read := func(into map[string]string, query string, args ...any) error {
		rows, err := s.pool.Query(ctx, query, args...)
		if err != nil {
			return err
		}
		var tag, bay string
		_, err = pgx.ForEachRow(rows, []any{&tag, &bay}, func() error { into[tag] = bay; return nil })
		return err
	}
	if err := read(b.Printers, `SELECT printer, bay FROM printers WHERE bay IS NOT NULL`); err != nil {
		return b, wrap("store.Bays", err)
	}
	if plates {
		if err := read(b.Plates, plateBaysSQL, at); err != nil {
			return b, wrap("store.Bays", err)
		}
	}
	return b, nil
}

// $1 at.
var plateBaysSQL = `
SELECT l.plate, p.bay FROM plates l
	CROSS JOIN LATERAL (` + seenSQL("l.id", "$1") + `) seen
	JOIN printers p ON p.id = seen.printer
WHERE NOT seen.gone AND p.bay IS NOT NULL`

// seenSQL finds where a plate was seen last at a time: printer, when, and
// whether it was taken off since. At one instant a start follows a fitting.
func seenSQL(plate, at string) string {
	return `(SELECT t.printer, t.fitted_at AS at, coalesce(t.removed_at <= ` + at + `, false) AS gone, t.id FROM fittings t
			WHERE t.plate = ` + plate + ` AND t.fitted_at <= ` + at + ` AND t.voided_at IS NULL ORDER BY t.fitted_at DESC LIMIT ` + ties + `)
		UNION ALL
		(SELECT f.printer, f.started_at, false, f.id FROM first_layers f
			WHERE f.plate = ` + plate + ` AND f.started_at <= ` + at + ` AND f.voided_at IS NULL ORDER BY f.started_at DESC LIMIT ` + ties + `)
		ORDER BY at DESC, gone, id DESC LIMIT 1`
}
