package web_test

import (
	"net/url"
	"strings"
	"testing"
)

// A plate without a tag is two taps from the printer's page and from Grade: the link,
// and the button of a form that has nothing to fill in. Its own tag joins it later.
func TestAPlateWithoutATagIsGivenOneAndJoinedLater(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	for _, page := range []string{"/printers/P-3", "/grade/P-3"} {
		if !strings.Contains(c.Get(page).Body, `/upkeep/no-tag?printer=P-3"`) {
			t.Errorf("%s has no way to give a plate a tag", page)
		}
	}
	form := opened(t, c, "/upkeep/no-tag?printer=P-3")
	a := c.Form("/upkeep/no-tag", form)
	if a.Status != 303 {
		t.Fatalf("got %d, want 303: %s", a.Status, plain(strings.Join(a.Page(t).Texts("[data-problems] li"), " / ")))
	}
	if again := c.Form("/upkeep/no-tag", form); again.Header.Get("Location") != a.Header.Get("Location") || !strings.HasPrefix(a.Header.Get("Location"), "/plates/NOTAG-1?saved=") {
		t.Errorf("sent to %q, again to %q", a.Header.Get("Location"), again.Header.Get("Location"))
	}
	page := c.Page(a.Header.Get("Location"))
	if line := page.Text(".saved"); !strings.Contains(line, "Saved: fitted NOTAG-1.") {
		t.Errorf("said back: %q", line)
	}
	if !strings.Contains(page.Text("main"), "Join it with its own tag") {
		t.Error("the plate's page does not offer to join it")
	}
	// One in the rack: nothing is said of a printer.
	a = c.Form("/upkeep/no-tag", with(opened(t, c, "/upkeep/no-tag"), "surface", "glass"))
	if !strings.HasPrefix(a.Header.Get("Location"), "/plates/NOTAG-2") {
		t.Fatalf("got %d to %q: %s", a.Status, a.Header.Get("Location"), plain(strings.Join(a.Page(t).Texts("[data-problems] li"), " / ")))
	}
	if facts := c.Page("/plates/NOTAG-2").Text("main"); !strings.Contains(facts, "glass") {
		t.Errorf("the plate's page says %q", facts)
	}

	if a := c.Form("/upkeep/clean", with(opened(t, c, "/upkeep/clean?plate=NOTAG-1"), "method", "wipe")); a.Status != 303 {
		t.Fatalf("a wipe: got %d", a.Status)
	}
	if notice := c.Page("/upkeep/join?plate=NOTAG-1").Text("main"); !strings.Contains(notice, "Under NOTAG-1 stand 1 cleaning, 1 fitting.") {
		t.Errorf("before: %q", notice)
	}
	for into, want := range map[string]string{"": "Give the plate's own tag.", "NOTAG-2": "expected the plate's own tag"} {
		a := c.Form("/upkeep/join", with(opened(t, c, "/upkeep/join?plate=NOTAG-1"), "into", into))
		if got := strings.Join(a.Page(t).Texts("[data-problems] li"), " / "); a.Status != 422 || !strings.Contains(got, want) {
			t.Errorf("joined with %q: got %d, %q, want %q", into, a.Status, got, want)
		}
	}
	join := with(opened(t, c, "/upkeep/join?plate=NOTAG-1"), "into", "l4")
	a = c.Form("/upkeep/join", join)
	if there := a.Header.Get("Location"); a.Status != 303 || !strings.HasPrefix(there, "/plates/L-4?saved=") || c.Form("/upkeep/join", join).Header.Get("Location") != there {
		t.Fatalf("joined: got %d to %q: %s", a.Status, there, plain(strings.Join(a.Page(t).Texts("[data-problems] li"), " / ")))
	}
	there := a.Header.Get("Location")
	if lines := strings.Join(historyLines(c, "/plates/L-4"), " / "); !strings.Contains(lines, "Wiped") || !strings.Contains(lines, "Plate fitted printer P-3") {
		t.Errorf("the plate's history: %s", lines)
	}
	if line := c.Page(there).Text(".saved"); !strings.Contains(line, "Saved: joined NOTAG-1.") || !strings.Contains(line, "Undo") {
		t.Errorf("said back: %q", line)
	}
	if text := c.Page("/plates/NOTAG-1").Text("main"); !strings.Contains(text, "Joined with L-4") {
		t.Errorf("the provisional plate's page: %q", text)
	}
	undo := c.Form("/upkeep/undo", url.Values{"entry": {strings.TrimPrefix(there, "/plates/L-4?saved=")}, "next": {"/upkeep"}})
	if undo.Status != 303 {
		t.Fatalf("undo: got %d: %s", undo.Status, undo.Body)
	}
	for _, line := range historyLines(c, "/plates/L-4") {
		if strings.Contains(line, "P-3") && !strings.Contains(line, "Voided") {
			t.Errorf("after the undo there stands: %s", line)
		}
	}
	if lines := strings.Join(historyLines(c, "/plates/NOTAG-1"), " / "); !strings.Contains(lines, "Wiped") {
		t.Errorf("after the undo: %s", lines)
	}
}
