//go:build long

package main

import (
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// TestTenTimesTheUsualLoad sends for half a minute ten times what a farm of 200
// tablets sends in its busiest minute (one request a second each), with nobody waiting
// for an answer before the next: what cannot be answered is refused at once with when
// to come back, memory stays below 400 MB, the program is itself again within 5 s,
// and what was answered as recorded is there.
func TestTenTimesTheUsualLoad(t *testing.T) {
	data, bundle := t.TempDir(), t.TempDir()
	writeFiles(t, bundle, map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,250,250\n", "plates.csv": "plate,surface\n"})
	env := []string{"BASECOURSE_DATA=" + data}
	wantCode(t, call(t, env, "", "import", bundle), 0)
	r := call(t, env, "", "token", "add", "gateway", "--role", "operator")
	wantCode(t, r, 0)
	token := strings.TrimSpace(r.stdout)
	p, address := serveOn(t, data)
	client := &http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{MaxIdleConnsPerHost: 2000}}
	ask := func(method, path, body string) (int, http.Header, string) {
		req, err := http.NewRequest(method, address+path, strings.NewReader(body))
		if err != nil {
			return 0, nil, ""
		}
		req.Header.Set("Authorization", "Bearer "+token)
		if body != "" {
			req.Header.Set("Content-Type", "application/json")
		}
		resp, err := client.Do(req)
		if err != nil {
			return 0, nil, ""
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			return 0, nil, ""
		}
		return resp.StatusCode, resp.Header, string(b)
	}
	const rate, lasts = 2000, 30 * time.Second
	var answers [600]atomic.Int64
	var mute atomic.Int64
	var kept sync.Map
	var work sync.WaitGroup
	began := time.Now()
	for i := 0; time.Since(began) < lasts; i++ {
		if d := time.Until(began.Add(time.Duration(i) * time.Second / rate)); d > 0 {
			time.Sleep(d)
		}
		work.Go(func() {
			if i%2 == 0 {
				code, h, _ := ask(http.MethodGet, "api/v1/printers", "")
				answers[code].Add(1)
				if (code == 429 || code == 503) && h.Get("Retry-After") == "" {
					mute.Add(1)
				}
				return
			}
			code, h, body := ask(http.MethodPost, "api/v1/records", string(batch(1, i, 1)))
			answers[code].Add(1)
			switch {
			case code == http.StatusOK && strings.Contains(body, "recorded"):
				kept.Store(i, true)
			case (code == 429 || code == 503) && h.Get("Retry-After") == "":
				mute.Add(1)
			}
		})
	}
	work.Wait()
	ended := time.Now()
	for {
		asked := time.Now()
		code, _, _ := ask(http.MethodGet, "api/v1/printers", "")
		if code == http.StatusOK && time.Since(asked) < 500*time.Millisecond {
			break
		}
		if time.Since(ended) > 5*time.Second {
			t.Errorf("5 s afterwards: %d after %s", code, time.Since(asked))
			break
		}
		time.Sleep(200 * time.Millisecond)
	}
	normal := time.Since(ended)
	mb := mostMemory(t, p.cmd.Process.Pid)
	if mb > 400 {
		t.Errorf("the program used %d MB at most, want 400", mb)
	}
	if n := mute.Load(); n > 0 {
		t.Errorf("%d refusals say nothing about when to come back", n)
	}
	n := 0
	kept.Range(func(i, _ any) bool {
		n++
		if n > 3000 {
			return false
		}
		for code := 0; code != http.StatusOK; {
			var body string
			if code, _, body = ask(http.MethodPost, "api/v1/records", string(batch(1, i.(int), 1))); code == http.StatusOK && !strings.Contains(body, "already_recorded") {
				t.Errorf("w1-%d was recorded; sent again: %s", i, body)
			}
		}
		return true
	})
	said := ""
	for code := range answers {
		if c := answers[code].Load(); c > 0 {
			said += fmt.Sprintf(" %d×%d", code, c)
		}
		if c := answers[code].Load(); c > 0 && code >= 500 && code != 503 {
			t.Errorf("%d answers of status %d", c, code)
		}
	}
	t.Logf("answers by status (0: none):%s; at most %d MB; normal after %s; %d of the acknowledged looked at", said, mb, normal.Round(time.Millisecond), min(n, 3000))
	p.cmd.Process.Signal(syscall.SIGTERM)
	if err := p.cmd.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v\n%s", err, p.errs)
	}
}
