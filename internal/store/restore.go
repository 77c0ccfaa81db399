package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"basecourse/internal/fault"
	"basecourse/migrations"

	"github.com/jackc/pgx/v5"
)

// Restored is what a restore brought back.
type Restored struct {
	Manifest
	Findings []byte // as they were when the backup was taken
}

// Restore brings a backup back into an empty database: one without tables, or with
// our tables and nothing in them. The backup is read through first. Then the
// schema of its time is made, all rows go in and are read back against the digests
// in one transaction, and only then is the schema brought up to this program's.
// Whatever goes wrong before that leaves an empty database. Nothing is noted as an
// act: the farm is to be what it was.
func Restore(ctx context.Context, url, path string) (*Restored, error) {
	b, err := openBackup(ctx, path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = b.Close() }()
	switch {
	case b.Schema > migrations.Latest:
		return nil, fault.New(fault.Conflict, "%s: the backup has schema version %d and this program knows versions up to %d: restore it with the newer program", path, b.Schema, migrations.Latest)
	case !slices.Contains(migrations.Numbers, b.Schema), slices.ContainsFunc(b.Done, func(v int) bool { return !slices.Contains(migrations.Numbers, v) }):
		return nil, fault.New(fault.Invalid, "%s: the backup has schema version %d, which this program never had", path, b.Schema)
	}
	cfg, err := poolConfig(url)
	if err != nil {
		return nil, err
	}
	for _, name := range []string{"statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout"} {
		cfg.ConnConfig.RuntimeParams[name] = "0"
	}
	conn, err := pgx.ConnectConfig(ctx, cfg.ConnConfig)
	if err != nil {
		return nil, wrap("store.Restore", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if err := pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error { return mustBeEmpty(ctx, tx) }); err != nil {
		return nil, wrap("store.Restore", err)
	}
	if err := b.makeSchema(ctx, url, conn); err != nil {
		return nil, err
	}
	if err := pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error { return b.load(ctx, tx) }); err != nil {
		return nil, wrap("store.Restore", err)
	}
	if err := Migrate(ctx, url); err != nil {
		return nil, err
	}
	if _, err := conn.Exec(ctx, `ANALYZE`); err != nil {
		return nil, wrap("store.Restore", err)
	}
	return &Restored{Manifest: b.Manifest, Findings: b.findings}, nil
}

// mustBeEmpty refuses a database that holds anything.
func mustBeEmpty(ctx context.Context, tx pgx.Tx) error {
	list, err := tablesOf(ctx, tx)
	if err != nil || len(list) == 0 {
		return err
	}
	var ours bool
	if err := tx.QueryRow(ctx, `SELECT to_regclass(current_schema() || '.schema_done') IS NOT NULL`).Scan(&ours); err != nil {
		return err
	}
	if !ours {
		return fault.New(fault.Conflict, "the database holds tables of something else (%s): a backup goes into an empty database only", list[0].Name)
	}
	var full []string
	for _, t := range list {
		var some bool
		if err := tx.QueryRow(ctx, `SELECT EXISTS (SELECT FROM `+pgx.Identifier{t.Name}.Sanitize()+`)`).Scan(&some); err != nil {
			return err
		}
		if some {
			full = append(full, t.Name)
		}
	}
	if len(full) > 0 {
		return fault.New(fault.Conflict, "the database is not empty (there is something in %s): a backup goes into an empty database only, so that nothing is overwritten; name another one", strings.Join(full, ", "))
	}
	return nil
}

// load puts every row in and reads it back.
func (b *backupFile) load(ctx context.Context, tx pgx.Tx) error {
	if err := sameText(ctx, tx); err != nil {
		return err
	}
	there, err := tablesOf(ctx, tx)
	if err != nil {
		return err
	}
	for _, t := range there {
		// Nobody writes in between, and nobody did since it was looked at.
		if _, err := tx.Exec(ctx, `LOCK TABLE `+pgx.Identifier{t.Name}.Sanitize()+` IN ACCESS EXCLUSIVE MODE`); err != nil {
			return err
		}
	}
	if err := mustBeEmpty(ctx, tx); err != nil {
		return err
	}
	if err := b.sameSchema(there); err != nil {
		return err
	}
	order, err := parentsFirst(ctx, tx, there)
	if err != nil {
		return err
	}
	for _, i := range order {
		if err := b.loadTable(ctx, tx, &b.Tables[i]); err != nil {
			return fmt.Errorf("%s: %w", b.Tables[i].Name, err)
		}
	}
	for _, q := range b.Sequences {
		if q.Last == nil {
			continue
		}
		if _, err := tx.Exec(ctx, `SELECT setval($1::text::regclass, $2)`, pgx.Identifier{q.Name}.Sanitize(), *q.Last); err != nil {
			return err
		}
	}
	return nil
}

// sameSchema holds the backup's tables against those of its schema's version. A table
// that held nothing and is none of today's migrations' is left out: migration 15 once
// made one that 13 makes today.
func (b *backupFile) sameSchema(there []BackupTable) error {
	b.Tables = slices.DeleteFunc(b.Tables, func(t BackupTable) bool {
		return t.Rows == 0 && !slices.ContainsFunc(there, func(x BackupTable) bool { return x.Name == t.Name })
	})
	if !sameTables(b.Tables, there) {
		return fault.New(fault.Invalid, "%s: the backup's tables are not those of schema version %d: it was not written by this program's line of versions", b.path, b.Schema)
	}
	return nil
}

// sameTables compares names of tables and columns. Columns stand in the order their
// migrations were run in, which is not that of the numbers where one was filled in.
func sameTables(a, b []BackupTable) bool {
	return slices.EqualFunc(a, b, func(x, y BackupTable) bool {
		return x.Name == y.Name && slices.Equal(slices.Sorted(slices.Values(x.Columns)), slices.Sorted(slices.Values(y.Columns)))
	})
}

// makeSchema makes the tables of the backup's time. Migrations land out of order, so
// a program may have had one and lacked lower ones. Which ones it had the backup says;
// where it was written before backups did, its tables and columns tell.
func (b *backupFile) makeSchema(ctx context.Context, url string, conn *pgx.Conn) error {
	all := slices.DeleteFunc(slices.Clone(migrations.Numbers), func(v int) bool { return v > b.Schema })
	if len(b.Done) == 0 || slices.Equal(b.Done, all) {
		if err := MigrateTo(ctx, url, b.Schema); err != nil || len(b.Done) > 0 {
			return err
		}
		same := false
		err := pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
			there, err := tablesOf(ctx, tx)
			same = sameTables(b.Tables, there)
			return err
		})
		if err != nil || same {
			return wrap("store.Restore", err)
		}
	}
	if err := MigrateTo(ctx, url, 0); err != nil {
		return err
	}
	if len(b.Done) > 0 {
		return migrateSome(ctx, url, func(v int) (bool, error) { return slices.Contains(b.Done, v), nil })
	}
	kept := map[string]bool{}
	for _, t := range b.Tables {
		for _, c := range t.Columns {
			kept[t.Name+"."+c] = true
		}
	}
	return migrateSome(ctx, url, func(v int) (bool, error) {
		if v > b.Schema {
			return false, nil
		}
		return addsOnly(ctx, conn, v, kept)
	})
}

// addsOnly tries a migration, takes it back, and tells whether all tables and columns
// there were then are among those that are kept. One that cannot be run, because it
// builds on another that is not there, is none of the backup's.
func addsOnly(ctx context.Context, conn *pgx.Conn, version int, kept map[string]bool) (yes bool, err error) {
	files, err := fs.Glob(migrations.FS, fmt.Sprintf("%06d_*.up.sql", version))
	if err != nil || len(files) != 1 {
		return false, fmt.Errorf("store.Restore: migration %d: %v, %w", version, files, err)
	}
	sql, err := fs.ReadFile(migrations.FS, files[0])
	if err != nil {
		return false, fmt.Errorf("store.Restore: %w", err)
	}
	tx, err := conn.Begin(ctx)
	if err != nil {
		return false, wrap("store.Restore", err)
	}
	defer func() { err = errors.Join(err, wrap("store.Restore", tx.Rollback(ctx))) }()
	if _, err := tx.Exec(ctx, string(sql)); sqlState(err) != "" {
		return false, nil
	} else if err != nil {
		return false, wrap("store.Restore", err)
	}
	there, err := tablesOf(ctx, tx)
	return !slices.ContainsFunc(there, func(t BackupTable) bool {
		return slices.ContainsFunc(t.Columns, func(c string) bool { return !kept[t.Name+"."+c] })
	}), wrap("store.Restore", err)
}

// loadTable puts a table's rows in and reads them back. The triggers that check
// and refuse ordinary writing rest meanwhile: what the backup holds went past them
// once, and the digests say that it is the same.
func (b *backupFile) loadTable(ctx context.Context, tx pgx.Tx, t *BackupTable) error {
	name := pgx.Identifier{t.Name}.Sanitize()
	if _, err := tx.Exec(ctx, `ALTER TABLE `+name+` DISABLE TRIGGER USER`); err != nil {
		return err
	}
	pipe, w := io.Pipe()
	go func() { _ = w.CloseWithError(b.stream(ctx, t.Name, w)) }()
	_, err := tx.Conn().PgConn().CopyFrom(ctx, pipe, "COPY "+t.copySQL()+" FROM STDIN")
	_ = pipe.Close()
	if err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `ALTER TABLE `+name+` ENABLE TRIGGER USER`); err != nil {
		return err
	}
	back := BackupTable{Name: t.Name, Columns: t.Columns}
	if err := copyOut(ctx, tx, &back, io.Discard); err != nil {
		return err
	}
	if back.Rows != t.Rows || back.Content != t.Content {
		return fault.New(fault.Internal, "the rows read back are not those of the backup (%d of %d): nothing was kept", back.Rows, t.Rows)
	}
	return nil
}

// parentsFirst orders tables so that what a foreign key names is there before it
// is named.
func parentsFirst(ctx context.Context, tx pgx.Tx, list []BackupTable) ([]int, error) {
	rows, err := tx.Query(ctx, `SELECT c.relname, p.relname FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid JOIN pg_class p ON p.oid = k.confrelid
		WHERE k.contype = 'f' AND c.relnamespace = (SELECT oid FROM pg_namespace WHERE nspname = current_schema()) AND c.oid <> p.oid`)
	if err != nil {
		return nil, err
	}
	needs := map[string][]string{}
	var child, parent string
	if _, err := pgx.ForEachRow(rows, []any{&child, &parent}, func() error { needs[child] = append(needs[child], parent); return nil }); err != nil {
		return nil, err
	}
	var order []int
	placed := map[string]bool{}
	for len(order) < len(list) {
		before := len(order)
		for i, t := range list {
			if !placed[t.Name] && !slices.ContainsFunc(needs[t.Name], func(p string) bool { return !placed[p] && notKept[p] == "" }) {
				placed[t.Name] = true
				order = append(order, i)
			}
		}
		if len(order) == before {
			return nil, fmt.Errorf("the tables' foreign keys go in a circle")
		}
	}
	return order, nil
}
