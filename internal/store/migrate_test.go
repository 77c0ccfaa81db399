package store_test

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/migrations"

	"github.com/jackc/pgx/v5"
)

func connect(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func one[T any](t testing.TB, conn *pgx.Conn, sql string, args ...any) T {
	t.Helper()
	var v T
	if err := conn.QueryRow(context.Background(), sql, args...).Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

// shape lists every table, column, constraint, index and trigger of the schema.
const shape = `SELECT string_agg(line, E'\n' ORDER BY line) FROM (
	SELECT format('%s.%s %s %s %s', table_name, column_name, data_type, is_nullable, column_default) AS line FROM information_schema.columns WHERE table_schema = 'public'
	UNION ALL SELECT format('%s %s', conrelid::regclass, pg_get_constraintdef(oid)) FROM pg_constraint WHERE connamespace = 'public'::regnamespace
	UNION ALL SELECT indexdef FROM pg_indexes WHERE schemaname = 'public'
	UNION ALL SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal
	UNION ALL SELECT typname::text FROM pg_type WHERE typnamespace = 'public'::regnamespace AND typtype = 'e'
	UNION ALL SELECT proname::text FROM pg_proc WHERE pronamespace = 'public'::regnamespace) AS s`

func TestTheSchemaGoesUpDownAndUp(t *testing.T) {
	ctx, url := context.Background(), testdb.NewEmpty(t)
	conn := connect(t, url)
	migrate := func(version int) string {
		t.Helper()
		if err := store.MigrateTo(ctx, url, version); err != nil {
			t.Fatalf("to version %d: %v", version, err)
		}
		return one[string](t, conn, shape)
	}
	var up []string
	for _, v := range migrations.Numbers {
		up = append(up, migrate(v))
	}
	for i := len(up) - 2; i >= 0; i-- {
		if got := migrate(migrations.Numbers[i]); got != up[i] {
			t.Errorf("down to %d the schema is not what it was on the way up", migrations.Numbers[i])
		}
	}
	if got := migrate(0); strings.Contains(got, "printers") || strings.Contains(got, "grade_code") {
		t.Errorf("down to nothing leaves\n%s", got)
	}
	if got := migrate(migrations.Latest); got != up[len(up)-1] {
		t.Error("up again the schema is another one")
	}
}

func TestAFileLeftOutBelowTheHighestIsRunAtTheNextStart(t *testing.T) {
	ctx, url := context.Background(), testdb.NewEmpty(t)
	conn := connect(t, url)
	const before, left, above = 6, 7, 8
	if err := store.MigrateTo(ctx, url, above); err != nil {
		t.Fatal(err)
	}
	whole := one[string](t, conn, shape)
	if err := store.MigrateTo(ctx, url, before); err != nil {
		t.Fatal(err)
	}
	files, err := fs.Glob(migrations.FS, fmt.Sprintf("%06d_*.up.sql", above))
	if err != nil || len(files) != 1 {
		t.Fatal(files, err)
	}
	sql, err := migrations.FS.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Exec(ctx, string(sql)); err != nil {
		t.Fatal(err)
	}
	if err := store.MigrateTo(ctx, url, above); err != nil {
		t.Fatal(err)
	}
	if got := one[string](t, conn, shape); got != whole {
		t.Error("the schema is not what it is with every file")
	}
	if n := one[int](t, conn, `SELECT count(*) FROM schema_done WHERE version = $1`, left); n != 1 {
		t.Errorf("file %d is not noted as done", left)
	}
	if err := store.MigrateTo(ctx, url, 0); err != nil {
		t.Errorf("down again: %v", err)
	}
}

func TestANewerSchemaIsRefusedWithBothVersions(t *testing.T) {
	ctx, url := context.Background(), testdb.New(t)
	if _, err := connect(t, url).Exec(ctx, `INSERT INTO schema_done (version) VALUES (977); UPDATE schema_oldest SET version = 977`); err != nil {
		t.Fatal(err)
	}
	for name, err := range map[string]error{"Migrate": store.Migrate(ctx, url), "Open": openOnly(ctx, url)} {
		if !fault.Is(err, fault.Conflict) || !strings.Contains(err.Error(), "977") || !strings.Contains(err.Error(), fmt.Sprint(migrations.Latest)) {
			t.Errorf("%s: got %v, want a refusal that names versions 977 and %d", name, err, migrations.Latest)
		}
	}
}

func openOnly(ctx context.Context, url string) error {
	s, err := store.Open(ctx, url)
	if err == nil {
		s.Close()
	}
	return err
}

func TestAnEmptyDatabaseIsToldToMigrate(t *testing.T) {
	if err := openOnly(context.Background(), testdb.NewEmpty(t)); !fault.Is(err, fault.Busy) || !strings.Contains(err.Error(), "migrate") {
		t.Errorf("got %v, want a refusal that says migrate", err)
	}
}

func TestAnAccountWithoutRightsIsToldWhatItLacks(t *testing.T) {
	ctx, url := context.Background(), testdb.NewEmpty(t)
	conn := connect(t, url)
	if _, err := conn.Exec(ctx, `ALTER SCHEMA public OWNER TO CURRENT_USER; REVOKE ALL ON SCHEMA public FROM CURRENT_USER, PUBLIC`); err != nil {
		t.Fatal(err)
	}
	if one[bool](t, conn, `SELECT rolsuper FROM pg_roles WHERE rolname = current_user`) {
		t.Fatal("the test's account must be a plain owner")
	}
	if _, err := conn.Exec(ctx, `GRANT USAGE ON SCHEMA public TO CURRENT_USER`); err != nil {
		t.Fatal(err)
	}
	if err := store.Migrate(ctx, url); !fault.Is(err, fault.Forbidden) || !strings.Contains(err.Error(), "GRANT CREATE ON SCHEMA") {
		t.Errorf("got %v, want a refusal that says which right is missing", err)
	}
}

// The helper process: it migrates (or imports) until it is done or killed.
func TestMain(m *testing.M) {
	if url := os.Getenv("BASECOURSE_TEST_MIGRATE"); url != "" {
		if err := store.Migrate(context.Background(), url); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	if args := strings.Fields(os.Getenv("BASECOURSE_TEST_IMPORT")); len(args) == 2 {
		importInHelper(args[0], args[1])
	}
	if args := strings.Fields(os.Getenv("BASECOURSE_TEST_WRITE")); len(args) == 2 {
		writeInHelper(args[0], args[1])
	}
	os.Exit(m.Run())
}

func helper(t *testing.T, env string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), env)
	return cmd
}

func TestFourProcessesMigrateAtOnce(t *testing.T) {
	for range 3 {
		url := testdb.NewEmpty(t)
		var wg sync.WaitGroup
		for range 4 {
			cmd := helper(t, "BASECOURSE_TEST_MIGRATE="+url)
			wg.Go(func() {
				if out, err := cmd.CombinedOutput(); err != nil {
					t.Errorf("%v: %s", err, out)
				}
			})
		}
		wg.Wait()
		if got := one[int](t, connect(t, url), `SELECT count(*)::int FROM schema_done`); got != len(migrations.Numbers) {
			t.Errorf("got %d migrations done, want %d", got, len(migrations.Numbers))
		}
	}
}

// killRounds at moments spread over the time a migration takes.
func TestAKilledMigrationLeavesNothingToRepair(t *testing.T) {
	url := testdb.NewEmpty(t)
	begun := time.Now()
	if out, err := helper(t, "BASECOURSE_TEST_MIGRATE="+url).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	whole := time.Since(begun)
	want := one[string](t, connect(t, url), shape)
	for i := range killRounds {
		url := testdb.NewEmpty(t)
		cmd := helper(t, "BASECOURSE_TEST_MIGRATE="+url)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(whole * time.Duration(i+1) / time.Duration(killRounds+1))
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if err := store.Migrate(context.Background(), url); err != nil {
			t.Fatalf("round %d: %v", i, err)
		}
		if got := one[string](t, connect(t, url), shape); got != want {
			t.Errorf("round %d: the schema differs after a killed migration", i)
		}
	}
}

// A file whose version the library noted as begun ("dirty") is done again when
// it did not go in, and taken as done when it did.
func TestADirtyMarkIsSettled(t *testing.T) {
	ctx := context.Background()
	url := testdb.NewEmpty(t)
	conn := connect(t, url)
	if _, err := conn.Exec(ctx, `CREATE TABLE schema_migrations (version bigint PRIMARY KEY, dirty boolean NOT NULL); INSERT INTO schema_migrations VALUES (1, true)`); err != nil {
		t.Fatal(err)
	}
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatalf("dirty before the file went in: %v", err)
	}
	if _, err := conn.Exec(ctx, `UPDATE schema_migrations SET dirty = true`); err != nil {
		t.Fatal(err)
	}
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatalf("dirty after the file went in: %v", err)
	}
	if one[bool](t, conn, `SELECT dirty FROM schema_migrations`) {
		t.Error("still dirty")
	}
}
