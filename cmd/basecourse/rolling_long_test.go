//go:build long

package main

import (
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"basecourse/internal/testdb"
	"basecourse/migrations"
)

// beforeNewest is the last commit whose schema is the one before migration 34, the
// first that came after programs could run side by side.
const beforeNewest = "68b77995d75600f90781dcdaea4bb533c96e2d5d"

// builtAt builds the program of a commit.
func builtAt(t *testing.T, commit string) string {
	t.Helper()
	if out, err := exec.Command("git", "cat-file", "-e", commit+"^{commit}").CombinedOutput(); err != nil {
		t.Skipf("the history is not here, so that the program of %.7s cannot be built: %v %s", commit, err, out)
	}
	dir := t.TempDir()
	tree, program := filepath.Join(dir, "tree"), filepath.Join(dir, "basecourse")
	if out, err := exec.Command("git", "worktree", "add", "-q", "--detach", tree, commit).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	t.Cleanup(func() {
		if out, err := exec.Command("git", "worktree", "remove", "--force", tree).CombinedOutput(); err != nil {
			t.Errorf("%v: %s", err, out)
		}
	})
	build := exec.Command("go", "build", "-o", program, "./cmd/basecourse")
	build.Dir = tree
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("building the program of %.7s: %v\n%s", commit, err, out)
	}
	return program
}

// envOf is the environment of a program over a database; only this test's own
// executable is told to be the program.
func envOf(program, url, data string) []string {
	env := append(os.Environ(), "DATABASE_URL="+url, "BASECOURSE_DATA="+data)
	if self, err := os.Executable(); err == nil && self == program {
		env = append(env, asProgram+"=1")
	}
	return env
}

// serving starts a program's server over a database and gives its address.
func serving(t *testing.T, program, data, url string) (p *process, address string) {
	t.Helper()
	p = &process{cmd: exec.Command(program, "serve", "--listen", "127.0.0.1:0"), errs: &stream{}}
	p.cmd.Env = envOf(program, url, data)
	p.cmd.Stderr = p.errs
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.cmd.Process.Kill(); p.cmd.Wait() })
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if _, rest, ok := strings.Cut(p.errs.String(), "Serving on "); ok {
			if address, _, ok := strings.Cut(rest, "\n"); ok {
				return p, address
			}
		}
	}
	t.Fatalf("%s does not start:\n%s", program, p.errs)
	return nil, ""
}

// TestTheProgramBeforeRunsBesideThisOne builds the last program before the newest
// schema and runs it beside this one on one database while that is upgraded under it:
// both record, each finds what the other recorded, both stay ready, the older one may
// be started again, and the trail holds.
func TestTheProgramBeforeRunsBesideThisOne(t *testing.T) {
	old := builtAt(t, beforeNewest)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	url := testdb.NewEmpty(t)
	env := []string{"DATABASE_URL=" + url}
	do := func(program string, stdin string, args ...string) string {
		t.Helper()
		cmd := exec.Command(program, args...)
		cmd.Env = envOf(program, url, t.TempDir())
		cmd.Stdin = strings.NewReader(stdin)
		var errs strings.Builder
		cmd.Stderr = &errs
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s %s: %v\n%s", program, strings.Join(args, " "), err, &errs)
		}
		return strings.TrimSpace(string(out))
	}
	do(old, "", "migrate")
	things := t.TempDir()
	writeFiles(t, things, map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,250,250\n", "plates.csv": "plate,surface\nL-1,glass\n"})
	do(old, "", "import", things)
	token := do(old, "", "token", "add", "gateway", "--role", "manager")
	before, atOld := serving(t, old, t.TempDir(), url)
	const size = 10
	next := 0
	both := func(what string, addresses ...string) {
		t.Helper()
		for i, a := range addresses {
			for j, b := range addresses {
				body := batch(i*10+j, next, size)
				for k, want := range []string{"recorded", "already_recorded"} {
					to := []string{a, b}[k]
					results := send(to, token, body)
					if strings.Join(results, " ") != strings.TrimSpace(strings.Repeat(want+" ", size)) {
						t.Errorf("%s: server %d records, server %d is asked: %v, want %s", what, i, j, results, want)
					}
				}
			}
			for _, path := range []string{"readyz", "api/v1/printers", "api/v1/upkeep", "api/v1/findings"} {
				req, err := http.NewRequest(http.MethodGet, a+path, nil)
				if err != nil {
					t.Fatal(err)
				}
				req.Header.Set("Authorization", "Bearer "+token)
				resp, err := http.DefaultClient.Do(req)
				if err != nil {
					t.Fatal(err)
				}
				resp.Body.Close()
				if resp.StatusCode != http.StatusOK {
					t.Errorf("%s: /%s of server %d: status %d", what, path, i, resp.StatusCode)
				}
			}
		}
		next += size
	}
	both("before", atOld)
	after, atNew := serving(t, self, t.TempDir(), url)
	both("upgraded under it", atOld, atNew)
	before.cmd.Process.Signal(syscall.SIGTERM)
	if err := before.cmd.Wait(); err != nil {
		t.Errorf("the older program ends with %v\n%s", err, before.errs)
	}
	again, atOld := serving(t, old, t.TempDir(), url)
	both("the older one started again", atOld, atNew)
	for _, p := range []*process{again, after} {
		p.cmd.Process.Signal(syscall.SIGTERM)
		if err := p.cmd.Wait(); err != nil {
			t.Errorf("after SIGTERM: %v\n%s", err, p.errs)
		}
	}
	out := filepath.Join(t.TempDir(), "out")
	wantCode(t, call(t, env, "", "export", out), 0)
	layers, err := os.ReadFile(filepath.Join(out, "first_layers.csv"))
	if err != nil {
		t.Fatal(err)
	}
	// One server, twice two.
	if n, want := strings.Count(string(layers), "\nw"), size*(1+4+4); n != want {
		t.Errorf("%d first layers are exported, want %d", n, want)
	}
	wantCode(t, call(t, env, "", "audit", "verify"), 0)
	t.Logf("the program of %.7s beside that of schema %d: %s", beforeNewest, migrations.Latest, fmt.Sprint(next/size, " rounds"))
}
