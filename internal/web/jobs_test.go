package web_test

import (
	"net/url"
	"strings"
	"testing"

	"basecourse/internal/webtest"
)

// openJob finds an open job of the demo's farm that still needs good ones.
func openJob(t *testing.T, c *webtest.Client) string {
	t.Helper()
	for _, row := range c.Page("/jobs").All("table.plain tbody tr") {
		if text := plain(webtest.Text(row)); strings.Contains(text, "Open") && strings.Contains(text, " in 100") {
			for _, a := range c.Page("/jobs").All("table.plain tbody a") {
				if strings.HasPrefix(text, plain(webtest.Text(a))) {
					return webtest.Attr(a, "href")
				}
			}
		}
	}
	t.Fatal("the demo has no open job that needs more")
	return ""
}

func TestAJobSaysHowManyMoreToStartAndOnWhat(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	job := openJob(t, c)
	p := c.Page(job)
	if need := plain(p.Text("[data-need]")); !strings.Contains(need, "more.") || !strings.Contains(need, "enough are good is") {
		t.Errorf("says not how many: %s", need)
	}
	// The list says the same number as the job's own page.
	for _, row := range c.Page("/jobs").All("table.plain tbody tr") {
		if text := plain(webtest.Text(row)); strings.HasPrefix(text, strings.TrimPrefix(job, "/jobs/")+" ") {
			more, _, _ := strings.Cut(plain(p.Text("[data-need] strong")), " more")
			if n := strings.TrimPrefix(more, "Start "); n == more || !strings.Contains(text, " "+n+" ") {
				t.Errorf("the list says %q, the page %q", text, more)
			}
		}
	}
	if len(p.All("tr[data-printer]")) == 0 {
		t.Error("names no printer that may start it")
	}
	small := c.Page(job + "?confidence=99&size_x_mm=1900&size_y_mm=1900&surface=")
	if text := plain(small.Text("main")); len(small.All("tr[data-printer]")) != 0 || !strings.Contains(text, "mm, job needs 1900") || !strings.Contains(text, "No printer may start this job now") {
		t.Errorf("a print larger than any bed: %.600s", text)
	}
	if len(c.Page(job+"?material=ran").All("tr[data-printer]")) > len(p.All("tr[data-printer]")) {
		t.Error("more printers ran the material than there are")
	}
	if text := plain(c.Page(job + "?size_x_mm=much").Text("[data-problems]")); !strings.Contains(text, "Width must be between") {
		t.Errorf("a width in words: %q", text)
	}
	for _, wrong := range []string{"?confidence=12", "?surface=moon", "?machines=0", "?material=any", "?nothing=1"} {
		if a := c.Get(job + wrong); a.Status != 400 {
			t.Errorf("%s: got %d, want 400", wrong, a.Status)
		}
	}
}

// TestNothingOnHoldIsOfferedToAJob puts a printer on hold that was offered.
func TestNothingOnHoldIsOfferedToAJob(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "manager")
	job := openJob(t, c)
	printer := webtest.Attr(c.Page(job).All("tr[data-printer]")[0], "data-printer")
	hold := "/upkeep/hold?printer=" + url.QueryEscape(printer)
	form := formOf(c.Page(hold), "/upkeep/hold", "")
	form.Set("reason", "belt is loose")
	if a := c.Form("/upkeep/hold", form); a.Status != 303 {
		t.Fatalf("hold: got %d: %.500s", a.Status, a.Body)
	}
	p := c.Page(job)
	for _, row := range p.All("tr[data-printer]") {
		if webtest.Attr(row, "data-printer") == printer {
			t.Errorf("%s is offered though on hold", printer)
		}
	}
	if text := plain(p.Text("[data-holds]")); !strings.Contains(text, printer) || !strings.Contains(text, "belt is loose") {
		t.Errorf("the hold is not said: %q", text)
	}
	if text := plain(p.Text("main")); !strings.Contains(text, "On hold: belt is loose") {
		t.Error("the excluded printer lacks its reason")
	}
	if text := plain(c.Page("/jobs").Text("[data-holds]")); !strings.Contains(text, "must not start jobs") {
		t.Errorf("the list of jobs does not say it: %q", text)
	}
}
