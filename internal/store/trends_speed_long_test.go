//go:build long

package store_test

import (
	"context"
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/localdb"
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
func trendCases() []trendCase {
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
	const one, plate, bay = ` AND printer = (SELECT id FROM printers WHERE printer = 'P-0007')`, ` AND plate = (SELECT id FROM plates WHERE plate = 'L-0011')`, ` AND printer IN (SELECT id FROM printers WHERE bay = 'Bay 3')`
	for _, days := range []int{0, 30} {
		list = append(list,
			trendCase{"one printer", store.TrendAll, store.TrendFilter{Printer: "P-0007"}, days, true, grouped(week, "", one)},
			trendCase{"one printer by plate", store.TrendPlate, store.TrendFilter{Printer: "P-0007"}, days, true, grouped("plate, "+week, "", one)},
			trendCase{"one plate", store.TrendAll, store.TrendFilter{Plate: "L-0011"}, days, true, grouped(week, "", plate)},
			trendCase{"one bay by printer", store.TrendPrinter, store.TrendFilter{Bay: "Bay 3"}, days, true, grouped("printer, "+week, "", bay)})
	}
	return list
}

// Any view of trends answers in at most three times the plain SQL aggregate, and at 1,000,000 layers in 100 ms, medians of
// five, alternating, on a durable cluster. BASECOURSE_SPEED_LAYERS changes the
// size, BASECOURSE_SPEED_KEEP names a folder in which the farm is kept between
// runs.
func TestTrendsSpeed(t *testing.T) {
	layers, rounds := fromEnv("BASECOURSE_SPEED_LAYERS", 1_000_000), fromEnv("BASECOURSE_SPEED_ROUNDS", 5)
	ctx := context.Background()
	home := os.Getenv("BASECOURSE_SPEED_KEEP")
	if home == "" {
		var err error
		if home, err = os.MkdirTemp("", "basecourse-speed-"); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = os.RemoveAll(home) }()
	}
	cluster, err := localdb.Open(ctx, localdb.Options{Dir: filepath.Join(home, "db"), NoFetch: true})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cluster.Close(ctx) }()
	if err := cluster.EnsureDatabase(ctx, "trends"); err != nil {
		t.Fatal(err)
	}
	url := cluster.URL("trends")
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.SetClock(func() time.Time { return time.Date(2040, 1, 1, 0, 0, 0, 0, time.UTC) })
	conn := connect(t, url)
	if one[int64](t, conn, `SELECT count(*) FROM printers`) == 0 {
		bundle := filepath.Join(home, "bundle")
		if err := os.MkdirAll(bundle, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := sample.Write(bundle, sample.Size{FirstLayers: layers, Printers: 1000, Plates: 2000, Jobs: max(1, layers/500), Seed: 1}); err != nil {
			t.Fatal(err)
		}
		begun := time.Now()
		report, err := s.Import(ctx, byImport, folder(t, bundle), store.ImportOptions{})
		if err != nil || !report.Stored {
			t.Fatalf("%v\n%s", err, report.Text())
		}
		t.Logf("imported in %.1f s", time.Since(begun).Seconds())
		if err := os.RemoveAll(bundle); err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Exec(ctx, `VACUUM ANALYZE`); err != nil {
			t.Fatal(err)
		}
	}
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
		took, _ := ask(trendCases()[1], time.UTC)
		t.Logf("nothing packed: %.0f ms", took.Seconds()*1000)
	}
	begun := time.Now()
	n, err := s.PackTrends(ctx)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d days packed in %.2f s, %d kB", n, time.Since(begun).Seconds(), one[int64](t, conn, `SELECT pg_total_relation_size('trend_days') / 1024`))
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range trendCases() {
		var ours, zoned, plain []time.Duration
		begins := window(c)[0]
		for range rounds {
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
		t.Logf("%-28s %6.1f ms (zone Berlin %6.1f ms), plain SQL %7.1f ms: %.2f times", c.name, median(ours).Seconds()*1000, median(zoned).Seconds()*1000, peer.Seconds()*1000, mine.Seconds()/peer.Seconds())
		if mine > 3*peer {
			t.Errorf("%s takes more than three times the plain aggregate", c.name)
		}
		if layers <= 1_000_000 && mine > 100*time.Millisecond && store.LifeBands(c.by) == nil {
			t.Errorf("%s takes %s, want at most 100 ms", c.name, mine)
		}
	}
}
