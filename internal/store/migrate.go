package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"basecourse/internal/fault"
	"basecourse/migrations"

	"github.com/golang-migrate/migrate/v4"
	"github.com/golang-migrate/migrate/v4/database"
	pgxmigrate "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
)

// Advisory locks of the migrations, in a class of our own. startLock is held by
// the one process that migrates; fileLock is held by the backend that runs a
// file, inside the file's transaction: after a kill the process is gone at once
// while its backend may still be at work.
const (
	lockClass = 4715
	startLock = 1
	fileLock  = 2
)

// Migrate brings the database to the schema this program needs. Several
// processes may call it at once (one works, the others wait and find nothing to
// do), and a process killed at any moment leaves nothing for a person to
// repair: the next call goes on from there. A schema newer than this program is left
// as it is where it only added to what this program knows, and refused with both
// versions otherwise.
func Migrate(ctx context.Context, url string) error { return migrateTo(ctx, url, migrations.Latest) }

// MigrateTo brings the database up or down to a version; 0 is the empty
// database. Going down throws the farm away and is meant for tests and for
// leaving.
func MigrateTo(ctx context.Context, url string, version int) error {
	return migrateTo(ctx, url, version)
}

func migrateTo(ctx context.Context, url string, version int) error {
	return migrating(ctx, url, version, func(m *migrate.Migrate, done map[int]bool) error {
		if err := fillIn(m, done); err != nil {
			return err
		}
		if version == 0 {
			return m.Down()
		}
		return m.Migrate(uint(version))
	})
}

// migrateSome runs migrations on a database without any, lowest first, where wanted
// says so of the next one.
func migrateSome(ctx context.Context, url string, wanted func(version int) (bool, error)) error {
	return migrating(ctx, url, migrations.Latest, func(m *migrate.Migrate, _ map[int]bool) error {
		before, highest := database.NilVersion, database.NilVersion
		for _, v := range migrations.Numbers {
			yes, err := wanted(v)
			if err == nil && yes {
				if err = m.Force(before); err == nil {
					err = m.Steps(1)
				}
				highest = v
			}
			if err != nil {
				return err
			}
			before = v
		}
		return m.Force(highest)
	})
}

// migrating lets work use the library, under the locks that keep other starts away.
// version is where it is to lead.
func migrating(ctx context.Context, url string, version int, work func(m *migrate.Migrate, done map[int]bool) error) error {
	cfg, err := poolConfig(url)
	if err != nil {
		return err
	}
	conn := cfg.ConnConfig.Copy()
	conn.RuntimeParams["statement_timeout"] = "0"
	conn.RuntimeParams["lock_timeout"] = "0"
	conn.RuntimeParams["idle_in_transaction_session_timeout"] = "0"
	// The guard notices within seconds when its process is gone without a word.
	conn.RuntimeParams["tcp_keepalives_idle"] = "10"

	guard, err := pgx.ConnectConfig(ctx, conn)
	if err != nil {
		return wrap("store.Migrate", err)
	}
	defer func() { _ = guard.Close(context.WithoutCancel(ctx)) }()
	if _, err := guard.Exec(ctx, `SELECT pg_advisory_lock($1, $2)`, lockClass, startLock); err != nil {
		return wrap("store.Migrate", err)
	}
	if _, err := guard.Exec(ctx, `SELECT pg_advisory_lock($1, $2)`, lockClass, fileLock); err != nil {
		return wrap("store.Migrate", err)
	}
	if _, err := guard.Exec(ctx, `SELECT pg_advisory_unlock($1, $2)`, lockClass, fileLock); err != nil {
		return wrap("store.Migrate", err)
	}
	if _, err := guard.Exec(ctx, `CREATE TABLE IF NOT EXISTS schema_done (version integer PRIMARY KEY, done_at timestamptz NOT NULL DEFAULT now())`); err != nil {
		return rights(err, conn.User, conn.Database)
	}
	done, err := doneVersions(ctx, guard)
	if err != nil {
		return err
	}
	for v := range done {
		if v > migrations.Latest {
			if version != migrations.Latest {
				return newerSchema(v)
			}
			return wrap("store.Migrate", fits(ctx, guard)) // a newer program was here: there is nothing to add
		}
	}

	source, err := iofs.New(migrations.FS, ".")
	if err != nil {
		return fmt.Errorf("store.Migrate: %w", err)
	}
	db := stdlib.OpenDB(*conn)
	defer func() { _ = db.Close() }()
	driver, err := pgxmigrate.WithInstance(db, &pgxmigrate.Config{})
	if err != nil {
		return rights(err, conn.User, conn.Database)
	}
	m, err := migrate.NewWithInstance("embedded", source, "postgres", driver)
	if err != nil {
		return fmt.Errorf("store.Migrate: %w", err)
	}
	defer func() { _, _ = m.Close() }()
	m.LockTimeout = 10 * time.Minute
	if err := settle(m, done); err != nil {
		return rights(err, conn.User, conn.Database)
	}
	if err := work(m, done); err != nil && !errors.Is(err, migrate.ErrNoChange) {
		return rights(err, conn.User, conn.Database)
	}
	return nil
}

// settle sets the library's version to what is really there. It writes its
// version outside the file's transaction, so a crash between leaves it "dirty";
// schema_done is written inside and tells which files went in whole.
func settle(m *migrate.Migrate, done map[int]bool) error {
	highest := 0
	for v := range done {
		highest = max(highest, v)
	}
	version, dirty, err := m.Version()
	if errors.Is(err, migrate.ErrNilVersion) {
		version, dirty, err = 0, false, nil
	}
	if err != nil {
		return err
	}
	if !dirty && int(version) == highest {
		return nil
	}
	if highest == 0 {
		return m.Force(database.NilVersion)
	}
	return m.Force(highest)
}

// fillIn runs the files that are missing below the highest that went in, as where
// a database was made by a program that had not all of them yet. The library
// only ever goes on from its version, so it is set to the file before for each.
func fillIn(m *migrate.Migrate, done map[int]bool) error {
	highest := 0
	for v := range done {
		highest = max(highest, v)
	}
	before, filled := database.NilVersion, false
	for _, v := range migrations.Numbers {
		if v < highest && !done[v] {
			if err := m.Force(before); err != nil {
				return err
			}
			if err := m.Steps(1); err != nil {
				return err
			}
			filled = true
		}
		before = v
	}
	if !filled {
		return nil
	}
	return m.Force(highest)
}

func doneVersions(ctx context.Context, conn *pgx.Conn) (map[int]bool, error) {
	rows, err := conn.Query(ctx, `SELECT version FROM schema_done`)
	if err != nil {
		return nil, wrap("store.Migrate", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[int])
	if err != nil {
		return nil, wrap("store.Migrate", err)
	}
	done := map[int]bool{}
	for _, v := range list {
		done[v] = true
	}
	return done, nil
}

// rights says in a sentence what the owner lacks.
func rights(err error, user, db string) error {
	if sqlState(err) == "42501" || sqlState(err) == "" && errors.As(err, new(*database.Error)) {
		var inner *database.Error
		if errors.As(err, &inner) && sqlState(inner.OrigErr) != "42501" {
			return fmt.Errorf("store.Migrate: %w", err)
		}
		return fault.Wrap(fault.Forbidden, err, "the account %q may not create tables in database %q: let an administrator run `ALTER DATABASE %s OWNER TO %s` or `GRANT CREATE ON SCHEMA public TO %s`", user, db, db, user, user)
	}
	return wrap("store.Migrate", err)
}
