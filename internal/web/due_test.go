package web_test

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/upkeep"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// dueSite is handSite's farm with something due: P-1's plate and probe, P-2 (on hold),
// and P-3 after three starts.
func dueSite(t *testing.T) *webtest.Site {
	t.Helper()
	due := func(task upkeep.Task, printer, plate string, saves float64, in int, because string) upkeep.Item {
		return upkeep.Item{Due: upkeep.Due{Task: task, Because: []string{because}, Effort: upkeep.Effort{Person: 1, Machine: 6}, Saves: saves, Low: saves / 2, High: saves * 2}, Printer: printer, Plate: plate, In: in}
	}
	list := web.FindingList{AsOf: at, FirstLayers: 900, Graded: 800, Ahead: map[string][]upkeep.Item{
		"P-1": {due(upkeep.Wipe, "P-1", "L-1", 2.5, 0, "9 prints since it was cleaned"), due(upkeep.Probe, "P-1", "L-1", 1.5, 0, "6 starts since its probe")},
		"P-2": {due(upkeep.Wipe, "P-2", "L-2", 9, 0, "40 prints since it was cleaned")},
		"P-3": {due(upkeep.Probe, "P-3", "", 0, 3, "")},
	}, Lately: map[string]web.Lately{"P-3": {Started: 280}}}
	var seconds atomic.Int64 // every look at the clock is a second later
	clock := func() time.Time { return at.Add(time.Duration(seconds.Add(1)) * time.Second) }
	site := handSite(t, func(c *web.Config) { c.Now, c.Findings = clock, &webtest.Findings{List: list} })
	site.Store.SetClock(clock)
	return site
}

// dueForm gives the fields of the list's form, without ticks.
func dueForm(p *webtest.Page) url.Values {
	form := url.Values{}
	for _, n := range p.All("form.due input[type=hidden]") {
		form.Set(webtest.Attr(n, "name"), webtest.Attr(n, "value"))
	}
	return form
}

func TestWhatIsDueIsLoggedByOneTap(t *testing.T) {
	site := dueSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/upkeep")
	rows := p.Texts("form.due li")
	if len(rows) != 2 || !strings.Contains(rows[0], "Wipe L-1") || !strings.Contains(rows[0], "9 prints since it was cleaned.") || !strings.Contains(rows[1], "Probe") {
		t.Fatalf("rows %q, want the wipe and the probe of P-1, with why", rows)
	}
	if !strings.Contains(rows[0], "saves 2.50 EUR") || !strings.Contains(rows[0], "1.25 EUR to 5.00 EUR") || !strings.Contains(rows[0], "1 min") {
		t.Errorf("%q lacks the saving, its range or the minutes", rows[0])
	}
	if all := p.Text("main"); !strings.Contains(all, "1 printer on hold") || strings.Contains(all, "Wipe L-2") {
		t.Errorf("the held printer is not left out, or not told: %s", all)
	}
	// The Floor says the same.
	if next := c.Page("/floor").Text("tr[data-printer=P-1]"); !strings.Contains(next, "Wipe L-1, then probe before the next start") {
		t.Errorf("the Floor says %q", next)
	}
	form := dueForm(p)
	a := c.Form("/upkeep/due", with(form, "one", "wipe|P-1|L-1"))
	there := a.Header.Get("Location")
	if a.Status != 303 || !strings.HasPrefix(there, "/upkeep?saved=") {
		t.Fatalf("got %d to %s", a.Status, there)
	}
	p = c.Page(there)
	if got := p.Text(".saved"); !strings.Contains(got, "Saved: wiped L-1.") {
		t.Errorf("after the tap: %q", got)
	}
	if rows := p.Texts("form.due li"); len(rows) != 1 || !strings.Contains(rows[0], "Probe") {
		t.Errorf("still due: %q, want the probe alone", rows)
	}
	if next := c.Page("/floor").Text("tr[data-printer=P-1]"); !strings.Contains(next, "Probe before the next start") || strings.Contains(next, "Wipe") {
		t.Errorf("the Floor says %q", next)
	}
	// The same form again, or another tablet's of the same time: nothing twice.
	other := site.As("ines", "operator")
	for _, who := range []*webtest.Client{c, other} {
		again := who.Form("/upkeep/due", with(form, "one", "wipe|P-1|L-1"))
		if at := again.Header.Get("Location"); again.Status != 303 || !strings.Contains(at, "already=L-1") || strings.Contains(at, "saved=") {
			t.Errorf("sent again: %d to %s", again.Status, at)
		} else if got := who.Page(at).Text(".notice"); !strings.Contains(got, "Logged already") || !strings.Contains(got, "L-1") {
			t.Errorf("the page says %q", got)
		}
	}
	if n := cleanings(c, "L-1"); n != 1 {
		t.Errorf("L-1 has %d cleanings, want 1", n)
	}
	// Undone it is due again, and can be logged again.
	entry := strings.TrimPrefix(there, "/upkeep?saved=")
	c.Form("/upkeep/undo", url.Values{"entry": {entry}, "next": {"/upkeep"}})
	p = c.Page("/upkeep")
	if len(p.All("form.due li")) != 2 {
		t.Errorf("after undoing: %q", p.Texts("form.due li"))
	}
	if a := c.Form("/upkeep/due", with(dueForm(p), "one", "wipe|P-1|L-1")); !strings.Contains(a.Header.Get("Location"), "saved=") {
		t.Errorf("logged again after the undo: %d to %s", a.Status, a.Header.Get("Location"))
	}
}

// cleanings counts a plate's cleanings that stand.
func cleanings(c *webtest.Client, plate string) (n int) {
	for _, h := range historyLines(c, "/plates/"+plate) {
		if strings.Contains(h, "Wiped") && !strings.Contains(h, "oided") {
			n++
		}
	}
	return n
}

// Six tablets tap at once: one record.
func TestTheSameTaskTappedOnManyTabletsAtOnce(t *testing.T) {
	site := dueSite(t)
	clients := make([]*webtest.Client, 6)
	forms := make([]url.Values, len(clients))
	for i := range clients {
		clients[i] = site.As("tablet"+strconv.Itoa(i), "operator")
		forms[i] = dueForm(clients[i].Page("/upkeep"))
		forms[i].Del("one")
		forms[i]["task"] = []string{"wipe|P-1|L-1", "probe|P-1|L-1"}
	}
	var wait sync.WaitGroup
	places := make([]string, len(clients))
	for i := range clients {
		wait.Go(func() {
			a := clients[i].Form("/upkeep/due", forms[i])
			if places[i] = a.Header.Get("Location"); a.Status != 303 {
				t.Errorf("tablet %d: got %d: %s", i, a.Status, a.Page(t).Texts("main"))
			}
		})
	}
	wait.Wait()
	saved := 0
	for _, p := range places {
		if strings.Contains(p, "saved=") {
			saved++
		} else if !strings.Contains(p, "already=") {
			t.Errorf("sent to %q", p)
		}
	}
	if n := cleanings(clients[0], "L-1"); saved != 1 || n != 1 {
		t.Errorf("%d were told it was saved, %d cleanings, want 1 and 1: %q", saved, n, places)
	}
}

func TestSkippingATaskAsksWhyAndTakesItOffUntilTheNextStart(t *testing.T) {
	site := dueSite(t)
	c := site.As("amara", "operator")
	links := map[string]string{}
	for _, a := range c.Page("/upkeep").All("form.due a.act") {
		if strings.Contains(webtest.Text(a), "Wipe") {
			links["Wipe"] = strings.TrimPrefix(webtest.Attr(a, "href"), site.URL)
		}
	}
	skip := opened(t, c, links["Wipe"])
	if a := c.Form("/upkeep/skip-task", skip); a.Status != 422 {
		t.Errorf("without a reason: %d", a.Status)
	}
	if a := c.Form("/upkeep/skip-task", with(skip, "reason", "trusted")); a.Status != 303 {
		t.Fatalf("got %d", a.Status)
	}
	if rows := c.Page("/upkeep").Texts("form.due li"); len(rows) != 1 || !strings.Contains(rows[0], "Probe") {
		t.Errorf("after the skip: %q", rows)
	}
	if got := c.Page("/upkeep").Text(".recent li"); !strings.Contains(got, "Wipe skipped") || !strings.Contains(got, "looked good enough") {
		t.Errorf("logged lately: %q", got)
	}
	for _, path := range []string{"/printers/P-1", "/plates/L-1"} {
		if list := historyLines(c, path); !slices.ContainsFunc(list, func(h string) bool { return strings.Contains(h, "Wipe skipped") }) {
			t.Errorf("%s: %q", path, list)
		}
	}
	if a := c.Form("/upkeep/skip", with(opened(t, c, "/upkeep/skip?printer=P-1"), "reason", "hurry")); a.Status != 303 {
		t.Fatalf("got %d", a.Status)
	}
	if got := c.Page("/upkeep").Text(".empty"); !strings.Contains(got, "Nothing is due") {
		t.Errorf("all skipped: %q", got)
	}
}

func TestTheListOfAShiftIsItsBays(t *testing.T) {
	site := dueSite(t)
	b := &farm.Bundle{Shifts: []farm.Shift{{Shift: "late-1", Person: "amara", StartsAt: at.Add(-time.Hour), EndsAt: at.Add(5 * time.Hour), Bay: "Bay 2"}}}
	stored(t, site, b)
	c := site.As("amara", "operator")
	p := c.Page("/upkeep?person=amara&when=shift")
	if rows := p.Texts("form.due li"); len(rows) != 1 || !strings.Contains(rows[0], "P-3") || !strings.Contains(rows[0], "Due in 3 starts") {
		t.Errorf("amara's shift in Bay 2: %q", rows)
	}
	if got := p.Text("#list"); !strings.Contains(got, "Due by 2026-03-09 21:00") {
		t.Errorf("title %q", got)
	}
	if rows := c.Page("/upkeep?when=shift&order=walking").Texts("form.due li"); len(rows) != 3 {
		t.Errorf("everybody's shift: %q", rows)
	}
	for _, bad := range []string{"/upkeep?when=later", "/upkeep?order=up", "/upkeep?list=holds&when=shift"} {
		if a := c.Get(bad); a.Status != 400 {
			t.Errorf("%s: got %d", bad, a.Status)
		}
	}
	for _, form := range []url.Values{{"id": {"x"}}, with(dueForm(p), "one", "check|P-1|"), with(dueForm(p), "more", "1"), with(dueForm(p), "one", "wipe|P-1|NONE")} {
		if a := c.Form("/upkeep/due", form); a.Status != 400 && a.Status != 422 {
			t.Errorf("%v: got %d", form, a.Status)
		}
	}
	if a := c.Form("/upkeep/due", dueForm(p)); !strings.Contains(a.Header.Get("Location"), "already=none") {
		t.Errorf("nothing ticked: %d to %s", a.Status, a.Header.Get("Location"))
	}
}
