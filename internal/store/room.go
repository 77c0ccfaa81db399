package store

import (
	"context"
	"strings"
	"sync/atomic"
	"time"

	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// diskFull is the SQLSTATE of a server that has no room to write.
const diskFull = "53100"

// wordsFull is what a full disk is called wherever it shows.
const wordsFull = "the database's disk is full: nothing can be saved until there is room"

// probeEvery is how often a server that had no room is asked whether it has some.
const probeEvery = time.Second

// fullness remembers that the server had no room, because reading goes on as if
// nothing were wrong and would never show it.
type fullness struct {
	full  atomic.Bool
	asked atomic.Int64 // when the last probe began, µs of this process's clock
}

// watch hears of every error of the server on connections of a pool to be.
func (r *fullness) watch(cfg *pgxpool.Config) {
	before := cfg.ConnConfig.OnPgError
	cfg.ConnConfig.OnPgError = func(c *pgconn.PgConn, err *pgconn.PgError) bool {
		if err.Code == diskFull || strings.Contains(err.Message, "No space left on device") {
			r.full.Store(true)
		}
		return before == nil || before(c, err)
	}
}

// Room tells whether the database has room to write: a refusal of kind Busy after
// it had none, until a small write, which is taken back, works again. Asking is
// cheap while nothing is wrong, and at most once a second something else.
func (s *Store) Room(ctx context.Context) error {
	if !s.room.full.Load() {
		return nil
	}
	now, last := time.Now().UnixMicro(), s.room.asked.Load()
	if now-last >= probeEvery.Microseconds() && s.room.asked.CompareAndSwap(last, now) {
		if err := s.probeRoom(ctx); err == nil {
			s.room.full.Store(false)
			return nil
		}
	}
	return fault.New(fault.Busy, wordsFull)
}

// probeRoom writes half a megabyte into a table of its own and takes it back.
func (s *Store) probeRoom(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, connectLimit)
	defer cancel()
	tx, err := s.pool.Begin(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	// Text that cannot be packed, so that it needs the room it says; a temporary
	// table, so that next to nothing goes into the log that a full disk has no room for.
	_, err = tx.Exec(ctx, `CREATE TEMPORARY TABLE room_probe ON COMMIT DROP AS
		SELECT (SELECT string_agg(md5(i::text || j::text), '') FROM generate_series(1, 64) AS j) AS filled FROM generate_series(1, 256) AS i`)
	return err
}

// Crowded tells that every connection to the database is in use.
func (s *Store) Crowded() bool {
	stat := s.pool.Stat()
	return stat.AcquiredConns() >= stat.MaxConns()
}
