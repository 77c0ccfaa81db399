//go:build long

package store_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/localdb"
	"basecourse/internal/sample"
	"basecourse/internal/store"

	"github.com/jackc/pgx/v5"
)

// plainTrends are the plain aggregates that trends rest on, on the same tables
// and indexes.
var plainTrends = map[store.TrendBy]string{
	store.TrendAll:   `SELECT date_trunc('week', started_at), count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal') FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL GROUP BY 1`,
	store.TrendPlate: `SELECT plate, date_trunc('week', started_at), count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal') FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL GROUP BY 1, 2`,
	store.TrendPair:  `SELECT plate, printer, count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal') FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL GROUP BY 1, 2`,
	store.TrendHour:  `SELECT extract(hour FROM started_at), count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal') FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL GROUP BY 1`,
	// Trends by a plate's prints rest on what every plate's starts are, those by shift
	// on the times.
	store.TrendAge:      `SELECT plate, date_trunc('week', started_at), count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal') FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL GROUP BY 1, 2`,
	store.TrendWashed:   `SELECT plate, date_trunc('week', started_at), count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal') FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL GROUP BY 1, 2`,
	store.TrendShift:    `SELECT extract(hour FROM started_at), count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal') FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL GROUP BY 1`,
	store.TrendMaterial: `SELECT material, date_trunc('week', started_at), count(*), count(grade), count(*) FILTER (WHERE grade = 'failed' OR underside = 'shown' AND grade = 'marginal') FROM first_layers WHERE started_at >= $1 AND started_at < $2 AND voided_at IS NULL GROUP BY 1, 2`,
}

// Any grouping over a window that holds all layers answers in at most three
// times the plain SQL aggregate, and at 1,000,000 layers in 100 ms, medians of
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
		if err := sample.Write(bundle, sample.Size{FirstLayers: layers, Printers: 1000, Plates: 2000, Seed: 1}); err != nil {
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
	ask := func(by store.TrendBy, zone *time.Location) (time.Duration, *store.Trends) {
		q := store.TrendQuery{By: by, Bounds: bounds, Until: to, Zone: zone, InBuckets: by != store.TrendPair && by != store.TrendHour && store.LifeBands(by) == nil}
		if by == store.TrendPair {
			q.Least = 10
		}
		if by == store.TrendShift {
			for at := from; at.Before(to); at = at.Add(8 * time.Hour) {
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
		took, _ := ask(store.TrendPlate, time.UTC)
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
	for by, sql := range plainTrends {
		var ours, zoned, plain []time.Duration
		for range rounds {
			begun := time.Now()
			rows, err := conn.Query(ctx, sql, from, to)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (int, error) { return 0, nil }); err != nil {
				t.Fatal(err)
			}
			plain = append(plain, time.Since(begun))
			took, got := ask(by, time.UTC)
			ours = append(ours, took)
			if got.Total.Started != layers {
				t.Fatalf("counted %d layers, want %d", got.Total.Started, layers)
			}
			took, _ = ask(by, berlin)
			zoned = append(zoned, took)
		}
		mine, peer := max(median(ours), median(zoned)), median(plain)
		t.Logf("by %-9q %4.0f ms (zone Berlin %.0f ms), plain SQL %.0f ms: %.2f times", by, median(ours).Seconds()*1000, median(zoned).Seconds()*1000, peer.Seconds()*1000, mine.Seconds()/peer.Seconds())
		if mine > 3*peer {
			t.Errorf("by %q takes more than three times the plain aggregate", by)
		}
		if layers <= 1_000_000 && mine > 100*time.Millisecond && store.LifeBands(by) == nil {
			t.Errorf("by %q takes %s, want at most 100 ms", by, mine)
		}
	}
}
