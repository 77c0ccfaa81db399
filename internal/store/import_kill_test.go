package store_test

import (
	"context"
	"fmt"
	"os"
	"testing"
	"time"

	"basecourse/internal/intake"
	"basecourse/internal/sample"
	"basecourse/internal/store"
	"basecourse/internal/testdb"

	"github.com/jackc/pgx/v5"
)

func importInHelper(url, dir string) {
	ctx := context.Background()
	s, err := store.Open(ctx, url)
	if err == nil {
		var src intake.Source
		if src, err = intake.Folder(dir); err == nil {
			_, err = s.Import(ctx, byImport, src, store.ImportOptions{})
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

func TestAKilledImportLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	if err := sample.Write(dir, sample.Size{FirstLayers: 20_000, Printers: 20, Plates: 40, Seed: 3}); err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	if out, err := helper(t, "BASECOURSE_TEST_IMPORT="+testdb.New(t)+" "+dir).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	whole := time.Since(begun)
	for i := range killRounds {
		url := testdb.New(t)
		conn := connect(t, url)
		cmd := helper(t, "BASECOURSE_TEST_IMPORT="+url+" "+dir)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(whole * time.Duration(i+1) / time.Duration(killRounds+2))
		_ = cmd.Process.Kill()
		if cmd.Wait() == nil {
			continue // it was done already
		}
		waitForBackends(t, conn)
		// Killed just after COMMIT was sent it may be in whole; never in part.
		if one[int](t, conn, `SELECT count(*)::int FROM first_layers`) != 20_000 {
			for _, table := range []string{"printers", "plates", "people", "records", "first_layers", "probes", "cleanings", "acts", "changes"} {
				if n := one[int](t, conn, `SELECT count(*)::int FROM `+table); n != 0 {
					t.Errorf("round %d: %d rows in %s after a killed import", i, n, table)
				}
			}
		}
		if i > 0 {
			continue
		}
		// And the next one goes in whole.
		if out, err := helper(t, "BASECOURSE_TEST_IMPORT="+url+" "+dir).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		if n := one[int](t, conn, `SELECT count(*)::int FROM first_layers`); n != 20_000 {
			t.Errorf("got %d first layers, want 20000", n)
		}
	}
}

// waitForBackends waits until the killed process's session has ended too.
func waitForBackends(t *testing.T, conn *pgx.Conn) {
	t.Helper()
	for range 600 {
		if one[int](t, conn, `SELECT count(*)::int FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid() AND backend_type = 'client backend'`) == 0 {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatal("the killed process's session does not end")
}
