package assess_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

var byImport = store.Act{Via: "import", Why: "test"}

// open is a farm without records whose clock stands after all test records.
func open(t testing.TB) *store.Store {
	t.Helper()
	s, err := store.Open(context.Background(), testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.SetClock(func() time.Time { return time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC) })
	return s
}

func importFolder(t testing.TB, s *store.Store, dir string) {
	t.Helper()
	source, err := intake.Folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	report, err := s.Import(context.Background(), byImport, source, store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
}

// bundle is a bundle by file name.
type bundle map[string]string

func (b bundle) into(t testing.TB, s *store.Store) {
	t.Helper()
	dir := t.TempDir()
	for name, text := range b {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	importFolder(t, s, dir)
}

// send records one event that arrives at an instant.
func send(t testing.TB, s *store.Store, arrives time.Time, body string) {
	t.Helper()
	s.SetClock(func() time.Time { return arrives })
	item := intake.ParseRecord([]byte(body), "", arrives.Add(24*time.Hour))
	if item.Err != nil {
		t.Fatalf("%s: %v", body, item.Err)
	}
	r, err := s.Record(context.Background(), store.Act{Via: "api"}, item)
	if err != nil || r.Outcome != store.Recorded {
		t.Fatalf("%s: %v %v", body, r, err)
	}
}

func ask(t testing.TB, a *assess.Assessor, q assess.AsOf) *assess.Findings {
	t.Helper()
	f, err := a.Findings(context.Background(), q)
	if err != nil {
		t.Fatal(err)
	}
	return f
}
