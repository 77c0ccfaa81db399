package store_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/migrations"
)

// counted stands in for the findings: how many first layers the instant has.
func counted(ctx context.Context, at time.Time, seen *store.Store) ([]byte, error) {
	a, err := seen.Analysis(ctx, at, time.Time{})
	if err != nil {
		return nil, err
	}
	return fmt.Appendf(nil, "%d starts", len(a.History.Starts)), nil
}

// fullFarm is a farm in which every file says something, with people who sign in,
// a token, changes and something in every table that is kept.
func fullFarm(t *testing.T) (*store.Store, string) {
	t.Helper()
	ctx, url := context.Background(), testdb.New(t)
	s, err := store.Open(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	if report, err := s.Import(ctx, store.Act{Via: "import"}, folder(t, "../../testdata/bundles/everything"), store.ImportOptions{}); err != nil {
		t.Fatalf("%v: %+v", err, report)
	}
	if err := s.AddAccount(ctx, store.Act{Via: "command"}, "keeper", "admin", "$argon2id$hash"); err != nil {
		t.Fatal(err)
	}
	if err := s.AddToken(ctx, store.Act{Via: "command"}, "gateway", "operator", [32]byte{1, 2, 3}, time.Time{}); err != nil {
		t.Fatal(err)
	}
	return s, url
}

func backup(t *testing.T, s *store.Store) (string, *store.Manifest) {
	t.Helper()
	var b bytes.Buffer
	m, err := s.Backup(context.Background(), &b, "test", counted)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "farm.backup")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path, m
}

// TestEveryTableIsBackedUp asks the database which tables there are: a new one is
// in the backup, or it is left out by name.
func TestEveryTableIsBackedUp(t *testing.T) {
	s, url := fullFarm(t)
	_, m := backup(t, s)
	left := []string{"deliveries", "plan_changes", "plan_in_force", "schema_done", "schema_oldest", "schema_migrations", "sessions"} // a plan is made again
	all := strings.Split(one[string](t, connect(t, url), `SELECT string_agg(table_name, ' ' ORDER BY table_name) FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'`), " ")
	for _, name := range all {
		at := slices.IndexFunc(m.Tables, func(b store.BackupTable) bool { return b.Name == name })
		if (at >= 0) == slices.Contains(left, name) {
			t.Errorf("table %s: in the backup %v", name, at >= 0)
		}
		if at >= 0 {
			if n := one[int64](t, connect(t, url), `SELECT count(*) FROM `+name); n != m.Tables[at].Rows {
				t.Errorf("table %s: %d rows, %d of them in the backup", name, n, m.Tables[at].Rows)
			}
		}
	}
	for _, name := range []string{"passwords", "tokens", "acts", "changes", "records", "first_layers", "probes", "disagreements"} {
		if i := slices.IndexFunc(m.Tables, func(b store.BackupTable) bool { return b.Name == name }); i < 0 || m.Tables[i].Rows == 0 {
			t.Errorf("table %s: nothing of it is in the backup", name)
		}
	}
}

// TestARestoredFarmIsTheSame restores into a database without tables and into one
// with empty tables, and goes on recording there.
func TestARestoredFarmIsTheSame(t *testing.T) {
	ctx := context.Background()
	s, _ := fullFarm(t)
	path, m := backup(t, s)
	for name, url := range map[string]string{"no tables": testdb.NewEmpty(t), "empty tables": testdb.New(t)} {
		t.Run(name, func(t *testing.T) {
			r, err := store.Restore(ctx, url, path)
			if err != nil {
				t.Fatal(err)
			}
			back, err := store.Open(ctx, url)
			if err != nil {
				t.Fatal(err)
			}
			defer back.Close()
			_, again := backup(t, back)
			for i := range m.Tables {
				if x, y := m.Tables[i], again.Tables[i]; x.Name != y.Name || x.Rows != y.Rows || x.Content != y.Content {
					t.Errorf("%s: %d rows became %d, the same: %v", x.Name, x.Rows, y.Rows, x.Content == y.Content)
				}
			}
			was, _ := json.Marshal(m.Sequences)
			if now, _ := json.Marshal(again.Sequences); !bytes.Equal(now, was) {
				t.Errorf("sequences: %s became %s", was, now)
			}
			findings, err := counted(ctx, r.TakenAt, back)
			if err != nil || !bytes.Equal(findings, r.Findings) {
				t.Errorf("findings: %s became %s (%v)", r.Findings, findings, err)
			}
			if n := one[int](t, connect(t, url), `SELECT count(*)::int FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'O'`); n != 0 {
				t.Errorf("%d triggers rest still", n)
			}
			if err := back.AddToken(ctx, store.Act{Via: "command"}, "another", "operator", [32]byte{9}, time.Time{}); err != nil {
				t.Errorf("writing afterwards: %v", err)
			}
			if _, err := store.Restore(ctx, url, path); !fault.Is(err, fault.Conflict) || !strings.Contains(err.Error(), "not empty") {
				t.Errorf("a second restore: %v, want a refusal", err)
			}
		})
	}
}

// TestABackupIsOfOneInstant records while a backup is written.
func TestABackupIsOfOneInstant(t *testing.T) {
	ctx := context.Background()
	s, _ := fullFarm(t)
	var b bytes.Buffer
	begun := &firstWrite{w: &b, then: func() {
		send(t, s, `{"kind":"service","id":"late","printer":"`+anyPrinter(t, s)+`","done_at":"2026-03-01T07:00:00Z","work":"bed"}`)
	}}
	m, err := s.Backup(ctx, begun, "test", counted)
	if err != nil {
		t.Fatal(err)
	}
	rows := func(name string) int64 {
		return m.Tables[slices.IndexFunc(m.Tables, func(t store.BackupTable) bool { return t.Name == name })].Rows
	}
	_, later := backup(t, s)
	if after := later.Rows(); after <= m.Rows() || rows("services") != later.Tables[slices.IndexFunc(later.Tables, func(t store.BackupTable) bool { return t.Name == "services" })].Rows-1 {
		t.Errorf("%d rows, then %d: what was recorded meanwhile belongs to the later backup alone", m.Rows(), after)
	}
}

func anyPrinter(t *testing.T, s *store.Store) string {
	list, err := s.Printers(context.Background(), "", 1)
	if err != nil || len(list) == 0 {
		t.Fatal(err)
	}
	return list[0].Tag
}

type firstWrite struct {
	w    io.Writer
	then func()
}

// Write calls then once, before the first byte.
func (f *firstWrite) Write(p []byte) (int, error) {
	if f.then != nil {
		then := f.then
		f.then = nil
		then()
	}
	return f.w.Write(p)
}

func TestDamagedBackupsAreRefused(t *testing.T) {
	ctx := context.Background()
	s, _ := fullFarm(t)
	path, _ := backup(t, s)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	url := testdb.NewEmpty(t)
	refuse := func(name string, body []byte, words string) {
		t.Helper()
		bad := filepath.Join(t.TempDir(), "bad.backup")
		if err := os.WriteFile(bad, body, 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := store.Restore(ctx, url, bad)
		if err == nil || !strings.Contains(err.Error(), words) || !strings.Contains(err.Error(), bad) {
			t.Errorf("%s: %v, want a refusal that names the file and says %q", name, err, words)
		}
	}
	for i := range 10 {
		refuse(fmt.Sprintf("cut off at %d tenths", i), whole[:len(whole)*i/10], "damaged")
	}
	z, err := zip.NewReader(bytes.NewReader(whole), int64(len(whole)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		at, err := f.DataOffset()
		if err != nil || f.CompressedSize64 < 30 {
			continue
		}
		b := bytes.Clone(whole)
		b[at+int64(f.CompressedSize64)/2] ^= 0x40
		refuse("a byte changed in "+f.Name, b, "damaged")
	}
	refuse("something else", []byte("printer,bed_x_mm\r\n"), "damaged")
	refuse("a bundle", repacked(t, whole, func(m *store.Manifest) { m.Format = "other" }), "form of this backup")
	refuse("a newer schema", repacked(t, whole, func(m *store.Manifest) { m.Schema = migrations.Latest + 1 }), fmt.Sprintf("version %d and this program knows versions up to %d", migrations.Latest+1, migrations.Latest))
	refuse("a schema that never was", repacked(t, whole, func(m *store.Manifest) { m.Schema = 4 }), "never had")
	refuse("a row too few", repacked(t, whole, func(m *store.Manifest) { m.Tables[0].Rows++ }), "damaged")
	refuse("a table missing", repacked(t, whole, func(m *store.Manifest) { m.Tables = m.Tables[1:] }), "tables are not those")
	if n := one[int](t, connect(t, url), `SELECT count(*)::int FROM information_schema.tables WHERE table_schema = 'public' AND table_name = 'printers' AND EXISTS (SELECT FROM pg_class WHERE relname = 'printers' AND reltuples > 0)`); n != 0 {
		t.Error("a refused backup left something")
	}
	foreign := testdb.NewEmpty(t)
	if _, err := connect(t, foreign).Exec(ctx, `CREATE TABLE invoices (n int)`); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Restore(ctx, foreign, path); !fault.Is(err, fault.Conflict) || !strings.Contains(err.Error(), "invoices") {
		t.Errorf("into somebody else's database: %v, want a refusal that names a table", err)
	}
}

// repacked writes a backup again with another manifest.
func repacked(t *testing.T, whole []byte, change func(*store.Manifest)) []byte {
	t.Helper()
	in, err := zip.NewReader(bytes.NewReader(whole), int64(len(whole)))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	out := zip.NewWriter(&b)
	for _, f := range in.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if f.Name == "manifest.json" {
			var m store.Manifest
			if err := json.Unmarshal(body, &m); err != nil {
				t.Fatal(err)
			}
			change(&m)
			if body, err = json.Marshal(m); err != nil {
				t.Fatal(err)
			}
		}
		w, err := out.Create(f.Name)
		if err == nil {
			_, err = w.Write(body)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// TestABackupOfAnOlderSchemaIsBroughtForward makes a backup as an older program
// wrote it: the tables and columns of its schema, read with COPY.
func TestABackupOfAnOlderSchemaIsBroughtForward(t *testing.T) {
	ctx, first := context.Background(), migrations.Numbers[0]
	old := testdb.NewEmpty(t)
	if err := store.MigrateTo(ctx, old, first); err != nil {
		t.Fatal(err)
	}
	if _, err := connect(t, old).Exec(ctx, `INSERT INTO printers (printer, bed_x_mm, bed_y_mm) VALUES ('P-1', 220, 220.5);
		INSERT INTO people (person, role) VALUES ('amara', 'admin'); INSERT INTO passwords SELECT id, 'hash', '2026-03-01T07:00:00Z' FROM people`); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := store.BackupOld(ctx, old, &b); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "old.backup")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, url := range map[string]string{"no tables": testdb.NewEmpty(t), "empty tables of today": testdb.New(t)} {
		if _, err := store.Restore(ctx, url, path); err != nil {
			t.Errorf("into %s: %v", name, err)
			continue
		}
		if err := openOnly(ctx, url); err != nil {
			t.Errorf("into %s: %v", name, err)
		}
		if got := one[string](t, connect(t, url), `SELECT printer || ' ' || bed_y_mm || ' ' || people.person || ' ' || hash FROM printers, people, passwords`); got != "P-1 220.5 amara hash" {
			t.Errorf("into %s: got %s", name, got)
		}
	}
}

// TestABackupOfASchemaWithGapsIsBroughtForward backs up farms that programs left
// whose schema lacked migrations below its highest, because those landed later, and
// restores them: with the migrations told, and with their tables alone, as backups
// were written before. A farm that was upgraded through such a schema has its columns
// in another order, and is restored as well.
func TestABackupOfASchemaWithGapsIsBroughtForward(t *testing.T) {
	ctx, gaps := context.Background(), 0
	for _, farm := range earlier(t) {
		if name := filepath.Base(farm); !everyUpgrade && name != "12-000015_plans" && name != "23-000033_doors" {
			continue
		}
		t.Run(filepath.Base(farm), func(t *testing.T) {
			url, conn := openEarlier(t, farm)
			rows := rowsOf(t, conn)
			var old, upgraded bytes.Buffer
			if err := store.BackupOld(ctx, url, &old); err != nil {
				t.Fatal(err)
			}
			if below := 1 + slices.Index(migrations.Numbers, one[int](t, conn, `SELECT max(version) FROM schema_done`)); one[int](t, conn, `SELECT count(*) FROM schema_done`) < below {
				gaps++
			}
			if err := store.Migrate(ctx, url); err != nil {
				t.Fatal(err)
			}
			if err := store.BackupOld(ctx, url, &upgraded); err != nil {
				t.Fatal(err)
			}
			for name, content := range map[string][]byte{"told": old.Bytes(), "by its tables": repacked(t, old.Bytes(), func(m *store.Manifest) { m.Done = nil }), "upgraded": upgraded.Bytes()} {
				if !everyUpgrade && name == "by its tables" {
					continue
				}
				path := filepath.Join(t.TempDir(), "old.backup")
				if err := os.WriteFile(path, content, 0o600); err != nil {
					t.Fatal(err)
				}
				into := testdb.NewEmpty(t)
				if _, err := store.Restore(ctx, into, path); err != nil {
					t.Errorf("%s: %v", name, err)
					continue
				}
				s := openAt(t, into)
				if a, err := s.Verify(ctx, ""); err != nil || a.Broken > 0 {
					t.Errorf("%s: the trail: %+v, %v", name, a, err)
				}
				is := rowsOf(t, connect(t, into))
				for table, n := range rows {
					if !slices.Contains([]string{"schema_done", "schema_migrations", "sessions", "plan_in_force", "plan_changes", "schema_oldest", "deliveries", "unsealed"}, table) && is[table] != n {
						t.Errorf("%s: table %s had %d rows and has %d", name, table, n, is[table])
					}
				}
			}
		})
	}
	if gaps < 1 {
		t.Errorf("%d schemas with gaps, the test shows nothing", gaps)
	}
}
