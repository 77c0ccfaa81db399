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
