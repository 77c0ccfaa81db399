//go:build long

package store_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/sample"
	"basecourse/internal/store"
)

// trendCase is a view of trends and the plain aggregate it rests on, on the same
// tables and indexes.
type trendCase struct {
	name     string
	by       store.TrendBy
	filter   store.TrendFilter
	days     int  // of the window, its last; 0: all
	outcomes bool // the graded layers one by one too, as its page asks for
	sql      string
}

// trendCases are every grouping over all layers, and narrower ones: one printer, one
// plate, the last thirty days.
func trendCases(jobs int) []trendCase {
	const counts = `count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal')`
	const where = ` WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL`
	grouped := func(by, join, and string) string {
		n := " GROUP BY 1"
		if thing, _, _ := strings.Cut(by, ", "); !strings.Contains(thing, "(") {
			n += ", 2" // of a thing and a week, or of two things
		}
		return `SELECT ` + by + `, ` + counts + ` FROM first_layers` + join + where + and + n
	}
	const week, hour = `date_trunc('week', started_at)`, `extract(hour FROM started_at)`
	// Trends by a plate's prints rest on what every plate's starts are, those by shift
	// on the times.
	list := []trendCase{
		{name: "all", by: store.TrendAll, sql: grouped(week, "", "")},
		{name: "plate", by: store.TrendPlate, sql: grouped("plate, "+week, "", "")},
		{name: "printer", by: store.TrendPrinter, sql: grouped("printer, "+week, "", "")},
		{name: "pair", by: store.TrendPair, sql: grouped("plate, printer", "", "")},
		{name: "surface", by: store.TrendSurface, sql: grouped("surface, "+week, " LEFT JOIN plates p ON p.id = first_layers.plate", "")},
		{name: "material", by: store.TrendMaterial, sql: grouped("material, "+week, "", "")},
		{name: "job", by: store.TrendJob, sql: grouped("job, "+week, "", "")},
		{name: "bay", by: store.TrendBay, sql: grouped("bay, "+week, " JOIN printers p ON p.id = first_layers.printer", "")},
		{name: "hour", by: store.TrendHour, sql: grouped(hour, "", "")},
		{name: "shift", by: store.TrendShift, sql: grouped(hour, "", "")},
		{name: "age", by: store.TrendAge, sql: grouped("plate, "+week, "", "")},
		{name: "washed", by: store.TrendWashed, sql: grouped("plate, "+week, "", "")},
	}
	for _, c := range list {
		c.name, c.days = c.name+", 30 days", 30
		list = append(list, c)
	}
	const one, plate = ` AND printer = (SELECT id FROM printers WHERE printer = 'P-0007')`, ` AND plate = (SELECT id FROM plates WHERE plate = 'L-0011')`
	const bay, material = ` AND printer IN (SELECT id FROM printers WHERE bay = 'Bay 3')`, ` AND material = (SELECT id FROM materials WHERE material = 'ASA')`
	lately := fmt.Sprintf("O-%d", jobs-20) // jobs follow one another: one of the last thirty days
	job := ` AND job = (SELECT id FROM jobs WHERE job = '` + lately + `')`
	ofOne, ofPlate, ofJob, ofBay := store.TrendFilter{Printer: "P-0007"}, store.TrendFilter{Plate: "L-0011"}, store.TrendFilter{Job: lately}, store.TrendFilter{Bay: "Bay 3"}
	for _, c := range []trendCase{
		{"one printer", store.TrendAll, ofOne, 0, true, grouped(week, "", one)},
		{"one printer by plate", store.TrendPlate, ofOne, 0, true, grouped("plate, "+week, "", one)},
		{"one printer by job", store.TrendJob, ofOne, 0, false, grouped("job, "+week, "", one)},
		{"one printer by hour", store.TrendHour, ofOne, 0, false, grouped(hour, "", one)},
		{"one plate", store.TrendAll, ofPlate, 0, true, grouped(week, "", plate)},
		{"one plate by printer", store.TrendPrinter, ofPlate, 0, true, grouped("printer, "+week, "", plate)},
		{"one plate by shift", store.TrendShift, ofPlate, 0, false, grouped(hour, "", plate)},
		{"one plate by age", store.TrendAge, ofPlate, 0, false, grouped("plate, "+week, "", plate)},
		{"one plate by washed", store.TrendWashed, ofPlate, 0, false, grouped("plate, "+week, "", plate)},
		{"one job", store.TrendAll, ofJob, 0, true, grouped(week, "", job)},
		{"one job by printer", store.TrendPrinter, ofJob, 0, true, grouped("printer, "+week, "", job)},
		{"one bay by printer", store.TrendPrinter, ofBay, 0, true, grouped("printer, "+week, "", bay)},
		{"one material", store.TrendAll, store.TrendFilter{Material: "ASA"}, 0, true, grouped(week, "", material)},
	} {
		list = append(list, c)
		if store.LifeBands(c.by) == nil { // a plate's life began before any window
			c.name, c.days = c.name+", 30 days", 30
			list = append(list, c)
		}
	}
	return list
}

func total(list []time.Duration) (sum time.Duration) {
	for _, d := range list {
		sum += d
	}
	return sum
}

// Any view of trends answers in at most three times the plain SQL aggregate, and at 1,000,000 layers in 100 ms, medians of
// five, alternating, on a durable cluster. BASECOURSE_SPEED_LAYERS changes the
// size, BASECOURSE_SPEED_KEEP names a folder in which the farm is kept between
// runs, BASECOURSE_SPEED_ONLY a word that stands in the names of the views to time; with
// no rounds (BASECOURSE_SPEED_ROUNDS=0) the farm is only made ready.
func TestTrendsSpeed(t *testing.T) {
	layers, rounds := fromEnv("BASECOURSE_SPEED_LAYERS", 1_000_000), fromEnv("BASECOURSE_SPEED_ROUNDS", 5)
	jobs := max(21, layers/500)
	ctx := context.Background()
	home := os.Getenv("BASECOURSE_SPEED_KEEP")
	if home == "" {
		var err error
		if home, err = os.MkdirTemp("", "basecourse-speed-"); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = os.RemoveAll(home) })
	}
	s, url := keptFarm(t, home, sample.Size{FirstLayers: layers, Printers: 1000, Plates: 2000, Jobs: jobs, Seed: 1})
	conn := connect(t, url)
	from := one[time.Time](t, conn, `SELECT date_trunc('week', min(started_at)) FROM first_layers`)
	to := one[time.Time](t, conn, `SELECT date_trunc('week', max(started_at)) + interval '7 days' FROM first_layers`)
	var bounds []time.Time
	for at := from; !at.After(to); at = at.AddDate(0, 0, 7) {
		bounds = append(bounds, at)
	}
	window := func(c trendCase) (list []time.Time) {
		if c.days == 0 {
			return bounds
		}
		for k := range c.days + 1 {
			list = append(list, to.AddDate(0, 0, k-c.days))
		}
		return list
	}
	ask := func(c trendCase, zone *time.Location) (time.Duration, *store.Trends) {
		q := store.TrendQuery{By: c.by, Bounds: window(c), Until: to, Zone: zone, Filter: c.filter, Outcomes: c.outcomes,
			InBuckets: c.by != store.TrendPair && c.by != store.TrendHour && store.LifeBands(c.by) == nil}
		if c.by == store.TrendPair {
			q.Least = 10
		}
		if c.by == store.TrendShift {
			for at := q.Bounds[0]; at.Before(to); at = at.Add(8 * time.Hour) {
				q.Shifts = append(q.Shifts, farm.Span{From: at, To: at.Add(8*time.Hour + 30*time.Minute)})
			}
		}
		begun := time.Now()
		got, err := s.Trends(ctx, q)
		if err != nil {
			t.Fatal(err)
		}
		return time.Since(begun), got
	}
	if n := one[int64](t, conn, `SELECT count(*) FROM trend_days`); n == 0 {
		took, _ := ask(trendCases(jobs)[1], time.UTC)
		t.Logf("nothing packed: %.0f ms", took.Seconds()*1000)
	}
	begun := time.Now()
	n, err := s.PackTrends(ctx)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d days packed in %.2f s, %d kB", n, time.Since(begun).Seconds(), one[int64](t, conn, `SELECT pg_total_relation_size('trend_days') / 1024`))
	if rounds == 0 {
		return // to have the farm ready
	}
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	only := os.Getenv("BASECOURSE_SPEED_ONLY")
	for _, c := range trendCases(jobs) {
		if !strings.Contains(c.name, only) {
			continue
		}
		var ours, zoned, plain []time.Duration
		begins := window(c)[0]
		// Quick ones more often: they say little on a machine that does other things.
		for k := 0; k < rounds || k < 15*rounds && total(plain)+total(ours) < 2*time.Second; k++ {
			counted := 0
			begun := time.Now()
			rows, err := conn.Query(ctx, c.sql, begins, to)
			if err != nil {
				t.Fatal(err)
			}
			for rows.Next() {
				v := rows.RawValues()
				counted += int(binary.BigEndian.Uint64(v[len(v)-3]))
			}
			if err := rows.Err(); err != nil {
				t.Fatal(err)
			}
			plain = append(plain, time.Since(begun))
			took, got := ask(c, time.UTC)
			ours = append(ours, took)
			if got.Total.Started != counted || c.days == 0 && c.filter == (store.TrendFilter{}) && counted != layers {
				t.Fatalf("%s: counted %d layers, plain SQL %d", c.name, got.Total.Started, counted)
			}
			took, _ = ask(c, berlin)
			zoned = append(zoned, took)
		}
		mine, peer := max(median(ours), median(zoned)), median(plain)
		best := min(slices.Min(ours), slices.Min(zoned))
		t.Logf("%-28s %7.1f ms (zone Berlin %7.1f ms), plain SQL %8.1f ms: %.2f times; best of %d %7.2f ms, plain SQL %8.2f ms: %.2f times",
			c.name, median(ours).Seconds()*1000, median(zoned).Seconds()*1000, peer.Seconds()*1000, mine.Seconds()/peer.Seconds(),
			len(plain), best.Seconds()*1000, slices.Min(plain).Seconds()*1000, best.Seconds()/slices.Min(plain).Seconds())
		if mine > 3*peer {
			t.Errorf("%s takes more than three times the plain aggregate", c.name)
		}
		if layers <= 1_000_000 && mine > 100*time.Millisecond && store.LifeBands(c.by) == nil {
			t.Errorf("%s takes %s, want at most 100 ms", c.name, mine)
		}
	}
}
