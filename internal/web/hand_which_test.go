package web_test

import (
	"strings"
	"testing"
)

// A plate that is fitted on one printer and named by a first layer on another is asked
// about where it is looked at; one tap says that it was moved.
func TestAPlateOnTwoPrintersIsAskedAbout(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	asked := func(path string) string { return strings.Join(c.Page(path).Texts(`.notice a`), " / ") }
	if text := c.Page("/upkeep/which").Text("main"); !strings.Contains(text, "No plate is on two printers") || strings.Contains(c.Get("/upkeep").Body, "/upkeep/which?plate") {
		t.Errorf("nothing to ask: %q", text)
	}
	sent(t, site, `{"kind":"first_layer","id":"F-77","printer":"P-3","plate":"L-1","started_at":"2026-03-09T12:00:00Z"}`)
	for _, path := range []string{"/upkeep", "/plates/L-1", "/printers/P-1", "/printers/P-3"} {
		if got := asked(path); !strings.Contains(got, "Plate L-1 is on two printers, P-1 and P-3.") {
			t.Errorf("%s asks %q", path, got)
		}
	}
	if strings.Contains(c.Get("/plates/L-2").Body, "/upkeep/which?plate") {
		t.Error("another plate's page asks too")
	}
	form := opened(t, c, "/upkeep/which?plate=L-1")
	a := c.Form("/upkeep/which", form)
	if a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/upkeep/which?saved=") {
		t.Fatalf("answered: got %d to %q: %s", a.Status, a.Header.Get("Location"), a.Body)
	}
	if again := c.Form("/upkeep/which", form); again.Status != 200 {
		t.Errorf("answered again: got %d", again.Status)
	}
	if lines := historyLines(c, "/plates/L-1"); !strings.Contains(strings.Join(lines, " / "), "Plate fitted printer P-3") {
		t.Errorf("the plate's history: %v", lines)
	}
	if strings.Contains(c.Get("/upkeep").Body, "/upkeep/which?plate") {
		t.Error("it is still asked")
	}
}
