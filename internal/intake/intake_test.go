package intake

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

var now = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)

// Expected instants are the standard library's reading of RFC 3339, which the
// examples of section 5.8 of that RFC are among.
func TestTimesAreReadAsRFC3339Says(t *testing.T) {
	for _, s := range []string{
		"1985-04-12T23:20:50.52Z", "1996-12-19T16:39:57-08:00", "2000-02-29T00:00:00+00:00", "2026-03-29T02:30:00+01:00",
		"2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00", "9999-12-31T23:59:59Z", "1970-01-01T00:00:00Z", "2024-12-31T23:59:59.999999+05:45",
		"2026-01-02t03:04:05z", "2026-01-02T03:04:05.123456789Z",
	} {
		want, err := time.Parse(time.RFC3339Nano, strings.ToUpper(s))
		got, ok := ParseTime(s)
		if err != nil || !ok || !got.Equal(want.Truncate(time.Microsecond)) {
			t.Errorf("%s: got %v %v, want %v", s, got, ok, want)
		}
	}
	for _, s := range []string{
		"", "2026-01-02", "2026-01-02T03:04:05", "2026-01-02 03:04:05Z", "2026-01-02T03:04Z", "2026-02-30T00:00:00Z", "1900-02-29T00:00:00Z",
		"2026-13-01T00:00:00Z", "2026-01-02T24:00:00Z", "2026-01-02T03:60:00Z", "2026-01-02T03:04:60Z", "2026-01-02T03:04:05+1:00",
		"2026-01-02T03:04:05+0100", "2026-01-02T03:04:05+24:00", "2026-01-02T03:04:05.Z", "2026-01-02T03:04:05,5Z", "1969-12-31T23:59:59Z",
		"9999-12-31T23:59:59-01:00", "2026-01-02T03:04:05Zx", "+026-01-02T03:04:05Z", "2026-1-02T003:04:05Z", "1769904000",
	} {
		if got, ok := ParseTime(s); ok {
			t.Errorf("%q should be no time, got %v", s, got)
		}
	}
}

func TestDaysAreCountedAsTheCalendarDoes(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		want := time.Date(1970+r.IntN(8000), time.Month(1+r.IntN(12)), 1+r.IntN(28), r.IntN(24), r.IntN(60), r.IntN(60), r.IntN(1e6)*1000, time.UTC)
		if got, ok := ParseTime(Stamp(want)); !ok || !got.Equal(want) {
			t.Fatalf("%s: got %v", Stamp(want), got)
		}
	}
}

func readAll(t *testing.T, table *Table, text string) (recs []any, problems []fault.Problem, lines []int) {
	t.Helper()
	r, err := NewReader(table, iotestReader(text), now)
	if err != nil {
		t.Fatal(err)
	}
	_, problems = r.Header()
	problems = slices.Clone(problems)
	var row Row
	for {
		rec := table.New()
		more, err := r.Next(&row, rec)
		if err != nil {
			t.Fatal(err)
		}
		if !more {
			return recs, problems, lines
		}
		recs, lines = append(recs, rec), append(lines, row.Line)
		problems = append(problems, row.Problems...)
	}
}

// iotestReader gives a few bytes at a time, so that every boundary is crossed.
func iotestReader(text string) io.Reader { return &dripping{text} }

type dripping struct{ rest string }

func (d *dripping) Read(p []byte) (int, error) {
	if d.rest == "" {
		return 0, io.EOF
	}
	n := copy(p[:min(len(p), 7)], d.rest)
	d.rest = d.rest[n:]
	return n, nil
}

// Cells are kept byte for byte: a carriage return inside a quoted cell, blanks,
// and what a spreadsheet would take for a formula.
func TestCellsAreKeptByteForByte(t *testing.T) {
	notes := []string{"=1+1", "@x", "a\r\nb", "a\nb\r", "  blanks  ", `say "so"`, `"`, `""`, ",", "\r", "ünï 魏", "'", "\t", strings.Repeat("x", 10000)}
	table := TableOf(farm.KindMaterial)
	text := []byte("\xef\xbb\xbfnote,material\r\n")
	for i, n := range notes {
		text = append(AppendCell(text, []byte(n)), ',', byte('a'+i), '\r', '\n')
		if i%3 == 0 {
			text = append(text, '\n', '\r', '\n') // empty lines say nothing
		}
	}
	recs, problems, lines := readAll(t, table, strings.TrimSuffix(string(text), "\r\n"))
	if len(problems) > 0 || len(recs) != len(notes) {
		t.Fatalf("got %d records, problems %v", len(recs), problems)
	}
	for i, rec := range recs {
		if got := rec.(*farm.Material).Note; got != notes[i] {
			t.Errorf("cell %d: got %q, want %q", i, got, notes[i])
		}
	}
	if want := []int{2, 5, 6, 8}; !slices.Equal(lines[:4], want) {
		t.Errorf("records start on lines %v, want %v", lines[:4], want)
	}
}

func TestAMistakeDoesNotSwallowTheRowsBehindIt(t *testing.T) {
	recs, problems, _ := readAll(t, TableOf(farm.KindMaterial), "material,note\na,5\" tall\nb,\"x\"y\nc,fine\n")
	if len(recs) != 3 || len(problems) != 2 || problems[0].Line != 2 || problems[1].Line != 3 {
		t.Errorf("got %d records and %v, want 3 and problems on lines 2 and 3", len(recs), problems)
	}
}

func TestAnOpenQuoteIsBounded(t *testing.T) {
	text := "material,note\na,\"" + strings.Repeat("long line\n", 600_000)
	r, err := NewReader(TableOf(farm.KindMaterial), strings.NewReader(text), now)
	if err != nil {
		t.Fatal(err)
	}
	var row Row
	if more, err := r.Next(&row, TableOf(farm.KindMaterial).New()); !more || err != nil || len(row.Problems) != 1 || !strings.Contains(row.Problems[0].Expected, "quote left open") {
		t.Errorf("got %v %v %v", more, err, row.Problems)
	}
}

// Every field writes what it reads, for every kind of record.
func TestEveryFieldOfTheFullBundleComesBack(t *testing.T) {
	const dir = "../../testdata/bundles/everything.export"
	for _, table := range Tables {
		text, err := os.ReadFile(filepath.Join(dir, table.File))
		if err != nil {
			t.Fatal(err)
		}
		recs, problems, _ := readAll(t, table, string(text))
		if len(problems) > 0 {
			t.Errorf("%s: %v", table.File, problems)
		}
		b := []byte(table.HeaderLine())
		used := map[string]bool{}
		for _, rec := range recs {
			b = table.AppendRecord(b, rec)
			for _, f := range table.Fields {
				used[f.Name] = used[f.Name] || !f.Empty(rec)
				if !f.Same(rec, rec) {
					t.Errorf("%s %s differs from itself", table.File, f.Name)
				}
			}
		}
		if string(b) != string(text) {
			t.Errorf("%s: got\n%s\nwant\n%s", table.File, b, text)
		}
		for _, f := range table.Fields {
			if !used[f.Name] {
				t.Errorf("%s: no row uses column %s", table.File, f.Name)
			}
		}
	}
}

func TestABatchIsReadItemByItem(t *testing.T) {
	items, err := ParseRecords([]byte(`{"records":[
		{"kind":"cleaning","id":"C-1","plate":"T-1","cleaned_at":"2026-01-02T03:04:05Z","method":"wipe"},
		{"kind":"cleaning","id":"C-2","plate":"T-1","cleaned_at":"2026-01-02T03:04:05Z","method":"scrub","colour":1},
		{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-01-02T03:04:05Z","readings":[{"zone":"A1","mm":0.2,"patch":true}],"covered":["B2","A1"],"nudge_mm":-0.02,"note":null},
		{"kind":"first_layer","id":"","printer":"R-1","started_at":"2026-01-02T03:04:05Z","marks":[{"zone":"A1","mark":"blobs","severity":9}]},
		{"kind":"dream"}, 7, {"kind":"void"},
		{"kind":"hold","id":"H","subject_kind":"printer","subject":"R-1","placed_at":"2026-01-02T03:04:05Z","reason":"\ud800"}]}`), now)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][]string{
		nil,
		{"/records/1/method", "/records/1/colour"},
		nil,
		{"/records/3/marks/0/severity", "/records/3/id"},
		{"/records/4/kind"},
		{"/records/5"},
		{"/records/6/record", "/records/6/voided_at", "/records/6/void_reason"},
		{"/records/7/reason"},
	} {
		var got []string
		if items[i].Err != nil {
			for _, p := range items[i].Err.Problems {
				got = append(got, p.Pointer)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("item %d: got problems at %v, want %v", i, got, want)
		}
	}
	f := items[2].Rec.(*farm.FirstLayer)
	if len(f.Readings) != 1 || !f.Readings[0].Patch || len(f.Covered) != 2 || f.NudgeMM != -0.02 || f.ID.Ref != "F-1" {
		t.Errorf("got %+v", f)
	}
	if want := []string{"printer", "started_at", "readings", "covered", "nudge_mm"}; !slices.Equal(items[2].Fields, want) {
		t.Errorf("fields: got %v, want %v", items[2].Fields, want)
	}
}

func TestBodiesThatAreNoBatchAreRefusedWhole(t *testing.T) {
	for _, body := range []string{
		"", "null", "[]", "{", `{"records":[]}`, `{"records":null}`, `{"records":[{}],"more":1}`, `{"records":[{}]} x`, `{"records":[{}],"records":[{}]}`,
		`{"Records":[{}]}`, "{\"records\":[{\"id\":\"\xff\"}]}", `{"records":[` + strings.Repeat("{},", 500) + `{}]}`,
	} {
		if _, err := ParseRecords([]byte(body), now); !fault.Is(err, fault.Invalid) {
			t.Errorf("%.60q: got %v, want invalid", body, err)
		}
	}
}

func zipOf(t testing.TB, entries map[string]string) []byte {
	t.Helper()
	var buf bytes.Buffer
	w := zip.NewWriter(&buf)
	for name, text := range entries {
		f, err := w.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = f.Write([]byte(text))
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func TestHostileZipsAreRefused(t *testing.T) {
	many, big := map[string]string{}, strings.Repeat("0", 41<<20) // five are 205 MB
	for i := range 51 {
		many[strings.Repeat("x", i+1)] = ""
	}
	for name, c := range map[string]struct {
		entries map[string]string
		kind    fault.Kind
	}{
		"a way out":     {map[string]string{"../printers.csv": "x"}, fault.Invalid},
		"a rooted name": {map[string]string{"/etc/printers.csv": "x"}, fault.Invalid},
		"a backslash":   {map[string]string{`..\printers.csv`: "x"}, fault.Invalid},
		"two folders":   {map[string]string{"a/printers.csv": "x", "b/plates.csv": "x"}, fault.Invalid},
		"many files":    {many, fault.TooLarge},
		"one big file":  {map[string]string{"printers.csv": strings.Repeat("0", 51<<20)}, fault.TooLarge},
		"much together": {map[string]string{"printers.csv": big, "plates.csv": big, "cleanings.csv": big, "holds.csv": big, "jobs.csv": big}, fault.TooLarge},
	} {
		b := zipOf(t, c.entries)
		if _, err := Zip(bytes.NewReader(b), int64(len(b)), UploadLimits); !fault.Is(err, c.kind) {
			t.Errorf("%s: got %v, want %s", name, err, c.kind)
		}
	}
	if _, err := Zip(strings.NewReader("no zip"), 6, UploadLimits); !fault.Is(err, fault.Invalid) {
		t.Errorf("no zip: got %v", err)
	}
}

// An archive that lies about sizes is stopped by what really comes out.
func TestUnpackingIsCounted(t *testing.T) {
	b := zipOf(t, map[string]string{"printers.csv": strings.Repeat("0", 3000), "plates.csv": strings.Repeat("0", 3000)})
	src, err := Zip(bytes.NewReader(b), int64(len(b)), Limits{})
	if err != nil {
		t.Fatal(err)
	}
	a := src.(*archive)
	a.limits, a.left = Limits{Unpacked: 5000}, 5000
	read := func(name string) error {
		r, err := src.Open(name)
		if err != nil {
			return err
		}
		defer func() { _ = r.Close() }()
		_, err = io.Copy(io.Discard, r)
		return err
	}
	if err := errors.Join(read("printers.csv")); err != nil {
		t.Errorf("the first file: %v", err)
	}
	if err := read("plates.csv"); !fault.Is(err, fault.TooLarge) {
		t.Errorf("the second file: got %v, want too large", err)
	}
}

func TestAFarmInMemoryIsABundle(t *testing.T) {
	dir := t.TempDir()
	b := &farm.Bundle{
		Printers:    []farm.Printer{{Tag: "R-1", BedXMM: 220, BedYMM: 220, ZStepMM: farm.Unknown()}},
		FirstLayers: []farm.FirstLayer{{ID: farm.ID{Ref: "F-1"}, Printer: "R-1", StartedAt: now, Note: "a,b", LookChance: farm.Unknown(), NudgeMM: farm.Unknown(), NozzleMM: 0.4, LayerHeightMM: 0.2, LineWidthMM: farm.Unknown(), LinePitchMM: farm.Unknown()}},
	}
	if err := WriteFolder(dir, b); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(filepath.Join(dir, "first_layers.csv"))
	if want := `F-1,R-1,,2026-07-01T12:00:00Z,,,,,,,0.4,,,0.2,,,,,,,,,,,,,,,,"a,b",,,,,,,,,` + "\r\n"; err != nil || !strings.HasSuffix(string(got), want) {
		t.Errorf("got %s %v, want …%s", got, err, want)
	}
	if _, err := os.Stat(filepath.Join(dir, "plates.csv")); err != nil {
		t.Errorf("a bundle has a plates.csv, even empty: %v", err)
	}
}
