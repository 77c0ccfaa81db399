package store_test

import (
	"context"
	"math"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/sampling"
	"basecourse/internal/store"
)

// What a look list drew comes out of Trends as a plain walk sums it up, from packed
// days and from unpacked ones, by thing and by pair.
func TestTrendsSumUpTheLookList(t *testing.T) {
	ctx := context.Background()
	last := time.Date(2026, 3, 20, 14, 0, 0, 0, time.UTC)
	b := untidyFarm(last)
	plates := platesByExposure(b)
	for i := range b.FirstLayers {
		f := &b.FirstLayers[i]
		f.LookChance, f.LookDrawn, f.LookedBecause = farm.Unknown(), "", ""
		if f.StartedAt.Before(last.Add(-16 * 24 * time.Hour)) {
			continue // the list was not in use
		}
		f.LookChance = []float64{0.1, 0.25, 0.3333, 1}[i%4]
		switch {
		case i%3 == 0:
			f.LookDrawn = "lot"
		case i%7 == 0:
			f.LookedBecause = "risk" // a list kept elsewhere
		default:
			f.LookDrawn = "no"
		}
	}
	s := holding(t, b, last)
	q := store.TrendQuery{Bounds: weeks(time.UTC, "2026-02-16", 5), Until: last, Zone: time.UTC, InBuckets: true}
	want := map[string]*store.TrendLook{}
	at := func(key string) *store.TrendLook {
		if want[key] == nil {
			want[key] = &store.TrendLook{}
		}
		return want[key]
	}
	for i := range b.FirstLayers {
		f := &b.FirstLayers[i]
		if !f.VoidedAt.IsZero() || f.StartedAt.After(last) || f.StartedAt.Before(q.Bounds[0]) || f.LookDrawn == "" && f.LookedBecause != "risk" {
			continue
		}
		plate := plates[f.ID.Text()]
		for _, key := range []string{"all", "printer " + f.Printer, "plate " + plate, "pair " + plate + f.Printer} {
			l := at(key)
			l.Drawn++
			switch {
			case f.LookDrawn == "no" && f.Grade != "":
				l.Outside++
			case f.LookDrawn != "no":
				l.Listed++
				if f.Grade != "" {
					l.Add(f.LookChance, f.Grade == "failed" || f.Underside == "shown" && f.Grade == "marginal")
				}
			}
		}
	}
	same := func(what string, got store.TrendLook, w *store.TrendLook) {
		t.Helper()
		if w == nil {
			w = &store.TrendLook{}
		}
		near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-9*(1+math.Abs(b)) }
		if got.Drawn != w.Drawn || got.Listed != w.Listed || got.Outside != w.Outside || got.N != w.N || got.Failed != w.Failed ||
			!near(got.W, w.W) || !near(got.WF, w.WF) || !near(got.W2, w.W2) || !near(got.W2F, w.W2F) {
			t.Errorf("%s: got %+v, want %+v", what, got, *w)
		}
	}
	for _, packed := range []string{"unpacked", "packed"} {
		if packed == "packed" {
			if _, err := s.PackTrends(ctx); err != nil {
				t.Fatal(err)
			}
		}
		for by, word := range map[store.TrendBy]string{store.TrendPrinter: "printer ", store.TrendPlate: "plate ", store.TrendPair: "pair "} {
			q.By, q.InBuckets = by, by != store.TrendPair
			got, err := s.Trends(ctx, q)
			if err != nil {
				t.Fatal(err)
			}
			same(packed+" all", got.Look, want["all"])
			var buckets sampling.Sums
			for _, l := range got.BucketLooks {
				buckets.Join(l.Sums)
			}
			if buckets.N != want["all"].N || buckets.N < 100 {
				t.Errorf("%s: buckets add up to %d layers of the list, want %d", packed, buckets.N, want["all"].N)
			}
			for _, g := range got.Groups {
				same(packed+" "+word+g.Name+g.Second, g.Look, want[word+g.Name+g.Second])
			}
		}
	}
}
