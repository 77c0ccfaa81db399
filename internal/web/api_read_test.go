package web_test

import (
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

type page struct {
	Items []map[string]any
	Next  *string
}

func read(t *testing.T, c *webtest.Client, path string) page {
	t.Helper()
	a := c.Get(path)
	if a.Status != 200 || a.Header.Get("Content-Type") != "application/json" {
		t.Fatalf("GET %s: got status %d, %q: %s", path, a.Status, a.Header.Get("Content-Type"), a.Body)
	}
	var p page
	if err := json.Unmarshal([]byte(a.Body), &p); err != nil {
		t.Fatalf("GET %s: %v", path, err)
	}
	return p
}

func TestListsComeInPagesWithoutGapsOrRepeats(t *testing.T) {
	site := webtest.New(t)
	b := little()
	begin := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	for i := range 25 {
		id, err := farm.NewID(farm.KindFirstLayer, fmt.Sprintf("F-%02d", i))
		if err != nil {
			t.Fatal(err)
		}
		f := farm.FirstLayer{ID: id, Printer: []string{"P-1", "P-2"}[i%2], Plate: "L-1", StartedAt: begin.Add(time.Duration(i/5) * time.Hour), // five at one instant
			NozzleMM: farm.Unknown(), LayerHeightMM: farm.Unknown(), LineWidthMM: farm.Unknown(), LinePitchMM: farm.Unknown(), NudgeMM: farm.Unknown(), LookChance: farm.Unknown()}
		b.FirstLayers = append(b.FirstLayers, f)
	}
	b.Printers = nil
	for i := range 12 {
		p := little().Printers[0]
		p.Tag = fmt.Sprintf("P-%d", i+1)
		b.Printers = append(b.Printers, p)
	}
	stored(t, site, b)
	c := site.WithToken("gateway", "operator")
	for _, x := range []struct {
		path, key string
		want      int
	}{
		{"/api/v1/first-layers?limit=4", "ref", 25}, {"/api/v1/first-layers?limit=500", "ref", 25}, {"/api/v1/first-layers?limit=1&printer=P-2", "ref", 12},
		{"/api/v1/first-layers?limit=3&plate=L-2", "ref", 0}, {"/api/v1/first-layers?limit=7&since=2026-03-09T07:00:00Z", "ref", 20},
		{"/api/v1/first-layers?limit=7&since=2026-03-09T09:00:00%2B02:00", "ref", 20}, {"/api/v1/first-layers?arrived_since=2099-01-01T00:00:00Z", "ref", 0},
		{"/api/v1/printers?limit=5", "printer", 12}, {"/api/v1/plates?limit=1", "plate", 2},
	} {
		var seen []string
		path, pages := x.path, 0
		for {
			p := read(t, c, path)
			pages++
			for _, item := range p.Items {
				seen = append(seen, item[x.key].(string))
			}
			if p.Next == nil || pages > 30 {
				break
			}
			path = x.path + "&cursor=" + url.QueryEscape(*p.Next)
		}
		unique := slices.Clone(seen)
		slices.Sort(unique)
		if unique = slices.Compact(unique); len(seen) != x.want || len(unique) != x.want {
			t.Errorf("%s: got %d items, %d different, in %d pages; want %d", x.path, len(seen), len(unique), pages, x.want)
		}
	}
	for _, path := range []string{
		"/api/v1/first-layers?limit=0", "/api/v1/first-layers?limit=501", "/api/v1/first-layers?limit=x", "/api/v1/first-layers?since=yesterday", "/api/v1/first-layers?cursor=x",
		"/api/v1/first-layers?grade=failed", "/api/v1/printers?cursor=%21", "/api/v1/plates?since=2026-03-09T07:00:00Z", "/api/v1/printers?limit=1&limit=2", "/api/v1/findings?at=now",
	} {
		problem(t, c.Get(path), 400, "invalid")
	}
	problem(t, c.Get("/api/v1/first-layers?printer=P-99"), 404, "not_found")
	problem(t, c.Get("/api/v1/none"), 404, "not_found")
	problem(t, site.Nobody().Get("/api/v1/printers"), 401, "unauthenticated")
}

func TestWhatWasRecordedIsReadBack(t *testing.T) {
	_, c := apiSite(t)
	const record = `{"kind":"first_layer","id":"0190A1B2-0000-7000-8000-000000000001","printer":"P-1","plate":"L-1","started_at":"2026-03-09T10:00:00.5+01:00","grade":"cosmetic",
		"grader":"amara","graded_at":"2026-03-09T09:10:00Z","material":"PLA <&>","layer_height_mm":0.2,"nudge_mm":-0.02,"marks":"C3:blobs:1 A1:nozzle_low:2","readings":"A1=0.18 B2=0.21p","covered":["A1","B2"],"note":"\"quoted\", €"}`
	if r := send(t, c, record)[0]; r.Result != "recorded" {
		t.Fatalf("got %+v", r)
	}
	item := read(t, c, "/api/v1/first-layers").Items[0]
	for field, want := range map[string]string{
		"id": `"0190a1b2-0000-7000-8000-000000000001"`, "ref": `null`, "printer": `"P-1"`, "plate": `"L-1"`, "started_at": `"2026-03-09T09:00:00.5Z"`, "grade": `"cosmetic"`, "grader": `"amara"`,
		"material": `"PLA \u003c\u0026\u003e"`, "layer_height_mm": `0.2`, "nudge_mm": `-0.02`, "line_width_mm": `null`, "job": `null`,
		"marks":    `[{"mark":"nozzle_low","severity":2,"zone":"A1"},{"mark":"blobs","severity":1,"zone":"C3"}]`,
		"readings": `[{"mm":0.18,"patch":false,"zone":"A1"},{"mm":0.21,"patch":true,"zone":"B2"}]`, "covered": `["A1","B2"]`, "note": `"\"quoted\", €"`, "voided_at": `null`,
	} {
		value, there := item[field]
		got, err := json.Marshal(value)
		if err != nil || !there || string(got) != want {
			t.Errorf("%s: got %s (there: %v), want %s", field, got, there, want)
		}
	}
	printer := read(t, c, "/api/v1/printers?limit=1").Items[0]
	for field, want := range map[string]any{"printer": "P-1", "bed_x_mm": 220.0, "zone_cols": 3.0, "probing_recorded": "all", "retired_at": nil} {
		if got := printer[field]; got != want {
			t.Errorf("printer's %s: got %v, want %v", field, got, want)
		}
	}
}

func TestFindingsAnswerWhatTheCommandPrints(t *testing.T) {
	answer := strings.Replace(webtest.NoFindings, ":", ": ", 1)
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{JSON: answer} })
	c := site.WithToken("gateway", "operator")
	if a := c.Get("/api/v1/findings?at=2026-03-09T14:00:00Z"); a.Body != answer || a.Header.Get("Content-Type") != "application/json" {
		t.Errorf("got %q as %q, want the bytes as they are", a.Body, a.Header.Get("Content-Type"))
	}
}

func TestPlanAnswersWhatTheCommandPrints(t *testing.T) {
	site := webtest.New(t)
	c := site.WithToken("gateway", "operator")
	if a := c.Get("/api/v1/plan?at=2026-03-09T14:00:00Z&confidence=0.9"); a.Body != webtest.NoPlan {
		t.Errorf("got %d %q", a.Status, a.Body)
	}
	for _, q := range []string{"confidence=1", "confidence=sure", "printer=P-1", "at=now"} {
		if a := c.Get("/api/v1/plan?" + q); a.Status != 400 {
			t.Errorf("%s: got %d, want 400", q, a.Status)
		}
	}
}

func TestRiskAnswersWhatTheCommandPrints(t *testing.T) {
	answer := `{"as_of":"2026-03-09T14:00:00Z","items":[{"printer":"P-1","plate":null,"material":"PETG","p_now":0.06,"p_now_low":0.04,"p_now_high":0.09,` +
		`"p_after_cleaning":0.06,"p_after_cleaning_low":0.04,"p_after_cleaning_high":0.09,"p_after_probing":0.03,"p_after_probing_low":0.02,"p_after_probing_high":0.05,` +
		`"p_after_both":0.03,"p_after_both_low":0.02,"p_after_both_high":0.05}]}` + "\n"
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{RiskJSON: answer} })
	c := site.WithToken("gateway", "operator")
	if a := c.Get("/api/v1/risk?at=2026-03-09T14:00:00Z"); a.Body != answer || a.Header.Get("Content-Type") != "application/json" {
		t.Errorf("got %q as %q, want the bytes as they are", a.Body, a.Header.Get("Content-Type"))
	}
	if a := c.Get("/api/v1/risk?at=now"); a.Status != 400 {
		t.Errorf("a time that is none: got %d, want 400", a.Status)
	}
	if a := c.Get("/api/v1/risk?printer=P-1"); a.Status != 400 {
		t.Errorf("a parameter nobody knows: got %d, want 400", a.Status)
	}
}

func TestUpkeepAnswersWhatTheCommandPrints(t *testing.T) {
	answer := `{"as_of":"2026-03-09T14:00:00Z","items":[{"task":"wipe","subject_kind":"plate","subject":"L-1","printer":"P-1","plate":"L-1","due_at":"2026-03-09T14:00:00Z",` +
		`"because":"9 prints since it was cleaned.","person_minutes":1,"machine_minutes":1,"saves":0.4,"saves_low":0.1,"saves_high":0.9,"by_lot":false}]}` + "\n"
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{DueJSON: answer} })
	c := site.WithToken("gateway", "operator")
	if a := c.Get("/api/v1/upkeep?printer=P-1&at=2026-03-09T14:00:00Z"); a.Body != answer || a.Header.Get("Content-Type") != "application/json" {
		t.Errorf("got %q as %q, want the bytes as they are", a.Body, a.Header.Get("Content-Type"))
	}
	if a := c.Get("/api/v1/upkeep?plate=L-1"); a.Status != 400 {
		t.Errorf("a parameter nobody knows: got %d, want 400", a.Status)
	}
}
