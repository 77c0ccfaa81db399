package web_test

import (
	"strings"
	"testing"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

const somePlan = `{"as_of":"2026-03-09T14:00:00Z","jobs":[{"job":"J-1","needed":3,"start":4,"p_enough":0.97,"starts":[{"printer":"P-002","plate":null,"starts_at":"2026-03-09T15:10:00Z","ends_at":"2026-03-09T17:10:00Z","p_fail":0.04},` +
	`{"printer":"P-001","plate":"L-1","starts_at":"2026-03-09T15:00:00Z","ends_at":"2026-03-09T17:00:00Z","p_fail":0.051,"p_fail_low":0.02,"p_fail_high":0.093}],"late_minutes":30,"cannot":"1 of 4 starts end after it is due.","p_enough_low":0.9,"p_enough_high":0.99,"failures":0.09,"failures_low":0,"failures_high":1,"cost":4.5,"cost_low":4.1,"cost_high":9.3}],` +
	`"tasks":[{"task":"probe","printer":"P-001","plate":"L-1","person":"amara","starts_at":"2026-03-09T14:50:00Z","ends_at":"2026-03-09T14:56:00Z","because":"J-1 starts"}],"cost":4.5,"bound":4.25,"gap":0.0588235,"cost_low":4.1,"cost_high":9.3,"failures":0.09,"failures_low":0,"failures_high":1}` + "\n"

func TestPrepPlanPage(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{PlanJSON: somePlan} })
	c := site.As("amara", "operator")
	p := c.Page("/jobs/plan")
	text := webtest.Text(p.One("main"))
	for _, want := range []string{"J-1", "97.0 (90.0 to 99.0)", "5.1 (2.0 to 9.3)", "4.50 EUR (4.10 to 9.30)", "0.1 (0 to 1)", "1 of 4 starts end after it is due.", "P-001", "5.1", "amara", "probe", "at most 5.9 % above the best"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q:\n%s", want, text)
		}
	}
	a := c.Get("/jobs/plan.csv")
	want := "starts_at,ends_at,what,job,printer,plate,person\r\n2026-03-09T14:50:00Z,2026-03-09T14:56:00Z,probe,,P-001,L-1,amara\r\n" +
		"2026-03-09T15:00:00Z,2026-03-09T17:00:00Z,start,J-1,P-001,L-1,\r\n2026-03-09T15:10:00Z,2026-03-09T17:10:00Z,start,J-1,P-002,,\r\n"
	if a.Status != 200 || a.Body != want {
		t.Errorf("%d %q", a.Status, a.Body)
	}
	if p := site.As("mia", "manager").Page("/jobs"); !strings.Contains(webtest.Text(p.One("main")), "Prep plan") {
		t.Error("Jobs does not lead to the plan")
	}
	empty := webtest.New(t).As("amara", "operator").Page("/jobs/plan")
	if !strings.Contains(webtest.Text(empty.One("main")), "No open job needs a start.") {
		t.Error("nothing says that there is nothing to do")
	}
}

// What changed is told on the page.
func TestPrepPlanSaysWhatChanged(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{PlanJSON: somePlan} })
	if mine, err := site.Store.ClaimPlan(t.Context()); err != nil || !mine {
		t.Fatal(mine, err)
	}
	if err := site.Store.StorePlan(t.Context(), store.PlanInForce{AsOf: time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC), Body: []byte("{}")}, "3 tasks moved: P-014 held."); err != nil {
		t.Fatal(err)
	}
	if text := webtest.Text(site.As("amara", "operator").Page("/jobs/plan").One("main")); !strings.Contains(text, "3 tasks moved: P-014 held.") {
		t.Error(text)
	}
}
