package testdb_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

func value(t *testing.T, url, sql string) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	var s string
	if err := conn.QueryRow(t.Context(), sql).Scan(&s); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return s
}

const countTables = `SELECT count(*)::text FROM pg_tables WHERE schemaname = 'public'`

func TestEachTestHasAMigratedDatabaseOfItsOwn(t *testing.T) {
	a, b := testdb.New(t), testdb.New(t)
	if a == b {
		t.Fatalf("two calls gave the same database %s", a)
	}
	if got := value(t, a, countTables); got == "0" {
		t.Error("a new database holds no tables, want the schema")
	}
	value(t, a, "WITH x AS (SELECT 1) SELECT 'x' FROM x")
	if _, err := mustConnect(t, a).Exec(t.Context(), "CREATE TABLE only_here ()"); err != nil {
		t.Fatal(err)
	}
	if got := value(t, b, "SELECT count(*)::text FROM pg_tables WHERE tablename = 'only_here'"); got != "0" {
		t.Error("a table made in one database shows in the other")
	}
	if got := value(t, a, "SELECT rolsuper::text FROM pg_roles WHERE rolname = current_user"); got != "false" {
		t.Error("tests run as a superuser, want a plain owner")
	}
	if err := store.Migrate(t.Context(), a); err != nil {
		t.Errorf("migrating the clone again: %v", err)
	}
}

func TestAFilledDatabaseIsMadeOnceAndCopied(t *testing.T) {
	made := 0
	fill := func(url string) error {
		made++
		conn, err := pgx.Connect(t.Context(), url)
		if err != nil {
			return err
		}
		defer conn.Close(t.Context())
		_, err = conn.Exec(t.Context(), "CREATE TABLE filled AS SELECT 7 AS n")
		return err
	}
	a, b := testdb.Filled(t, "seven", fill), testdb.Filled(t, "seven", fill)
	if _, err := mustConnect(t, a).Exec(t.Context(), "UPDATE filled SET n = 8"); err != nil {
		t.Fatal(err)
	}
	if got := value(t, b, "SELECT n::text FROM filled"); got != "7" || made != 1 {
		t.Errorf("the second copy holds %s after %d fillings, want 7 after 1", got, made)
	}
}

func mustConnect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(t.Context()) })
	return conn
}

func TestAnEmptyDatabaseHasNoSchema(t *testing.T) {
	if got := value(t, testdb.NewEmpty(t), countTables); got != "0" {
		t.Errorf("tables in an empty database: got %s, want 0", got)
	}
}

func TestADatabaseGoesWithItsTest(t *testing.T) {
	var url string
	t.Run("inner", func(t *testing.T) { url = testdb.New(t) })
	if conn, err := pgx.Connect(t.Context(), url); err == nil {
		conn.Close(t.Context())
		t.Errorf("%s is there after its test has ended", url)
	}
}

// failing makes this file's last test fail in a process of its own.
const failing = "TESTDB_FAIL"

func TestAFailedTestKeepsItsDatabaseAndSaysHowToOpenIt(t *testing.T) {
	if os.Getenv(failing) != "" {
		testdb.New(t)
		t.Fatal("as told")
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, "-test.run", "^TestAFailedTestKeepsItsDatabase")
	cmd.Env = append(os.Environ(), failing+"=1")
	out, err := cmd.CombinedOutput()
	if err == nil {
		t.Fatalf("the failing test passed:\n%s", out)
	}
	m := regexp.MustCompile(`opendb (\S+) (t\d+_\w+)`).FindSubmatch(out)
	if m == nil {
		t.Fatalf("output does not say how to open the database:\n%s", out)
	}
	kept := string(m[1])
	t.Cleanup(func() { os.RemoveAll(kept) })
	for range 500 {
		if _, err := os.Stat(filepath.Join(kept, "postgres", "data", "PG_VERSION")); err == nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Errorf("%s is not there 10 s after the tests have ended", kept)
}

func TestNothingIsLeftOfARun(t *testing.T) {
	if os.Getenv(failing) != "" {
		fmt.Println("url", testdb.New(t))
		os.Exit(3) // no cleanup runs
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, "-test.run", "^TestNothingIsLeftOfARun$")
	cmd.Env = append(os.Environ(), failing+"=1")
	out, _ := cmd.Output()
	m := regexp.MustCompile(`host=(\S+?)%2Fpostgres`).FindSubmatch(out)
	if m == nil {
		t.Fatalf("output names no database:\n%s", out)
	}
	dir := strings.ReplaceAll(string(m[1]), "%2F", "/")
	for range 500 {
		if _, err := os.Stat(dir); os.IsNotExist(err) {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Errorf("%s is there 10 s after the process has ended, want it gone", dir)
}

func TestWithoutPostgreSQLATestFailsAndSaysSo(t *testing.T) {
	if os.Getenv(failing) != "" {
		testdb.New(t)
		return
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, "-test.run", "^TestWithoutPostgreSQL")
	cmd.Env = append(os.Environ(), failing+"=1", "BASECOURSE_POSTGRES_BIN="+t.TempDir())
	out, err := cmd.CombinedOutput()
	if err == nil || !strings.Contains(string(out), "this test needs PostgreSQL") || strings.Contains(string(out), "SKIP") {
		t.Errorf("got %v and\n%s\nwant a failure that says the test needs PostgreSQL", err, out)
	}
}

func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		testdb.New(b)
	}
}
