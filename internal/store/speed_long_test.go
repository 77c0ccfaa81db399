//go:build long

package store_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/localdb"
	"basecourse/internal/sample"
	"basecourse/internal/store"
)

// bare are the big files' tables with nothing but columns: the peer of an
// import is COPY of the same files into them.
const bare = `DROP TABLE IF EXISTS b_first_layers, b_cleanings, b_probes;
CREATE TABLE b_first_layers (first_layer text, printer text, plate text, started_at timestamptz, grade text, material text, grader text, graded_at timestamptz,
	layer_height_mm float8, line_width_mm float8, marks text, readings text, note text);
CREATE TABLE b_cleanings (cleaning text, plate text, cleaned_at timestamptz, method text, agent text, person text, note text);
CREATE TABLE b_probes (probe text, printer text, probed_at timestamptz, plate text, bed_temp_c float8, x_min_mm float8, x_max_mm float8, y_min_mm float8, y_max_mm float8,
	columns int, rows int, heights_mm text)`

// asText is the strictest peer: no column is even read as a number or a time.
func asText(sql string) string {
	return strings.NewReplacer("timestamptz", "text", "float8", "text", " int,", " text,").Replace(sql)
}

// Importing a million first layers with their probes and cleanings takes at
// most four times as long as plain COPY of the same files into bare tables, on a
// durable cluster, alternating, medians of five. BASECOURSE_SPEED_LAYERS and
// BASECOURSE_SPEED_ROUNDS change the size.
func TestImportSpeed(t *testing.T) {
	layers, rounds := fromEnv("BASECOURSE_SPEED_LAYERS", 1_000_000), fromEnv("BASECOURSE_SPEED_ROUNDS", 5)
	ctx := context.Background()
	home, err := os.MkdirTemp("", "basecourse-speed-")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = os.RemoveAll(home) }()
	bundle := filepath.Join(home, "bundle")
	if err := os.Mkdir(bundle, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := sample.Write(bundle, sample.Size{FirstLayers: layers, Printers: 1000, Plates: 2000, Seed: 1}); err != nil {
		t.Fatal(err)
	}
	cluster, err := localdb.Open(ctx, localdb.Options{Dir: filepath.Join(home, "db"), NoFetch: true})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cluster.Close(ctx) }()
	var ours, peers, texts []time.Duration
	for i := range rounds {
		peers = append(peers, timeBare(t, cluster, fmt.Sprintf("bare%d", i), bundle, bare))
		ours = append(ours, timeImport(t, cluster, fmt.Sprintf("ours%d", i), bundle))
		texts = append(texts, timeBare(t, cluster, fmt.Sprintf("text%d", i), bundle, asText(bare)))
		t.Logf("round %d: COPY typed %.2f s, COPY as text %.2f s, import %.2f s", i+1, peers[i].Seconds(), texts[i].Seconds(), ours[i].Seconds())
	}
	typed, text, mine := median(peers), median(texts), median(ours)
	ratio := mine.Seconds() / typed.Seconds()
	t.Logf("medians of %d, %d first layers: import %.2f s = %.2f times COPY into typed columns (%.2f s), %.2f times COPY into text (%.2f s)",
		rounds, layers, mine.Seconds(), ratio, typed.Seconds(), mine.Seconds()/text.Seconds(), text.Seconds())
	if ratio > 4 {
		t.Errorf("import takes %.2f times as long as COPY, want at most 4", ratio)
	}
}

func fromEnv(name string, standard int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return standard
}

func median(list []time.Duration) time.Duration {
	list = slices.Clone(list)
	slices.Sort(list)
	return list[len(list)/2]
}

func timeBare(t *testing.T, cluster *localdb.Cluster, name, bundle, tables string) time.Duration {
	t.Helper()
	ctx := context.Background()
	if err := cluster.EnsureDatabase(ctx, name); err != nil {
		t.Fatal(err)
	}
	conn := connect(t, cluster.URL(name))
	if _, err := conn.Exec(ctx, tables); err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	for _, file := range []string{"first_layers", "cleanings", "probes"} {
		in, err := os.Open(filepath.Join(bundle, file+".csv"))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.PgConn().CopyFrom(ctx, in, "COPY b_"+file+" FROM STDIN CSV HEADER"); err != nil {
			t.Fatal(err)
		}
		_ = in.Close()
	}
	took := time.Since(begun)
	drop(t, cluster, name, conn.Close)
	return took
}

func timeImport(t *testing.T, cluster *localdb.Cluster, name, bundle string) time.Duration {
	t.Helper()
	ctx := context.Background()
	if err := cluster.EnsureDatabase(ctx, name); err != nil {
		t.Fatal(err)
	}
	if err := store.Migrate(ctx, cluster.URL(name)); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(ctx, cluster.URL(name))
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	report, err := s.Import(ctx, byImport, folder(t, bundle), store.ImportOptions{})
	took := time.Since(begun)
	if err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	drop(t, cluster, name, func(context.Context) error { s.Close(); return nil })
	return took
}

// drop gives the disk back and lets each measurement begin behind a checkpoint.
func drop(t *testing.T, cluster *localdb.Cluster, name string, end func(context.Context) error) {
	t.Helper()
	ctx := context.Background()
	_ = end(ctx)
	admin := connect(t, cluster.AdminURL("postgres"))
	for _, sql := range []string{`DROP DATABASE ` + name + ` WITH (FORCE)`, `CHECKPOINT`} {
		if _, err := admin.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	_ = admin.Close(ctx)
}
