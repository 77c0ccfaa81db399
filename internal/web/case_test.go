package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// caseSite is the demo's farm with a clock that the test moves.
func caseSite(t *testing.T) (*webtest.Site, *time.Time) {
	t.Helper()
	now := at
	site := webtest.On(t, demoDB(t), func(c *web.Config) {
		c.Now = func() time.Time { return now }
		c.Findings = webtest.SampleFindings(at)
	})
	return site, &now
}

// A manager decides a case step by step, with reasons; the last step can be taken back;
// operators see all of it and decide nothing.
func TestACaseIsDecided(t *testing.T) {
	site, now := caseSite(t)
	boss, amara := site.As("tomas", "manager"), site.As("amara", "operator")
	p := boss.Page(probingPage)
	if words := plain(p.Text(".case")); !strings.Contains(words, "Suspected: the evidence is raised") {
		t.Fatalf("the case says %q", words)
	}
	id := func() string { return webtest.Attr(boss.Page(probingPage).One(".case input[name=id]"), "value") }
	for _, c := range []struct {
		step, reason string
		status       int
		says         string
	}{
		{"", "why", 422, "Choose where it stands"},
		{"upheld", " ", 422, "Say why"},
		{"suspected", "why", 422, "look at what may follow"},
		{"upheld", "probed for two weeks, 1 of 64 failed", 303, "Upheld since"},
		{"on_test", "again", 422, "look at what may follow"},
		{"closed", "probed before every start by policy now", 303, "Closed"},
	} {
		*now = now.Add(time.Minute)
		form := url.Values{"id": {id()}, "step": {c.step}, "reason": {c.reason}}
		a := boss.Form(probingPage+"/case", form)
		if a.Status != c.status {
			t.Fatalf("%s, %q: got %d", c.step, c.reason, a.Status)
		}
		words := ""
		if c.status != 303 {
			words = plain(a.Page(t).Text("main"))
		} else {
			words = plain(boss.Page(probingPage).Text(".case"))
			if again := boss.Form(probingPage+"/case", form); again.Status != 303 {
				t.Errorf("the same form again: got %d", again.Status)
			}
		}
		if !strings.Contains(words, c.says) {
			t.Errorf("%s, %q: the page says %q", c.step, c.reason, words)
		}
	}
	p = amara.Page(probingPage)
	if words := plain(p.Text(".case")); !strings.Contains(words, "Upheld : probed for two weeks") || !strings.Contains(words, "the evidence is raised") || len(p.All(".case form")) != 0 {
		t.Errorf("an operator reads %q with %d forms", words, len(p.All(".case form")))
	}
	if a := amara.Form(probingPage+"/case", url.Values{"id": {"x"}, "step": {"closed"}, "reason": {"no"}}); a.Status != 403 {
		t.Errorf("an operator decides: got %d", a.Status)
	}
	undo := webtest.Attr(boss.Page(probingPage).One(".case form.inline"), "action")
	if a := boss.Form(undo, url.Values{"reason": {"the policy has not begun"}}); a.Status != 303 {
		t.Fatalf("taking back: got %d", a.Status)
	}
	if a := boss.Form(undo, url.Values{"reason": {"again"}}); a.Status != 409 {
		t.Errorf("taking back what was taken back: got %d", a.Status)
	}
	if words := plain(boss.Page(probingPage).Text(".case")); !strings.Contains(words, "Upheld since") || !strings.Contains(words, "Taken back") {
		t.Errorf("after it: %q", words)
	}
	if a := site.WithToken("robot", "operator").Do("POST", "/api/v1/records", "application/json",
		`{"records":[{"kind":"case_step","id":"C-1","subject_kind":"printer","subject":"P-001","cause":"skipped_probing","at":"`+at.Format(time.RFC3339)+`","step":"closed","reason":"no"}]}`); !strings.Contains(a.Body, "for managers and admins to decide") {
		t.Errorf("an operator's machine decides: %s", a.Body)
	}
}

// A test is sized in advance, begun, reminded of at the machine, counted as it was drawn,
// and ended with a reason.
func TestATestFromItsPlanToItsEnd(t *testing.T) {
	site, now := caseSite(t)
	boss, amara := site.As("tomas", "manager"), site.As("amara", "operator")
	plan := probingPage + "/test"
	p := boss.Page(plan + "?left=20&done=5&share=50&power=80")
	if words := plain(p.Text("main")); !strings.Contains(words, "Takes 187 graded starts, about ") || !strings.Contains(words, "to tell 20 from 5 failures of 100 with a chance of 80 in 100") || !strings.Contains(words, "Caution") {
		t.Fatalf("the plan says %q", words)
	}
	if words := plain(boss.Page(plan + "?left=5&done=20").Text("main")); !strings.Contains(words, "must be fewer than without") {
		t.Errorf("more failures with it: %q", words)
	}
	form := opened(t, boss, plan+"?left=20&done=5&share=50&power=80")
	form.Del("do")
	if a := boss.Form(plan, form); a.Status != 422 || !strings.Contains(a.Body, "Say why it is tested") {
		t.Fatalf("without a reason: got %d %v %s", a.Status, form, plain(a.Page(t).Text("main")))
	}
	form.Set("reason", "is it the probe or the mornings?")
	a := boss.Form(plan, form)
	if a.Status != 303 {
		t.Fatalf("beginning: got %d %s", a.Status, plain(a.Page(t).Text("main")))
	}
	test, _, _ := strings.Cut(a.Header.Get("Location"), "?")
	if again := boss.Form(plan, form); again.Status != 303 {
		t.Errorf("the same form again: got %d", again.Status)
	}
	other := opened(t, boss, plan+"?left=20&done=5")
	other.Del("do")
	other.Set("reason", "once more")
	if a := boss.Form(plan, other); a.Status != 409 {
		t.Errorf("a second test at once: got %d", a.Status)
	}
	if words := plain(boss.Page(probingPage).Text(".case")); !strings.Contains(words, "On test since") || !strings.Contains(words, "running") {
		t.Errorf("the case says %q", words)
	}
	arms := map[string]int{}
	for k := range 12 {
		*now = now.Add(10 * time.Minute)
		p := amara.Page("/grade/P-001")
		arm, words := webtest.Attr(p.One(".on-test"), "data-arm"), plain(p.Text(".on-test"))
		if want := map[string]string{"do": "On test: probe before the next start (drawn by lot)", "leave": "On test: do not probe before the next start (drawn by lot)"}[arm]; want == "" || !strings.Contains(words, want) {
			t.Fatalf("the grade page says %q", words)
		}
		if again := webtest.Attr(boss.Page("/grade/P-001").One(".on-test"), "data-arm"); again != arm {
			t.Fatal("looking again drew again")
		}
		arms[arm]++
		if k == 0 {
			drawnEverywhere(t, amara, arm)
		}
		*now = now.Add(10 * time.Minute)
		probed := ""
		if arm == "do" && k > 0 { // the first draw is not followed
			probed = `,"probed":"yes"`
		} else {
			probed = `,"probed":"no"`
		}
		sent(t, site, fmt.Sprintf(`{"kind":"first_layer","id":"test-%d","printer":"P-001","started_at":"%s","grade":"clean","grader":"amara"%s}`, k, now.Format(time.RFC3339), probed))
	}
	if arms["do"] == 0 || arms["leave"] == 0 {
		t.Errorf("12 draws: %v", arms)
	}
	p = amara.Page(test)
	if words := plain(p.Text("main")); !strings.Contains(words, "12 of ") || !strings.Contains(words, "not honest to stop yet") || len(p.All("form[action='"+test+"/end']")) != 0 {
		t.Errorf("the test says %q", words)
	}
	if a := boss.Form(test+"/end", url.Values{"reason": {""}}); a.Status != 422 {
		t.Errorf("ended without a reason: got %d", a.Status)
	}
	if a := boss.Form(test+"/end", url.Values{"reason": {"the nozzle was changed"}}); a.Status != 303 {
		t.Fatalf("ending: got %d", a.Status)
	}
	if words := plain(amara.Page(test).Text("main")); !strings.Contains(words, "Too little to tell") || !strings.Contains(words, "the nozzle was changed") {
		t.Errorf("after its end: %q", words)
	}
	if n := len(amara.Page("/grade/P-001").All(".on-test")); n != 0 {
		t.Errorf("reminded of a test that is over")
	}
	tests, err := site.Store.TestsOf(context.Background(), "printer", "P-001", "skipped_probing")
	if err != nil || len(tests) != 1 || tests[0].EndIs != "other" || tests[0].EndedBy != "tomas" || !farm.Known(tests[0].Share) {
		t.Errorf("kept: %+v %v", tests, err)
	}
}

// demoOnTest is the printer of the demo's farm on which a test runs.
const demoOnTest = "P-038"

// drawnEverywhere holds pages and the snapshot for work without network against what the Grade
// page of P-001 said.
func drawnEverywhere(t *testing.T, c *webtest.Client, arm string) {
	t.Helper()
	want := map[string]string{"do": "On test: probe before the next start (drawn by lot).", "leave": "On test: do not probe before the next start (drawn by lot)."}[arm]
	for path, selector := range map[string]string{"/floor": "[data-printer=P-001] [data-drawn]", "/printers/P-001": ".on-test strong", "/upkeep": "li[data-printer=P-001][data-drawn=" + arm + "]"} {
		if words := plain(c.Page(path).Text(selector)); !strings.Contains(words, want) {
			t.Errorf("%s says %q", path, words)
		}
	}
	var kept struct {
		Printers []struct {
			Tag   string
			Drawn []struct {
				Arm, Says string
				Until     time.Time
			}
		}
	}
	if err := json.Unmarshal([]byte(c.Get("/offline/farm").Body), &kept); err != nil {
		t.Fatal(err)
	}
	for _, p := range kept.Printers {
		if p.Tag == demoOnTest {
			continue
		}
		if (p.Tag == "P-001") != (len(p.Drawn) == 1) || len(p.Drawn) == 1 && (p.Drawn[0].Arm != arm || p.Drawn[0].Says != want || p.Drawn[0].Until.IsZero()) {
			t.Errorf("the snapshot has of %s %+v", p.Tag, p.Drawn)
		}
	}
}
