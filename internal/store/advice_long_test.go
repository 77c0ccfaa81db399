//go:build long

package store_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

// TestBecameSpeed counts what became of layers among a million, a tenth of them
// with marks and a decision. Run by hand:
//
//	go test -tags long -run BecameSpeed -v ./internal/store
func TestBecameSpeed(t *testing.T) {
	ctx := context.Background()
	url := testdb.New(t)
	s, err := store.Open(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	conn := connect(t, url)
	for _, sql := range []string{
		`INSERT INTO printers (printer, bed_x_mm, bed_y_mm) SELECT 'R-' || n, 250, 210 FROM generate_series(1, 1000) n`,
		`INSERT INTO first_layers (id, started_at, noted_at, arrived_at, printer, grade, decision, outcome, marks)
			SELECT gen_random_uuid(), at, at, at, 1 + n % 1000, CASE WHEN n % 10 = 0 THEN 'marginal' ELSE 'clean' END::grade_code,
				(CASE WHEN n % 10 = 0 THEN CASE WHEN n % 30 = 0 THEN 'stopped' ELSE 'let_run' END END)::decision_code,
				(CASE WHEN n % 40 = 0 THEN 'detached' WHEN n % 30 <> 0 THEN 'finished' END)::outcome_code,
				CASE WHEN n % 10 = 0 THEN 'A1:blobs:' || 1 + n % 3 || ' B2:nozzle_high:1 C3:lifting:2' END
			FROM (SELECT n, timestamptz '2026-01-01' + n * interval '5 seconds' AS at FROM generate_series(1, 1000000) n) g`,
		`VACUUM ANALYZE first_layers`,
	} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	var took []time.Duration
	for range 9 {
		begin := time.Now()
		by, all, _, err := s.Became(ctx, time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC))
		took = append(took, time.Since(begin))
		if err != nil || all != store.MostBecame || by["lifting"][1].Stopped == 0 {
			t.Fatalf("%d layers: %v %v", all, by, err)
		}
	}
	slices.Sort(took)
	t.Logf("median %v, fastest %v", took[4], took[0])
	if took[4] > 100*time.Millisecond {
		t.Errorf("median %v, want at most 100 ms", took[4])
	}
}
