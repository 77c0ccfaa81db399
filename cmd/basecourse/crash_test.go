package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"basecourse/internal/testdb"
)

// asProgram makes the test binary play the program, so that it can be killed.
const asProgram = "BASECOURSE_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		os.Unsetenv(asProgram)
		main()
	}
	// Private clusters of the tests: t.TempDir follows TMPDIR.
	os.Setenv("TMPDIR", testdb.MemoryDisk())
	os.Exit(m.Run())
}

// process is the program in a process of its own.
type process struct {
	cmd  *exec.Cmd
	errs *stream
}

// startProcess starts it over a data folder with a database of its own, startIn where
// and as the environment says.
func startProcess(t *testing.T, data string, args ...string) *process {
	t.Helper()
	return startIn(t, []string{"BASECOURSE_DATA=" + data, "DATABASE_URL="}, args...)
}

func startIn(t *testing.T, env []string, args ...string) *process {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	p := &process{cmd: exec.Command(self, args...), errs: &stream{}}
	p.cmd.Env = append(append(os.Environ(), asProgram+"=1"), env...)
	p.cmd.Stderr = p.errs
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.cmd.Process.Kill(); p.cmd.Wait() })
	return p
}

// serveOn starts the program's server and gives its address.
func serveOn(t *testing.T, data string) (*process, string) {
	t.Helper()
	return served(t, startProcess(t, data, "serve", "--listen", "127.0.0.1:0"))
}

// serveIn does so where and as the environment says.
func serveIn(t *testing.T, env ...string) (*process, string) {
	t.Helper()
	return served(t, startIn(t, env, "serve", "--listen", "127.0.0.1:0"))
}

func served(t *testing.T, p *process) (*process, string) {
	t.Helper()
	for end := time.Now().Add(60 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if _, rest, ok := strings.Cut(p.errs.String(), "Serving on "); ok {
			if address, _, ok := strings.Cut(rest, "\n"); ok {
				return p, address
			}
		}
	}
	t.Fatalf("the server does not start:\n%s", p.errs)
	return nil, ""
}

// batch is the body of POST /api/v1/records with n first layers of sender w.
func batch(w, from, n int) []byte {
	type record struct {
		Kind      string `json:"kind"`
		ID        string `json:"id"`
		Printer   string `json:"printer"`
		StartedAt string `json:"started_at"`
		Grade     string `json:"grade"`
	}
	var body struct {
		Records []record `json:"records"`
	}
	for i := from; i < from+n; i++ {
		at := time.Date(2026, 1, 1, 0, 0, i, 0, time.UTC).Format(time.RFC3339)
		body.Records = append(body.Records, record{"first_layer", fmt.Sprintf("w%d-%d", w, i), "P-1", at, "clean"})
	}
	b, err := json.Marshal(body)
	if err != nil {
		panic(err) // strings and numbers always marshal
	}
	return b
}

// send posts a batch and gives the results, nil when there was no answer.
func send(address, token string, body []byte) []string {
	req, err := http.NewRequest(http.MethodPost, address+"api/v1/records", bytes.NewReader(body))
	if err != nil {
		return nil
	}
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/json")
	client := http.Client{Timeout: 20 * time.Second}
	resp, err := client.Do(req)
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	var answer struct {
		Results []struct{ Result string }
	}
	if b, err := io.ReadAll(resp.Body); err != nil || resp.StatusCode != http.StatusOK || json.Unmarshal(b, &answer) != nil {
		return nil
	}
	var results []string
	for _, r := range answer.Results {
		results = append(results, r.Result)
	}
	return results
}

// crashRounds writes over the API, kills the program, its PostgreSQL, or both,
// and checks that everything answered as recorded is there, once.
func crashRounds(t *testing.T, rounds int) {
	data, bundle := t.TempDir(), t.TempDir()
	writeFiles(t, bundle, map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,250,250\n", "plates.csv": "plate,surface\n"})
	env := []string{"BASECOURSE_DATA=" + data}
	wantCode(t, call(t, env, "", "import", bundle), 0)
	r := call(t, env, "", "token", "add", "camera", "--role", "operator")
	wantCode(t, r, 0)
	token := strings.TrimSpace(r.stdout)

	const senders, size = 2, 10
	next := [senders]int{} // first number not yet answered for
	for round := range rounds {
		p, address := serveOn(t, data)
		acknowledged := [senders]int{}
		stop, first := make(chan struct{}), make(chan struct{})
		var work sync.WaitGroup
		var once sync.Once
		for w := range senders {
			work.Go(func() {
				for n := next[w]; ; n += size {
					select {
					case <-stop:
						return
					default:
					}
					for _, result := range send(address, token, batch(w, n, size)) {
						if result != "recorded" && result != "already_recorded" {
							return // in the middle of the kill
						}
						acknowledged[w]++
					}
					if acknowledged[w] != n-next[w]+size {
						return // no answer: nothing is promised
					}
					once.Do(func() { close(first) })
				}
			})
		}
		select {
		case <-first:
		case <-time.After(30 * time.Second):
			t.Fatalf("round %d: nothing is recorded in 30 s\n%s", round, p.errs)
		}
		time.Sleep(time.Duration(round*61%200) * time.Millisecond)
		what := []string{"the program", "PostgreSQL", "both"}[round%3]
		if what != "the program" {
			b, err := os.ReadFile(filepath.Join(data, "postgres", "data", "postmaster.pid"))
			if err != nil {
				t.Fatal(err)
			}
			pid, err := strconv.Atoi(strings.SplitN(string(b), "\n", 2)[0])
			if err != nil {
				t.Fatal(err)
			}
			syscall.Kill(pid, syscall.SIGKILL)
		}
		if what != "PostgreSQL" {
			p.cmd.Process.Kill()
			p.cmd.Wait()
		}
		close(stop)
		work.Wait()
		if what == "PostgreSQL" {
			// The program starts it again and answers as before.
			for end := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
				if resp, err := http.Get(address + "readyz"); err == nil {
					resp.Body.Close()
					if resp.StatusCode == http.StatusOK {
						break
					}
				}
				if time.Now().After(end) {
					t.Fatalf("round %d: not ready 20 s after kill -9 of PostgreSQL\n%s", round, p.errs)
				}
			}
		} else {
			p, address = serveOn(t, data)
		}
		for w := range senders {
			for n := next[w]; n < next[w]+acknowledged[w]; n += size {
				results := send(address, token, batch(w, n, size))
				// Ready may have been said by the last of the killed server's processes.
				for end := time.Now().Add(10 * time.Second); len(results) != size && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
					results = send(address, token, batch(w, n, size))
				}
				for i, result := range results {
					if result != "already_recorded" {
						t.Errorf("round %d, kill -9 of %s: w%d-%d was recorded, sent again it is %q", round, what, w, n+i, result)
					}
				}
				if len(results) != size {
					t.Errorf("round %d, kill -9 of %s: no answer afterwards\n%s", round, what, p.errs)
				}
			}
			next[w] += acknowledged[w] + size // what was in flight may be there or not
		}
		// In good order, and joined commands see the farm meanwhile.
		wantCode(t, call(t, env, "", "export", filepath.Join(t.TempDir(), "out")), 0)
		p.cmd.Process.Signal(syscall.SIGTERM)
		if err := p.cmd.Wait(); err != nil {
			t.Errorf("round %d: after SIGTERM the program ends with %v\n%s", round, err, p.errs)
		}
		if left := postgresIn(t, data); len(left) > 0 {
			t.Errorf("round %d: PostgreSQL is left: %v", round, left)
		}
	}
}

func TestWhatWasAnsweredAsRecordedSurvivesKill9(t *testing.T) { crashRounds(t, 3) }
