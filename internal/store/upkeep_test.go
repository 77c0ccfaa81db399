package store_test

import (
	"context"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

var byHand = store.Act{Via: "page", Person: "ines"}

func parsed(t *testing.T, bodies ...string) []intake.Item {
	t.Helper()
	items := make([]intake.Item, len(bodies))
	for i, b := range bodies {
		items[i] = intake.ParseRecord([]byte(b), "", clock)
	}
	return items
}

const (
	wipe1 = `{"kind":"cleaning","id":"C-1","plate":"T-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}`
	wipe2 = `{"kind":"cleaning","id":"C-2","plate":"T-2","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}`
)

func TestABatchIsStoredWholeOrNotAtAll(t *testing.T) {
	s, _ := farmWithThings(t)
	ctx := context.Background()
	_, err := s.RecordAll(ctx, byHand, parsed(t, wipe1,
		`{"kind":"cleaning","id":"C-3","plate":"T-9","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}`,
		`{"kind":"cleaning","id":"C-4","plate":"T-2","cleaned_at":"2026-03-01T07:00:00Z","method":"lick"}`))
	var f *fault.Error
	if !asFault(err, &f) || f.Kind != fault.Invalid || len(f.Problems) != 2 || f.Problems[0].Pointer != "/records/1/plate" || f.Problems[1].Pointer != "/records/2/method" {
		t.Fatalf("got %v, want both problems at their places", err)
	}
	if _, err := s.Event(ctx, farm.KindCleaning, mustID(t, farm.KindCleaning, "C-1")); !fault.Is(err, fault.NotFound) {
		t.Errorf("the good record of a refused batch: got %v, want it not stored", err)
	}
	b, err := s.RecordAll(ctx, byHand, parsed(t, wipe1, wipe2))
	if err != nil || !b.New() || len(b.Results) != 2 {
		t.Fatalf("got %+v, %v", b, err)
	}
	again, err := s.RecordAll(ctx, byHand, parsed(t, wipe1, wipe2))
	if err != nil || again.New() || again.Results[1].Outcome != store.AlreadyRecorded {
		t.Errorf("the same again: got %+v, %v", again, err)
	}
	_, err = s.RecordAll(ctx, byHand, parsed(t, wipe1, strings.Replace(wipe2, "wipe", "wash", 1)))
	if !asFault(err, &f) || f.Kind != fault.Conflict || f.Problems[0].Pointer != "/records/1/method" {
		t.Errorf("other content under a known id: got %v, want a conflict", err)
	}
	rec, err := s.Event(ctx, farm.KindCleaning, mustID(t, farm.KindCleaning, "C-1"))
	if err != nil || !rec.(*farm.Cleaning).NotedAt.Equal(clock) {
		t.Errorf("noted at %v, %v; want now, %v", rec, err, clock)
	}
}

func mustID(t *testing.T, kind farm.Kind, text string) farm.ID {
	t.Helper()
	id, err := farm.NewID(kind, text)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// Somebody taps twice, or sends again after a bad connection.
func TestABatchThatComesTwiceAtOnceIsStoredOnce(t *testing.T) {
	s, _ := farmWithThings(t)
	items := [][]intake.Item{parsed(t, wipe1, wipe2), parsed(t, wipe1, wipe2), parsed(t, wipe1, wipe2), parsed(t, wipe1, wipe2)}
	fresh := make([]bool, len(items))
	var wait sync.WaitGroup
	for i := range items {
		wait.Go(func() {
			b, err := s.RecordAll(context.Background(), byHand, items[i])
			if err != nil {
				t.Errorf("sender %d: %v", i, err)
			}
			fresh[i] = b.New()
		})
	}
	wait.Wait()
	if n := len(slices.DeleteFunc(fresh, func(x bool) bool { return !x })); n != 1 {
		t.Errorf("%d of 4 senders recorded it, want one", n)
	}
	acts, err := s.HandActs(context.Background(), false, 0, 10)
	if err != nil || len(acts) != 1 || len(acts[0].Entries) != 2 || acts[0].Person != "ines" {
		t.Errorf("acts: got %+v, %v; want one with two entries", acts, err)
	}
}

func TestUndoVoidsWhatWasRecordedAndGivesBackWhatWasEnded(t *testing.T) {
	s, _ := farmWithThings(t)
	ctx := context.Background()
	record := func(bodies ...string) int64 {
		t.Helper()
		b, err := s.RecordAll(ctx, byHand, parsed(t, bodies...))
		if err != nil {
			t.Fatal(err)
		}
		return b.Act
	}
	undo := func(act int64, want int) {
		t.Helper()
		n, err := s.Undo(ctx, store.Act{Via: "page", Person: "ines", Why: "slip"}, act, "slip")
		if err != nil || n != want {
			t.Fatalf("undo: got %d, %v, want %d records", n, err, want)
		}
	}
	wiped := record(wipe1, wipe2)
	undo(wiped, 2)
	undo(wiped, 0)
	rec, err := s.Event(ctx, farm.KindCleaning, mustID(t, farm.KindCleaning, "C-2"))
	if err != nil || rec.(*farm.Cleaning).VoidReason != "slip" || rec.(*farm.Cleaning).VoidedBy != "ines" {
		t.Errorf("got %+v, %v, want it voided with the reason", rec, err)
	}

	const hold = `{"kind":"hold","id":"H-1","subject_kind":"printer","subject":"R-1","placed_at":"2026-03-01T07:00:00Z","reason":"noise"}`
	placed := record(hold)
	released := record(strings.Replace(hold, `"reason"`, `"released_at":"2026-03-01T08:00:00Z","released_by":"ines","release_reason":"gone","reason"`, 1))
	open := func(want int) farm.Hold {
		t.Helper()
		list, err := s.OpenHolds(ctx, clock)
		if err != nil || len(list) != want {
			t.Fatalf("open holds: got %d, %v, want %d", len(list), err, want)
		}
		if want == 0 {
			return farm.Hold{}
		}
		return *list[0]
	}
	open(0)
	undo(released, 1)
	if h := open(1); h.Reason != "noise" || h.Replaces.Text() != "H-1" || !h.PlacedAt.Equal(time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)) || h.ReleaseReason != "" {
		t.Errorf("after the release was undone: got %+v", h)
	}
	undo(released, 0)
	undo(placed, 1)
	open(0)
	acts, err := s.HandActs(ctx, false, 0, 10)
	if err != nil || len(acts) != 3 {
		t.Fatalf("acts: got %+v, %v; want the three that recorded something", acts, err)
	}
	for _, a := range acts {
		if a.Standing() != 0 {
			t.Errorf("act %d: %d entries in force after all was undone", a.ID, a.Standing())
		}
	}
	if one, err := s.HandAct(ctx, released); err != nil || len(one.Entries) != 1 || !one.Entries[0].Filled || one.Entries[0].Subject != "R-1" {
		t.Errorf("the release: got %+v, %v", one, err)
	}
	if _, err := s.Undo(ctx, byHand, 999999, "x"); !fault.Is(err, fault.NotFound) {
		t.Errorf("an act nobody knows: got %v", err)
	}
	older, err := s.HandActs(ctx, false, acts[1].ID, 10)
	if err != nil || len(older) != 1 || older[0].ID != wiped {
		t.Errorf("older acts: got %+v, %v", older, err)
	}
}

// TestUpkeepCountsAsTheFloorDoes: the Floor's counts are held against the
// definition in internal/exposure by its own test.
func TestUpkeepCountsAsTheFloorDoes(t *testing.T) {
	ctx := context.Background()
	last := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	s, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	if _, err := s.ImportFarm(ctx, store.Act{Via: "import"}, simfarm.Demo(last, 7), store.ImportOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, at := range []time.Time{last, last.Add(-9*24*time.Hour - 7*time.Hour)} {
		floor, err := s.Floor(ctx, at, 45*time.Minute, "")
		if err != nil {
			t.Fatal(err)
		}
		plates, err := s.PlatesCare(ctx, at)
		if err != nil {
			t.Fatal(err)
		}
		printers, err := s.PrintersCare(ctx, at, 45*time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		spots, err := s.Spots(ctx, at)
		if err != nil {
			t.Fatal(err)
		}
		on, where := map[string]store.PlateCare{}, map[string]string{}
		for _, p := range plates {
			if p.Printer != "" {
				on[p.Printer] = p
			}
		}
		lies := map[string]store.Spot{}
		for _, p := range spots {
			where[p.Plate] = p.Printer
			lies[p.Printer] = p
		}
		for _, f := range floor { // one printer by its own records says the same
			got, err := s.SpotOn(ctx, f.Printer, at)
			if want, ok := lies[f.Printer]; err != nil || ok != (got != nil) || ok && !reflect.DeepEqual(*got, want) {
				t.Errorf("%s at %s: on it %+v, %v, by all plates %+v", f.Printer, at, got, err, want)
			}
		}
		care := map[string]store.PrinterCare{}
		for _, p := range printers {
			care[p.Printer] = p
		}
		compared := 0
		for _, f := range floor {
			if c, ok := care[f.Printer]; ok && told(c.Since) != told(f.SinceProbe) {
				t.Errorf("%s at %s: %s starts since its probe, the Floor says %s", f.Printer, at, told(c.Since), told(f.SinceProbe))
			}
			if f.Plate == "" {
				continue
			}
			compared++
			p := on[f.Printer]
			if p.Plate != f.Plate || told(p.SinceClean) != told(f.SinceClean) || p.Method != f.CleanMethod || where[f.Plate] != f.Printer {
				t.Errorf("%s at %s: plate %s cleaned %s prints ago (%s), the Floor says %s, %s (%s)", f.Printer, at, p.Plate, told(p.SinceClean), p.Method, f.Plate, told(f.SinceClean), f.CleanMethod)
			}
		}
		if compared < 40 {
			t.Errorf("only %d plates compared", compared)
		}
	}
}
