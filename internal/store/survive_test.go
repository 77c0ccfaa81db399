package store_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"
	"basecourse/internal/localdb"
	"basecourse/internal/store"
)

// writeInHelper records cleanings without end on a private cluster of its own
// and prints each id once it is acknowledged.
func writeInHelper(dir, round string) {
	ctx := context.Background()
	fail := func(err error) {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	cluster, err := localdb.Open(ctx, localdb.Options{Dir: dir, NoFetch: true})
	if err != nil {
		fail(err)
	}
	s, err := store.Open(ctx, cluster.URL("farm"))
	if err != nil {
		fail(err)
	}
	fmt.Println("ready")
	for i := 0; ; i++ {
		id := fmt.Sprintf("C-%s-%d", round, i)
		item := intake.ParseRecord(fmt.Appendf(nil, `{"kind":"cleaning","id":%q,"plate":"T-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}`, id), "", clock)
		if _, err := s.Record(ctx, byAPI, item); err == nil {
			fmt.Println(id)
		}
	}
}

// What was acknowledged is there after kill -9 of the program, of PostgreSQL,
// and of both, and it is there once.
func TestAcknowledgedRecordsSurviveKills(t *testing.T) {
	ctx := context.Background()
	home, err := os.MkdirTemp("", "basecourse-kill-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(home) })
	dir := filepath.Join(home, "db")
	withCluster := func(do func(url string)) {
		t.Helper()
		cluster, err := localdb.Open(ctx, localdb.Options{Dir: dir, NoFetch: true})
		if err != nil {
			t.Fatal(err)
		}
		if err := cluster.EnsureDatabase(ctx, "farm"); err != nil {
			t.Fatal(err)
		}
		do(cluster.URL("farm"))
		if err := cluster.Close(ctx); err != nil {
			t.Fatal(err)
		}
	}
	withCluster(func(url string) {
		if err := store.Migrate(ctx, url); err != nil {
			t.Fatal(err)
		}
		s, err := store.Open(ctx, url)
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		mustImport(t, s, small())
	})
	random := rand.New(rand.NewPCG(7, 7))
	acknowledged := map[string]bool{}
	for round := range killRounds {
		cmd := helper(t, fmt.Sprintf("BASECOURSE_TEST_WRITE=%s %d", dir, round))
		for _, id := range killWhileWriting(t, cmd, dir, round%3, time.Duration(50+random.IntN(400))*time.Millisecond) {
			acknowledged[id] = true
		}
		withCluster(func(url string) {
			s, err := store.Open(ctx, url)
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			for id := range acknowledged {
				key, _ := farm.NewID(farm.KindCleaning, id)
				if _, err := s.Event(ctx, farm.KindCleaning, key); err != nil {
					t.Errorf("round %d: acknowledged %s: %v", round, id, err)
				}
			}
			conn := connect(t, url)
			if twice := one[int](t, conn, `SELECT count(*)::int FROM (SELECT id FROM cleanings GROUP BY id HAVING count(*) > 1) AS d`); twice != 0 {
				t.Errorf("round %d: %d records stand twice", round, twice)
			}
			if a, b := one[int](t, conn, `SELECT count(*)::int FROM cleanings`), one[int](t, conn, `SELECT count(*)::int FROM records`); a != b {
				t.Errorf("round %d: %d cleanings and %d ids", round, a, b)
			}
			_ = conn.Close(ctx)
		})
	}
	if len(acknowledged) == 0 {
		t.Error("nothing was acknowledged before the kills")
	}
	t.Logf("%d acknowledged records over %d kills", len(acknowledged), killRounds)
}

// killWhileWriting runs the helper, kills it (0), PostgreSQL (1) or both (2)
// after a while, and gives the ids it printed.
func killWhileWriting(t *testing.T, cmd *exec.Cmd, dir string, which int, after time.Duration) (ids []string) {
	t.Helper()
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	if !lines.Scan() || lines.Text() != "ready" {
		t.Fatalf("the writer did not start: %q", lines.Text())
	}
	killer := time.AfterFunc(after, func() {
		if which > 0 {
			if pid := postmaster(dir); pid > 0 {
				_ = syscall.Kill(pid, syscall.SIGKILL)
			}
		}
		if which == 1 {
			time.Sleep(100 * time.Millisecond) // what it still says must be true as well
		}
		_ = cmd.Process.Kill()
	})
	defer killer.Stop()
	for lines.Scan() {
		ids = append(ids, lines.Text())
	}
	_ = cmd.Wait()
	return ids
}

// postmaster reads the server's process id from its lock file.
func postmaster(dir string) int {
	pid := 0
	_ = filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && d.Name() == "postmaster.pid" {
			text, _ := os.ReadFile(path)
			first, _, _ := strings.Cut(string(text), "\n")
			pid, _ = strconv.Atoi(strings.TrimSpace(first))
			return filepath.SkipAll
		}
		return nil
	})
	return pid
}
