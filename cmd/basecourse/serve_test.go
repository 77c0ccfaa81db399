package main

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func get(t *testing.T, client *http.Client, url string) (int, string) {
	t.Helper()
	resp, err := client.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// postgresIn lists server processes whose working folder lies below dir.
func postgresIn(t *testing.T, dir string) []string {
	t.Helper()
	links, err := filepath.Glob("/proc/[0-9]*/cwd")
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, l := range links {
		if to, err := os.Readlink(l); err == nil && strings.HasPrefix(to, dir+"/") {
			found = append(found, l)
		}
	}
	return found
}

func TestTheDemoStartsFromNothingAndStopsWhatItStarted(t *testing.T) {
	data := t.TempDir()
	env := []string{"BASECOURSE_DATA=" + data, "DATABASE_URL=postgres://nobody@127.0.0.1:1/none"}
	p := start(t, env, "demo", "--listen", "127.0.0.1:0")
	out := p.waitFor(p.out, "\nadmin ")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	m := regexp.MustCompile(`^ready (http://127\.0\.0\.1:\d+/)$`).FindStringSubmatch(lines[0])
	if len(lines) != 4 || m == nil {
		t.Fatalf("standard output:\n%s\nwant ready, the address, and three lines", out)
	}
	if !strings.Contains(p.errs.String(), "does not use DATABASE_URL") {
		t.Errorf("the demo does not say that it ignores DATABASE_URL:\n%s", p.errs)
	}
	jar, _ := cookiejar.New(nil) // never fails without options
	client := &http.Client{Jar: jar}
	for _, line := range lines[1:] {
		f := strings.Fields(line)
		if len(f) != 3 {
			t.Fatalf("line %q, want ROLE HANDLE PASSWORD", line)
		}
		resp, err := client.PostForm(m[1]+"sign-in", url.Values{"handle": {f[1]}, "password": {f[2]}})
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.Request.URL.Path != "/floor" {
			t.Errorf("signing in as %s leads to %s, want /floor", f[0], resp.Request.URL)
		}
	}
	if code, body := get(t, client, m[1]+"floor"); code != 200 || !strings.Contains(body, "P-001") {
		t.Errorf("the floor: status %d, want the invented printers", code)
	}
	if code, body := get(t, client, m[1]+"setup"); code != 200 || !strings.Contains(body, "60 in service") {
		t.Errorf("Setup: status %d, want 60 printers in service", code)
	}
	if code := p.end(); code != 0 {
		t.Errorf("exit code %d, want 0\n%s", code, p.errs)
	}
	if left := postgresIn(t, data); len(left) > 0 {
		t.Errorf("processes left: %v, want none", left)
	}

	again := start(t, env, "demo", "--listen", "127.0.0.1:0")
	second := again.waitFor(again.out, "\nadmin ")
	if got, want := strings.SplitN(second, "\n", 2)[1], strings.SplitN(out, "\n", 2)[1]; got != want {
		t.Errorf("people of the second start:\n%s\nwant those of the first:\n%s", got, want)
	}
	if strings.Contains(again.errs.String(), "Inventing") {
		t.Error("the second start invented a farm again")
	}
	if code := again.end(); code != 0 {
		t.Errorf("exit code of the second start %d, want 0", code)
	}
}

func TestServeWritesACopyAndAnswersMetricsApart(t *testing.T) {
	data := t.TempDir()
	env := append(inEmpty(t), "BASECOURSE_DATA="+data, "BASECOURSE_METRICS_LISTEN=127.0.0.1:0")
	p := start(t, env, "serve", "--listen", "127.0.0.1:0")
	said := p.waitFor(p.errs, "Serving on ")
	p.waitFor(p.errs, "daily copy is written and read back") // the backup may be quicker
	copies, err := filepath.Glob(filepath.Join(data, "copies", "*.zip"))
	if err != nil || len(copies) != 1 {
		t.Errorf("copies in the data folder: %v, %v, want one", copies, err)
	}
	m := regexp.MustCompile(`Serving on (\S+)`).FindStringSubmatch(said)
	for _, path := range []string{"healthz", "readyz"} {
		if code, _ := get(t, http.DefaultClient, m[1]+path); code != 200 {
			t.Errorf("/%s: status %d, want 200", path, code)
		}
	}
	m = regexp.MustCompile(`Metrics on (\S+)`).FindStringSubmatch(p.errs.String())
	if m == nil {
		t.Fatalf("it does not say where the metrics are:\n%s", p.errs)
	}
	if code, body := get(t, http.DefaultClient, m[1]); code != 200 || !strings.Contains(body, "go_goroutines") {
		t.Errorf("metrics: status %d and\n%.200s", code, body)
	}
	if code := p.end(); code != 0 {
		t.Errorf("exit code %d, want 0\n%s", code, p.errs)
	}
}

func TestATakenAddressIsRefusedAtOnce(t *testing.T) {
	p := start(t, append(inEmpty(t), "BASECOURSE_DATA="+t.TempDir()), "serve", "--listen", "127.0.0.1:0")
	said := p.waitFor(p.errs, "Serving on ")
	taken := regexp.MustCompile(`Serving on http://(\S+)/`).FindStringSubmatch(said)[1]
	r := call(t, nil, "", "demo", "--listen", taken)
	wantCode(t, r, 1)
	if !strings.Contains(r.stderr, "BASECOURSE_LISTEN") || !strings.Contains(r.stderr, taken) {
		t.Errorf("message does not name the setting and the address:\n%s", r.stderr)
	}
	p.end()
}
