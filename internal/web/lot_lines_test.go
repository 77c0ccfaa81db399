package web_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
	"github.com/gofrs/uuid/v5"
)

// leftOn keeps a draw of the standing lot that leaves a task before a printer's next start.
func leftOn(t *testing.T, site *webtest.Site, printer, plate, task string, last, when time.Time) {
	t.Helper()
	id, err := farm.NewID(farm.KindDraw, trial.ID(printer, last.UnixMicro(), task))
	if err != nil {
		t.Fatal(err)
	}
	if err := site.Store.KeepDraws(context.Background(), store.Act{Via: "program", Why: "test"}, []farm.Draw{{ID: id, Printer: printer, Plate: plate, Task: task, DrawnAt: when, Arm: "leave", Chance: 0.4, Saves: -0.01, Why: farm.DrawnLot}}); err != nil {
		t.Fatal(err)
	}
}

// What the standing lot leaves stands on Floor and Upkeep and at the machine, until the
// printer starts again.
func TestWhatTheStandingLotLeavesIsSaid(t *testing.T) {
	now := at
	site := handSite(t, func(c *web.Config) { c.Now = func() time.Time { return now } })
	c := site.As("amara", "operator")
	last := at.Add(-20 * time.Minute)
	startOn(t, site, "P-1", "S-now", "L-1", last)
	leftOn(t, site, "P-1", "L-1", "probe", last, at.Add(-10*time.Minute))
	leftOn(t, site, "P-1", "L-1", "wipe", last, at.Add(-10*time.Minute))
	lines := []string{"Drawn by lot: do not probe before the next start.", "Drawn by lot: do not wipe"}
	places := map[string]string{"/floor": "[data-printer=P-1] [data-drawn]", "/upkeep": "li[data-printer=P-1][data-drawn=leave]", "/printers/P-1": ".on-test"}
	for path, selector := range places {
		words := ""
		for _, x := range c.Page(path).All(selector) {
			words += " " + plain(webtest.Text(x))
		}
		for _, want := range lines {
			if strings.Count(words, want) != 1 {
				t.Errorf("%s says %q, want %q once", path, words, want)
			}
		}
	}
	now = at.Add(5 * time.Minute)
	startOn(t, site, "P-1", "S-next", "L-1", at)
	for path, selector := range places {
		if n := len(c.Page(path).All(selector)); n != 0 {
			t.Errorf("%s still says what was drawn for a start that was made", path)
		}
	}
}

// Without network the Grade page reminds of what a planned test drew, until a start is
// recorded there; of the standing lot, before which what is due stands, it does not.
func TestADrawIsSaidWithoutNetworkInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	x := readyTablet(t, 60*time.Second, func(site *webtest.Site) {
		sent(t, site, `{"kind":"planned_test","id":"T-1","subject_kind":"printer","subject":"P-1","cause":"skipped_probing","task":"probe","begins_at":"`+time.Now().Add(-time.Hour).UTC().Format(time.RFC3339)+`","starts":100,"share":0.5,"fails_left":0.2,"fails_done":0.05,"power":0.8,"reason":"is it the probe?"}`)
		start, err := site.Store.FirstLayer(context.Background(), farm.ID{UUID: uuid.FromStringOrNil(startID(t, "S-now"))})
		if err != nil {
			t.Fatal(err)
		}
		leftOn(t, site, "P-1", "L-1", "wipe", start.StartedAt, time.Now())
	})
	tab := x.tab
	said := func() string {
		return webtest.Eval[string](tab, `[...document.querySelectorAll(".on-test strong")].map(x => x.textContent).join("|")`)
	}
	tab.Open("/grade/P-1")
	want := said()
	if !strings.HasPrefix(want, "On test: ") || strings.Contains(want, "|") {
		t.Fatalf("with network it says %q", want)
	}
	x.net.cut.Store(true)
	away := func() { x.away("/grade/P-1") }
	clean := func() {
		tab.Do(chromedp.Click(chromedp.CSS("button[value=clean]")), chromedp.WaitVisible(chromedp.CSS(".saved")))
	}
	away()
	if got := said(); got != want {
		t.Errorf("without network it says %q, want %q", got, want)
	}
	clean() // the start that waited was before the draw
	away()
	if got := said(); got != want {
		t.Errorf("after grading the start before it says %q, want %q", got, want)
	}
	clean() // the start that it was drawn for
	away()
	if got := said(); got != "" {
		t.Errorf("after the start it was drawn for it says %q", got)
	}
	tab.Expect("ERR_")
}
