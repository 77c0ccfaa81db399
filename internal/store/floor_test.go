package store_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

// historyOf turns a farm in memory into a history, with one start more for each
// printer: now, with the plate given.
func historyOf(b *farm.Bundle, now time.Time, plateNow map[string]string) *exposure.History {
	micros := func(t time.Time) int64 {
		if t.IsZero() {
			return 0
		}
		return t.UnixMicro()
	}
	gone := func(m farm.Meta, at time.Time) bool { return !m.VoidedAt.IsZero() || at.After(now) }
	printers, plates := map[string]int32{}, map[string]int32{"": exposure.None}
	h := &exposure.History{Farm: exposure.Farm{Plates: len(b.Plates), StartWindow: 45 * 60 * 1_000_000}}
	for i, p := range b.Printers {
		printers[p.Tag] = int32(i)
		h.RecordsAll = append(h.RecordsAll, p.ProbingRecorded == "all" || p.ProbingRecorded == "")
	}
	for i, p := range b.Plates {
		plates[p.Tag] = int32(i)
	}
	for _, p := range b.Printers { // first, so that they are found by index
		h.Starts = append(h.Starts, exposure.Start{ID: [16]byte{255}, At: micros(now), Printer: printers[p.Tag], Plate: plates[plateNow[p.Tag]]})
	}
	for _, f := range b.FirstLayers {
		if !gone(f.Meta, f.StartedAt) {
			h.Starts = append(h.Starts, exposure.Start{ID: f.ID.UUID, At: micros(f.StartedAt), GradedAt: micros(f.GradedAt), Printer: printers[f.Printer], Plate: plates[f.Plate],
				Probed: exposure.ParseTri(f.Probed), Sent: f.StartIs == "sent"})
		}
	}
	for _, p := range b.Probes {
		if !gone(p.Meta, p.ProbedAt) {
			h.Probes = append(h.Probes, exposure.Probe{ID: p.ID.UUID, At: micros(p.ProbedAt), Printer: printers[p.Printer], Plate: plates[p.Plate], Ends: p.Extent != "zero"})
		}
	}
	for _, c := range b.Cleanings {
		if !gone(c.Meta, c.CleanedAt) {
			h.Cleanings = append(h.Cleanings, exposure.Cleaning{At: micros(c.CleanedAt), Plate: plates[c.Plate], Clears: c.Method != "coat", Washes: c.Method == "wash" || c.Method == "deep"})
		}
	}
	for _, f := range b.Fittings {
		if !gone(f.Meta, f.FittedAt) {
			h.Fittings = append(h.Fittings, exposure.Fitting{At: micros(f.FittedAt), Removed: micros(f.RemovedAt), Plate: plates[f.Plate], Printer: printers[f.Printer]})
		}
	}
	return h
}

// TestFloorCountsAsExposuresDo: the Floor's counts since the last probe and the
// last cleaning are those a start at that moment would have by the definition in
// internal/exposure.
func TestFloorCountsAsExposuresDo(t *testing.T) {
	ctx := context.Background()
	last := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	b := simfarm.Demo(last, 7)
	s, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	if _, err := s.ImportFarm(ctx, store.Act{Via: "import"}, b, store.ImportOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, at := range []time.Time{last, last.Add(-9*24*time.Hour - 7*time.Hour), last.Add(-30 * 24 * time.Hour)} {
		floor, err := s.Floor(ctx, at, 45*time.Minute, "")
		if err != nil {
			t.Fatal(err)
		}
		plateNow, rows := map[string]string{}, map[string]store.FloorPrinter{}
		plated := 0
		for _, f := range floor {
			plateNow[f.Printer], rows[f.Printer] = f.Plate, f
			if f.Plate != "" {
				plated++
			}
		}
		if plated < 40 {
			t.Errorf("at %s only %d printers have a plate; the test shows little", at, plated)
		}
		exposures := exposure.Of(historyOf(b, at, plateNow))
		for i, p := range b.Printers {
			x, f := exposures[i], rows[p.Tag]
			if got, want := told(f.SinceProbe), fmt.Sprint(x.PrintsSinceProbe); got != want {
				t.Errorf("%s at %s: %s starts since the last probe, want %s", p.Tag, at, got, want)
			}
			if f.Plate == "" {
				continue
			}
			if got, want := told(f.SinceClean), fmt.Sprint(x.PrintsSinceClean); got != want {
				t.Errorf("%s on %s at %s: %s prints since it was cleaned, want %s", f.Plate, p.Tag, at, got, want)
			}
		}
	}
}

func told(n *int) string {
	if n == nil {
		return "-1"
	}
	return fmt.Sprint(*n)
}

func TestFloorOfOnePrinterIsItsRowOfTheWhole(t *testing.T) {
	ctx := context.Background()
	at := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	s, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b := simfarm.Demo(at, 7)
	if _, err := s.ImportFarm(ctx, store.Act{Via: "import"}, b, store.ImportOptions{}); err != nil {
		t.Fatal(err)
	}
	from := at.Add(-14 * 24 * time.Hour)
	whole, err := s.Floor(ctx, at, 45*time.Minute, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range whole[:5] {
		one, err := s.Floor(ctx, at, 45*time.Minute, want.Printer)
		if err != nil {
			t.Fatal(err)
		}
		if len(one) != 1 || one[0].LastID != want.LastID || one[0].Plate != want.Plate || told(one[0].SinceClean) != told(want.SinceClean) {
			t.Errorf("%s alone: got %+v, want %+v", want.Printer, one, want)
		}
		plate, err := s.PlateFacts(ctx, want.Plate, from, at)
		if err != nil {
			t.Fatal(err)
		}
		if plate.Printer != want.Printer || told(plate.SinceClean) != told(want.SinceClean) {
			t.Errorf("plate %s: got %+v, want what the Floor says: %+v", want.Plate, plate, want)
		}
	}
}
