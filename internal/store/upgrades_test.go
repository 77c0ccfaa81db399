package store_test

import (
	"archive/zip"
	"compress/gzip"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/migrations"

	"github.com/jackc/pgx/v5"
)

// earlier are the farms that programs of earlier schemas left, made by those programs
// themselves (testdata/upgrades/draw): nothing bears a version number yet, so every
// set of migrations that main has had counts as released.
func earlier(t *testing.T) []string {
	t.Helper()
	list, err := filepath.Glob("../../testdata/upgrades/*.sql.gz")
	if err != nil || len(list) < 19 {
		t.Fatalf("%d farms of earlier schemas, want 19 at least: %v", len(list), err)
	}
	for i := range list {
		list[i] = strings.TrimSuffix(list[i], ".sql.gz")
	}
	return list
}

// openEarlier puts a farm of an earlier program into a database of its own.
func openEarlier(t *testing.T, farm string) (url string, conn *pgx.Conn) {
	t.Helper()
	f, err := os.Open(farm + ".sql.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	sql, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	ctx, url := context.Background(), testdb.NewEmpty(t)
	load := connect(t, url)
	if _, err := load.Exec(ctx, string(sql)); err != nil {
		t.Fatalf("%s: %v", farm, err)
	}
	_ = load.Close(ctx) // it has another search path now
	return url, connect(t, url)
}

// rowsOf counts the rows of every table.
func rowsOf(t *testing.T, conn *pgx.Conn) map[string]int {
	t.Helper()
	rows, err := conn.Query(context.Background(), `SELECT table_name::text, (xpath('/row/n/text()', query_to_xml(format('SELECT count(*) AS n FROM %I', table_name), false, true, '')))[1]::text::int
		FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'`)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]int{}
	var name string
	var n int
	if _, err := pgx.ForEachRow(rows, []any{&name, &n}, func() error { out[name] = n; return nil }); err != nil {
		t.Fatal(err)
	}
	return out
}

// table is a CSV file as rows of column → cell.
func table(t *testing.T, r io.Reader) (columns []string, rows []map[string]string) {
	t.Helper()
	all, err := csv.NewReader(r).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, c := range cells {
			row[all[0][i]] = c
		}
		rows = append(rows, row)
	}
	return all[0], rows
}

// upgrade brings an earlier farm to this program's schema and checks that it is the
// same farm: rows, what the program of its time exported, the chain of the trail, and
// what is counted of it, beside its export imported afresh.
func upgrade(t *testing.T, farm string) {
	ctx := context.Background()
	url, conn := openEarlier(t, farm)
	before := rowsOf(t, conn)
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatal(err)
	}
	after := rowsOf(t, conn)
	for name, n := range before {
		if name != "schema_done" && name != "unsealed" && after[name] != n {
			t.Errorf("table %s had %d rows and has %d", name, n, after[name])
		}
	}
	for _, v := range migrations.Numbers {
		if one[int](t, conn, `SELECT count(*) FROM schema_done WHERE version = $1`, v) != 1 {
			t.Errorf("migration %d was not run", v)
		}
	}
	s, err := store.Open(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	for { // what waits is sealed, as a server does
		if n, err := s.Seal(ctx); err != nil || n == 0 {
			if err != nil {
				t.Fatal(err)
			}
			break
		}
	}
	if a, err := s.Verify(ctx, ""); err != nil || a.Broken > 0 || a.Acts == 0 {
		t.Errorf("the trail: %+v, %v", a, err)
	}
	dir := filepath.Join(t.TempDir(), "export")
	if _, err := s.Export(ctx, dir); err != nil {
		t.Fatal(err)
	}
	z, err := zip.OpenReader(farm + ".zip")
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	then := filepath.Join(t.TempDir(), "then")
	if err := os.CopyFS(then, &z.Reader); err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(then, "*.csv"))
	if err != nil || len(files) < 15 {
		t.Fatalf("the program of its time exported %d files: %v", len(files), err)
	}
	for _, file := range files {
		sameRows(t, file, filepath.Join(dir, filepath.Base(file)))
	}
	// The farm of that export imported afresh has the same starts under the same exposures.
	fresh, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(fresh.Close)
	if report, err := fresh.Import(ctx, store.Act{Via: "import"}, folder(t, then), store.ImportOptions{}); err != nil {
		t.Fatalf("importing what was exported then: %v: %+v", err, report)
	}
	if got, want := seen(t, s), seen(t, fresh); got != want {
		t.Errorf("what findings are made of differs from the same farm imported afresh:\n%.2000s\nwant\n%.2000s", got, want)
	}
}

// sameRows holds an export of then against one of now: every row is there, in its
// order, with every cell; there may be more columns.
func sameRows(t *testing.T, then, now string) {
	t.Helper()
	read := func(path string) ([]string, []map[string]string) {
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		return table(t, f)
	}
	columns, old := read(then)
	_, is := read(now)
	if len(old) != len(is) {
		t.Errorf("%s had %d rows and has %d", filepath.Base(then), len(old), len(is))
		return
	}
	for i := range old {
		for _, c := range columns {
			if old[i][c] != is[i][c] {
				t.Errorf("%s, row %d, %s: was %q, is %q", filepath.Base(then), i+1, c, old[i][c], is[i][c])
			}
		}
	}
}

// seen is what findings, risks and plans are made of.
func seen(t *testing.T, s *store.Store) string {
	t.Helper()
	a, err := s.Analysis(context.Background(), time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(a.History)
	if err != nil {
		return fmt.Sprintf("%+v", a.History)
	}
	return string(b)
}

// TestFarmsOfEarlierSchemasAreUpgraded takes the first of them, the last one
// without a chained trail, and the last; with -tags long it takes all.
func TestFarmsOfEarlierSchemasAreUpgraded(t *testing.T) {
	list := earlier(t)
	for _, farm := range list {
		name := filepath.Base(farm)
		if !everyUpgrade && !slices.Contains([]string{filepath.Base(list[0]), "07-000011_advice_done", filepath.Base(list[len(list)-1])}, name) {
			continue
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			upgrade(t, farm)
		})
	}
}
