package store_test

import (
	"bytes"
	"context"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
)

// One draw a printer's next start, whoever keeps it and however often; what was known
// when says which stands.
func TestADrawIsKeptOnce(t *testing.T) {
	ctx := context.Background()
	s, _ := farmWithThings(t)
	if _, err := send(t, s, `{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z"}`); err != nil {
		t.Fatal(err)
	}
	secret, err := s.LotSecret(ctx)
	if err != nil || secret != nil {
		t.Fatalf("a farm without a server has a secret: %v %v", secret, err)
	}
	for range 2 {
		if err := s.EnsureLotSecret(ctx); err != nil {
			t.Fatal(err)
		}
		again, err := s.LotSecret(ctx)
		if err != nil || len(again) != 32 || secret != nil && !bytes.Equal(secret, again) {
			t.Fatalf("%v %v", again, err)
		}
		secret = again
	}
	last := time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)
	id, err := farm.NewID(farm.KindDraw, trial.ID("R-1", last.UnixMicro(), "wipe"))
	if err != nil {
		t.Fatal(err)
	}
	d := farm.Draw{ID: id, Printer: "R-1", Plate: "T-1", Task: "wipe", DrawnAt: last.Add(time.Hour), Arm: "leave", Chance: 0.25, Saves: farm.Unknown(), Why: farm.DrawnLot}
	other := d
	other.Arm, other.Chance = "do", 0.5
	if err := s.KeepDraws(ctx, store.Act{Via: "program", Why: "test"}, []farm.Draw{d, other}); err != nil {
		t.Fatal(err)
	}
	standing, err := s.Standing(ctx, last.Add(2*time.Hour), time.Time{}, "", "")
	if err != nil {
		t.Fatal(err)
	}
	list := standing.Drawn["R-1"]
	if len(list) != 1 || list[0].Arm != "leave" || list[0].Chance != 0.25 || list[0].Why != "lot" || !list[0].At.Equal(d.DrawnAt) || farm.Known(list[0].Saves) {
		t.Fatalf("got %+v", list)
	}
	for name, ask := range map[string][2]time.Time{"before it": {last.Add(time.Minute), {}}, "before it arrived": {last.Add(2 * time.Hour), last.Add(time.Hour)}} {
		standing, err := s.Standing(ctx, ask[0], ask[1], "R-1", "T-1")
		if err != nil || len(standing.Drawn) != 0 {
			t.Errorf("%s: %v %v", name, standing, err)
		}
	}
}
