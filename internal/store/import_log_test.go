package store_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
)

const bookMapping = `{"mapping":"Book","kind":"first_layer","delimiter":";","zone":"Europe/Berlin","fields":{
	"printer":{"from":["Machine"]},"started_at":{"from":["Day","Clock"],"order":"dmy"},"grade":{"from":["Result"],"words":{"good":"clean","bad":"failed"}},"material":{"from":["Material"]}}}`

// book is a log of n rows from the spring of 2026 on, three printers in turn.
func book(n int) string {
	var b strings.Builder
	b.WriteString("Day;Clock;Machine;Result;Material\n")
	at := time.Date(2026, 4, 1, 6, 0, 0, 0, time.UTC)
	for i := range n {
		fmt.Fprintf(&b, "%s;R-%d;%s;PLA\n", at.Add(time.Duration(i)*7*time.Minute).Format("02.01.2006;15:04"), i%3+1, []string{"good", "good", "bad"}[i%7%3])
	}
	return b.String()
}

func logOf(t *testing.T, mapping, text string) *intake.Log {
	t.Helper()
	m, err := intake.ReadMapping([]byte(mapping))
	if err != nil {
		t.Fatal(err)
	}
	return &intake.Log{Mapping: m, Name: "book.csv", Size: int64(len(text)), Bytes: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }}
}

// farmOf is a store with printers R-1 to R-n.
func farmOf(t *testing.T, n int) *store.Store {
	t.Helper()
	s := open(t)
	b := &farm.Bundle{Printers: printersTo(n)}
	if r, err := s.ImportFarm(context.Background(), store.Act{Via: "import"}, b, store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatal(r.Text(), err)
	}
	return s
}

func printersTo(n int) (list []farm.Printer) {
	for i := range n {
		list = append(list, farm.Printer{Tag: fmt.Sprintf("R-%d", i+1), BedXMM: 250, BedYMM: 210, ZStepMM: farm.Unknown()})
	}
	return list
}

// numbered imports a log of n rows of R-1, told apart by their numbers, all with one result;
// "-" is none yet.
func numbered(t *testing.T, s *store.Store, n int, result string) store.Report {
	t.Helper()
	var b strings.Builder
	b.WriteString("No;Day;Clock;Machine;Result;Material\n")
	at := time.Date(2026, 4, 1, 6, 0, 0, 0, time.UTC)
	for i := range n {
		fmt.Fprintf(&b, "%d;%s;R-1;%s;PLA\n", i, at.Add(time.Duration(i)*7*time.Minute).Format("02.01.2006;15:04"), result)
	}
	mapping := strings.Replace(bookMapping, `"zone"`, `"key":["No"],"unknown":["-"],"zone"`, 1)
	r, err := s.Import(context.Background(), store.Act{Via: "import"}, logOf(t, mapping, b.String()), store.ImportOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A log goes in as one act: tried dry it stores nothing, the same rows in a longer
// file are recorded once, every bad row is told and kept apart, and one act takes
// it all back.
func TestALogGoesInAndIsTakenBack(t *testing.T) {
	s := farmOf(t, 3)
	ctx := context.Background()
	count := func() (standing int) {
		if err := store.Pool(s).QueryRow(ctx, `SELECT count(*) FROM first_layers WHERE voided_at IS NULL`).Scan(&standing); err != nil {
			t.Fatal(err)
		}
		return standing
	}
	const rows = logRows
	text := book(rows)
	dry, err := s.Import(ctx, store.Act{Via: "import"}, logOf(t, bookMapping, text), store.ImportOptions{Check: true})
	if err != nil || dry.Files[0].Recorded != rows || count() != 0 {
		t.Fatalf("tried dry: %+v %v", dry, err)
	}
	began := time.Now()
	r, err := s.Import(ctx, store.Act{Via: "import"}, logOf(t, bookMapping, text), store.ImportOptions{})
	if err != nil || !r.Stored || r.Files[0].Recorded != rows || count() != rows || len(r.Created) != 1 {
		t.Fatalf("%+v %v", r, err)
	}
	took := time.Since(began)
	again, err := s.Import(ctx, store.Act{Via: "import"}, logOf(t, bookMapping, book(rows+5)), store.ImportOptions{})
	if err != nil || again.Files[0].Recorded != 5 || again.Files[0].AlreadyRecorded != rows {
		t.Fatalf("a longer file: %+v %v", again, err)
	}
	began = time.Now()
	n, err := s.UndoImport(ctx, store.Act{Via: "command", Why: "wrong zone"}, r.Act, "wrong zone")
	if err != nil || n != rows || count() != 5 {
		t.Fatalf("undone: %d %v, %d stand", n, err, count())
	}
	t.Logf("%d rows in after %v, taken back after %v", rows, took.Round(time.Millisecond), time.Since(began).Round(time.Millisecond))
	if total := took + time.Since(began); total > 30*time.Second {
		t.Errorf("in and out took %v", total)
	}
	var changes int
	if err := store.Pool(s).QueryRow(ctx, `SELECT count(*) FROM changes WHERE field = 'void_reason' AND became = 'wrong zone'`).Scan(&changes); err != nil || changes != rows {
		t.Errorf("%d changes tell it, %v", changes, err)
	}
	if r, err := s.Import(ctx, store.Act{Via: "import"}, logOf(t, strings.Replace(bookMapping, "Berlin", "Athens", 1), book(rows)), store.ImportOptions{Check: true}); err != nil || r.Files[0].Recorded != rows {
		t.Errorf("once more, put right: %+v %v", r.Files, err)
	}
	if n, err := s.UndoImport(ctx, store.Act{Via: "command"}, again.Act, "all of it"); err != nil || n != 5 || count() != 0 {
		t.Errorf("the second import: %d %v", n, err)
	}
	if _, err := s.UndoImport(ctx, store.Act{Via: "command"}, 9_999_999, "no such"); !fault.Is(err, fault.NotFound) {
		t.Errorf("no such import: %v", err)
	}
}

// A log may fill what is recorded: its key tells which row it is. Undone, what was
// recorded before stands again.
func TestALogFillsAndIsTakenBack(t *testing.T) {
	s := farmOf(t, 1)
	ctx := context.Background()
	in := func(result string) store.Report { t.Helper(); return numbered(t, s, 1, result) }
	grade := func() (g string) {
		if err := store.Pool(s).QueryRow(ctx, `SELECT coalesce(max(grade::text), 'none') FROM first_layers WHERE voided_at IS NULL HAVING count(*) = 1`).Scan(&g); err != nil {
			t.Fatal(err)
		}
		return g
	}
	in("-")
	r := in("bad")
	if grade() != "failed" {
		t.Fatalf("graded by the log: %+v, %s", r, grade())
	}
	if r := in("good"); r.Stored || r.Problems[0].Column != "Result" || r.Problems[0].File != "book.csv" {
		t.Errorf("another grade: %+v", r)
	}
	if _, err := s.UndoImport(ctx, store.Act{Via: "command"}, r.Act, "wrong"); err != nil || grade() != "none" {
		t.Errorf("undone: %v, %s", err, grade())
	}
	// The log comes in again, put right: what was taken back is filled anew, as often as
	// it is taken back.
	for _, c := range []struct{ result, want string }{{"good", "clean"}, {"bad", "failed"}} {
		r := in(c.result)
		if !r.Stored || r.Files[0].Recorded != 1 || grade() != c.want {
			t.Fatalf("once more: %+v, %s", r, grade())
		}
		if r := in(c.result); r.Files[0].AlreadyRecorded != 1 || grade() != c.want {
			t.Errorf("and again: %+v, %s", r, grade())
		}
		if _, err := s.UndoImport(ctx, store.Act{Via: "command"}, r.Act, "wrong"); err != nil || grade() != "none" {
			t.Errorf("undone: %v, %s", err, grade())
		}
	}
	// What somebody put right by hand stays so.
	r = in("bad")
	var id string
	if err := store.Pool(s).QueryRow(ctx, `SELECT id::text FROM first_layers WHERE voided_at IS NULL`).Scan(&id); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Record(ctx, store.Act{Via: "api"}, intake.Item{Kind: "void", Rec: &intake.Void{Record: id, VoidedAt: time.Date(2026, 4, 2, 0, 0, 0, 0, time.UTC), VoidReason: "not ours"}}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.UndoImport(ctx, store.Act{Via: "command"}, r.Act, "wrong"); err != nil {
		t.Fatal(err)
	}
	if r := in("bad"); r.Files[0].AlreadyRecorded != 1 {
		t.Errorf("voided by hand: %+v", r)
	}
}

// Rows of a bundle bring their own ids: taken back with their import they stay so, and
// the report says it.
func TestABundleTakenBackStaysSoAndIsSaid(t *testing.T) {
	s := open(t)
	ctx := context.Background()
	b := &farm.Bundle{Printers: printersTo(1)}
	for i := range 3 {
		id, _ := farm.NewID(farm.KindFirstLayer, fmt.Sprintf("F-%d", i))
		b.FirstLayers = append(b.FirstLayers, farm.FirstLayer{ID: id, Printer: "R-1", StartedAt: time.Date(2026, 4, 1, 6+i, 0, 0, 0, time.UTC), Grade: "clean", GradedAt: time.Date(2026, 4, 1, 7+i, 0, 0, 0, time.UTC),
			LayerHeightMM: farm.Unknown(), LineWidthMM: farm.Unknown(), NozzleMM: farm.Unknown(), LinePitchMM: farm.Unknown(), NudgeMM: farm.Unknown(), LookChance: farm.Unknown()})
	}
	if r, err := s.ImportFarm(ctx, store.Act{Via: "import"}, b, store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatal(r.Text(), err)
	}
	var act int64
	if err := store.Pool(s).QueryRow(ctx, `SELECT max(act) FROM records`).Scan(&act); err != nil {
		t.Fatal(err)
	}
	if n, err := s.UndoImport(ctx, store.Act{Via: "command"}, act, "wrong farm"); err != nil || n != 3 {
		t.Fatal(n, err)
	}
	r, err := s.ImportFarm(ctx, store.Act{Via: "import"}, b, store.ImportOptions{})
	if text := r.Text(); err != nil || !strings.Contains(text, "first_layers.csv: 3 rows were recorded by imports that were undone") {
		t.Errorf("%v\n%s", err, text)
	}
}

// Undoing an import that filled many records takes each back by itself.
func TestManyFillsAreTakenBackInTime(t *testing.T) {
	s := farmOf(t, 1)
	ctx := context.Background()
	in := func(result string) store.Report {
		t.Helper()
		r := numbered(t, s, manyFills, result)
		if r.Files[0].Recorded != manyFills {
			t.Fatalf("%+v", r.Files)
		}
		return r
	}
	in("-")
	began := time.Now()
	r := in("bad")
	filled := time.Since(began)
	began = time.Now()
	n, err := s.UndoImport(ctx, store.Act{Via: "command"}, r.Act, "wrong")
	took := time.Since(began)
	t.Logf("%d filled in %v, taken back in %v", n, filled.Round(time.Millisecond), took.Round(time.Millisecond))
	if err != nil || n != manyFills || took > 30*time.Second {
		t.Errorf("%d taken back in %v: %v", n, took, err)
	}
	in("bad")
}

func TestBadRowsOfALogAreKeptApart(t *testing.T) {
	s := farmOf(t, 1)
	ctx := context.Background()
	mapping := strings.Replace(bookMapping, `"zone"`, `"header_row":2,"encoding":"latin-1","zone"`, 1)
	text := "exported today\nDay;Clock;Machine;Result;Material\n01.04.2026;06:00;R-1;good;PLA\n02.04.2026;06:00;R-9;good;PLA\n03.04.2026;06:00;R-1;=sch\xf6n;PLA\n04.04.2026;06:00;R-9;bad;PLA\n"
	dir := filepath.Join(t.TempDir(), "refused")
	r, err := s.Import(ctx, store.Act{Via: "import"}, logOf(t, mapping, text), store.ImportOptions{Partial: true, RefusedDir: dir})
	if err != nil || !r.Stored || r.Files[0] != (store.FileReport{File: "book.csv", Rows: 4, Recorded: 1, Refused: 3}) {
		t.Fatalf("%+v %v", r, err)
	}
	if len(r.Unknown) != 1 || r.Unknown[0] != (store.Created{Kind: farm.KindPrinter, Name: "R-9"}) {
		t.Errorf("unknown %v", r.Unknown)
	}
	told, err := os.ReadFile(filepath.Join(dir, "problems.csv"))
	if err != nil || !bytes.Contains(told, []byte("4,Machine,R-9,the tag of a known printer\r\n")) || !bytes.Contains(told, []byte("5,Result,'=schön,")) {
		t.Errorf("%s %v", told, err)
	}
	if err := s.SaveThings(ctx, store.Act{Via: "page"}, farm.KindPrinter, store.ThingEdit{After: &farm.Printer{Tag: "R-9", BedXMM: 250, BedYMM: 210, ZStepMM: farm.Unknown()}}); err != nil {
		t.Fatal(err)
	}
	rest, err := os.ReadFile(filepath.Join(dir, "book.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if r, err = s.Import(ctx, store.Act{Via: "import"}, logOf(t, mapping, strings.Replace(string(rest), "=schön", "good", 1)), store.ImportOptions{}); err != nil || !r.Stored || r.Files[0].Recorded != 3 {
		t.Errorf("put right: %+v %v", r, err)
	}
	if r, err = s.Import(ctx, store.Act{Via: "import"}, logOf(t, mapping, text), store.ImportOptions{Check: true}); err != nil || r.Files[0].AlreadyRecorded != 3 {
		t.Errorf("again: %+v %v", r, err)
	}
}
