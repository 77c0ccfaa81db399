package assess

import (
	"bytes"
	"context"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

// A simulated farm comes in by weeks, each with records of the weeks before, with
// printers that come and go, plates that are swapped and records that are voided: what a
// server that keeps its readings answers after each is what one that reads all answers,
// to the byte. (FindingsWeek holds the same at 1,000,000 first layers.) The second farm is
// older than a window, and its weeks are four.
func TestAWeekWorkedInAnswersAsAllDoes(t *testing.T) {
	for _, c := range []struct {
		name                             string
		printers, plates, days, weekDays int
		apart                            bool
	}{{"young", 10, 20, 35, 7, false}, {"old", 3, 6, 252, 28, true}} {
		t.Run(c.name, func(t *testing.T) { weeksWorkedInOf(t, c.printers, c.plates, c.days, c.weekDays, c.apart) })
	}
}

func weeksWorkedInOf(t *testing.T, printers, plates, days, weekDays int, apart bool) {
	ctx := context.Background()
	s, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.SetClock(func() time.Time { return time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC) })
	sc := simfarm.Default()
	sc.Printers, sc.Plates, sc.Days, sc.FittingsRecorded = printers, plates, days, true
	weeks := days / weekDays
	all := simfarm.Run(sc, 36).Bundle()
	begin := all.FirstLayers[0].StartedAt
	for i := range all.FirstLayers {
		if x := all.FirstLayers[i].StartedAt; x.Before(begin) {
			begin = x
		}
	}
	// Every seventh record comes a week late, and a new printer from the third week on.
	first := all.Printers[0].Tag
	part := func(week int) *farm.Bundle {
		b := *all
		n := 0
		comes := func(at time.Time, printer string) bool {
			n++
			w := int(at.Sub(begin) / (time.Duration(weekDays) * 24 * time.Hour))
			if n%7 == 0 {
				w++
			}
			if printer == first {
				w = max(w, 3)
			}
			return w == week || week == 0 && w < 0
		}
		b.FirstLayers = where(all.FirstLayers, func(x *farm.FirstLayer) bool { return comes(x.StartedAt, x.Printer) })
		b.Probes = where(all.Probes, func(x *farm.Probe) bool { return comes(x.ProbedAt, x.Printer) })
		b.Cleanings = where(all.Cleanings, func(x *farm.Cleaning) bool { return comes(x.CleanedAt, "") })
		b.Fittings = where(all.Fittings, func(x *farm.Fitting) bool { return comes(x.FittedAt, x.Printer) })
		b.Services = where(all.Services, func(x *farm.Service) bool { return comes(x.DoneAt, x.Printer) })
		b.ProbesSkipped = where(all.ProbesSkipped, func(x *farm.ProbeSkipped) bool { return comes(x.At, x.Printer) })
		if week < 3 {
			b.Printers = all.Printers[1:]
		}
		return &b
	}
	kept := New(s)
	kept.Keep()
	left := 0 // answers that rest on what came of earlier starts
	for week := range weeks {
		b := part(week)
		if report, err := s.ImportFarm(ctx, store.Act{Via: "import", Why: "test"}, b, store.ImportOptions{}); err != nil || !report.Stored {
			t.Fatalf("%v\n%s", err, report.Text())
		}
		if week > 0 { // and is seen to have been wrong
			for i := range 5 {
				id := b.FirstLayers[i*len(b.FirstLayers)/5].ID.UUID.String()
				item := intake.ParseRecord([]byte(`{"kind":"void","record":"`+id+`","voided_at":"2099-01-01T00:00:00Z","void_reason":"wrong plate"}`), "", s.Now())
				if item.Err != nil {
					t.Fatal(item.Err)
				}
				if _, err := s.Record(ctx, store.Act{Via: "api"}, item); err != nil {
					t.Fatal(err)
				}
			}
		}
		end := begin.AddDate(0, 0, weekDays*(week+1))
		for _, at := range []time.Time{end, end.Add(-31 * time.Hour)} {
			got, want := answersOf(t, kept, at), answersOf(t, New(s), at)
			if !bytes.Equal(got, want) {
				t.Fatalf("week %d as of %s:\n got %s\nwant %s", week, at, got, want)
			}
			if kept.had.Load() != nil {
				left++
			}
		}
	}
	if whole, some := kept.rows.Load().Readings(); whole != 1 || some != 2*weeks-1 {
		t.Errorf("all was read %d times and what had changed %d times, want 1 and %d", whole, some, 2*weeks-1)
	}
	if apart != (left > 5) {
		t.Errorf("%d answers rest on what came of earlier starts, is that what the farm should have: %t", left, apart)
	}
}

// On a farm where computing takes long a page has the answer of a moment ago; one that
// is about findings waits, unless that takes long too.
func TestAPageAboutFindingsWaitsForWhatWasRecordedJustNow(t *testing.T) {
	ctx := context.Background()
	s, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	now := time.Date(2026, 4, 6, 12, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now })
	b := &farm.Bundle{Printers: []farm.Printer{{Tag: "P-1", BedXMM: 200, BedYMM: 200, ZoneCols: 3, ZoneRows: 3, ZStepMM: 0.01, ProbingRecorded: "all"}}}
	if report, err := s.ImportFarm(ctx, store.Act{Via: "import", Why: "test"}, b, store.ImportOptions{}); err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	record := func(id string) {
		item := intake.ParseRecord([]byte(`{"kind":"first_layer","id":"`+id+`","printer":"P-1","started_at":"2026-04-06T08:00:00Z","grade":"clean"}`), "", now)
		if item.Err != nil {
			t.Fatal(item.Err)
		}
		if _, err := s.Record(ctx, store.Act{Via: "api"}, item); err != nil {
			t.Fatal(err)
		}
	}
	a := New(s)
	a.Keep()
	took := func(d time.Duration) {
		a.mu.Lock()
		defer a.mu.Unlock()
		a.took, a.done = d, time.Now()
	}
	layers := func(f *Findings, err error) int {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return f.FirstLayers
	}
	record("A")
	if n := layers(a.Latest(ctx, now, store.DataVersion{})); n != 1 {
		t.Fatalf("%d first layers at first, want 1", n)
	}
	for _, c := range []struct {
		took          time.Duration
		latest, fresh int
	}{{500 * time.Millisecond, 1, 2}, {5 * time.Second, 2, 2}} {
		took(c.took)
		record("B" + c.took.String())
		if n := layers(a.Latest(ctx, now, store.DataVersion{})); n != c.latest {
			t.Errorf("where computing takes %s, any page has %d first layers, want %d", c.took, n, c.latest)
		}
		if n := layers(a.Fresh(ctx, now, store.DataVersion{})); n != c.fresh {
			t.Errorf("where computing takes %s, a page about findings has %d first layers, want %d", c.took, n, c.fresh)
		}
	}
}

func answersOf(t *testing.T, a *Assessor, at time.Time) []byte {
	t.Helper()
	f, err := a.Findings(context.Background(), AsOf{At: at})
	if err != nil {
		t.Fatal(err)
	}
	r, err := a.Risks(context.Background(), AsOf{At: at})
	if err != nil {
		t.Fatal(err)
	}
	return append(f.JSON(), r.JSON()...)
}

func where[T any](list []T, is func(*T) bool) (out []T) {
	for i := range list {
		if is(&list[i]) {
			out = append(out, list[i])
		}
	}
	return out
}
