package store_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

// One printer's, plate's or job's few layers, and those of a bay or a surface that is
// rare, are read by their index, and counted as a plain walk does, filtered by other
// things too; where plates hang on other layers they are found among all.
func TestTrendsOfOneThingAreReadByItsIndex(t *testing.T) {
	ctx := context.Background()
	last := time.Date(2026, 3, 20, 14, 0, 0, 0, time.UTC)
	b := untidyFarm(last)
	b.FirstLayers = slices.DeleteFunc(b.FirstLayers, func(f farm.FirstLayer) bool { return f.Plate == "" })
	f := b.FirstLayers[slices.IndexFunc(b.FirstLayers, func(f farm.FirstLayer) bool { return f.Job != "" && f.StartedAt.After(last.AddDate(0, 0, -20)) })]
	// Its printer stands in a bay and its plate has a surface that few others share.
	for i := range 200 {
		printer, plate := b.Printers[0], b.Plates[0]
		printer.Tag, plate.Tag = fmt.Sprintf("X-%03d", i), fmt.Sprintf("Y-%03d", i)
		b.Printers, b.Plates = append(b.Printers, printer), append(b.Plates, plate)
	}
	b.Printers[slices.IndexFunc(b.Printers, func(p farm.Printer) bool { return p.Tag == f.Printer })].Bay = "Corner"
	b.Plates[slices.IndexFunc(b.Plates, func(p farm.Plate) bool { return p.Tag == f.Plate })].Surface = "polypropylene"
	s := holding(t, b, last)
	zone, _ := time.LoadLocation("Europe/Berlin")
	all := func(what string, allNamed bool) {
		t.Helper()
		plates := platesByExposure(b)
		for k, by := range []store.TrendBy{store.TrendAll, store.TrendPlate, store.TrendWashed, store.TrendAge, store.TrendPair, store.TrendJob, store.TrendSurface, store.TrendHour} {
			filters := []store.TrendFilter{{Printer: f.Printer}, {Plate: f.Plate}, {Job: f.Job, Material: f.Material}, {Bay: "Corner"}, {Surface: "polypropylene"}}
			if k > 2 { // one of them
				filters = filters[(k+3)%5:][:1]
			}
			for _, filter := range filters {
				q := store.TrendQuery{By: by, Bounds: weeks(zone, "2026-02-16", 5), Until: last, Zone: zone, InBuckets: by != store.TrendPair, Filter: filter, Outcomes: true}
				checkTrends(t, s, b, plates, q, what)
				got, err := s.Trends(ctx, q)
				life, ofPlates := store.LifeBands(by) != nil, filter.Plate != "" || filter.Surface != ""
				plateMatters := ofPlates || by == store.TrendPlate || by == store.TrendPair || by == store.TrendSurface
				byIndex := (!life || ofPlates) && (allNamed || filter.Job != "" || !plateMatters)
				if err != nil || (got.CountedRaw == 0) != byIndex {
					t.Errorf("%s: by %q %+v: %d days counted from all layers, by the index is %v: %v", what, by, filter, got.CountedRaw, byIndex, err)
				}
			}
		}
	}
	all("all named", true)
	bare := f
	bare.ID, _ = farm.NewID(farm.KindFirstLayer, "bare")
	bare.Plate, bare.Job, bare.StartedAt, bare.ArrivedAt = "", "", f.StartedAt.Add(time.Minute), time.Time{}
	if _, err := s.Record(ctx, store.Act{Via: "api"}, intake.Item{Kind: farm.KindFirstLayer, ID: bare.ID, Rec: &bare}); err != nil {
		t.Fatal(err)
	}
	b.FirstLayers = append(b.FirstLayers, bare)
	all("one without a plate", false)
}

func TestTrendsSayWhichFilterNamesNothing(t *testing.T) {
	ctx := context.Background()
	s, err := store.Open(ctx, testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	q := store.TrendQuery{By: store.TrendPlate, Bounds: weeks(time.UTC, "2026-02-16", 5), Until: clock, Filter: store.TrendFilter{Plate: "L-1", Bay: "Loft"}}
	got, err := s.Trends(ctx, q)
	if err != nil || !slices.Equal(got.Unknown, []string{"plate", "bay"}) || got.Total.Started != 0 || len(got.Buckets) != 5 {
		t.Errorf("got %+v, %v", got, err)
	}
	q.Bounds = q.Bounds[:1]
	if _, err := s.Trends(ctx, q); err == nil {
		t.Error("a window without an end is not refused")
	}
}

// What stands on the axis are the events of the one printer or plate, and the
// first start with each lot.
func TestTrendEventsAreThoseOfTheThing(t *testing.T) {
	ctx := context.Background()
	last := time.Date(2026, 3, 20, 14, 0, 0, 0, time.UTC)
	b := untidyFarm(last)
	s := holding(t, b, last)
	from, to := last.Add(-20*24*time.Hour), last.Add(-24*time.Hour)
	within := func(at time.Time, m farm.Meta) bool { return !at.Before(from) && at.Before(to) && m.VoidedAt.IsZero() }
	shown := 0
	for _, c := range []struct{ printer, plate string }{{b.Printers[4].Tag, ""}, {"", b.Plates[3].Tag}, {b.Printers[4].Tag, b.FirstLayers[40].Plate}, {b.Printers[9].Tag, ""}} {
		want := map[string]int{}
		lots := map[string]bool{}
		for _, f := range b.FirstLayers {
			if f.Lot != "" && (c.printer == "" || f.Printer == c.printer) && (c.plate == "" || f.Plate == c.plate) && within(f.StartedAt, f.Meta) {
				lots[f.Lot] = true
			}
		}
		want["lot"] = len(lots)
		for _, o := range b.OffsetChanges {
			if o.Printer == c.printer && within(o.ChangedAt, o.Meta) {
				want["offset_change"]++
			}
		}
		for _, o := range b.Services {
			if o.Printer == c.printer && within(o.DoneAt, o.Meta) {
				want["service"]++
			}
		}
		for _, o := range b.Fittings {
			switch {
			case !within(o.FittedAt, o.Meta):
			case c.printer != "" && o.Printer == c.printer && (c.plate == "" || o.Plate == c.plate):
				want["plate"]++
			case c.printer == "" && o.Plate == c.plate:
				want["printer"]++
			}
		}
		for _, o := range b.PlateStates {
			if o.Plate == c.plate && within(o.At, o.Meta) {
				want["plate_state"]++
			}
		}
		for _, o := range b.Cleanings {
			if o.Plate == c.plate && (o.Method == "deep" || o.Method == "coat") && within(o.CleanedAt, o.Meta) {
				want["cleaning"]++
			}
		}
		got, err := s.TrendEvents(ctx, c.printer, c.plate, from, to)
		if err != nil {
			t.Fatal(err)
		}
		have := map[string]int{}
		for i, e := range got {
			have[e.What]++
			if i > 0 && e.At.Before(got[i-1].At) {
				t.Errorf("%+v: events are not in order", c)
			}
		}
		for what, n := range want {
			if have[what] != n {
				t.Errorf("%+v: %d of %s, want %d", c, have[what], what, n)
			}
			shown += n
		}
	}
	if shown < 10 {
		t.Errorf("only %d events, which shows little", shown)
	}
	policies := 0
	for _, p := range b.Policies {
		if within(p.InForceFrom, p.Meta) {
			policies++
		}
	}
	if got, err := s.TrendEvents(ctx, "", "", from, to); err != nil || len(got) != policies {
		t.Errorf("of nothing: got %v, %v, want %d policies", got, err, policies)
	}
}
