package web_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

func TestTimelines(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{PlanJSON: somePlan} })
	c := site.As("amara", "operator")
	p := c.Page("/jobs/plan/timeline?from=2026-03-09T00")
	if n := len(p.All("rect[data-says]")); n != 3 {
		t.Errorf("%d blocks, want two starts and a task", n)
	}
	text := webtest.Text(p.One("main"))
	for _, want := range []string{"2 starts and 1 task for 2 printers.", "P-001", "start J-1", "probe", "2026-03-09 15:00"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q:\n%s", want, text)
		}
	}
	if p = c.Page("/jobs/plan/timeline?by=person&span=shift&from=2026-03-09T12"); len(p.All("rect[data-says]")) != 1 || !strings.Contains(webtest.Text(p.One("main")), "1 task for 1 person.") {
		t.Errorf("by person: %s", webtest.Text(p.One("main")))
	}
	if p = c.Page("/jobs/plan/timeline?from=2026-03-12T00"); !strings.Contains(webtest.Text(p.One(".empty")), "Nothing is planned from 2026-03-12 00:00") {
		t.Error("an empty day says nothing")
	}
	for _, wrong := range []string{"by=plate", "span=week", "from=soon", "page=0", "from=1999-01-01T00", "zoom=2"} {
		if a := c.Get("/jobs/plan/timeline?" + wrong); a.Status != http.StatusBadRequest {
			t.Errorf("%s: got status %d", wrong, a.Status)
		}
	}
}

// A look at a shift is at a recorded one: the one that is on, over midnight too, with
// the ones beside it; where none is recorded, at eight hours.
func TestTimelineOfAShift(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{PlanJSON: somePlan} })
	c := site.As("amara", "manager")
	if text := c.Page("/jobs/plan/timeline?span=shift").Text("main"); !strings.Contains(text, "No shift is recorded around it") || !strings.Contains(text, "2026-03-09 14:00 to 2026-03-09 22:00") {
		t.Errorf("without shifts: %s", text)
	}
	for name, hours := range map[string][2]string{"early": {"2026-03-09T06:30", "2026-03-09T14:30"}, "late": {"2026-03-09T14:00", "2026-03-10T00:30"}, "next": {"2026-03-10T06:30", "2026-03-10T14:30"}} {
		if a := c.Form("/setup/add-shift", url.Values{"shift": {name}, "person": {"amara"}, "starts_at": {hours[0]}, "ends_at": {hours[1]}}); a.Status >= 400 {
			t.Fatalf("%s: %d %s", name, a.Status, a.Body)
		}
	}
	p := c.Page("/jobs/plan/timeline?span=shift")
	if got := p.Text(".chart-block .sub"); !strings.Contains(got, "2026-03-09 14:00 to 2026-03-10 00:30") { // begun last
		t.Errorf("shown %q", got)
	}
	if ticks := p.Texts("text.tick"); len(ticks) == 0 || ticks[0] != "14:00" {
		t.Errorf("hours %v, want full ones", ticks)
	}
	next := ""
	for _, a := range p.All("nav.acts a") {
		if webtest.Text(a) == "The shift after" {
			next = webtest.Attr(a, "href")
		}
	}
	if text := c.Page(next).Text("main"); !strings.Contains(text, "2026-03-10 06:30 to 2026-03-10 14:30") || strings.Contains(text, "The shift after") {
		t.Errorf("%s leads to %s", next, text)
	}
}

// Of 200 printers only those with something planned are drawn, a sheet of them a
// page.
func TestTimelineOfManyPrinters(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{PlanJSON: manyStarts(200)} })
	p := site.As("amara", "operator").Page("/jobs/plan/timeline?from=2026-03-09T00&page=2")
	if rows, blocks := p.Texts(".row-name"), p.All("rect[data-says]"); len(rows) != 25 || rows[0] != "P-050" || len(blocks) != 50 {
		t.Errorf("%d rows from %v, %d blocks", len(rows), rows[0], len(blocks))
	}
}

// manyStarts is a plan in which every second of n printers has a start and a task.
func manyStarts(n int) string {
	at := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	var starts, tasks []string
	for i := 0; i < n; i += 2 {
		a := at.Add(time.Duration(i) * time.Minute)
		starts = append(starts, fmt.Sprintf(`{"printer":"P-%03d","plate":"L-%03d","starts_at":%q,"ends_at":%q,"p_fail":0.1}`, i, i, a.Format(time.RFC3339), a.Add(2*time.Hour).Format(time.RFC3339)))
		tasks = append(tasks, fmt.Sprintf(`{"task":%q,"printer":"P-%03d","plate":"L-%03d","person":"amara","starts_at":%q,"ends_at":%q,"because":"b"}`, []string{"probe", "wipe", "swap_plate"}[i/2%3], i, i, a.Add(-6*time.Minute).Format(time.RFC3339), a.Format(time.RFC3339)))
	}
	return `{"as_of":"2026-03-09T14:00:00Z","jobs":[{"job":"J-1","needed":90,"start":100,"p_enough":0.97,"starts":[` + strings.Join(starts, ",") + `],"late_minutes":0,"cannot":null}],"tasks":[` + strings.Join(tasks, ",") + `],"cost":4.5,"bound":4.25,"gap":0.05}`
}
