package web_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"basecourse/internal/assess"
	"basecourse/internal/webtest"
)

const sheetID = "01890000-0000-7000-8000-00000000e001"

// keepSheet keeps the evidence of P-001 by its page's button and has it worked out.
func keepSheet(t *testing.T, site *webtest.Site, manager *webtest.Client) string {
	t.Helper()
	a := manager.Form(probingPage+"/sheets", url.Values{"id": {sheetID}})
	if a.Status != http.StatusSeeOther || a.Header.Get("Location") != "/findings/sheets/"+sheetID {
		t.Fatalf("asking for a sheet: got %d to %q: %s", a.Status, a.Header.Get("Location"), a.Body)
	}
	if p := manager.Page("/findings/sheets/" + sheetID); !strings.Contains(webtest.Text(p.One("main")), "being worked out") {
		t.Errorf("a sheet that is waited for: %q", webtest.Text(p.One("main")))
	}
	if n, err := assess.New(site.Store).KeepSheets(context.Background(), 0); err != nil || n != 1 {
		t.Fatalf("%d sheets worked out, %v", n, err)
	}
	return sheetID
}

func TestEvidenceIsKeptAndComesOutTheSame(t *testing.T) {
	t.Parallel()
	site := demoSite(t)
	amara, wei := site.As("amara", "manager"), site.As("wei", "operator")
	if a := wei.Form(probingPage+"/sheets", url.Values{"id": {sheetID}}); a.Status != http.StatusForbidden {
		t.Errorf("an operator keeps evidence: got %d", a.Status)
	}
	keepSheet(t, site, amara)
	amara.Form(probingPage+"/sheets", url.Values{"id": {sheetID}}) // the form sent twice
	if n, err := assess.New(site.Store).KeepSheets(context.Background(), 0); err != nil || n != 0 {
		t.Errorf("the same form twice: %d more sheets, %v", n, err)
	}
	page := "/findings/sheets/" + sheetID
	if links := amara.Page(probingPage).All("section.evidence-kept li a"); len(links) != 1 || webtest.Attr(links[0], "href") != page {
		t.Errorf("the finding's page leads to %d sheets", len(links))
	}
	text := webtest.Text(wei.Page(page).One("main"))
	for _, want := range []string{"Evidence: P-001, skipped probing", "What is left out", "Plain and adjusted", "Within strata", "Had it been counted otherwise", "Strict graders left out", "What would change our mind", "Definitions, version " + strconv.Itoa(assess.DefinitionsVersion), "Drawn by lot"} {
		if !strings.Contains(text, want) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
	if got := webtest.Attr(amara.Page(page+"/check").One("[data-check]"), "data-check"); got != "same" {
		t.Errorf("worked out anew it is %q", got)
	}
	a := amara.Get(page + "/sheet.json")
	if _, err := assess.ReadSheet([]byte(a.Body)); err != nil || a.Status != http.StatusOK || strings.Contains(string(a.Body), "amara") {
		t.Errorf("its JSON: %d, %v", a.Status, err)
	}
	if a := amara.Get(page + "/figures.csv"); a.Status != http.StatusOK || !strings.HasPrefix(string(a.Body), "part,row,figure,value\r\n") {
		t.Errorf("its CSV: %d %.60s", a.Status, a.Body)
	}
	// By the API.
	token := site.WithToken("quality", "manager")
	b := token.Do("POST", "/api/v1/evidence-sheets", "application/json", `{"subject_kind":"printer","subject":"P-001","cause":"skipped_probing"}`)
	var asked struct{ ID string }
	if err := json.Unmarshal([]byte(b.Body), &asked); err != nil || b.Status != http.StatusOK || asked.ID == "" {
		t.Fatalf("asked by the API: %d %s", b.Status, b.Body)
	}
	if n, err := assess.New(site.Store).KeepSheets(context.Background(), 0); err != nil || n != 1 {
		t.Fatalf("%d sheets worked out, %v", n, err)
	}
	if a := token.Get("/api/v1/evidence-sheets/" + asked.ID); a.Status != http.StatusOK || !strings.Contains(string(a.Body), `"because":"asked"`) {
		t.Errorf("read by the API: %d %.200s", a.Status, a.Body)
	}
	for _, bad := range []string{`{"subject_kind":"plate","subject":"L-001","cause":"skipped_probing"}`, `{"subject":1}`, `[]`,
		`{"subject_kind":"printer","subject":"P-001","cause":"skipped_probing"} {}`, `{"subject_kind":"printer","subject":"P-001","cause":"skipped_probing","grader":"amara"}`, "{\"subject_kind\":\"printer\",\"subject\":\"P-001\xff\",\"cause\":\"skipped_probing\"}"} {
		if a := token.Do("POST", "/api/v1/evidence-sheets", "application/json", bad); a.Status != http.StatusBadRequest {
			t.Errorf("%s: got %d", bad, a.Status)
		}
	}
}

func TestReports(t *testing.T) {
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "manager")
	sent(t, site, `{"kind":"case_step","id":"K-1","subject_kind":"printer","subject":"P-001","cause":"skipped_probing","at":"2026-03-05T09:00:00Z","step":"upheld","state":"raised","reason":"probed for two weeks, 1 of 64 failed"}`)
	for path, says := range map[string][]string{
		"/reports":                {"Week 2026-W11", "Audit pack"},
		"/reports/weeks/2026-W10": {"first layers of", "Week by week", "Cases decided", "probed for two weeks, 1 of 64 failed", "Plates with most failures", "Upkeep", "What to do next", "Mon 2026-03-02 to Sun 2026-03-08"},
		"/reports/weeks/2025-W30": {"No first layer was started in this week.", "No upkeep was recorded.", "No case was decided in this week."},
		"/reports/printers/P-001": {"First layers by week", "Grades and marks", "Findings", "The latest events"},
		"/reports/plates/L-101":   {"First layers by week", "Grades and marks", "The latest events"},
		"/reports/audit":          {"Tag", "First day"},
		"/reports/audit?kind=printer&tag=P-001&from=2026-03-01&to=2026-03-07": {"first_layers.csv", "The trail", "import"},
	} {
		text := webtest.Text(amara.Page(path).One("main"))
		for _, want := range says {
			if !strings.Contains(text, want) {
				t.Errorf("%s does not say %q: %.400s", path, want, text)
			}
		}
	}
	for path, want := range map[string]int{"/reports/weeks/2026-W54": 404, "/reports/weeks/2030-W01": 404, "/reports/printers/NONE": 404, "/reports/audit?tag=NONE": 422, "/reports/audit?tag=P-001&from=2026-03-09&to=2026-03-01": 422,
		"/reports/audit/pack.zip?tag=P-001&from=x": 400} {
		if a := amara.Get(path); a.Status != want {
			t.Errorf("%s: got %d, want %d", path, a.Status, want)
		}
	}
	var week struct {
		From, To string
		Parts    map[string][]map[string]any
	}
	if err := json.Unmarshal([]byte(amara.Get("/reports/weeks/2026-W10/figures.json").Body), &week); err != nil || len(week.Parts["failures"]) != 2 || !(week.Parts["failures"][0]["graded"].(float64) > 100) {
		t.Errorf("the week's JSON: %v %+v", err, week.Parts["failures"])
	}
	graded := 0.0
	for _, w := range week.Parts["weeks"][:max(0, len(week.Parts["weeks"])-1)] {
		graded += w["graded"].(float64)
	}
	if w := week.Parts["weeks"]; len(w) != 9 || w[8]["week"] != "2026-W10" || w[8]["graded"] != week.Parts["failures"][0]["graded"] || graded != week.Parts["failures"][1]["graded"] {
		t.Errorf("by week: %v beside %v", w, week.Parts["failures"])
	}
	if k := week.Parts["cases"]; len(k) == 0 || k[len(k)-1]["step"] != "upheld" || k[len(k)-1]["subject"] != "P-001" || k[len(k)-1]["state"] != "raised" {
		t.Errorf("cases: %v", k)
	}
	if p := amara.Page("/reports/weeks/2026-W10"); len(p.All("main svg.wide")) == 0 {
		t.Error("the week has no chart")
	}
	if a := amara.Get("/reports/weeks/2026-W10/figures.csv"); !strings.Contains(a.Body, "cases,1,step,") || !strings.Contains(a.Body, "weeks,9,failures,") {
		t.Errorf("the week's CSV: %.300s", a.Body)
	}
	if a := amara.Get("/reports/plates/L-101/figures.csv"); a.Status != http.StatusOK || !strings.Contains(string(a.Body), "rates,1,started,") {
		t.Errorf("a plate's CSV: %d", a.Status)
	}
	a := amara.Get("/reports/audit/pack.zip?kind=printer&tag=P-001&from=2026-03-01&to=2026-03-07")
	z, err := zip.NewReader(bytes.NewReader([]byte(a.Body)), int64(len(a.Body)))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		files[f.Name] = string(b)
	}
	for name, want := range map[string]string{"contents.json": `"sha256"`, "page.html": "<!doctype html>", "findings.json": `"findings":[`, "first_layers.csv": "P-001", "trail.csv": "act,at,via", "report.json": `"audit_pack"`} {
		if !strings.Contains(files[name], want) {
			t.Errorf("%s of the pack: %.120q", name, files[name])
		}
	}
	if strings.Contains(files["first_layers.csv"], "P-002,") {
		t.Error("another printer's layers are in the pack")
	}
}
