//go:build long

package store_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"basecourse/internal/localdb"
	"basecourse/internal/sample"
	"basecourse/internal/store"
)

// TestAuditSpeed seals and verifies a farm of a million first layers, one act, and
// then thousands of single records behind it, on a durable cluster.
// BASECOURSE_SPEED_LAYERS changes the size.
func TestAuditSpeed(t *testing.T) {
	layers := fromEnv("BASECOURSE_SPEED_LAYERS", 1_000_000)
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
	if err := cluster.EnsureDatabase(ctx, "farm"); err != nil {
		t.Fatal(err)
	}
	if err := store.Migrate(ctx, cluster.URL("farm")); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(ctx, cluster.URL("farm"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	timed := func(what string, do func()) time.Duration {
		began := time.Now()
		do()
		t.Logf("%s: %.2f s", what, time.Since(began).Seconds())
		return time.Since(began)
	}
	timed("import", func() {
		if r, err := s.Import(ctx, byImport, folder(t, bundle), store.ImportOptions{}); err != nil || !r.Stored {
			t.Fatalf("%v %s", err, r.Text())
		}
	})
	sealing := timed("seal the import", func() { sealAll(t, s) })
	printer := anyPrinter(t, s)
	const single = 3000
	timed(fmt.Sprintf("record %d one by one", single), func() {
		for i := range single {
			if _, err := send(t, s, fmt.Sprintf(`{"kind":"first_layer","id":"S-%d","printer":"%s","started_at":"%s","grade":"clean","graded_at":"%s"}`, i, printer,
				time.Date(2026, 3, 1, 0, 0, i, 0, time.UTC).Format(time.RFC3339), time.Date(2026, 3, 1, 0, 1, i, 0, time.UTC).Format(time.RFC3339))); err != nil {
				t.Fatal(err)
			}
		}
	})
	singles := timed("seal them", func() { sealAll(t, s) })
	verify := timed("verify all", func() {
		if a, err := s.Verify(ctx, ""); err != nil || a.Broken > 0 || a.Waiting > 0 {
			t.Fatalf("%v %+v", err, a)
		}
	})
	if sealing > time.Minute || verify > 2*time.Minute || singles > single*time.Millisecond {
		t.Error("sealing may take a minute for a million records and a millisecond for one, verifying two minutes")
	}
}

func sealAll(t *testing.T, s *store.Store) {
	t.Helper()
	for {
		n, err := s.Seal(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			return
		}
	}
}
