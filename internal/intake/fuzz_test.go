package intake

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"basecourse/internal/farm"
)

func FuzzTime(f *testing.F) {
	f.Add("2026-03-11T20:42:59.5+01:00")
	f.Add("2026-03-11T20:42:59Z")
	f.Fuzz(func(t *testing.T, s string) {
		at, ok := ParseTime(s)
		if !ok {
			return
		}
		again, ok := ParseTime(Stamp(at))
		if !ok || !again.Equal(at) {
			t.Errorf("%q is %v, written %s, read %v", s, at, Stamp(at), again)
		}
	})
}

// Whatever comes in: no panic, every byte belongs to one record, and a good row
// written out reads back as the same row.
func FuzzCSV(f *testing.F) {
	// A file of every table in which every column says something, quotes and line ends too.
	for i, table := range Tables {
		text, err := os.ReadFile(filepath.Join("../../testdata/bundles/everything", table.File))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text), i)
		if table.Kind == farm.KindFirstLayer {
			f.Add("first_layer,printer,started_at,marks,note\nF-1,R-1,2026-03-11T20:42:59Z,A1:blobs:1,\"a\r\n\"\"b\"\n", i)
		}
	}
	f.Fuzz(func(t *testing.T, text string, which int) {
		table := Tables[(which%len(Tables)+len(Tables))%len(Tables)]
		r, err := NewReader(table, strings.NewReader(text), now)
		if err != nil {
			t.Fatal(err)
		}
		_, bad := r.Header()
		rec, back := table.New(), table.New()
		var row, backRow Row
		for line := 1; ; line = row.Line {
			more, err := r.Next(&row, rec)
			if err != nil {
				t.Fatal(err)
			}
			if !more {
				return
			}
			if row.Line < line || row.Raw == "" {
				t.Fatalf("line %d after %d, raw %q", row.Line, line, row.Raw)
			}
			for _, p := range row.Problems {
				if p.Expected == "" || !utf8.ValidString(p.Found) {
					t.Fatalf("a problem that says nothing: %+v", p)
				}
			}
			if len(bad) > 0 || len(row.Problems) > 0 {
				continue
			}
			again, err := NewReader(table, io.MultiReader(strings.NewReader(table.HeaderLine()), bytes.NewReader(table.AppendRecord(nil, rec))), now)
			if err != nil {
				t.Fatal(err)
			}
			if more, err := again.Next(&backRow, back); !more || err != nil || len(backRow.Problems) > 0 {
				t.Fatalf("%q came back with %v %v", row.Raw, backRow.Problems, err)
			}
			for _, field := range table.Fields {
				if !field.Same(rec, back) {
					t.Fatalf("%s: %q came back as %q", field.Name, field.Text(rec), field.Text(back))
				}
			}
		}
	})
}

func FuzzJSON(f *testing.F) {
	f.Add([]byte(`{"records":[{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-11T20:42:59Z","marks":[{"zone":"A1","mark":"blobs","severity":1}],"readings":"A1=0.2","covered":["A1"],"nudge_mm":0.1}]}`))
	f.Add([]byte(`{"records":[{"kind":"probe","id":"M","printer":"R","probed_at":"2026-03-11T20:42:59Z","columns":2,"rows":1,"heights_mm":[0.1,null]}]}`))
	f.Add([]byte(`{"records":[{"kind":"void","record":"F-1","voided_at":"2026-03-11T20:42:59Z","void_reason":"x"}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		items, err := ParseRecords(body, now)
		if err != nil {
			return
		}
		for _, item := range items {
			if (item.Err == nil) == (item.Rec == nil) {
				t.Fatalf("neither or both: %+v", item)
			}
			if item.Err != nil && len(item.Err.Problems) == 0 {
				t.Fatalf("refused without a problem: %v", item.Err)
			}
		}
	})
}

func FuzzZip(f *testing.F) {
	f.Add(zipOf(f, map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nR-1,220,220\n", "plates.csv": "plate,surface\n"}))
	f.Fuzz(func(t *testing.T, b []byte) {
		src, err := Zip(bytes.NewReader(b), int64(len(b)), Limits{Unpacked: 1 << 20, Files: 50, File: 1 << 20})
		if err != nil {
			return
		}
		for _, file := range src.Files() {
			if strings.ContainsAny(file.Name, `/\`) {
				t.Fatalf("a name with a way in it: %q", file.Name)
			}
			r, err := src.Open(file.Name)
			if err != nil {
				continue
			}
			if n, _ := io.Copy(io.Discard, r); n > 1<<20 {
				t.Fatalf("%d bytes came out of %s", n, file.Name)
			}
			_ = r.Close()
		}
	})
}

func FuzzHeights(f *testing.F) {
	f.Add("-0.1 0.02 nan")
	table := TableOf(farm.KindProbe)
	field := &table.Fields[table.Field("heights_mm")]
	f.Fuzz(func(t *testing.T, s string) {
		h, bad := parseHeights(nil, s, -5, 5)
		if bad != "" {
			return
		}
		rec := &farm.Probe{HeightsMM: h}
		again, bad := parseHeights(nil, field.Text(rec), -5, 5)
		if bad != "" || !field.Same(rec, &farm.Probe{HeightsMM: again}) {
			t.Errorf("%q came back as %v", s, again)
		}
	})
}
