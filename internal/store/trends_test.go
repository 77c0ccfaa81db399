package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/intake"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

// untidyFarm is the demo's farm with first layers that name no plate, lots that
// change, voided layers, late entries and ungraded starts.
func untidyFarm(last time.Time) *farm.Bundle {
	b := simfarm.Demo(last, 3)
	from := last.Add(-33 * 24 * time.Hour)
	b.FirstLayers = slices.DeleteFunc(b.FirstLayers, func(f farm.FirstLayer) bool { return f.StartedAt.Before(from) })
	r := rand.New(rand.NewPCG(5, 5))
	for i := range b.FirstLayers {
		f := &b.FirstLayers[i]
		switch r.IntN(12) {
		case 0, 1, 2:
			f.Plate = ""
		case 3:
			f.Lot = fmt.Sprintf("lot-%d", r.IntN(4))
		case 4:
			f.NotedAt = f.StartedAt.Add(24*time.Hour + time.Duration(r.IntN(3)-1)*time.Microsecond)
			if !f.GradedAt.IsZero() && f.GradedAt.After(f.NotedAt) {
				f.NotedAt = f.GradedAt.Add(time.Hour)
			}
			f.ArrivedAt = time.Time{}
		case 5:
			f.VoidedAt, f.VoidReason = f.StartedAt.Add(time.Hour), "wrong printer"
		}
	}
	return b
}

// holding gives a store that holds a farm, at a time.
func holding(t *testing.T, b *farm.Bundle, now time.Time) *store.Store {
	t.Helper()
	s, err := store.Open(context.Background(), testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.SetClock(func() time.Time { return now })
	importFarm(t, s, b)
	return s
}

func importFarm(t *testing.T, s *store.Store, b *farm.Bundle) {
	t.Helper()
	if report, err := s.ImportFarm(context.Background(), store.Act{Via: "import"}, b, store.ImportOptions{}); err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
}

// slowly counts as Trends does, by going through the records one by one.
func slowly(b *farm.Bundle, q store.TrendQuery, plates map[string]string) map[string]store.TrendCount {
	surfaces, bays := map[string]string{}, map[string]string{}
	for _, p := range b.Plates {
		surfaces[p.Tag] = string(p.Surface)
	}
	for _, p := range b.Printers {
		bays[p.Tag] = p.Bay
	}
	out := map[string]store.TrendCount{}
	var lives map[string][2]int32
	if q.By == store.TrendAge || q.By == store.TrendWashed {
		lives = livesByExposure(b)
	}
	for i := range b.FirstLayers {
		f := &b.FirstLayers[i]
		plate := plates[f.ID.Text()]
		bucket := -1
		for k := range q.Bounds[1:] {
			if !f.StartedAt.Before(q.Bounds[k]) && f.StartedAt.Before(q.Bounds[k+1]) {
				bucket = k
			}
		}
		w := q.Filter
		fits := func(want, has string) bool { return want == "" || want == has }
		if bucket < 0 || !f.VoidedAt.IsZero() || f.StartedAt.After(q.Until) ||
			!fits(w.Printer, f.Printer) || !fits(w.Plate, plate) || !fits(w.Surface, surfaces[plate]) || !fits(w.Material, f.Material) ||
			!fits(w.Job, f.Job) || !fits(w.Bay, bays[f.Printer]) || !fits(w.Lot, f.Lot) || !fits(w.Grader, f.Grader) {
			continue
		}
		var name string
		switch q.By {
		case store.TrendPlate:
			name = plate
		case store.TrendPrinter:
			name = f.Printer
		case store.TrendPair:
			name = plate + " on " + f.Printer
		case store.TrendSurface:
			name = surfaces[plate]
		case store.TrendMaterial:
			name = f.Material
		case store.TrendJob:
			name = f.Job
		case store.TrendBay:
			name = bays[f.Printer]
		case store.TrendHour:
			name = fmt.Sprintf("%02d", f.StartedAt.In(q.Zone).Hour())
		case store.TrendShift:
			for _, s := range q.Shifts { // in the order they begin
				if !f.StartedAt.Before(s.From) && f.StartedAt.Before(s.To) {
					name = s.From.In(q.Zone).Format("15:04") + "–" + s.To.In(q.Zone).Format("15:04")
				}
			}
		case store.TrendAge, store.TrendWashed:
			name = bandOf(q.By, lives[f.ID.Text()][map[store.TrendBy]int{store.TrendWashed: 1}[q.By]])
		}
		one := store.TrendCount{Started: 1}
		if f.Grade != "" {
			one.Graded = 1
			if f.Grade == "failed" || f.Underside == "shown" && f.Grade == "marginal" {
				one.Failures = 1
			}
			noted := f.NotedAt
			if noted.IsZero() {
				noted = f.StartedAt
			}
			if noted.Sub(f.StartedAt) > 24*time.Hour {
				one.Late = 1
			}
		}
		at := fmt.Sprintf("bucket %d", bucket)
		for _, key := range []string{"group " + name, at, "group " + name + " " + at} {
			c := out[key]
			c.Started += one.Started
			c.Graded += one.Graded
			c.Failures += one.Failures
			if q.By != store.TrendPair || key == at {
				c.Late += one.Late
			}
			out[key] = c
		}
	}
	return out
}

// platesByExposure gives each layer's plate by its id, as exposures do.
func platesByExposure(b *farm.Bundle) map[string]string {
	h := historyOf(b, time.Date(2999, 1, 1, 0, 0, 0, 0, time.UTC), nil)
	h.Starts = h.Starts[len(b.Printers):]
	out := map[string]string{}
	k := 0
	exposures := exposure.Of(h)
	for _, f := range b.FirstLayers {
		if !f.VoidedAt.IsZero() {
			continue
		}
		if p := exposures[k].Plate; p != exposure.None {
			out[f.ID.Text()] = b.Plates[p].Tag
		}
		k++
	}
	return out
}

// livesByExposure gives, by id, how many starts each layer's plate had before, and
// how many since it was washed, as exposures count the latter; -1 not known.
func livesByExposure(b *farm.Bundle) map[string][2]int32 {
	h := historyOf(b, time.Date(2999, 1, 1, 0, 0, 0, 0, time.UTC), nil)
	h.Starts = h.Starts[len(b.Printers):]
	exposures := exposure.Of(h)
	type start struct {
		f *farm.FirstLayer
		e *exposure.Exposure
	}
	var starts []start
	for i := range b.FirstLayers {
		if f := &b.FirstLayers[i]; f.VoidedAt.IsZero() {
			starts = append(starts, start{f, &exposures[len(starts)]})
		}
	}
	sort.SliceStable(starts, func(i, j int) bool {
		x, y := starts[i].f, starts[j].f
		if !x.StartedAt.Equal(y.StartedAt) {
			return x.StartedAt.Before(y.StartedAt)
		}
		return slices.Compare(x.ID.UUID[:], y.ID.UUID[:]) < 0
	})
	out, before := map[string][2]int32{}, map[int32]int32{}
	for _, s := range starts {
		x := [2]int32{-1, s.e.PrintsSinceWash}
		if s.e.Plate != exposure.None {
			x[0] = before[s.e.Plate]
			before[s.e.Plate]++
		}
		out[s.f.ID.Text()] = x
	}
	return out
}

func bandOf(by store.TrendBy, prints int32) (name string) {
	if prints >= 0 {
		for _, b := range store.LifeBands(by) {
			if b <= prints {
				name = fmt.Sprintf("%04d", b)
			}
		}
	}
	return name
}

// threeShifts are early, late and night shifts of every second day, overlapping by
// half an hour, in the order they begin.
func threeShifts(from time.Time, days int, zone *time.Location) (out []farm.Span) {
	y, m, d := from.In(zone).Date()
	for k := 0; k < days; k += 2 {
		at := func(hour, minute int) time.Time { return time.Date(y, m, d+k, hour, minute, 0, 0, zone) }
		out = append(out, farm.Span{From: at(6, 0), To: at(14, 30)}, farm.Span{From: at(14, 0), To: at(22, 0)}, farm.Span{From: at(21, 30), To: at(30, 0)})
	}
	return out
}

// asMap names a Trends answer's counts as slowly does.
func asMap(q store.TrendQuery, got *store.Trends) map[string]store.TrendCount {
	out := map[string]store.TrendCount{}
	put := func(key string, c store.TrendCount) {
		if c.Started > 0 {
			out[key] = c
		}
	}
	for k, c := range got.Buckets {
		put(fmt.Sprintf("bucket %d", k), c)
	}
	for _, g := range got.Groups {
		name := g.Name
		if q.By == store.TrendPair {
			name += " on " + g.Second
		}
		put("group "+name, g.Total)
		for k, c := range g.Buckets {
			put(fmt.Sprintf("group %s bucket %d", name, k), c)
		}
	}
	return out
}

func weeks(zone *time.Location, from string, n int) (bounds []time.Time) {
	at, _ := time.ParseInLocation(time.DateOnly, from, zone)
	for i := range n + 1 {
		bounds = append(bounds, at.AddDate(0, 0, 7*i))
	}
	return bounds
}

func checkTrends(t *testing.T, s *store.Store, b *farm.Bundle, plates map[string]string, q store.TrendQuery, what string) {
	t.Helper()
	got, err := s.Trends(context.Background(), q)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	want := slowly(b, q, plates)
	have := asMap(q, got)
	var keys []string
	for key := range want {
		if strings.HasPrefix(key, "group") && q.By == store.TrendAll || strings.Contains(key, " bucket ") && !q.InBuckets {
			delete(want, key)
			continue
		}
		keys = append(keys, key)
	}
	sort.Strings(keys)
	bad := 0
	for _, key := range keys {
		if have[key] != want[key] {
			if bad++; bad <= 3 {
				t.Errorf("%s: by %q %+v: %s: got %+v, want %+v", what, q.By, q.Filter, key, have[key], want[key])
			}
		}
	}
	if len(have) != len(want) {
		t.Errorf("%s: by %q %+v: got %d counts, want %d", what, q.By, q.Filter, len(have), len(want))
	}
	if len(want) < 3 {
		t.Errorf("%s: by %q %+v: only %d counts, which shows little", what, q.By, q.Filter, len(want))
	}
	if q.Outcomes {
		n, failed := 0, 0
		for i, o := range got.Outcomes {
			n++
			if o.Failed {
				failed++
			}
			if i > 0 && o.Micros < got.Outcomes[i-1].Micros {
				t.Fatalf("%s: outcomes are not in order of time", what)
			}
		}
		if n != got.Total.Graded || failed != got.Total.Failures {
			t.Errorf("%s: %d outcomes with %d failures, want %d with %d", what, n, failed, got.Total.Graded, got.Total.Failures)
		}
	}
}

var trendGroupings = []store.TrendBy{store.TrendAll, store.TrendPlate, store.TrendPrinter, store.TrendPair, store.TrendSurface, store.TrendMaterial,
	store.TrendJob, store.TrendBay, store.TrendHour, store.TrendShift, store.TrendAge, store.TrendWashed}

// Trends counts what a plain walk over the records counts: by everything,
// filtered by everything, from packed days and from unpacked ones, in zones
// whose weeks are 167 and 169 hours long, and after every kind of write.
func TestTrendsCountAsAPlainWalkDoes(t *testing.T) {
	ctx := context.Background()
	// New York's clocks went forward on 2026-03-08.
	last := time.Date(2026, 3, 20, 14, 0, 0, 0, time.UTC)
	b := untidyFarm(last)
	s := holding(t, b, last)
	newYork, _ := time.LoadLocation("America/New_York")
	chatham, _ := time.LoadLocation("Pacific/Chatham") // 13:45 ahead
	queries := func() (list []store.TrendQuery) {
		for i, by := range trendGroupings {
			zone := []*time.Location{newYork, chatham, time.UTC}[i%3]
			q := store.TrendQuery{By: by, Bounds: weeks(zone, "2026-02-16", 5), Until: last, Zone: zone, InBuckets: by != store.TrendPair, Outcomes: i%2 == 0}
			if by == store.TrendShift {
				q.Shifts = threeShifts(last.Add(-40*24*time.Hour), 50, zone)
			}
			list = append(list, q)
			q.Until = time.Date(2026, 3, 17, 11, 0, 0, 0, time.UTC)
			f := b.FirstLayers[len(b.FirstLayers)/2]
			for _, filter := range []store.TrendFilter{{Material: f.Material}, {Bay: b.Printers[0].Bay}, {Surface: string(b.Plates[0].Surface)}, {Grader: f.Grader}} {
				q.Filter = filter
				list = append(list, q)
			}
		}
		q := store.TrendQuery{By: store.TrendMaterial, Bounds: weeks(newYork, "2026-02-16", 5), Until: last, Zone: newYork, InBuckets: true, Outcomes: true}
		plates := platesByExposure(b)
		for _, f := range b.FirstLayers[len(b.FirstLayers)/2:] {
			if f.Plate == "" && plates[f.ID.Text()] != "" {
				q.Filter = store.TrendFilter{Plate: plates[f.ID.Text()]}
				break
			}
		}
		list = append(list, q)
		q.Filter = store.TrendFilter{Lot: "lot-1"}
		list = append(list, q)
		q.Filter = store.TrendFilter{Printer: b.Printers[4].Tag}
		return append(list, q)
	}
	round := 0
	all := func(what string) {
		t.Helper()
		plates := platesByExposure(b)
		for i, q := range queries() {
			// Everything twice at first, then a few each time.
			if round < 2 || i%6 == round%6 {
				checkTrends(t, s, b, plates, q, what)
			}
		}
		round++
	}
	all("nothing packed")
	if n, err := s.PackTrends(ctx); err != nil || n < 32 {
		t.Fatalf("packed %d days: %v", n, err)
	}
	all("packed")
	if n, err := s.PackTrends(ctx); err != nil || n != 0 {
		t.Errorf("packed %d days again though nothing was written: %v", n, err)
	}

	// A fill, a void, and a record that comes late, each in another week.
	act := store.Act{Via: "api"}
	record := func(kind farm.Kind, rec any, id farm.ID) {
		t.Helper()
		if _, err := s.Record(ctx, act, intake.Item{Kind: kind, ID: id, Rec: rec}); err != nil {
			t.Fatal(err)
		}
	}
	var filled, voided *farm.FirstLayer
	for i := range b.FirstLayers {
		f := &b.FirstLayers[i]
		if filled == nil && f.Grade == "" && f.VoidedAt.IsZero() && f.StartedAt.After(last.Add(-25*24*time.Hour)) {
			filled = f
		}
		if f.Grade == "failed" && f.VoidedAt.IsZero() && f.StartedAt.After(last.Add(-15*24*time.Hour)) && voided == nil {
			voided = f
		}
	}
	filled.Grade, filled.GradedAt = "failed", filled.StartedAt.Add(20*time.Minute)
	record(farm.KindFirstLayer, filled, filled.ID)
	all("after a fill")
	if _, err := s.Record(ctx, act, intake.Item{Kind: "void", Rec: &intake.Void{Record: voided.ID.Text(), VoidedAt: last.Add(-time.Hour), VoidReason: "wrong plate"}}); err != nil {
		t.Fatal(err)
	}
	voided.VoidedAt = last.Add(-time.Hour)
	all("after a void")
	id, _ := farm.NewID(farm.KindFirstLayer, "late one")
	late := *filled
	late.ID, late.Printer, late.StartedAt, late.Grade, late.GradedAt = id, b.Printers[3].Tag, last.Add(-20*24*time.Hour), "failed", last.Add(-20*24*time.Hour+time.Hour)
	late.NotedAt, late.ArrivedAt = last.Add(-time.Hour), time.Time{}
	record(farm.KindFirstLayer, &late, id)
	b.FirstLayers = append(b.FirstLayers, late)
	all("after a late record")
	got, err := s.Trends(ctx, queries()[0])
	if err != nil || got.CountedRaw < 2 || got.CountedRaw > 3 {
		t.Errorf("%d days are counted from the records after three writes: %v", got.CountedRaw, err)
	}
	if n, err := s.PackTrends(ctx); err != nil || n != got.CountedRaw {
		t.Errorf("packed %d days after three writes, want %d: %v", n, got.CountedRaw, err)
	}
	all("packed again")

	// A later import too.
	more := &farm.Bundle{Printers: b.Printers}
	for i := range 30 {
		id, _ := farm.NewID(farm.KindFirstLayer, fmt.Sprintf("more-%d", i))
		f := late
		f.ID, f.Printer, f.StartedAt, f.Grade, f.GradedAt, f.NotedAt, f.Material = id, b.Printers[i].Tag, last.Add(-time.Duration(i)*31*time.Hour), "", time.Time{}, time.Time{}, "NEW"
		more.FirstLayers = append(more.FirstLayers, f)
	}
	importFarm(t, s, more)
	b.FirstLayers = append(b.FirstLayers, more.FirstLayers...)
	all("after an import")
}
