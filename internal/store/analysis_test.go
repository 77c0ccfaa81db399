package store_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"

	"github.com/gofrs/uuid/v5"
)

func analyse(t *testing.T, s *store.Store, at, known time.Time) *store.Analysis {
	t.Helper()
	a, err := s.Analysis(context.Background(), at, known)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// The reference was computed by another program from the same definitions
// (testdata/reference/README.md): what is read of the sample farm must give the
// same exposures, start by start.
func TestTheSampleFarmAsReadHasTheReferenceExposures(t *testing.T) {
	s := open(t)
	report, err := s.Import(context.Background(), byImport, folder(t, filepath.Join("..", "..", "testdata", "sample-farm")), store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	a := analyse(t, s, clock, time.Time{})
	ex := exposure.Of(&a.History)
	file, err := os.Open(filepath.Join("..", "..", "testdata", "reference", "exposures.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := map[[16]byte][]string{}
	for _, row := range rows[1:] {
		id, err := farm.NewID(farm.KindFirstLayer, row[0])
		if err != nil {
			t.Fatal(err)
		}
		want[id.UUID] = row
	}
	if len(ex) != len(want) {
		t.Fatalf("got %d first layers, want %d", len(ex), len(want))
	}
	count := func(n int32) string {
		if n < 0 {
			return ""
		}
		return strconv.Itoa(int(n))
	}
	elapsed := func(micros int64, unit float64) string {
		if micros < 0 {
			return ""
		}
		return fmt.Sprintf("%.6f", float64(micros)/unit)
	}
	bad := 0
	for i, x := range ex {
		w := want[a.History.Starts[i].ID]
		if w == nil {
			t.Fatalf("first layer %s is not in the reference", uuid.UUID(a.History.Starts[i].ID))
		}
		got := map[string]string{"first_layer": w[0], "skipped_probing": x.Skipped.String(), "plate_swapped": x.PlateSwapped.String(),
			"probe_state": x.State.String(), "prints_since_probe": count(x.PrintsSinceProbe), "prints_since_clean": count(x.PrintsSinceClean),
			"hours_since_probe": elapsed(x.SinceProbe, 3600e6), "days_since_clean": elapsed(x.SinceClean, 86400e6)}
		for c, name := range rows[0] {
			if got[name] != w[c] {
				if bad++; bad < 10 {
					t.Errorf("%s %s: got %q, want %q", w[0], name, got[name], w[c])
				}
			}
		}
	}
	if bad > 0 {
		t.Errorf("%d differences in all", bad)
	}
}

// knowledge writes what an analysis knows, one word a start and one an event, with
// hours of 1 March for times.
func knowledge(a *store.Analysis) string {
	hour := func(t int64) string { return time.UnixMicro(t).UTC().Format("15:04") }
	plate := func(i int32) string {
		if i < 0 {
			return "-"
		}
		return a.Plates[i].Tag
	}
	var words []string
	for i, s := range a.History.Starts {
		w := hour(s.At) + "/" + a.Printers[s.Printer].Tag + "/" + plate(s.Plate)
		if l := a.Labels[i]; l.Graded {
			w += fmt.Sprintf("/graded%d%d%d%d", l.Height, l.Grip, l.Dirt, l.Else)
		}
		if s.Failed {
			w += "/failed"
		}
		if s.Sent {
			w += "/sent"
		}
		words = append(words, w)
	}
	for _, p := range a.History.Probes {
		words = append(words, "probe"+hour(p.At))
	}
	for _, c := range a.History.Cleanings {
		words = append(words, "clean"+hour(c.At))
	}
	for _, f := range a.History.Fittings {
		w := "fit" + hour(f.At) + plate(f.Plate)
		if f.Removed != 0 {
			w += "-" + hour(f.Removed)
		}
		words = append(words, w)
	}
	return strings.Join(words, " ")
}

// Late cleanings, voidings and fills: what counts as of a time, and what was
// known by one.
func TestAnAnalysisKnowsWhatHadHappenedAndArrived(t *testing.T) {
	s, _ := farmWithThings(t)
	day := func(hour, minute int) time.Time { return time.Date(2026, 3, 1, hour, minute, 0, 0, time.UTC) }
	for _, e := range []struct {
		arrives time.Time
		body    string
	}{
		{day(8, 1), `{"kind":"first_layer","id":"A","printer":"R-1","plate":"T-1","started_at":"2026-03-01T08:00:00Z","start_is":"sent"}`},
		{day(9, 1), `{"kind":"first_layer","id":"B","printer":"R-2","started_at":"2026-03-01T09:00:00Z"}`},
		{day(9, 5), `{"kind":"fitting","id":"FT","plate":"T-2","printer":"R-2","fitted_at":"2026-03-01T07:00:00Z"}`},
		{day(9, 30), `{"kind":"probe","id":"P","printer":"R-1","probed_at":"2026-03-01T08:10:00Z"}`},
		{day(10, 0), `{"kind":"first_layer","id":"A","printer":"R-1","started_at":"2026-03-01T08:00:00Z","grade":"marginal","underside":"shown","graded_at":"2026-03-01T08:20:00Z","marks":"A1:nozzle_low:2 B2:debris:1"}`},
		{day(11, 0), `{"kind":"fitting","id":"FT","plate":"T-2","printer":"R-2","fitted_at":"2026-03-01T07:00:00Z","removed_at":"2026-03-01T09:45:00Z"}`},
		{day(12, 0), `{"kind":"cleaning","id":"C","plate":"T-1","cleaned_at":"2026-03-01T07:30:00Z","method":"wash"}`},
		{day(13, 0), `{"kind":"void","record":"P","voided_at":"2026-03-01T12:30:00Z","void_reason":"wrong printer"}`},
		{day(14, 0), `{"kind":"first_layer","id":"B","printer":"R-2","started_at":"2026-03-01T09:00:00Z","plate":"T-2","grade":"clean","graded_at":"2026-03-01T09:20:00Z"}`},
	} {
		s.SetClock(func() time.Time { return e.arrives })
		if r, err := send(t, s, e.body); err != nil || r.Outcome != store.Recorded {
			t.Fatalf("%s: %v %v", e.body, r, err)
		}
	}
	for _, c := range []struct {
		name      string
		at, known time.Time
		want      string
	}{
		{"before the first start", day(7, 45), time.Time{}, "clean07:30 fit07:00T-2"},
		{"started and not graded", day(8, 5), time.Time{}, "08:00/R-1/T-1/sent clean07:30 fit07:00T-2"},
		{"at the very instant of the grade", day(8, 20), time.Time{}, "08:00/R-1/T-1/graded2001/failed/sent clean07:30 fit07:00T-2"},
		{"before a removal", day(9, 30), time.Time{}, "08:00/R-1/T-1/graded2001/failed/sent 09:00/R-2/T-2/graded0000 clean07:30 fit07:00T-2"},
		{"all of it", day(15, 0), time.Time{}, "08:00/R-1/T-1/graded2001/failed/sent 09:00/R-2/T-2/graded0000 clean07:30 fit07:00T-2-09:45"},
		{"known before the grade arrived", day(15, 0), day(9, 59), "08:00/R-1/T-1/sent 09:00/R-2/- probe08:10 fit07:00T-2"},
		{"known when the grade arrived", day(15, 0), day(10, 0), "08:00/R-1/T-1/graded2001/failed/sent 09:00/R-2/- probe08:10 fit07:00T-2"},
		{"known before the void arrived", day(15, 0), day(12, 59), "08:00/R-1/T-1/graded2001/failed/sent 09:00/R-2/- probe08:10 clean07:30 fit07:00T-2-09:45"},
		{"known after the void arrived", day(15, 0), day(13, 0), "08:00/R-1/T-1/graded2001/failed/sent 09:00/R-2/- clean07:30 fit07:00T-2-09:45"},
		{"known by then and happened by then", day(8, 30), day(9, 30), "08:00/R-1/T-1/sent probe08:10 fit07:00T-2"},
		{"known before anything", day(15, 0), day(7, 0), ""},
	} {
		if got := knowledge(analyse(t, s, c.at, c.known)); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
	if a := analyse(t, s, day(8, 5), time.Time{}); a.Until != day(8, 20).UnixMicro() {
		t.Errorf("the answer changes at %s, want 08:20, when a grade was given", time.UnixMicro(a.Until).UTC())
	}
	if a := analyse(t, s, day(15, 0), time.Time{}); time.UnixMicro(a.Until).Year() < 9999 {
		t.Errorf("the answer changes at %s, want never", time.UnixMicro(a.Until).UTC())
	}
}

// Changes to things, and things that came later, are not known before they
// arrived; what a bundle brings back of old records comes with its things.
func TestAnAnalysisKnowsTheThingsOfItsTime(t *testing.T) {
	s := open(t)
	day := func(d int) time.Time { return time.Date(2026, 3, d, 12, 0, 0, 0, time.UTC) }
	at := func(d int) { s.SetClock(func() time.Time { return day(d) }) }
	at(10)
	// Records of the first of March that another farm's database took in then.
	mustImport(t, s, small().with("settings.csv", "key,value\ntime_zone,Europe/Berlin\nleast_avoidable,0.7\n").
		with("first_layers.csv", "first_layer,printer,started_at,arrived_at\nA,R-1,2026-03-01T08:00:00Z,2026-03-01T08:05:00Z\n"))
	at(12)
	imports(t, s, files{
		"printers.csv": "printer,bed_x_mm,bed_y_mm,probing_recorded,in_service_from\nR-1,220,220,none,2026-03-01T00:00:00Z\nR-3,220,220,all,\n",
		"plates.csv":   "plate,surface,retired_at\nT-1,glass,2026-03-11T00:00:00Z\nT-3,glass,\n",
		"settings.csv": "key,value\nleast_avoidable,0.9\nstart_window_minutes,30\n",
	}, store.ImportOptions{Update: true})
	tell := func(a *store.Analysis) string {
		var words []string
		for i, p := range a.Printers {
			words = append(words, fmt.Sprintf("%s:%t:%t", p.Tag, a.History.RecordsAll[i], p.InServiceFrom.IsZero()))
		}
		for _, p := range a.Plates {
			words = append(words, fmt.Sprintf("%s:%t", p.Tag, p.RetiredAt.IsZero()))
		}
		return strings.Join(append(words, a.Settings.Text("time_zone"), a.Settings.Text("least_avoidable"), fmt.Sprint(a.History.StartWindow/60e6)), " ")
	}
	now := "R-1:false:false R-2:true:true R-3:true:true T-1:false T-2:true T-3:true Europe/Berlin 0.9 30"
	then := "R-1:true:true R-2:true:true T-1:true T-2:true Europe/Berlin 0.7 45"
	for _, c := range []struct {
		name  string
		known time.Time
		want  string
	}{
		{"now", time.Time{}, now},
		{"known after the second import", day(12), now},
		{"known before it", day(11), then},
		{"known before the first import, by what it brought back", day(2), then},
	} {
		if got := tell(analyse(t, s, day(20), c.known)); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
	// A record that had arrived by then and names a thing that came later keeps it.
	at(13)
	mustImport(t, s, small().with("printers.csv", "printer,bed_x_mm,bed_y_mm\nR-3,220,220\n").
		with("first_layers.csv", "first_layer,printer,started_at,arrived_at\nB,R-3,2026-03-02T08:00:00Z,2026-03-02T08:05:00Z\n"))
	a := analyse(t, s, day(20), day(11))
	if got, want := knowledge(a), "08:00/R-1/- 08:00/R-3/-"; got != want || len(a.Printers) != 3 || len(a.History.RecordsAll) != 3 || len(a.Plates) != 2 {
		t.Errorf("got %s of %d printers and %d plates, want %s of 3 and 2", got, len(a.Printers), len(a.Plates), want)
	}
}

// Ties and the places rows lie in change nothing.
func TestAnAnalysisIsInOrderOfTimeThenId(t *testing.T) {
	s, _ := farmWithThings(t)
	for _, id := range []string{"c", "a", "d", "b"} {
		for k, body := range []string{
			`{"kind":"first_layer","id":"F%s","printer":"R-1","started_at":"2026-03-01T0%d:00:00Z","material":"M%s","grader":"ines","grade":"clean"}`,
			`{"kind":"probe","id":"P%s","printer":"R-1","probed_at":"2026-03-01T0%d:00:00Z","extent":"zero"}`,
			`{"kind":"fitting","id":"T%s","printer":"R-1","plate":"T-1","fitted_at":"2026-03-01T0%d:00:00Z"}`,
		} {
			args := []any{id, 8 - int(id[0]-'a')/2}
			if k == 0 {
				args = append(args, id)
			}
			if _, err := send(t, s, fmt.Sprintf(body, args...)); err != nil {
				t.Fatal(err)
			}
		}
	}
	a := analyse(t, s, clock, time.Time{})
	h := &a.History
	for i := 1; i < 4; i++ {
		if x, y := &h.Starts[i-1], &h.Starts[i]; x.At > y.At || x.At == y.At && string(x.ID[:]) > string(y.ID[:]) {
			t.Errorf("start %d comes before start %d", i, i-1)
		}
		if x, y := &h.Probes[i-1], &h.Probes[i]; x.At > y.At || x.At == y.At && string(x.ID[:]) > string(y.ID[:]) || x.Ends {
			t.Errorf("probe %d comes before probe %d", i, i-1)
		}
		if h.Fittings[i-1].At > h.Fittings[i].At {
			t.Errorf("fitting %d comes before fitting %d", i, i-1)
		}
	}
	if a.Materials != 4 || a.Graders != 1 || a.Labels[0].Material != 0 || a.Labels[3].Material != 3 || !a.Labels[0].Graded {
		t.Errorf("got %d materials, %d graders, labels %+v: want materials numbered as they appear, and a grade without a time counted with its start", a.Materials, a.Graders, a.Labels)
	}
}

func TestTheVersionOfTheDataMovesWithEveryWrite(t *testing.T) {
	s, _ := farmWithThings(t)
	version := func() store.DataVersion {
		v, err := s.DataVersion(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	before := version()
	if version() != before || analyse(t, s, clock, time.Time{}).Version != before {
		t.Error("the version moved without a write")
	}
	if _, err := send(t, s, `{"kind":"service","id":"S","printer":"R-1","done_at":"2026-03-01T08:00:00Z","work":"nozzle"}`); err != nil {
		t.Fatal(err)
	}
	if version() == before {
		t.Error("the version stayed over a write")
	}
}

// What an invented farm's records say is what it kept without any text.
func TestAnAnalysisOfAnInventedFarmIsTheFarm(t *testing.T) {
	sc := simfarm.Default()
	sc.Printers, sc.Plates, sc.Days, sc.FittingsRecorded = 12, 24, 6, true
	f := simfarm.Run(sc, 7)
	s := open(t)
	if report, err := s.ImportFarm(context.Background(), byImport, f.Bundle(), store.ImportOptions{}); err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	a, want := analyse(t, s, time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC), time.Time{}), f.Columns()
	h := &want.History
	for what, n := range map[string][2]int{
		"starts": {len(a.History.Starts), len(h.Starts)}, "probes": {len(a.History.Probes), len(h.Probes)}, "cleanings": {len(a.History.Cleanings), len(h.Cleanings)},
		"fittings": {len(a.History.Fittings), len(h.Fittings)}, "services": {len(a.History.Services), len(h.Services)},
		"printers": {len(a.Printers), len(h.RecordsAll)}, "plates": {len(a.Plates), h.Plates},
	} {
		if n[0] != n[1] || n[0] == 0 {
			t.Fatalf("got %d %s, want %d", n[0], what, n[1])
		}
	}
	byID := map[[16]byte]int{}
	for i := range h.Starts {
		byID[h.Starts[i].ID] = i
	}
	got, expected := exposure.Of(&a.History), exposure.Of(h)
	materials, graders := map[int32]uint8{}, map[int32]uint8{}
	bad := 0
	for i, start := range a.History.Starts {
		k := byID[start.ID]
		l, w := a.Labels[i], want.Labels[k]
		v := w.Severity
		wanted := store.StartLabel{Material: l.Material, Grader: l.Grader, Graded: w.Graded, Height: max(v[0], v[1]), Grip: max(v[2], v[3], v[5]), Dirt: v[4], Else: slices.Max(v[6:])}
		for m, severity := range v {
			if severity > 0 {
				wanted.Marks |= 1 << m
			}
		}
		if m, seen := materials[l.Material]; seen && m != w.Material || l.Material < 0 {
			t.Errorf("start %d: material %d, want the one of other starts", i, l.Material)
		}
		materials[l.Material] = w.Material
		if w.Graded {
			if g, seen := graders[l.Grader]; seen && g != w.Grader || l.Grader < 0 {
				t.Errorf("start %d: grader %d, want the one of other starts", i, l.Grader)
			}
			graders[l.Grader] = w.Grader
		}
		if start != h.Starts[k] || l != wanted || got[i] != expected[k] {
			if bad++; bad < 5 {
				t.Errorf("start %d:\n got %+v %+v %+v\nwant %+v %+v %+v", i, start, l, got[i], h.Starts[k], wanted, expected[k])
			}
		}
	}
}
