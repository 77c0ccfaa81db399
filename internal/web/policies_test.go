package web_test

import (
	"context"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/webtest"
)

// A policy is looked at, put in force, changed, ended and taken back; each version
// stays with who and why and what was expected of it.
func TestAPolicyFromPreviewToEnd(t *testing.T) {
	site := demoSite(t)
	c := site.As("boss", "manager")
	form := url.Values{"name": {"Careful"}, "clean_prints": {"5"}, "probe_starts": {"1"}, "probe_after_service": {"yes"}, "printer": {"P-014"}, "reason": {"it fails often"}, "act": {"look"}}
	a := c.Form("/setup/add-policy", form)
	if a.Status != 200 {
		t.Fatalf("preview: got %d: %s", a.Status, a.Body)
	}
	p := a.Page(t)
	if title := p.Text("#preview"); !strings.Contains(title, "It would have") {
		t.Errorf("the preview says %q", title)
	}
	if rows := p.Text("section[aria-labelledby=preview] table"); !strings.Contains(rows, "Probes") || !strings.Contains(rows, "As policies stand") {
		t.Errorf("the preview shows %s", rows)
	}
	if list, _ := site.Store.PolicyVersions(context.Background(), "Careful"); len(list) != 0 {
		t.Fatal("the preview was stored")
	}
	form.Set("id", webtest.Attr(p.One("form.policy input[name=id]"), "value"))
	form.Set("act", "save")
	for range 2 { // twice the same form is one version
		if a := c.Form("/setup/add-policy", form); a.Status != 303 || a.Header.Get("Location") != "/setup/policies/Careful?saved=yes" {
			t.Fatalf("saving: got %d to %q: %s", a.Status, a.Header.Get("Location"), a.Body)
		}
	}
	versions := func() []*farm.Policy {
		t.Helper()
		list, err := site.Store.PolicyVersions(context.Background(), "Careful")
		if err != nil {
			t.Fatal(err)
		}
		return list
	}
	list := versions()
	if len(list) != 1 || list[0].Person != "boss" || list[0].Reason != "it fails often" || list[0].CleanPrints != 5 || list[0].AfterService != "yes" || list[0].Printer != "P-014" {
		t.Fatalf("got %+v", list)
	}
	if f := list[0].Forecast; !(f.Starts > 0) || !(f.ProbesWas < f.Probes) || !(f.FailuresSavedLow <= f.FailuresSaved) || !(f.FailuresSavedHigh >= f.FailuresSaved) {
		t.Errorf("what was expected: %+v", f)
	}
	p = c.Page("/setup/policies/Careful?saved=yes")
	if says := p.Text(".head"); !strings.Contains(says, "Wipe every 5 prints; probe every start and after a service. Printer P-014.") || !strings.Contains(says, "by boss: it fails often.") {
		t.Errorf("its page says %q", says)
	}
	for path, want := range map[string]string{"/printers/P-014": "Probe every start and after a service; wipe every 5 prints", "/setup/policies": "Careful"} {
		if text := c.Page(path).Text("main"); !strings.Contains(text, want) {
			t.Errorf("%s does not say %q", path, want)
		}
	}
	change := url.Values{"clean_prints": {"3"}, "printer": {"P-014"}, "reason": {"not enough"}, "act": {"save"}, "in_force_from": {at.Add(48 * time.Hour).Format("2006-01-02T15:04")}}
	if a := c.Form("/setup/policies/Careful", change); a.Status != 303 || !strings.HasSuffix(a.Header.Get("Location"), "saved=later") {
		t.Fatalf("changing: got %d to %q: %s", a.Status, a.Header.Get("Location"), a.Body)
	}
	p = c.Page("/setup/policies/Careful")
	back := formOf(p, "/setup/policies/Careful", "back")
	if a := c.Form("/setup/policies/Careful", back); a.Status != 303 {
		t.Fatalf("taking back: got %d: %s", a.Status, a.Body)
	}
	if a := c.Form("/setup/policies/Careful", back); a.Status != 409 {
		t.Errorf("taking back twice: got %d", a.Status)
	}
	if list = versions(); len(list) != 2 || list[1].VoidedAt.IsZero() || list[1].VoidReason != "taken back" {
		t.Errorf("got %+v", list)
	}
	if a := c.Form("/setup/policies/Careful", url.Values{"act": {"end"}}); a.Status != 422 || !strings.Contains(a.Body, "Why is needed.") {
		t.Errorf("ending without a reason: got %d", a.Status)
	}
	if a := c.Form("/setup/policies/Careful", url.Values{"act": {"end"}, "end_reason": {"it was the tip"}}); a.Status != 303 {
		t.Fatalf("ending: got %d: %s", a.Status, a.Body)
	}
	if list = versions(); len(list) != 3 || list[2].Ended != "yes" && list[1].Ended != "yes" {
		t.Errorf("got %+v", list)
	}
	if text := c.Page("/setup/policies").Text("main"); !strings.Contains(text, "Ended") || !strings.Contains(text, "it was the tip") {
		t.Errorf("the list says %s", text)
	}
	if a := c.Form("/setup/policies/Careful", url.Values{"act": {"end"}, "end_reason": {"again"}}); a.Status != 409 {
		t.Errorf("ending twice: got %d", a.Status)
	}
}

func TestAPolicysFormSaysWhatIsWrong(t *testing.T) {
	site := demoSite(t)
	c := site.As("boss", "manager")
	for _, x := range []struct {
		change url.Values
		want   string
	}{
		{url.Values{"clean_prints": {""}}, "Say what it asks for"},
		{url.Values{"name": {""}}, "Name is needed."},
		{url.Values{"name": {"Washing"}}, "there is a policy of this one"},
		{url.Values{"reason": {" "}}, "Why is needed."},
		{url.Values{"printer": {"P-999"}}, "Printer: found “P-999”"},
		{url.Values{"plate": {"L-999"}}, "Plate: found “L-999”"},
		{url.Values{"clean_prints": {"1001"}}, "Wipe every: found “1001”"},
		{url.Values{"job_plates_from": {"9"}, "job_plates_to": {"3"}}, "Jobs of at most: found “3”"},
		{url.Values{"in_force_from": {"soon"}}, "In force from: found “soon”"},
	} {
		form := url.Values{"name": {"New"}, "clean_prints": {"8"}, "reason": {"why"}, "act": {"save"}}
		for k, v := range x.change {
			form[k] = v
		}
		if a := c.Form("/setup/add-policy", form); a.Status != 422 || !strings.Contains(a.Body, x.want) {
			t.Errorf("%v: got %d without %q", x.change, a.Status, x.want)
		}
	}
	if list, _ := site.Store.PolicyVersions(context.Background(), "New"); len(list) != 0 {
		t.Error("something was stored")
	}
	operator := site.As("amara", "operator")
	for _, path := range []string{"/setup/policies", "/setup/add-policy", "/setup/policy-suggestions", "/setup/policy-effects"} {
		if a := operator.Get(path); a.Status != 403 {
			t.Errorf("%s: an operator gets %d", path, a.Status)
		}
	}
	for path, want := range map[string]int{"/setup/policies/None": 404, "/setup/policies/Washing/versions/none": 404, "/setup/policy-suggestions/printer/P-999": 404, "/setup/policy-suggestions/none/P-014": 404} {
		if a := c.Get(path); a.Status != want {
			t.Errorf("%s: got %d, want %d", path, a.Status, want)
		}
	}
}

// A suggestion leads to the form of a policy with its preview, and its curve goes out
// as CSV; changes stand with what came of them.
func TestASuggestionIsTakenOver(t *testing.T) {
	site := demoSite(t)
	c := site.As("boss", "manager")
	p := c.Page("/setup/policy-suggestions")
	text := p.Text("main")
	for _, page := range []string{"2", "3", "4"} {
		text += c.Page("/setup/policy-suggestions?page=" + page).Text("main")
	}
	for _, part := range []string{"Wipe every", "Nothing gained", "No suggestion: too little data", "plates"} {
		if !strings.Contains(text, part) {
			t.Errorf("the lists do not say %q: %s", part, text)
		}
	}
	taken := ""
	for _, row := range p.All("tbody tr th a") {
		page := c.Page(webtest.Attr(row, "href"))
		for _, link := range page.All(".acts a.button") {
			taken = webtest.Attr(link, "href")
		}
		if page.Text("h1") == "" || !strings.Contains(page.Text("main"), "How sure") && !strings.Contains(page.Text("main"), "Because") {
			t.Errorf("%s says %s", webtest.Attr(row, "href"), page.Text("main"))
		}
		if taken != "" {
			if csv := c.Get(webtest.Attr(row, "href") + "/curve.csv"); csv.Status != 200 || !strings.Contains(csv.Body, "every,cost,cost_low") {
				t.Errorf("CSV: got %d %s", csv.Status, csv.Body)
			}
			break
		}
	}
	if taken == "" {
		t.Fatal("no suggestion to take over on the demo's farm")
	}
	p = c.Page(taken)
	if p.Text("#preview") == "" || p.Text("button.main") != "Put in force" {
		t.Errorf("the form it leads to: %s", p.Text("main"))
	}
	text = c.Page("/setup/policy-effects").Text("main")
	if !strings.Contains(text, "After work on a machine") || !strings.Contains(text, "Worst-of-many gets better by itself") {
		t.Errorf("the effects say %s", text)
	}
}
