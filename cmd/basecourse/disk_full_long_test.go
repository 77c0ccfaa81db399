//go:build long

package main

import (
	"io"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"basecourse/internal/testdb"
)

// TestTheDataFoldersDiskIsFull runs the program with its private PostgreSQL, the log of
// what is written, copies and backups on a small disk, fills it under writes, three
// times, and gives the room back. PostgreSQL may end for want of room; the program says
// what is wrong, starts it again, and everything answered as recorded is there, once.
func TestTheDataFoldersDiskIsFull(t *testing.T) {
	disk := testdb.SmallDisk(t, 400)
	data := filepath.Join(disk, "data")
	env := []string{"BASECOURSE_DATA=" + data}
	bundle := t.TempDir()
	writeFiles(t, bundle, map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,250,250\n", "plates.csv": "plate,surface\n"})
	wantCode(t, call(t, env, "", "import", bundle), 0)
	r := call(t, env, "", "token", "add", "gateway", "--role", "operator")
	wantCode(t, r, 0)
	token := strings.TrimSpace(r.stdout)
	p, address := serveOn(t, data)
	get := func(path string) (int, string) {
		resp, err := http.Get(address + path)
		if err != nil {
			t.Fatalf("/%s: %v\n%s", path, err, p.errs)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(b)
	}
	const size = 100
	acknowledged := map[int]bool{} // first number of each batch
	next := 0
	for round := range 3 {
		for end := time.Now().Add(5 * time.Second); len(acknowledged) < 20*(round+1) && time.Now().Before(end); next += size {
			if len(send(address, token, batch(0, next, size))) == size {
				acknowledged[next] = true
			}
		}
		free := testdb.Fill(t, disk)
		refused := 0
		for end := time.Now().Add(60 * time.Second); refused < 3 && time.Now().Before(end); next += size {
			if len(send(address, token, batch(0, next, size))) == size {
				acknowledged[next] = true
				continue
			}
			refused++
			if code, _ := get("healthz"); code != http.StatusOK {
				t.Errorf("round %d: /healthz %d", round, code)
			}
		}
		if refused == 0 {
			t.Fatalf("round %d: nothing was refused, the test shows nothing", round)
		}
		req, err := http.NewRequest(http.MethodPost, address+"api/v1/records", strings.NewReader(string(batch(0, next, 1))))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token)
		req.Header.Set("Content-Type", "application/json")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		said, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusServiceUnavailable || !strings.Contains(string(said), "disk is full") || resp.Header.Get("Retry-After") == "" {
			t.Errorf("round %d: a record without room: %d %s, %v", round, resp.StatusCode, said, err)
		}
		if code, said := get("readyz"); code != http.StatusServiceUnavailable || !strings.Contains(said, "disk is full") {
			t.Errorf("round %d: /readyz without room: %d %s", round, code, said)
		}
		t.Logf("round %d: %d batches acknowledged; a page without room: %s", round, len(acknowledged), wordsOf(t, address))
		backup := filepath.Join(disk, "by-hand.backup")
		if r := call(t, env, "", "backup", backup); r.code == 0 {
			t.Errorf("round %d: a backup goes in where there is no room", round)
		}
		if left, _ := filepath.Glob(backup + "*"); len(left) > 0 {
			t.Errorf("round %d: left of a backup: %v", round, left)
		}
		free()
		began := time.Now()
		for code := 0; code != http.StatusOK; time.Sleep(50 * time.Millisecond) {
			if code, _ = get("readyz"); time.Since(began) > time.Minute {
				t.Fatalf("round %d: not ready a minute after there is room\n%s", round, p.errs)
			}
		}
		t.Logf("round %d: ready %s after there is room", round, time.Since(began).Round(time.Millisecond))
		for n := range acknowledged {
			if results := send(address, token, batch(0, n, size)); strings.Join(results, " ") != strings.TrimSpace(strings.Repeat("already_recorded ", size)) {
				t.Errorf("round %d: w0-%d and on were recorded, sent again they are %.200v", round, n, results)
			}
		}
	}
	if out, err := exec.Command("ls", filepath.Join(data, "copies"), filepath.Join(data, "backups")).CombinedOutput(); err == nil {
		for _, name := range strings.Fields(string(out)) {
			if strings.HasSuffix(name, ".backup") {
				wantCode(t, call(t, []string{"DATABASE_URL=" + testdb.NewEmpty(t)}, "", "restore", filepath.Join(data, "backups", name)), 0)
			}
		}
	}
	p.cmd.Process.Signal(syscall.SIGTERM)
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v\n%s", err, p.errs)
	}
	if left := postgresIn(t, data); len(left) > 0 {
		t.Errorf("PostgreSQL is left: %v", left)
	}
}

// wordsOf is what the page for signing in says.
func wordsOf(t *testing.T, address string) string {
	t.Helper()
	resp, err := http.Get(address + "sign-in")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	_, main, _ := strings.Cut(string(b), `<main id="main"`)
	if strings.Contains(main, "disk is full") {
		return "says that the disk is full"
	}
	return resp.Status
}
