package store

import (
	"context"
	"io"
	"time"

	"basecourse/internal/farm"

	"github.com/jackc/pgx/v5/pgxpool"
)

// BackupOld backs up a database of an older schema, as the program of its time
// did.
func BackupOld(ctx context.Context, url string, w io.Writer) error {
	cfg, err := poolConfig(url)
	if err != nil {
		return err
	}
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return err
	}
	defer pool.Close()
	_, err = (&Store{pool: pool, now: time.Now}).Backup(ctx, w, "old", func(context.Context, time.Time, *Store) ([]byte, error) { return []byte("{}"), nil })
	return err
}

// SetLiftAbove changes from which size a first import lifts the indexes, for
// tests; it returns what it was.
func SetLiftAbove(n int64) int64 {
	was := liftAbove
	liftAbove = n
	return was
}

// SQLState gives PostgreSQL's code of an error.
func SQLState(err error) string { return sqlState(err) }

// Pool is the store's own, for looking at what it stored.
func Pool(s *Store) *pgxpool.Pool { return s.pool }

// TableOf names the table of a kind of events.
func TableOf(kind farm.Kind) string { return layouts[kind].Name }

// CheckNamed lets a first import look up a printer, a plate and an act that its rows would
// name, by their numbers, beside ones that are there; 0: none, and its own act.
func CheckNamed(ctx context.Context, s *Store, printer, plate int32, act int64) error {
	l := layouts[farm.KindFirstLayer]
	return s.write(ctx, Act{Via: "import", Why: "test"}, func(w *writer) error {
		ids := [2]int32{printer, plate}
		var there [2]int32
		if err := w.tx.QueryRow(ctx, `SELECT min(printers.id), min(plates.id) FROM printers, plates`).Scan(&there[0], &there[1]); err != nil {
			return err
		}
		im := &importer{writer: w, named: namedThings{}}
		if act != 0 {
			im.act = act
		}
		named := im.named.of(l)
		for _, ids := range [][2]int32{there, {there[0], 0}, ids} {
			things := make([]int32, len(l.Fields))
			things[l.Field("printer")], things[l.Field("plate")] = ids[0], ids[1]
			note(named, things)
		}
		return im.checkReferences(ctx)
	})
}
