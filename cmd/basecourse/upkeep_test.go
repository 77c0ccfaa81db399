package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// What is due on the sample farm comes out as JSON, CSV and text and over the API,
// of the farm and of one printer, and all say the same.
func TestTheSampleFarmsUpkeepComesOutEveryWay(t *testing.T) {
	db := testdb.New(t)
	env := []string{"DATABASE_URL=" + db}
	wantCode(t, call(t, env, "", "import", filepath.Join("..", "..", "testdata", "sample-farm")), 0)
	const when = "2026-04-06T12:00:00+02:00"
	due := func(args ...string) string {
		t.Helper()
		r := call(t, env, "", append([]string{"upkeep", "--at", when}, args...)...)
		wantCode(t, r, 0)
		if r.stderr != "" {
			t.Errorf("talk: %s", r.stderr)
		}
		return r.stdout
	}
	answer := due("--format", "json")
	var all struct {
		AsOf  string `json:"as_of"`
		Items []json.RawMessage
	}
	if err := json.Unmarshal([]byte(answer), &all); err != nil || all.AsOf != "2026-04-06T10:00:00Z" || len(all.Items) == 0 {
		t.Fatalf("%v: as of %s, %d items", err, all.AsOf, len(all.Items))
	}
	var first struct{ Printer string }
	if err := json.Unmarshal(all.Items[0], &first); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(due("--format", "csv"))).ReadAll()
	if err != nil || len(rows) != len(all.Items)+1 || strings.Join(rows[0], " ") != strings.Join(upkeepFields, " ") || rows[1][3] != first.Printer {
		t.Errorf("%v: CSV has %d rows, want %d, and %s first:\n%v", err, len(rows), len(all.Items)+1, first.Printer, rows)
	}
	if text := due(); strings.Count(text, "\n") != len(all.Items)+3 || !strings.Contains(text, first.Printer) {
		t.Errorf("text:\n%s", text)
	}
	one := due("--format", "json", "--printer", first.Printer)
	if n := strings.Count(one, `"task"`); n == 0 || n != strings.Count(answer, `"printer":"`+first.Printer+`"`) {
		t.Errorf("of %s alone: %s", first.Printer, one)
	}
	wantCode(t, call(t, env, "", "upkeep", "--at", when, "--printer", "nobody"), 1)
	wantCode(t, call(t, env, "", "upkeep", "--at", "yesterday"), 2)

	st, err := store.Open(context.Background(), db)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	site := webtest.Over(t, st, db, func(c *web.Config) { c.Findings = newFindings(st) })
	c := site.WithToken("script", "operator")
	for path, want := range map[string]string{"/api/v1/upkeep?": answer, "/api/v1/upkeep?printer=" + first.Printer + "&": one} {
		if a := c.Get(path + "at=" + url.QueryEscape(when)); a.Status != http.StatusOK || a.Body != want {
			t.Errorf("the API's answer (status %d) is not the command's:\n%.300s\nwant\n%.300s", a.Status, a.Body, want)
		}
	}
	if a := c.Get("/api/v1/upkeep?printer=nobody&at=" + url.QueryEscape(when)); a.Status != http.StatusNotFound {
		t.Errorf("of a printer nobody knows: got %d, want 404", a.Status)
	}
}

func TestNothingDueSaysStart(t *testing.T) {
	var b strings.Builder
	if err := upkeepText(&b, []byte(`{"as_of":"2026-03-02T06:00:00Z","items":[]}`)); err != nil {
		t.Fatal(err)
	}
	if want := "As of 2026-03-02T06:00:00Z nothing is due: start.\n"; b.String() != want {
		t.Errorf("got %q, want %q", b.String(), want)
	}
}
