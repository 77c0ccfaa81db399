package store_test

import (
	"context"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
)

// A record that is corrected stays drawn as it was, and nothing is drawn for it again; what a
// correction says of the draw itself stands.
func TestACorrectedFirstLayerStaysDrawnAsItWas(t *testing.T) {
	ctx := context.Background()
	s, _ := farmWithThings(t)
	do := func(body string) {
		t.Helper()
		if r, err := send(t, s, body); err != nil || r.Outcome != store.Recorded {
			t.Fatalf("%s: %+v %v", body, r, err)
		}
	}
	layer := func(text string) *farm.FirstLayer {
		t.Helper()
		id, err := farm.NewID(farm.KindFirstLayer, text)
		if err != nil {
			t.Fatal(err)
		}
		f, err := s.FirstLayer(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	at := time.Date(2026, 3, 1, 7, 0, 0, 0, time.UTC)
	draw := func(id string, chance float64, why string) {
		t.Helper()
		if err := s.DrawLook(ctx, &store.RunningLayer{ID: layer(id).ID.UUID, Printer: "R-1", At: at}, chance, why); err != nil {
			t.Fatal(err)
		}
	}
	const start = `"printer":"R-1","started_at":"2026-03-01T07:00:00Z"`
	void := func(wrong, by string) string {
		return `{"kind":"void","record":"` + wrong + `","voided_at":"2026-03-01T08:00:00Z","void_reason":"wrong plate","replaced_by":"` + by + `"}`
	}
	do(`{"kind":"first_layer","id":"F-1",` + start + `}`)
	draw("F-1", 0.25, "no")
	do(`{"kind":"first_layer","id":"F-2",` + start + `,"plate":"T-1","grade":"clean","grader":"amara"}`)
	do(void("F-1", "F-2"))
	if f := layer("F-2"); f.LookDrawn != "no" || f.LookChance != 0.25 || f.LookedBecause != "" || f.Replaces.Text() != "F-1" {
		t.Errorf("corrected: %+v", f)
	}
	draw("F-2", 0.75, "lot")
	do(`{"kind":"first_layer","id":"F-3",` + start + `,"plate":"T-1","look_chance":0.5,"looked_because":"lot"}`)
	do(void("F-2", "F-3"))
	if f := layer("F-3"); f.LookDrawn != "" || f.LookChance != 0.5 {
		t.Errorf("with a draw of its own: %+v", f)
	}
	if f := layer("F-2"); f.LookDrawn != "no" || f.LookChance != 0.25 {
		t.Errorf("drawn again: %+v", f)
	}
	if c, err := s.LookCounts(ctx, at, at); err != nil || c.Started != 1 || c.Drawn != 0 {
		t.Errorf("%+v %v", c, err)
	}
}
