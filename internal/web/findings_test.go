package web_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

const probingPage = "/findings/printer/P-001/skipped_probing"

// Somebody says that a finding is wrong: it stands on the page and in the list
// with the person and the reason, until it is withdrawn; then it stands struck
// out, with who withdrew it.
func TestAPersonDisagreesAndWithdraws(t *testing.T) {
	site := demoSite(t)
	amara, wei, boss := site.As("amara", "operator"), site.As("wei", "operator"), site.As("tomas", "manager")
	form := func() url.Values {
		return url.Values{"id": {webtest.Attr(amara.Page(probingPage).One(".said input[name=id]"), "value")}, "reason": {"  the probe was broken until the 3rd \n"}}
	}
	first := form()
	for range 2 { // sent twice, kept once
		if a := amara.Form(probingPage+"/disagreements", first); a.Status != 303 || a.Header.Get("Location") != probingPage+"#disagreements" {
			t.Fatalf("got %d to %q, want 303 back to the page: %s", a.Status, a.Header.Get("Location"), a.Body)
		}
	}
	p := amara.Page(probingPage)
	if said := p.All("li[data-disagreement]"); len(said) != 1 || !strings.Contains(webtest.Text(said[0]), "the probe was broken until the 3rd amara,") ||
		!strings.Contains(webtest.Text(said[0]), "when it was raised") {
		t.Errorf("the page: got %q", p.Texts("li[data-disagreement]"))
	}
	if got := amara.Page("/findings").Text(`tr[data-subject=P-001]`); !strings.Contains(got, "amara disagrees") {
		t.Errorf("the list: got %q", got)
	}
	if got := amara.Page("/printers/P-001").Text(".history"); !strings.Contains(got, "Disagreed with a finding") {
		t.Errorf("the printer's history does not tell: %q", got)
	}
	// Nobody but the author and managers withdraws.
	path := webtest.Attr(p.One(".said form.inline"), "action")
	if n := len(wei.Page(probingPage).All(".said form.inline")); n != 0 {
		t.Error("another operator is offered to withdraw it")
	}
	if a := wei.Form(path, url.Values{"reason": {"no"}}); a.Status != 403 {
		t.Errorf("another operator: got %d, want 403", a.Status)
	}
	second := form()
	second["reason"] = []string{"it was the tip"}
	amara.Form(probingPage+"/disagreements", second)
	if got := amara.Page("/findings").Text(`tr[data-subject=P-001]`); !strings.Contains(got, "2 disagree") {
		t.Errorf("the list after two: got %q", got)
	}
	if a := amara.Form(path, url.Values{"reason": {"saw the second table"}}); a.Status != 303 {
		t.Fatalf("withdrawing: got %d: %s", a.Status, a.Body)
	}
	if got := amara.Page(probingPage).Text("li.withdrawn"); !strings.Contains(got, "Withdrawn ") || !strings.Contains(got, "by amara: saw the second table") {
		t.Errorf("withdrawn: got %q", got)
	}
	rest := webtest.Attr(boss.Page(probingPage).One(".said form.inline"), "action")
	if a := boss.Form(rest, url.Values{"reason": {""}}); a.Status != 303 {
		t.Errorf("a manager withdraws: got %d", a.Status)
	}
	if got := amara.Page("/findings").Text(`tr[data-subject=P-001]`); strings.Contains(got, "disagree") {
		t.Errorf("the list after both were withdrawn: got %q", got)
	}
}

func TestADisagreementNeedsAReason(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	id := webtest.Attr(c.Page(probingPage).One(".said input[name=id]"), "value")
	a := c.Form(probingPage+"/disagreements", url.Values{"id": {id}, "reason": {"  "}})
	if p := a.Page(t); a.Status != 422 || !strings.Contains(p.Text("[data-problems]"), "Say why the finding is wrong") {
		t.Errorf("without a reason: got %d: %s", a.Status, p.Text("main"))
	}
	for path, want := range map[string]int{
		"/findings/printer/NONE/skipped_probing/disagreements": 404, "/findings/plate/L-002/skipped_probing/disagreements": 404,
		probingPage + "/disagreements/" + id + "/withdraw": 404,
	} {
		form := url.Values{"reason": {"no"}}
		if strings.HasSuffix(path, "disagreements") {
			form.Set("id", id)
		}
		if a := c.Form(path, form); a.Status != want {
			t.Errorf("%s: got %d, want %d", path, a.Status, want)
		}
	}
	if n := len(c.Page(probingPage).All("li[data-disagreement]")); n != 0 {
		t.Errorf("%d disagreements were kept", n)
	}
}

func TestFindingsAreFilteredByBayAndPaged(t *testing.T) {
	nan := math.NaN()
	many := webtest.SampleFindings(at)
	for i := range 130 {
		many.List.Items = append(many.List.Items, web.Finding{Kind: "plate", Subject: fmt.Sprintf("X-%03d", i), Cause: "cleaning_gap", State: "quiet",
			Starts: 9, Graded: 9, N: 9, Q: nan, Avoidable: nan, Summary: "nothing"})
	}
	site := webtest.On(t, demoDB(t), func(c *web.Config) { c.Findings = many })
	c := site.As("amara", "operator")
	subjects := func(path string) (list []string) {
		t.Helper()
		for _, r := range c.Page(path).All("tr[data-subject]") {
			list = append(list, webtest.Attr(r, "data-subject"))
		}
		return list
	}
	if got := subjects("/findings"); len(got) != 14 {
		t.Errorf("all states: %d findings, want the calm ones cut to ten: %v", len(got), got)
	}
	var walked []string
	for path := "/findings?state=quiet"; path != ""; {
		walked = append(walked, subjects(path)...)
		next := c.Page(path).All(".pager a[rel=next]")
		path = ""
		if len(next) == 1 {
			path = webtest.Attr(next[0], "href")
		}
	}
	if slices.Sort(walked); len(walked) != 132 || len(slices.Compact(walked)) != 132 {
		t.Errorf("walking the quiet ones: %d findings, want 132, each once", len(walked))
	}
	printer, err := site.Store.PrinterByTag(context.Background(), "P-001")
	if err != nil {
		t.Fatal(err)
	}
	if got := subjects("/findings?bay=" + url.QueryEscape(printer.Bay)); !slices.Contains(got, "P-001") || slices.Contains(got, "X-000") || len(got) > 6 {
		t.Errorf("bay %q: got %v", printer.Bay, got)
	}
	if p := c.Page("/findings?bay=Cellar"); !strings.Contains(p.Text(".empty"), "No finding fits") {
		t.Error("a bay without findings: the page does not say so")
	}
	for _, bad := range []string{"page=0&state=quiet", "page=x&state=quiet", "page=2", "page=2&page=3&state=quiet"} {
		if a := c.Get("/findings?" + bad); a.Status != 400 {
			t.Errorf("%s: got %d, want 400", bad, a.Status)
		}
	}
	if p := c.Page("/findings?state=quiet&page=9"); !strings.Contains(p.Text(".empty"), "no such page") {
		t.Error("beyond the end: the page does not say so")
	}
}

// Where there are too many bays for links, one is chosen in a form that keeps
// the other filters.
func TestManyBaysAreAChoice(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.Findings = webtest.SampleFindings(at) })
	b := recent()
	few := *b
	few.FirstLayers, few.Probes, few.Cleanings, few.Fittings, few.Holds = nil, nil, nil, nil, nil
	few.Printers = slices.Clone(b.Printers)
	for i := range few.Printers {
		few.Printers[i].Bay = fmt.Sprintf("Bay %d", 1+i%12)
	}
	stored(t, site, &few)
	p := site.As("amara", "operator").Page("/findings?kind=printer&bay=Bay+1")
	if got := p.Texts(".chooser option"); len(got) != 13 || got[1] != "Bay 1" || got[12] != "Bay 12" {
		t.Errorf("bays to choose: got %q", got)
	}
	if got := webtest.Attr(p.One(".chooser input[name=kind]"), "value"); got != "printer" {
		t.Errorf("the form forgets the kind: %q", got)
	}
	if got := p.Texts("tr[data-subject]"); len(got) != 1 || !strings.Contains(got[0], "P-001") {
		t.Errorf("in Bay 1: got %q", got)
	}
}

func TestDisagreeingInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "operator")
	for i, v := range []webtest.View{{Name: "with script", Width: 820, Height: 1180}, {Name: "without script", Width: 360, Height: 780, Dark: true, NoScript: true}} {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			reason := fmt.Sprintf("broken probe %d", i)
			tab.Do(chromedp.Navigate(site.URL+probingPage), chromedp.WaitReady(chromedp.CSS(".disagree summary")),
				chromedp.Click(chromedp.CSS(".disagree summary")), chromedp.WaitVisible(chromedp.CSS("#reason")),
				chromedp.SendKeys(chromedp.CSS("#reason"), reason), chromedp.Click(chromedp.CSS(".disagree .button:not(summary)")),
				chromedp.WaitReady(chromedp.CSS(".said form.inline button")))
			if said := amara.Page(probingPage).Texts("li[data-disagreement]"); len(said) != i+1 || !strings.Contains(said[0], reason) {
				t.Errorf("kept: %q", said)
			}
			tab.Fits()
			if !v.NoScript {
				tab.Accessible()
			}
			tab.Do(chromedp.Click(chromedp.CSS(".said form.inline button")), chromedp.WaitNotPresent(chromedp.CSS(".said form.inline")))
			if n := len(amara.Page(probingPage).All("li.withdrawn")); n != i+1 {
				t.Errorf("%d are withdrawn, want %d", n, i+1)
			}
		})
	}
}

// The figures of a finding's chart can be taken away as a table: what was
// counted by band, then the adjusted curve; and they are those on the page.
func TestFiguresOfAFindingAsCSV(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	for path, head := range map[string]string{
		"/findings/plate/L-002/cleaning_gap": "what,prints_since_clean_from,prints_since_clean_to,mean_prints_since_clean,started,graded,failed,rate,rate_low,rate_high",
		probingPage:                          "probe_state,started,graded,failed,rate,rate_low,rate_high",
	} {
		p := c.Page(path)
		link := webtest.Attr(p.One(".downloads a"), "href")
		a := c.Get(link)
		if a.Status != 200 || !strings.HasPrefix(a.Header.Get("Content-Type"), "text/csv") {
			t.Fatalf("%s: got %d, %s", link, a.Status, a.Header.Get("Content-Type"))
		}
		rows, err := csv.NewReader(strings.NewReader(a.Body)).ReadAll()
		if err != nil || strings.Join(rows[0], ",") != head {
			t.Fatalf("%s: got head %q, error %v; want %s", link, rows[0], err, head)
		}
		graded, started := slices.Index(rows[0], "graded"), slices.Index(rows[0], "started")
		compare := strings.Join(p.Texts("table tbody tr"), "\n")
		adjusted := 0
		for _, r := range rows[1:] {
			if r[0] == "adjusted" {
				adjusted++
			} else if want := r[graded] + " of " + r[started]; r[started] != "0" && !strings.Contains(compare, want) {
				t.Errorf("%s: %q does not stand on the page: %s", link, want, compare)
			}
		}
		if chart := p.All("section[data-chart=gap-curve]"); len(chart) > 0 != strings.HasSuffix(path, "cleaning_gap") || len(chart) > 0 != (adjusted > 1) {
			t.Errorf("%s: %d charts, %d adjusted rows", path, len(chart), adjusted)
		}
	}
	if a := c.Get("/findings/plate/NONE/cleaning_gap/figures.csv"); a.Status != 404 {
		t.Errorf("no such plate: got %d, want 404", a.Status)
	}
}
