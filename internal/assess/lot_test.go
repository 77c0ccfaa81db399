package assess_test

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/store"
)

func set(t *testing.T, s *store.Store, key, was, value string) {
	t.Helper()
	if err := s.SaveThings(context.Background(), byImport, farm.KindSetting, store.ThingEdit{Before: &farm.Setting{Key: key, Value: was}, After: &farm.Setting{Key: key, Value: value}}); err != nil {
		t.Fatal(err)
	}
}

// drawsOf counts what stands drawn, by printer and task.
func drawsOf(t *testing.T, s *store.Store, at time.Time) map[string]store.Drawn {
	t.Helper()
	st, err := s.Standing(context.Background(), at, time.Time{}, "", "")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]store.Drawn{}
	for tag, list := range st.Drawn {
		for _, d := range list {
			if _, twice := out[tag+" "+d.Task]; twice {
				t.Errorf("%s %s drawn twice", tag, d.Task)
			}
			out[tag+" "+d.Task] = d
		}
	}
	return out
}

// The lot on a farm: what is drawn is kept before it is shown, once, with its chance; an
// answer repeats; nobody who only looks records; the switch and the jobs' value keep it out.
func TestWhatTheLotDecidesIsKept(t *testing.T) {
	ctx := context.Background()
	s := open(t)
	now := time.Date(2026, 4, 6, 10, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now.Add(-time.Hour) })
	importFolder(t, s, sampleDir)
	s.SetClock(func() time.Time { return now })
	byLot := func(u *assess.Upkeep) (n int) {
		for _, x := range u.Items {
			if x.ByLot {
				n++
			}
		}
		return n
	}
	set(t, s, "lot_limit", "0.01", "0.3") // so that there is much to draw
	looks := assess.New(s)
	shown := dueOf(t, looks, assess.AsOf{At: now}, "")
	if byLot(shown) == 0 || len(drawsOf(t, s, now)) != 0 {
		t.Fatalf("%d by lot of %d; a look recorded %d draws", byLot(shown), len(shown.Items), len(drawsOf(t, s, now)))
	}
	serves := assess.New(s)
	if err := serves.Draws(ctx); err != nil {
		t.Fatal(err)
	}
	given := dueOf(t, serves, assess.AsOf{At: now}, "")
	draws := drawsOf(t, s, now)
	do, leave := 0, 0
	for key, d := range draws {
		if d.Arm == "do" {
			do++
		} else {
			leave++
		}
		if d.Chance < 0.1 || d.Chance > 0.9 || d.Why != farm.DrawnLot || !d.At.Equal(now) || !farm.Known(d.Saves) {
			t.Errorf("%s: %+v", key, d)
		}
	}
	if do == 0 || leave == 0 || do != byLot(given) {
		t.Errorf("drawn: do %d, leave %d; %d are due by lot", do, leave, byLot(given))
	}
	// Asked again, by the list, for one printer, by one who only looks: the same.
	for _, a := range []*assess.Assessor{serves, assess.New(s)} {
		if again := dueOf(t, a, assess.AsOf{At: now}, ""); !bytes.Equal(again.JSON(), given.JSON()) {
			t.Errorf("asked again:\n%.800s\nbefore\n%.800s", again.JSON(), given.JSON())
		}
	}
	if n := len(drawsOf(t, s, now)); n != len(draws) {
		t.Errorf("%d draws, asked again %d", len(draws), n)
	}
	// What is drawn stands though the limit is another, and the switch is off.
	set(t, s, "standing_lot", "on", "off")
	if off := dueOf(t, assess.New(s), assess.AsOf{At: now}, ""); byLot(off) != byLot(given) {
		t.Errorf("by lot %d, with the switch off since %d", byLot(given), byLot(off))
	}
	// After the next start of a printer nothing is drawn any more with the switch off.
	var tag string
	for _, x := range given.Items {
		if x.ByLot {
			tag = x.Printer
			break
		}
	}
	at := now.Add(time.Minute)
	send(t, s, at, `{"kind":"first_layer","id":"next","printer":"`+tag+`","started_at":"`+at.Format(time.RFC3339)+`"}`)
	if one := dueOf(t, assess.New(s), assess.AsOf{At: at}, tag); byLot(one) != 0 {
		t.Errorf("off, yet %d by lot: %s", byLot(one), one.JSON())
	}
	set(t, s, "standing_lot", "off", "on")
	// As it was known before the draws: answered by the farm's secret alone.
	if u := dueOf(t, assess.New(s), assess.AsOf{At: now, KnownAt: now.Add(-time.Second)}, ""); len(u.Items) == 0 {
		t.Error("nothing is due as it was known before")
	}
}

// A start of a job worth more than is left to the lot.
func TestPreciousJobsAreLeftToNoLot(t *testing.T) {
	s := open(t)
	bundle{"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,200,200\nP-2,200,200\nP-3,200,200\n", "plates.csv": "plate,surface\nL-1,glass\n",
		"jobs.csv":         "job,quantity,value,closed_at\nO-1,10,1500,\nO-2,10,1500,2026-03-01T09:00:00Z\nO-3,10,900,\n",
		"first_layers.csv": "first_layer,printer,started_at,job\nF-1,P-1,2026-03-01T07:00:00Z,O-1\nF-2,P-2,2026-03-01T07:00:00Z,O-2\nF-3,P-3,2026-03-01T07:00:00Z,O-3\n"}.into(t, s)
	for _, c := range []struct {
		at   string
		want int
		of   []string
	}{{"2026-03-01T08:00:00Z", 2, nil}, {"2026-03-01T10:00:00Z", 1, nil}, {"2026-03-01T06:00:00Z", 0, nil}, {"2026-03-01T08:00:00Z", 1, []string{"P-1", "P-3"}}} {
		at, _ := time.Parse(time.RFC3339, c.at)
		got, err := s.PrintersOfJobsAbove(context.Background(), at, 1000, c.of)
		if err != nil || len(got) != c.want || c.want > 0 && !got["P-1"] {
			t.Errorf("%s %v: got %v %v, want %d", c.at, c.of, got, err, c.want)
		}
	}
}

// A start in a running planned test is the test's: the standing lot draws nothing for it,
// and an answer draws what the test has for it, once. What the standing lot drew before the
// test began stays for that start.
func TestAPlannedTestGoesBeforeTheStandingLot(t *testing.T) {
	ctx := context.Background()
	s := open(t)
	now := time.Date(2026, 4, 6, 10, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now.Add(-time.Hour) })
	importFolder(t, s, sampleDir)
	set(t, s, "lot_limit", "0.01", "0.3") // so that there is much to draw
	s.SetClock(func() time.Time { return now })
	shown := dueOf(t, assess.New(s), assess.AsOf{At: now}, "")
	// Two printers that the standing lot would draw for; one is drawn for before its test begins.
	var tags []string
	for _, x := range shown.Items {
		if x.ByLot && !slices.Contains(tags, x.Printer) {
			tags = append(tags, x.Printer)
		}
	}
	if len(tags) < 3 {
		t.Fatalf("too few by lot: %v", tags)
	}
	begin := func(id, tag string, at time.Time) {
		send(t, s, at, `{"kind":"planned_test","id":"`+id+`","subject_kind":"printer","subject":"`+tag+`","cause":"skipped_probing","task":"probe","begins_at":"`+at.Format(time.RFC3339)+
			`","starts":200,"share":0.5,"fails_left":0.2,"fails_done":0.05,"power":0.8,"reason":"is it the probe?"}`)
	}
	begin("T-1", tags[0], now.Add(-time.Minute))
	s.SetClock(func() time.Time { return now })
	serves := assess.New(s)
	if err := serves.Draws(ctx); err != nil {
		t.Fatal(err)
	}
	dueOf(t, serves, assess.AsOf{At: now}, "")
	draws := drawsOf(t, s, now)
	mine, err := farm.NewID(farm.KindPlannedTest, "T-1")
	if err != nil {
		t.Fatal(err)
	}
	for key, d := range draws {
		tag, task, _ := strings.Cut(key, " ")
		if (tag == tags[0]) != (d.Why == mine.UUID.String()) || tag == tags[0] && (task != "probe" || d.Chance != 0.5) {
			t.Errorf("%s: %+v", key, d)
		}
	}
	if _, is := draws[tags[0]+" probe"]; !is || len(draws) < 3 {
		t.Errorf("the test's start is not drawn for: %v", draws)
	}
	// Asked again, and by the page: the same draw.
	told, err := s.TestDraws(ctx, byImport, "", now, []store.TestPlace{{Printer: tags[0], Last: lastStart(t, s, tags[0])}})
	if err != nil || len(told[tags[0]]) != 1 || !told[tags[0]][0].Kept || told[tags[0]][0].Do != (draws[tags[0]+" probe"].Arm == "do") {
		t.Errorf("the page has %+v, %v", told, err)
	}
	// A test that begins after the standing lot drew has its first start after this one.
	begin("T-2", tags[1], now)
	dueOf(t, serves, assess.AsOf{At: now}, "")
	if after := drawsOf(t, s, now); len(after) > len(draws)+1 || after[tags[1]+" wipe"].Why != draws[tags[1]+" wipe"].Why {
		t.Errorf("drawn again: %v", after)
	}
}

func lastStart(t *testing.T, s *store.Store, tag string) time.Time {
	t.Helper()
	f, err := s.Floor(context.Background(), s.Now(), 0, tag)
	if err != nil || len(f) != 1 || f[0].LastStart == nil {
		t.Fatalf("%+v %v", f, err)
	}
	return *f[0].LastStart
}
