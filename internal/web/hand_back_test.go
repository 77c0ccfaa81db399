package web_test

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/store"
	"basecourse/internal/webtest"
)

// TestLoggingComesBackToThePageItWasReachedFrom: the saved line with its undo
// stands there, and an address of elsewhere leads to Upkeep.
func TestLoggingComesBackToThePageItWasReachedFrom(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	from := func(referer string) *webtest.Page {
		return c.Do("GET", "/upkeep/clean?plate=L-1", "", "", func(r *http.Request) { r.Header.Set("Referer", referer) }).Page(t)
	}
	for _, x := range []struct{ referer, want string }{
		{site.URL + "/floor?state=due&saved=4", "/floor?state=due"}, {site.URL + "/printers/P-1?kind=probe", "/printers/P-1?kind=probe"}, {site.URL + "/plates/L-1", "/plates/L-1"},
		{site.URL + "/upkeep?list=printers", "/upkeep?list=printers"}, {site.URL + "/findings", "/upkeep"}, {site.URL + "/upkeep/probe", "/upkeep"}, {site.URL + "/printers/P-1/coupon", "/upkeep"},
		{"http://elsewhere.example/floor", "/upkeep"}, {"", "/upkeep"}, {site.URL + "//elsewhere.example/floor", "/upkeep"},
	} {
		form := with(webtest.FormValues(from(x.referer).One("form.record")), "method", "wipe")
		a := c.Form("/upkeep/clean", form)
		back, saved, _ := strings.Cut(strings.Replace(a.Header.Get("Location"), "&saved=", "?saved=", 1), "?saved=")
		if a.Status != http.StatusSeeOther || back != x.want || saved == "" {
			t.Errorf("from %s: got %d to %s, want %s with what was saved", x.referer, a.Status, a.Header.Get("Location"), x.want)
			continue
		}
		p := c.Page(a.Header.Get("Location"))
		if words := p.Text(".saved"); !strings.Contains(words, "Saved: wiped L-1.") {
			t.Errorf("from %s: the page says %q", x.referer, words)
		}
		undone := c.Form("/upkeep/undo", webtest.FormValues(p.One(".saved form")))
		if got, want := undone.Header.Get("Location"), a.Header.Get("Location"); got != want {
			t.Errorf("from %s: undone leads to %s, want %s", x.referer, got, want)
		}
	}
	for _, bad := range []string{"//elsewhere.example", "https://elsewhere.example/floor", "/sign-out", "/floor\\x", "/setup/people"} {
		form := with(webtest.FormValues(from("").One("form.record")), "method", "wipe")
		form.Set("back", bad)
		if a := c.Form("/upkeep/clean", form); !strings.HasPrefix(a.Header.Get("Location"), "/upkeep?saved=") {
			t.Errorf("back to %q: got %d to %s, want Upkeep", bad, a.Status, a.Header.Get("Location"))
		}
	}
}

func TestLeaversAreNotOfferedAsWhoDidIt(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "manager")
	site.As("jonas", "operator")
	if err := site.Store.DisableAccount(context.Background(), store.Act{Via: "command"}, "jonas"); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/upkeep/clean?plate=L-1", "/grade/P-1"} {
		var names []string
		for _, o := range c.Page(path).All("select[name=person] option") {
			names = append(names, webtest.Attr(o, "value"))
		}
		if !slices.Contains(names, "amara") || slices.Contains(names, "jonas") {
			t.Errorf("%s offers %v, want amara and not jonas, who left", path, names)
		}
	}
}
