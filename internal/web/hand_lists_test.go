package web_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/fault"
	"basecourse/internal/webtest"
)

func TestUpkeepListsWhatTheRecordsSay(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	c.Form("/upkeep/clean", with(opened(t, c, "/upkeep/clean?plate=L-1"), "method", "wipe", "when", "2026-03-09T10:00"))
	c.Form("/upkeep/probe", with(opened(t, c, "/upkeep/probe?printer=P-1"), "extent", "full", "when", "2026-03-09T10:00"))
	c.Form("/upkeep/service", with(opened(t, c, "/upkeep/service?printer=P-1"), "work", "nozzle"))
	for path, want := range map[string]string{
		"/upkeep?list=plates":                "L-1 glass 0 Wiped 6 h ago 2026-03-09 10:00 P-1, Bay 1",
		"/upkeep?list=plates&only=no_record": "L-2 glass no record no record P-2, Bay 1",
		"/upkeep?list=plates&only=off":       "L-4 glass no record no record no record",
		"/upkeep?list=printers":              "P-1 Bay 1 Stale 0 6 h ago 2026-03-09 10:00 nozzle under 1 min ago",
		"/upkeep?list=holds":                 "P-2 printer Hold 2 days ago 2026-03-07 16:00 heater drops out",
		"/upkeep?list=away":                  "L-3 glass Set aside 2 days ago 2026-03-07 16:00 bent tab",
		"/upkeep?list=printers&bay=Bay+2":    "P-3 Bay 2 no record no record –",
	} {
		if got := plain(strings.Join(c.Page(path).Texts("table.care tbody tr"), " | ")); !strings.Contains(got, want) {
			t.Errorf("%s: %q lacks %q", path, got, want)
		}
	}
	page := c.Page("/upkeep?list=plates")
	for _, link := range slices.Concat(page.All(".acts a"), page.All(".care a"), page.All(".filters a")) {
		if a := c.Get(webtest.Attr(link, "href")); a.Status != 200 {
			t.Errorf("%s: got %d", webtest.Attr(link, "href"), a.Status)
		}
	}
	empty := webtest.New(t)
	e := empty.As("amara", "operator")
	for path, want := range map[string]string{"/upkeep": "What is due appears here", "/upkeep?list=plates": "Plates appear here", "/upkeep?list=printers": "Printers appear here", "/upkeep?list=holds": "No hold is in force", "/upkeep?list=away": "Plates appear here", "/upkeep/recent": "Nothing logged by hand yet"} {
		if got := strings.Join(e.Page(path).Texts(".empty"), " "); !strings.Contains(got, want) {
			t.Errorf("%s on an empty farm: %q lacks %q", path, got, want)
		}
	}
}

func TestTheListOfWhatWasLoggedIsPaged(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	for range 53 {
		if a := c.Form("/upkeep/skip", with(opened(t, c, "/upkeep/skip?printer=P-1"), "reason", "trusted")); a.Status != 303 {
			t.Fatalf("got %d", a.Status)
		}
	}
	p := c.Page("/upkeep/recent")
	if n := len(p.All(".recent li")); n != 50 {
		t.Errorf("%d entries on the first page, want 50", n)
	}
	older := c.Page(webtest.Attr(p.One(".pager a[rel=next]"), "href"))
	if n := len(older.All(".recent li")); n != 3 || len(older.All(".pager a[rel=next]")) != 0 {
		t.Errorf("%d entries on the second page, want the last three", n)
	}
	if _, err := site.Store.HandAct(context.Background(), 1); !fault.Is(err, fault.NotFound) {
		t.Errorf("the import's act: got %v, want it not shown as somebody's entry", err)
	}
}

// What the Floor, a printer's and a plate's page ask for is logged from there
// with the subject filled in.
func TestTheFloorLeadsToLoggingWhatItAsksFor(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	links := c.Page("/floor").All("tr[data-printer] a.next")
	if len(links) == 0 {
		t.Fatal("no next action leads anywhere")
	}
	seen := map[string]bool{}
	for _, n := range links {
		href := webtest.Attr(n, "href")
		path, query, _ := strings.Cut(href, "?")
		if seen[path] {
			continue
		}
		seen[path] = true
		_, tag, _ := strings.Cut(query, "=")
		if got := c.Page(href); !strings.Contains(got.Text("main"), tag) && webtest.Attr(got.One("#f-printer"), "value") != tag {
			t.Errorf("%s (%s): the form does not name %s", href, webtest.Text(n), tag)
		}
	}
	if len(seen) < 2 {
		t.Errorf("the Floor leads to %v only", seen)
	}
}
