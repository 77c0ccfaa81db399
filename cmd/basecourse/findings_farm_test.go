package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// The sample farm goes in with one command; its findings come out as JSON, CSV
// and text, over the API and on pages, and all say the same.
func TestTheSampleFarmsFindingsComeOutEveryWay(t *testing.T) {
	db := testdb.New(t)
	env := []string{"DATABASE_URL=" + db}
	wantCode(t, call(t, env, "", "import", filepath.Join("..", "..", "testdata", "sample-farm")), 0)
	const when = "2026-04-06T12:00:00+02:00"
	findings := func(args ...string) string {
		t.Helper()
		r := call(t, env, "", append([]string{"findings", "--at", when}, args...)...)
		wantCode(t, r, 0)
		if r.stderr != "" {
			t.Errorf("talk: %s", r.stderr)
		}
		return r.stdout
	}
	answer := findings("--format", "json")
	var all struct {
		AsOf     string `json:"as_of"`
		Findings []map[string]any
	}
	if err := json.Unmarshal([]byte(answer), &all); err != nil || all.AsOf != "2026-04-06T10:00:00Z" || len(all.Findings) != 96 {
		t.Fatalf("%v: as of %s, %d findings, want 2026-04-06T10:00:00Z and 96", err, all.AsOf, len(all.Findings))
	}
	rows, err := csv.NewReader(strings.NewReader(findings("--format", "csv"))).ReadAll()
	if err != nil || len(rows) != 97 {
		t.Fatalf("%v: %d rows, want 97", err, len(rows))
	}
	raised, text := 0, findings()
	for i, f := range all.Findings {
		for c, name := range rows[0] {
			want := ""
			if f[name] != nil {
				want = strings.TrimSuffix(fmt.Sprint(f[name]), "\n")
			}
			if n, ok := f[name].(float64); ok {
				var got float64
				if _, err := fmt.Sscan(rows[i+1][c], &got); err != nil || got != n {
					t.Errorf("row %d, %s: got %s, want %g", i+1, name, rows[i+1][c], n)
				}
				continue
			}
			if rows[i+1][c] != want {
				t.Errorf("row %d, %s: got %q, want %q", i+1, name, rows[i+1][c], want)
			}
		}
		if f["state"] == "raised" {
			raised++
			if !strings.Contains(text, f["summary"].(string)) {
				t.Errorf("the text does not say %q", f["summary"])
			}
		}
	}
	if raised == 0 {
		t.Error("nothing is raised")
	}

	st, err := store.Open(context.Background(), db)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	site := webtest.Over(t, st, db, func(c *web.Config) { c.Findings = newFindings(st) })
	a := site.WithToken("script", "operator").Get("/api/v1/findings?at=" + url.QueryEscape(when))
	if a.Status != http.StatusOK || a.Body != answer {
		t.Errorf("the API's answer (status %d) is not the command's:\n%.300s\nwant\n%.300s", a.Status, a.Body, answer)
	}
	manager := site.As("mia", "manager")
	manager.Page("/findings")
	for _, f := range all.Findings[:3] {
		manager.Page(fmt.Sprintf("/findings/%s/%s/%s", f["subject_kind"], f["subject"], f["cause"]))
	}
}

// A process of its own, in another zone and on one core, prints the same bytes.
func TestAnswersDependOnNoProcess(t *testing.T) {
	db := testdb.New(t)
	wantCode(t, call(t, []string{"DATABASE_URL=" + db}, "", "import", filepath.Join("..", "..", "testdata", "sample-farm")), 0)
	program := filepath.Join(t.TempDir(), "basecourse")
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	first := map[string]string{}
	for _, env := range [][]string{{"TZ=UTC", "GOMAXPROCS=2"}, {"TZ=Pacific/Auckland", "GOMAXPROCS=1"}, {"TZ=America/New_York", "GOMAXPROCS=2", "LC_ALL=de_DE.UTF-8"}} {
		for _, answer := range []string{"findings", "risk", "plan", "upkeep"} {
			cmd := exec.Command(program, answer, "--format", "json", "--at", "2026-03-29T06:00:00Z", "--known-at", "2100-01-01T00:00:00Z")
			cmd.Env = append(append(os.Environ(), "DATABASE_URL="+db), env...)
			out, err := cmd.Output()
			if err != nil {
				t.Fatal(err)
			}
			if first[answer] == "" {
				first[answer] = string(out)
			}
			if string(out) != first[answer] {
				t.Errorf("with %v %s differs", env, answer)
			}
		}
	}
}

// The sample farm's risks come out as JSON, CSV and text and over the API, and all
// say the same.
func TestTheSampleFarmsRisksComeOutEveryWay(t *testing.T) {
	db := testdb.New(t)
	env := []string{"DATABASE_URL=" + db}
	wantCode(t, call(t, env, "", "import", filepath.Join("..", "..", "testdata", "sample-farm")), 0)
	const when = "2026-04-06T12:00:00+02:00"
	risk := func(args ...string) string {
		t.Helper()
		r := call(t, env, "", append([]string{"risk", "--at", when}, args...)...)
		wantCode(t, r, 0)
		if r.stderr != "" {
			t.Errorf("talk: %s", r.stderr)
		}
		return r.stdout
	}
	answer := risk("--format", "json")
	var all struct {
		AsOf  string `json:"as_of"`
		Items []map[string]any
	}
	if err := json.Unmarshal([]byte(answer), &all); err != nil || all.AsOf != "2026-04-06T10:00:00Z" || len(all.Items) < 24 {
		t.Fatalf("%v: as of %s, %d items, want 2026-04-06T10:00:00Z and at least one for each of 24 printers", err, all.AsOf, len(all.Items))
	}
	rows, err := csv.NewReader(strings.NewReader(risk("--format", "csv"))).ReadAll()
	if err != nil || len(rows) != len(all.Items)+1 || len(rows[0]) != len(all.Items[0]) {
		t.Fatalf("%v: %d rows, want %d", err, len(rows), len(all.Items)+1)
	}
	for i, x := range all.Items {
		for c, name := range rows[0] {
			want := ""
			switch v := x[name].(type) {
			case string:
				want = v
			case float64:
				var got float64
				if _, err := fmt.Sscan(rows[i+1][c], &got); err != nil || got != v {
					t.Errorf("row %d, %s: got %s, want %g", i+1, name, rows[i+1][c], v)
				}
				continue
			}
			if rows[i+1][c] != want {
				t.Errorf("row %d, %s: got %q, want %q", i+1, name, rows[i+1][c], want)
			}
		}
	}
	if text := risk(); strings.Count(text, "\n") != len(all.Items)+3 || !strings.Contains(text, "After probing") {
		t.Errorf("text:\n%s", text)
	}
	r := call(t, env, "", "risk", "--at", "yesterday")
	wantCode(t, r, 2)

	st, err := store.Open(context.Background(), db)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	site := webtest.Over(t, st, db, func(c *web.Config) { c.Findings = newFindings(st) })
	a := site.WithToken("script", "operator").Get("/api/v1/risk?at=" + url.QueryEscape(when))
	if a.Status != http.StatusOK || a.Body != answer {
		t.Errorf("the API's answer (status %d) is not the command's:\n%.300s\nwant\n%.300s", a.Status, a.Body, answer)
	}

	plan := call(t, env, "", "plan", "--at", when, "--format", "json")
	wantCode(t, plan, 0)
	if a := site.WithToken("planner", "operator").Get("/api/v1/plan?at=" + url.QueryEscape(when)); a.Status != http.StatusOK || a.Body != plan.stdout {
		t.Errorf("the API's plan (status %d) is not the command's:\n%.300s\nwant\n%.300s", a.Status, a.Body, plan.stdout)
	}
	for _, format := range []string{"text", "csv"} {
		wantCode(t, call(t, env, "", "plan", "--at", when, "--format", format), 0)
	}
	wantCode(t, call(t, env, "", "plan", "--confidence", "1"), 2)
}
