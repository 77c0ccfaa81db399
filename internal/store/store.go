// Package store is the only room with SQL: it keeps the farm's records in
// PostgreSQL and gives them back.
//
// What stands where: a file per subject. Every write goes through one function
// (write, in write.go), which opens the transaction, notes the act (who, by
// what, when) and gives the writer a place to note each change, so that record
// and change are stored together or not at all. Errors are refusals
// (*fault.Error) where somebody can do something about them; anything else is
// internal.
package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"basecourse/internal/fault"
	"basecourse/migrations"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Limits of one ordinary call. Long work (import, export, reading the whole
// history) runs under its caller's context and lifts the server's limit for its
// own transaction only.
const (
	callLimit    = 5 * time.Second
	connectLimit = 3 * time.Second
	maxConns     = 12
)

// Store is the farm's database.
type Store struct {
	pool     *pgxpool.Pool
	now      func() time.Time
	snapshot string        // what is read long is read at this instant of the database; "" is now
	told     chan struct{} // something was committed that was not told of yet
	together *together
	said     *atomic.Int64 // acts stored through this program, but for those of machines
	room     *fullness     // shared by copies that look at another instant
	tokens   *gathered[[32]byte, Token]
}

// Open connects to the farm's database by URL or keyword string and checks that
// its schema is the one this program works with (see Migrate). The pool is
// bounded (pool_max_conns in the URL raises it); statements, waits for locks
// and idle transactions have limits. change alters the pool before it opens, for
// whoever wants to watch its queries.
func Open(ctx context.Context, url string, change ...func(*pgxpool.Config)) (*Store, error) {
	cfg, err := poolConfig(url)
	if err != nil {
		return nil, err
	}
	for _, c := range change {
		c(cfg)
	}
	s := &Store{now: time.Now, told: make(chan struct{}, 1), room: &fullness{}, said: new(atomic.Int64), together: &together{alone: make(chan struct{}, aloneAtOnce)}}
	s.room.watch(cfg)
	if s.pool, err = pgxpool.NewWithConfig(ctx, cfg); err != nil {
		return nil, fmt.Errorf("store.Open: %w", err)
	}
	s.tokens = &gathered[[32]byte, Token]{ask: s.tokensByHash}
	if err := s.Ready(ctx); err != nil {
		s.pool.Close()
		return nil, err
	}
	return s, nil
}

func poolConfig(url string) (*pgxpool.Config, error) {
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		// The error quotes the address, which may hold a password.
		return nil, fault.New(fault.Invalid, "the database address (DATABASE_URL) cannot be read: expected postgres://USER@HOST:PORT/NAME or postgres:///NAME?host=/SOCKET/FOLDER")
	}
	if cfg.MaxConns < maxConns {
		cfg.MaxConns = maxConns
	}
	cfg.MaxConnIdleTime = 5 * time.Minute
	cfg.HealthCheckPeriod = 5 * time.Second
	cfg.ConnConfig.ConnectTimeout = connectLimit
	for name, value := range map[string]string{
		"application_name":                    "basecourse",
		"timezone":                            "UTC",
		"statement_timeout":                   "5s",
		"lock_timeout":                        "3s",
		"idle_in_transaction_session_timeout": "30s",
		"synchronous_commit":                  "on",  // what is answered as recorded is on disk
		"jit":                                 "off", // compiling takes longer than the short queries of pages
	} {
		cfg.ConnConfig.RuntimeParams[name] = value
	}
	return cfg, nil
}

// Close gives all connections back.
func (s *Store) Close() { s.pool.Close() }

// SetClock replaces the clock that says when a record arrives; for tests and
// for replaying an invented farm.
func (s *Store) SetClock(now func() time.Time) { s.now = now }

// Now is the server's time, to the database's microsecond.
func (s *Store) Now() time.Time { return s.now().UTC().Truncate(time.Microsecond) }

// Ready tells whether the database answers and has a schema this program can work
// on; a refusal of kind Busy when it does not answer.
func (s *Store) Ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, callLimit)
	defer cancel()
	return wrap("store.Ready", fits(ctx, s.pool))
}

// asked is what fits needs of a connection or a pool.
type asked interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// fits tells whether this program can work on the schema there is: the one it
// brings, or a newer one that only added to it, as while a farm is upgraded and old
// and new programs run side by side (schema_oldest says how old one may be).
func fits(ctx context.Context, db asked) error {
	var version, known int
	err := db.QueryRow(ctx, `SELECT coalesce(max(version), 0), count(*) FILTER (WHERE version = ANY ($1)) FROM schema_done`, migrations.Numbers).Scan(&version, &known)
	if isUndefinedTable(err) {
		err, version, known = nil, 0, 0
	}
	if err != nil {
		return err
	}
	switch {
	case version > migrations.Latest:
		var oldest int
		err := db.QueryRow(ctx, `SELECT version FROM schema_oldest`).Scan(&oldest)
		if err != nil && !isUndefinedTable(err) && !errors.Is(err, pgx.ErrNoRows) {
			return err
		}
		if err != nil || oldest > migrations.Latest || known < len(migrations.Numbers) {
			return newerSchema(version)
		}
	case version < migrations.Latest:
		return fault.New(fault.Busy, "the database has schema version %d and this program needs version %d: run `basecourse migrate`", version, migrations.Latest)
	case known < len(migrations.Numbers):
		return fault.New(fault.Busy, "the database lacks %d of the changes to its schema that this program needs: run `basecourse migrate`", len(migrations.Numbers)-known)
	}
	return nil
}

// isNewest tells that no newer program has brought its schema. What has to know
// every table (sealing the trail, checking it, taking a leaver's name away) is left
// to the newer one.
func isNewest(ctx context.Context, db asked) (yes bool, err error) {
	err = db.QueryRow(ctx, `SELECT NOT EXISTS (SELECT FROM schema_done WHERE version > $1)`, migrations.Latest).Scan(&yes)
	return yes, err
}

// needsNewest refuses what an older program would do by halves.
func needsNewest(ctx context.Context, db asked) error {
	yes, err := isNewest(ctx, db)
	if err == nil && !yes {
		return fault.New(fault.Conflict, "a newer program works on this farm and knows tables that this one does not: do this with the newer program")
	}
	return err
}

func newerSchema(version int) error {
	return fault.New(fault.Conflict, "the database has schema version %d and this program knows versions up to %d: start the newer program, or restore a backup made before the upgrade", version, migrations.Latest)
}

// brief bounds an ordinary call.
func brief(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, callLimit)
}

// long begins a read-only transaction without the server's statement limit, at
// one instant of the database.
func (s *Store) long(ctx context.Context) (pgx.Tx, error) {
	acquire, cancel := context.WithTimeout(ctx, callLimit)
	defer cancel()
	return s.pool.BeginTx(acquire, pgx.TxOptions{BeginQuery: strings.Join(s.beginLong(), `; `)}) // all in one round trip
}

// beginLong are the statements that begin what long does.
func (s *Store) beginLong() []string {
	list := []string{`BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY`, `SET LOCAL statement_timeout = 0`, `SET LOCAL idle_in_transaction_session_timeout = 0`}
	if s.snapshot != "" {
		list = append(list, `SET TRANSACTION SNAPSHOT '`+s.snapshot+`'`)
	}
	return list
}
