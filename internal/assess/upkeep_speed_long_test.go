//go:build long

package assess_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/localdb"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"

	"github.com/jackc/pgx/v5"
)

// TestDueSpeed times what is due on the farm that PagesAtScale keeps (1,000 printers,
// 1,000,000 first layers): BASECOURSE_SCALE_HOME is its folder. Times are for a machine
// with nothing else to do.
func TestDueSpeed(t *testing.T) {
	home := os.Getenv("BASECOURSE_SCALE_HOME")
	if home == "" {
		t.Log("run PagesAtScale with BASECOURSE_SCALE_HOME=DIR, then this with the same")
		return
	}
	ctx := context.Background()
	cluster, err := localdb.Open(ctx, localdb.Options{Dir: filepath.Join(home, "db"), NoFetch: true})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cluster.Close(ctx) }()
	s, err := store.Open(ctx, cluster.URL("farm"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	timeDue(t, s)
}

// TestDueGrowth times the same as farms grow: ten times the printers with as many first
// layers each, and ten times the first layers of each printer.
func TestDueGrowth(t *testing.T) {
	for _, size := range []struct{ printers, layers int }{{1_000, 100_000}, {10_000, 1_000_000}, {100, 100_000}, {100, 1_000_000}} {
		t.Run(fmt.Sprintf("%d printers, %d first layers", size.printers, size.layers), func(t *testing.T) {
			ctx, url := context.Background(), testdb.New(t)
			s, err := store.Open(ctx, url)
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			s.SetClock(func() time.Time { return time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC) })
			report, err := s.ImportFarm(ctx, byImport, simfarm.Run(simfarm.Large(size.printers, size.layers), 1).Bundle(), store.ImportOptions{})
			if err != nil || !report.Stored {
				t.Fatalf("%v\n%s", err, report.Text())
			}
			conn, err := pgx.Connect(ctx, url)
			if err == nil {
				_, err = conn.Exec(ctx, `VACUUM ANALYZE`) // as the server does by itself in the first minutes
			}
			if err != nil {
				t.Fatal(err)
			}
			_ = conn.Close(ctx)
			timeDue(t, s)
		})
	}
}

// timeDue holds the list to a second and one printer's answer to ten milliseconds.
func timeDue(t *testing.T, s *store.Store) {
	ctx := context.Background()
	frame, err := s.Frame(ctx, time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC))
	if err != nil {
		t.Fatal(err)
	}
	now := frame.LatestStart.Add(7 * time.Minute)
	s.SetClock(func() time.Time { return now })
	a := assess.New(s)
	begun := time.Now()
	due := dueOf(t, a, assess.AsOf{At: now}, "")
	t.Logf("%d tasks are due; the first list, with the farm read and learned from: %.1f s", len(due.Items), time.Since(begun).Seconds())
	for _, x := range []struct {
		name string
		n    int
		most time.Duration
		tag  func(i int) string
	}{
		{"the list of all printers", 9, time.Second, func(int) string { return "" }},
		{"one printer's answer", 2000, 10 * time.Millisecond, func(i int) string { return due.Items[i*7%len(due.Items)].Printer }},
	} {
		var took []time.Duration
		for i := range x.n {
			begun := time.Now()
			dueOf(t, a, assess.AsOf{At: now}, x.tag(i))
			took = append(took, time.Since(begun))
		}
		slices.Sort(took)
		t.Logf("%s: median %v, fastest %v", x.name, took[len(took)/2], took[0])
		if took[len(took)/2] > x.most {
			t.Errorf("%s takes %v at the median, want at most %v", x.name, took[len(took)/2], x.most)
		}
	}
}
