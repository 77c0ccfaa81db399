package intake

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// readLog reads a log by a mapping: its good rows as our own lines, its problems
// as text.
func readLog(t *testing.T, mapping string, log []byte) (lines, problems []string, ids []farm.ID) {
	t.Helper()
	m, err := ReadMapping([]byte(mapping))
	if err != nil {
		t.Fatal(err)
	}
	return readBy(t, m, log)
}

func readBy(t *testing.T, m *Mapping, log []byte) (lines, problems []string, ids []farm.ID) {
	t.Helper()
	r, err := NewLogReader(&Log{Mapping: m, Name: "log.csv"}, bytes.NewReader(log), now)
	if err != nil {
		t.Fatal(err)
	}
	_, bad := r.Header()
	for _, p := range bad {
		problems = append(problems, p.String())
	}
	rec := r.table.New()
	var row Row
	for {
		more, err := r.Next(&row, rec)
		if err != nil {
			t.Fatal(err)
		}
		if !more {
			return lines, problems, ids
		}
		for _, p := range row.Problems {
			problems = append(problems, p.String())
		}
		if len(row.Problems) > 0 || len(bad) > 0 {
			continue
		}
		id := r.table.Fields[0].At(rec).(*farm.ID)
		ids = append(ids, *id)
		*id = farm.ID{}
		line := strings.TrimRight(string(r.table.AppendRecord(nil, rec)), "\r\n")
		lines = append(lines, strings.Trim(line, ","))
	}
}

const germanMapping = `{"mapping":"Schichtbuch","kind":"first_layer","encoding":"windows-1252","delimiter":";","decimal":",","unknown":["-"],"zone":"Europe/Berlin",
 "fields":{
  "printer":{"from":["Maschine"],"words":{"Alte im Eck":"R-1"}},
  "started_at":{"from":["Datum","Uhrzeit"],"order":"dmy"},
  "grade":{"from":["Güte"],"words":{"gut":"clean","na ja":"marginal","Ausschuss":"failed"}},
  "nudge_mm":{"from":["Versatz"],"unit":"um"},
  "marks":{"from":["Fehler"],"between":"/","words":{"zu tief":"nozzle_low:2","Kugeln":"blobs"},"severity":1,"zones_from":["Wo"],"zone_words":{"vorne links":"A1","Mitte":"B2"}},
  "readings":{"each":{"A1":"VL","C3":"HR"}},
  "layer_height_mm":{"value":"0.2"}}}`

func TestALogBecomesOurRecords(t *testing.T) {
	log := strings.Join([]string{
		"Datum;Uhrzeit;Maschine;Güte;Versatz;Fehler;Wo;VL;HR",
		`23.03.2026;08:15;R-2;gut;-;;;0,21;-`,
		`23.03.2026;9:40:05;alte im eck;Na ja;-40;zu tief / Kugeln;vorne links;;0,18 mm`,
		`3. März 2026;20:00;R-2;Ausschuss;12,5;zu tief;Mitte;;`,
		`31.02.2026;20:00;R-2;gut;;;;;`,
		`29.03.2026;02:30;R-2;gut;;;;;`,
		`25.10.2025;02:30;R-2;prima;;;;;`,
		`26.10.2025;02:30;R-2;gut;;;;;`,
		`23.03.26;08:15;R-2;gut;1.5;;;;`,
		`23.03.2026;;R-2;gut;2500;zu hoch;;2,1;`,
		`23.03.2026;08:15;R-2`,
	}, "\r\n")
	latin, err := charmap.Windows1252.NewEncoder().String(log)
	if err != nil {
		t.Fatal(err)
	}
	lines, problems, _ := readLog(t, germanMapping, []byte(latin))
	wantLines := []string{
		"R-2,,2026-03-23T07:15:00Z,,clean,,,,,,,,0.2,,,,A1=0.21",
		"R-1,,2026-03-23T08:40:05Z,,marginal,,,,,,,,0.2,,,A1:blobs:1 A1:nozzle_low:2,C3=0.18,,,,,,,-0.04",
		"R-2,,2026-03-03T19:00:00Z,,failed,,,,,,,,0.2,,,B2:nozzle_low:2,,,,,,,,0.0125",
	}
	if !slices.Equal(lines, wantLines) {
		t.Errorf("lines:\n%s", strings.Join(lines, "\n"))
	}
	wantProblems := []string{
		`line 5, column Datum + Uhrzeit: found "31.02.2026 20:00", expected a day that is in the calendar`,
		`line 6, column Datum + Uhrzeit: found "29.03.2026 02:30", expected a time that was: in Europe/Berlin clocks were set forward over 02:30 on 2026-03-29`,
		`line 7, column Güte: found "prima", expected a word the mapping knows for grade`,
		`line 8, column Datum + Uhrzeit: found "26.10.2025 02:30", expected an offset, or the mapping's word for it (twice: first or second)`,
		`line 9, column Versatz: found "1.5", expected a number with the decimal sign ","`,
		`line 9, column Datum + Uhrzeit: found "23.03.26 08:15", expected a year of four digits`,
		`line 10, column Fehler + Wo: found "zu hoch", expected a word the mapping knows for a mark`,
		`line 10, column Versatz: found "2500", expected a number from -1 to 1`,
		`line 10, column readings: found "2,1", expected ZONE=MM`,
		`line 10, column Datum + Uhrzeit: found "23.03.2026", expected a time of day behind the date`,
		`line 11: found "3 cells", expected 9 cells, as in the headings`,
	}
	if len(problems) != len(wantProblems) {
		t.Errorf("problems:\n%s", strings.Join(problems, "\n"))
	}
	for i := range min(len(problems), len(wantProblems)) {
		if !strings.HasPrefix(problems[i], "log.csv, "+wantProblems[i]) {
			t.Errorf("problem %d: %s\nwant     %s", i, problems[i], wantProblems[i])
		}
	}
	utf16, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String(log)
	if err != nil {
		t.Fatal(err)
	}
	if again, _, _ := readLog(t, germanMapping, []byte(utf16)); !slices.Equal(again, wantLines) { // its mark is stronger than the mapping
		t.Errorf("in UTF-16: %q", again)
	}
}

// Instants of Europe/Berlin by Directive 2000/84/EC: clocks change at 01:00 UTC on the
// last Sundays of March and October.
func TestTimesOfLogs(t *testing.T) {
	berlin, err := LoadZone("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		l    logTime
		text string
		want string // the instant, or the beginning of what was expected
	}{
		{logTime{order: "dmy", zone: berlin}, "03/04/2026 10:00", "2026-04-03T08:00:00Z"},
		{logTime{order: "mdy", zone: berlin}, "03/04/2026 10:00", "2026-03-04T09:00:00Z"},
		{logTime{order: "mdy", zone: berlin}, "12/31/2026 11:59:59 PM", "2026-12-31T22:59:59Z"},
		{logTime{order: "mdy", zone: berlin}, "12/31/2026 12:05 a.m.", "2026-12-30T23:05:00Z"},
		{logTime{order: "dmy", zone: berlin}, "10:00 03.04.2026", "2026-04-03T08:00:00Z"},
		{logTime{order: "ymd", zone: berlin}, "2026-04-03T10:00:00.25", "2026-04-03T08:00:00.25Z"},
		{logTime{order: "ymd"}, "2026-04-03 10:00:00 +0530", "2026-04-03T04:30:00Z"},
		{logTime{order: "ymd"}, "20260403 10:00Z", "2026-04-03T10:00:00Z"},
		{logTime{order: "ymd"}, "2026-04-03 10:00", "an offset such as +01:00"},
		{logTime{order: "ymd", zone: berlin}, "03.04.2026 10:00", "a date: year, month, day"},
		{logTime{order: "dmy", zone: berlin}, "Fri, 3 Apr 2026 10:00", "2026-04-03T08:00:00Z"},
		{logTime{order: "dmy", zone: berlin}, "03.04.26 10:00", "a year of four digits"},
		{logTime{order: "dmy", zone: berlin, century: 20}, "03.04.26 10:00", "2026-04-03T08:00:00Z"},
		{logTime{order: "dmy", zone: berlin, at: "12:00"}, "03.04.2026", "2026-04-03T10:00:00Z"},
		{logTime{order: "dmy", zone: berlin}, "26.10.2025 02:59", "an offset, or the mapping's word"},
		{logTime{order: "dmy", zone: berlin, twice: "first"}, "26.10.2025 02:30", "2025-10-26T00:30:00Z"},
		{logTime{order: "dmy", zone: berlin, twice: "second"}, "26.10.2025 02:30", "2025-10-26T01:30:00Z"},
		{logTime{order: "dmy", zone: berlin}, "26.10.2025 03:00", "2025-10-26T02:00:00Z"},
		{logTime{order: "dmy", zone: berlin, twice: "first"}, "29.03.2026 02:00", "a time that was"},
		{logTime{order: "dmy", zone: berlin}, "29.03.2026 03:00", "2026-03-29T01:00:00Z"},
		{logTime{order: "unix"}, "1774249200", "2026-03-23T07:00:00Z"},
		{logTime{order: "unix_ms"}, "1774249200500", "2026-03-23T07:00:00.5Z"},
		{logTime{order: "unix"}, "soon", "seconds since 1970"},
		{logTime{order: "dmy", zone: berlin}, "13.13.2026 10:00", "a date: day, month, year"},
		{logTime{order: "dmy", zone: berlin}, "03.04.2026 25:00", "a time of day"},
	} {
		at, expected := c.l.read(c.text)
		got := expected
		if expected == "" {
			got = Stamp(at)
		}
		if !strings.HasPrefix(got, c.want) {
			t.Errorf("%s %q: got %s, want %s", c.l.order, c.text, got, c.want)
		}
	}
}

// The same row gets the same id in any file of the log, and a key of the log's
// own lets a row be filled later.
func TestIdsOfLogs(t *testing.T) {
	mapping := func(more string) string {
		return `{"mapping":"Wipes","kind":"cleaning",` + more + `"zone":"UTC","fields":{"plate":{"from":["plate"]},"cleaned_at":{"from":["when"],"order":"ymd"},"method":{"value":"wipe"}}}`
	}
	short := "no,plate,when\n1,L-1,2026-03-02 08:00\n2,L-1,2026-03-02 08:00\n"
	long := "no,plate,when\n0,L-2,2026-03-01 08:00\n1,L-1,2026-03-02 08:00\n2,L-1,2026-03-02 08:00\n"
	count := func(more string) (first, both, different int) {
		_, _, a := readLog(t, mapping(more), []byte(short))
		_, _, b := readLog(t, mapping(more), []byte(long))
		all := map[farm.ID]bool{}
		for _, id := range a {
			all[id] = true
		}
		first = len(all)
		for _, id := range b {
			if all[id] {
				both++
			}
			all[id] = true
		}
		return first, both, len(all)
	}
	for more, want := range map[string][3]int{"": {1, 2, 2}, `"same_rows":"each",`: {2, 2, 3}, `"key":["no"],`: {2, 2, 3}} {
		if a, b, c := count(more); [3]int{a, b, c} != want {
			t.Errorf("%s: %d %d %d, want %v", more, a, b, c, want)
		}
	}
	_, _, a := readLog(t, mapping(""), []byte(short))
	other := strings.Replace(mapping(""), "Wipes", "Other", 1)
	if _, _, b := readLog(t, other, []byte(short)); a[0] == b[0] {
		t.Error("two logs share ids")
	}
	lines, _, _ := readLog(t, mapping(`"only":[{"column":"plate","is":["l-2"]}],`), []byte(long))
	if len(lines) != 1 {
		t.Errorf("only L-2: %q", lines)
	}
}

func TestMappingsAreReadOrRefusedByPlace(t *testing.T) {
	for text, want := range map[string]string{
		`{`:            "a mapping: one JSON object",
		`{"maping":1}`: "a mapping: one JSON object",
		`{"mapping":"a","kind":"printer","fields":{}}`:  "column kind",
		`{"mapping":"a","kind":"cleaning","fields":{}}`: "column fields.plate",
		`{"mapping":"a","kind":"cleaning","fields":{"plate":{"from":["p"]},"cleaned_at":{"from":["d"]},"method":{"value":"scrub"}}}`:                                                        "column fields.cleaned_at.order",
		`{"mapping":"a","kind":"cleaning","fields":{"plate":{"from":["p"]},"cleaned_at":{"from":["d"],"order":"dmy"},"method":{"value":"scrub"}}}`:                                          "column fields.method.value",
		`{"mapping":"a","kind":"cleaning","zone":"Local","fields":{"plate":{"from":["p"]},"cleaned_at":{"from":["d"],"order":"dmy"},"method":{"value":"wipe"}}}`:                            "column zone",
		`{"mapping":"a","kind":"cleaning","fields":{"plate":{"from":["p"],"unit":"um"},"cleaned_at":{"from":["d"],"order":"dmy"},"method":{"from":["m"],"words":{"x":"scrub"}}}}`:           "column fields.method.words.x",
		`{"mapping":"a","kind":"first_layer","fields":{"printer":{"from":["p"]},"started_at":{"from":["d"],"order":"dmy"},"marks":{"from":["m"],"words":{"x":"nozzle_low"},"zones":"B2"}}}`: "column fields.marks.words.x",
		`{"mapping":"a","kind":"first_layer","fields":{"printer":{"from":["p"]},"started_at":{"from":["d"],"order":"dmy"},"arrived_at":{"from":["m"]}}}`:                                    "column fields: found \"arrived_at\"",
		`{"mapping":"a","kind":"first_layer","encoding":"ebcdic","fields":{"printer":{"from":["p"]},"started_at":{"from":["d"],"order":"dmy"}}}`:                                            "column encoding",
		`{"mapping":"a","kind":"first_layer","fields":{"printer":{"from":["p"]},"started_at":{"from":["d"],"order":"dmy","at":"25:00"}}}`:                                                   "column fields.started_at.at",
	} {
		_, err := ReadMapping([]byte(text))
		if err == nil || !fault.Is(err, fault.Invalid) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %s", text, err, want)
		}
	}
	m, err := ReadMapping([]byte(germanMapping))
	if err != nil {
		t.Fatal(err)
	}
	if again, err := ReadMapping(m.JSON()); err != nil || !bytes.Equal(again.JSON(), m.JSON()) {
		t.Errorf("written and read again: %v", err)
	}
	_, problems, _ := readBy(t, m, []byte("Datum;Uhrzeit;Maschine\n1;2;3\n"))
	if len(problems) != 6 || !strings.Contains(problems[0], "the heading") {
		t.Errorf("a log without the headings: %q", problems)
	}
	if _, problems, _ := readBy(t, m, nil); len(problems) != 1 {
		t.Errorf("an empty log: %q", problems)
	}
}

func TestSuggestions(t *testing.T) {
	marks := func(w string) string { return map[string]string{"balls": "blobs"}[w] }
	look := func(log string) (*Mapping, string) {
		s, err := Look(strings.NewReader(log), "", "", 0)
		if err != nil {
			t.Fatal(err)
		}
		m, reasons := Suggest(s, "Book", farm.KindFirstLayer, "Europe/Berlin", marks)
		var words []string
		for _, r := range reasons {
			words = append(words, fmt.Sprint(r.Field, ": ", r.Words, r.Ask))
		}
		return m, strings.Join(words, "\n")
	}
	m, why := look("Machine;Date;Time;Rating;Defect;Where;Nudge [µm]\nR-1;03/04/2026;08:00;good;balls;A1;1,5\nR-2;23/04/2026;09:00;odd;-;;\n")
	if m.Delimiter != ";" || m.Fields["started_at"].Order != "dmy" || m.Fields["grade"].Words["good"] != "clean" || m.Fields["marks"].Words["balls"] != "blobs" ||
		m.Fields["marks"].ZonesFrom[0] != "Where" || m.Fields["nudge_mm"].Unit != "um" || m.Decimal != "," || m.Zone != "Europe/Berlin" || !slices.Equal(m.Fields["started_at"].From, []string{"Date", "Time"}) {
		t.Errorf("suggested %s", m.JSON())
	}
	for _, want := range []string{"Day first: “23/04/2026” in line 3.", "Say what “odd” means", "how strong a mark is", "2 of the first 2 lines have 6", "the farm's own, Europe/Berlin", "Decimal comma: “Nudge [µm]” in line 2."} {
		if !strings.Contains(why, strings.Replace(want, "2 of the first 2", "3 of the first 3", 1)) {
			t.Errorf("%q is not said:\n%s", want, why)
		}
	}
	m, why = look("Printer,When\nR-1,03/04/2026 08:00\nR-1,05/06/26 08:00\n")
	if m.Fields["started_at"].Order != "" || !strings.Contains(why, "cannot be told from the log. Say it.true") || !strings.Contains(why, "years of two digits") {
		t.Errorf("ambiguous: %s\n%s", m.JSON(), why)
	}
	if m, why = look("Printer,When\nR-1,23/04/2026 08:00\nR-1,04/23/2026 08:00\n"); m.Fields["started_at"].Order != "" || !strings.Contains(why, "in line 3 only the month") {
		t.Errorf("contradicting: %s\n%s", m.JSON(), why)
	}
	if m, why = look("Gerät,Zeitpunkt\nR-1,2026-04-23T08:00:00+02:00\n"); m.Fields["started_at"].Order != "ymd" || m.Zone != "" || m.Fields["printer"].From[0] != "Gerät" {
		t.Errorf("with offsets: %s\n%s", m.JSON(), why)
	}
	latin, err := charmap.ISO8859_1.NewEncoder().String("Gerät;Zeitpunkt\nR-1;2026-04-23 08:00\n")
	if err != nil {
		t.Fatal(err)
	}
	if m, why = look(latin); m.Encoding != "windows-1252" || !strings.Contains(why, "a byte in line 1 is no UTF-8") || m.Fields["printer"].From[0] != "Gerät" {
		t.Errorf("Latin-1: %s\n%s", m.JSON(), why)
	}
	wide, err := unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM).NewEncoder().String("Printer,When\nR-1,2026-04-23 08:00\n")
	if err != nil {
		t.Fatal(err)
	}
	if m, why = look(wide); m.Encoding != "utf-16be" || len(m.Fields) != 2 {
		t.Errorf("UTF-16: %s\n%s", m.JSON(), why)
	}
}

// Whatever stands in a mapping and a log: no panic, every row is a record or has
// a problem that says something, and reading it again gives the same ids.
func FuzzMapping(f *testing.F) {
	f.Add(germanMapping, []byte("Datum;Uhrzeit;Maschine;G\xfcte;Versatz;Fehler;Wo;VL;HR\r\n23.03.2026;08:15;R-2;gut;-;;;0,21;-\r\n"))
	f.Add(`{"mapping":"a","kind":"cleaning","header_row":2,"zone":"UTC","only":[{"column":"d","is":["x"]}],"fields":{"plate":{"from":["p"]},"cleaned_at":{"from":["d"],"order":"unix"},"method":{"value":"wipe"}}}`, []byte("x\np,d\n1,2"))
	f.Fuzz(func(t *testing.T, mapping string, log []byte) {
		if s, err := Look(bytes.NewReader(log), "", "", 0); err == nil {
			m, _ := Suggest(s, "x", LogKinds[len(log)%len(LogKinds)], "UTC", func(string) string { return "" })
			_ = m.Problems()
		}
		m, err := ReadMapping([]byte(mapping))
		if err != nil {
			return
		}
		rows := func() (out []string) {
			r, err := NewLogReader(&Log{Mapping: m, Name: "log"}, bytes.NewReader(log), now)
			if err != nil {
				t.Fatal(err)
			}
			_, bad := r.Header()
			rec := r.table.New()
			var row Row
			for {
				more, err := r.Next(&row, rec)
				if err != nil && err != io.EOF {
					t.Fatal(err)
				}
				if !more {
					return out
				}
				for _, p := range row.Problems {
					if p.Expected == "" {
						t.Fatalf("a problem that says nothing: %+v", p)
					}
				}
				id := r.table.Fields[0].At(rec).(*farm.ID)
				if len(bad) == 0 && len(row.Problems) == 0 && (id.IsZero() || r.table.Fields[r.table.When].At(rec).(*time.Time).IsZero()) {
					t.Fatalf("a record without id or time: %q", row.Raw)
				}
				out = append(out, id.Text())
			}
		}
		if a, b := rows(), rows(); !slices.Equal(a, b) {
			t.Errorf("read twice: %v, %v", a, b)
		}
	})
}
