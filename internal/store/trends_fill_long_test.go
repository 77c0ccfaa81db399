//go:build long

package store_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/localdb"
	"basecourse/internal/sample"
	"basecourse/internal/store"
	"basecourse/internal/testdb"

	"github.com/jackc/pgx/v5"
)

// A farm to time Trends on is filled without the import's checks, which take half an
// hour at ten million layers: the files are copied into bare tables, and from there in
// one statement into the real ones, whose triggers are off and whose indexes are away
// meanwhile. Rows stand in the order of the file; the import's stand so but for chunks
// that overtake each other.
// TestAFilledFarmIsTheImportedOne holds the two against each other. Records (where ids
// are unique) and the trail stay empty: Trends reads neither.
var fills = []struct{ table, bare, columns, from string }{
	{"first_layers", `first_layer text, printer text, plate text, started_at timestamptz, grade text, material text, grader text, graded_at timestamptz,
		layer_height_mm float8, line_width_mm float8, marks text, readings text, note text, job text`,
		`id, ref, started_at, graded_at, noted_at, arrived_at, layer_height_mm, line_width_mm, printer, plate, grade, grader, material, job, marks, readings, note`,
		`SELECT md5(first_layer)::uuid, first_layer, started_at, graded_at, started_at, $1::timestamptz, layer_height_mm, line_width_mm, p.id, l.id, grade::grade_code, w.id, m.id, j.id, marks, regexp_replace(readings, '0( |$)', '\1', 'g'), b.note
			FROM bare_first_layers b LEFT JOIN printers p USING (printer) LEFT JOIN plates l USING (plate) LEFT JOIN people w ON w.person = b.grader
			LEFT JOIN materials m USING (material) LEFT JOIN jobs j USING (job)`},
	{"cleanings", `cleaning text, plate text, cleaned_at timestamptz, method text, agent text, person text, note text`,
		`id, ref, cleaned_at, noted_at, arrived_at, plate, method, person, agent, note`,
		`SELECT md5(cleaning)::uuid, cleaning, cleaned_at, cleaned_at, $1::timestamptz, l.id, method::method_code, w.id, agent, b.note
			FROM bare_cleanings b LEFT JOIN plates l USING (plate) LEFT JOIN people w USING (person)`},
}

// fillFarm puts sample.Write's farm into a database that has its schema and nothing
// else. admin may do anything there.
func fillFarm(t *testing.T, s *store.Store, admin *pgx.Conn, bundle string, size sample.Size) {
	t.Helper()
	ctx := context.Background()
	must := func(sql string, args ...any) {
		t.Helper()
		if _, err := admin.Exec(ctx, sql, args...); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
	if err := os.MkdirAll(bundle, 0o755); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = os.RemoveAll(bundle) }()
	size.NoProbes = true
	if err := sample.Write(bundle, size); err != nil {
		t.Fatal(err)
	}
	csv := map[string]string{}
	for _, f := range fills {
		csv[f.table] = bundle + "-" + f.table + ".csv"
		if err := os.Rename(filepath.Join(bundle, f.table+".csv"), csv[f.table]); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = os.Remove(csv[f.table]) }()
	}
	report, err := s.Import(ctx, byImport, folder(t, bundle), store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	// Rows keep their order where nothing runs beside and no join is turned round.
	must(`SET session_replication_role = replica; SET max_parallel_workers_per_gather = 0; SET maintenance_work_mem = '512MB'; SET work_mem = '256MB';
		SET enable_mergejoin = off; SET jit = off; SET synchronous_commit = off; SET timezone = 'UTC'`)
	for _, f := range fills {
		must(`CREATE UNLOGGED TABLE bare_` + f.table + ` (` + f.bare + `)`)
		in, err := os.Open(csv[f.table])
		if err != nil {
			t.Fatal(err)
		}
		_, err = admin.PgConn().CopyFrom(ctx, in, "COPY bare_"+f.table+" FROM STDIN CSV HEADER")
		_ = in.Close()
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(csv[f.table]); err != nil {
			t.Fatal(err)
		}
		rows, _ := admin.Query(ctx, `SELECT ARRAY[format('%I', relname), pg_get_indexdef(indexrelid)] FROM pg_index JOIN pg_class c ON c.oid = indexrelid
			WHERE indrelid = $1::text::regclass AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid) ORDER BY indexrelid`, f.table)
		indexes, err := pgx.CollectRows(rows, pgx.RowTo[[]string])
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range indexes {
			must(`DROP INDEX ` + x[0])
		}
		must(`INSERT INTO `+f.table+` (`+f.columns+`) `+f.from, s.Now())
		must(`DROP TABLE bare_` + f.table)
		for _, x := range indexes {
			must(x[1])
		}
	}
	must(`RESET session_replication_role`)
	must(`VACUUM ANALYZE`)
}

// keptFarm opens a durable cluster in a folder, with a filled farm in it: what is there
// is used again, else it is filled, for which durability is given up meanwhile.
func keptFarm(t *testing.T, home string, size sample.Size) (s *store.Store, url string) {
	t.Helper()
	ctx := context.Background()
	open := func(fast bool) *localdb.Cluster {
		t.Helper()
		cluster, err := localdb.Open(ctx, localdb.Options{Dir: filepath.Join(home, "db"), NoFetch: true, Fast: fast})
		if err != nil {
			t.Fatal(err)
		}
		if err := cluster.EnsureDatabase(ctx, "trends"); err != nil {
			t.Fatal(err)
		}
		return cluster
	}
	farm := func(cluster *localdb.Cluster) *store.Store {
		t.Helper()
		s, err := store.Open(ctx, cluster.URL("trends"))
		if err != nil {
			t.Fatal(err)
		}
		s.SetClock(func() time.Time { return time.Date(2040, 1, 1, 0, 0, 0, 0, time.UTC) })
		return s
	}
	cluster := open(false) // made as a farm's is, with checksums
	if err := store.Migrate(ctx, cluster.URL("trends")); err != nil {
		t.Fatal(err)
	}
	done := filepath.Join(home, "filled")
	if _, err := os.Stat(done); err != nil {
		if conn := connect(t, cluster.URL("trends")); one[int64](t, conn, `SELECT count(*) FROM printers`) > 0 {
			t.Fatalf("the farm in %s is filled by halves: remove the folder", home)
		}
		if err := cluster.Close(ctx); err != nil {
			t.Fatal(err)
		}
		cluster = open(true)
		s := farm(cluster)
		begun := time.Now()
		admin := connect(t, cluster.AdminURL("trends"))
		fillFarm(t, s, admin, filepath.Join(home, "bundle"), size)
		t.Logf("filled in %.0f s", time.Since(begun).Seconds())
		_ = admin.Close(ctx)
		s.Close()
		if err := cluster.Close(ctx); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(done, nil, 0o644); err != nil {
			t.Fatal(err)
		}
		cluster = open(false)
	}
	t.Cleanup(func() { _ = cluster.Close(ctx) })
	s = farm(cluster)
	t.Cleanup(s.Close)
	return s, cluster.URL("trends")
}

// A farm that was filled holds what the import of the same files stores; only ids are
// others.
func TestAFilledFarmIsTheImportedOne(t *testing.T) {
	ctx := context.Background()
	home := t.TempDir()
	size := sample.Size{FirstLayers: 3000, Printers: 20, Plates: 40, Jobs: 6, Seed: 1}
	s, url := keptFarm(t, home, size)
	theirs := testdb.New(t)
	imported, err := store.Open(ctx, theirs)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(imported.Close)
	imported.SetClock(s.Now)
	bundle := filepath.Join(home, "bundle")
	if err := os.MkdirAll(bundle, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := sample.Write(bundle, size); err != nil {
		t.Fatal(err)
	}
	if report, err := imported.Import(ctx, byImport, folder(t, bundle), store.ImportOptions{}); err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	for _, f := range fills {
		lines := func(url string) []string {
			return strings.Split(one[string](t, connect(t, url), `SELECT string_agg((to_jsonb(f) - 'id')::text, E'\n' ORDER BY f.ref) FROM `+f.table+` f`), "\n")
		}
		got, want := lines(url), lines(theirs)
		for i := range min(len(got), len(want)) {
			if got[i] != want[i] {
				t.Errorf("%s, line %d:\ngot  %s\nwant %s", f.table, i+1, got[i], want[i])
				break
			}
		}
		if len(got) != len(want) || len(got) < 200 {
			t.Errorf("%s: %d rows, want %d", f.table, len(got), len(want))
		}
	}
	const indexes = `SELECT string_agg(indexdef, E'\n' ORDER BY indexdef) FROM pg_indexes WHERE schemaname = 'public'`
	if got, want := one[string](t, connect(t, url), indexes), one[string](t, connect(t, theirs), indexes); got != want {
		t.Errorf("indexes: got\n%s\nwant\n%s", got, want)
	}
}
