package store_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
)

// What is read for one layer's page must give the exposure the whole farm gives
// it, on a farm with fittings, swaps, unnamed plates and late entries.
func TestOneLayersHistoryGivesItsExposureOnTheWholeFarm(t *testing.T) {
	s := open(t)
	ctx := context.Background()
	at := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	b := simfarm.Demo(at, 1)
	from := at.Add(-16 * 24 * time.Hour)
	b.FirstLayers = slices.DeleteFunc(b.FirstLayers, func(f farm.FirstLayer) bool { return f.StartedAt.Before(from) })
	b.Probes = slices.DeleteFunc(b.Probes, func(p farm.Probe) bool { return p.ProbedAt.Before(from) })
	for i := range b.FirstLayers { // as farms that log fittings do not name the plate with every start
		if i%5 == 0 {
			b.FirstLayers[i].Plate = ""
		}
	}
	if report, err := s.ImportFarm(ctx, byImport, b, store.ImportOptions{}); err != nil {
		t.Fatalf("%v\n%+v", err, report)
	}
	a := analyse(t, s, at, time.Time{})
	window := time.Duration(a.Settings.Number("start_window_minutes") * float64(time.Minute))
	whole := exposure.Of(&a.History)
	kinds := map[exposure.State]int{}
	unnamed := 0
	for i := 0; i < len(whole); i += 29 {
		x := a.History.Starts[i]
		f, err := s.FirstLayer(ctx, farm.ID{UUID: x.ID})
		if err != nil {
			t.Fatal(err)
		}
		h, plates, err := s.LayerHistory(ctx, f, window)
		if err != nil {
			t.Fatal(err)
		}
		all := exposure.Of(h)
		got, want := all[len(all)-1], whole[i]
		kinds[want.State]++
		if want.Plate >= 0 && x.Plate < 0 {
			unnamed++
		}
		if (got.Plate < 0) != (want.Plate < 0) || got.Plate >= 0 && plates[got.Plate] != a.Plates[want.Plate].Tag {
			t.Errorf("%s: another plate", f.ID.Text())
		}
		got.Plate = want.Plate
		if got != want {
			t.Errorf("%s on %s: got %+v, want %+v", f.ID.Text(), f.Printer, got, want)
		}
	}
	if len(kinds) < 4 || unnamed < 5 {
		t.Errorf("the farm has too little to tell: states %v, %d plates known by their fitting", kinds, unnamed)
	}
}
