package web_test

import (
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// handPages are the pages of logging by hand in their states.
var handPages = []struct{ name, path string }{
	{"upkeep", "/upkeep"}, {"upkeep-printers", "/upkeep?list=printers&only=changed"}, {"upkeep-holds", "/upkeep?list=holds"}, {"upkeep-away", "/upkeep?list=away"},
	{"clean", "/upkeep/clean?plate=L-107"}, {"probe", "/upkeep/probe?printer=P-001"}, {"skip", "/upkeep/skip?printer=P-001"}, {"fit", "/upkeep/fit?printer=P-001"},
	{"take-off", "/upkeep/take-off?printer=P-001"}, {"offset", "/upkeep/offset?printer=P-001"}, {"service", "/upkeep/service?printer=P-001"}, {"state", "/upkeep/state?plate=L-107"},
	{"hold", "/upkeep/hold"}, {"hold-printer", "/upkeep/hold?printer=P-001"}, {"recent", "/upkeep/recent"},
}

func TestPagesOfLoggingByHandAreAccessibleAndFit(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "manager")
	amara.Form("/upkeep/clean", with(opened(t, amara, "/upkeep/clean?plate=L-107&plate=L-108"), "method", "wipe", "agent", "isopropyl alcohol"))
	held := strings.TrimPrefix(webtest.Attr(amara.Page("/upkeep?list=holds").All(".care a.act")[0], "href"), site.URL)
	saved := amara.Form("/upkeep/offset", with(opened(t, amara, "/upkeep/offset?printer=P-002"), "from_mm", "0.10", "to_mm", "0.06", "when", "2026-03-08T09:00", "reason", "gaps")).Header.Get("Location")
	entry := strings.TrimPrefix(saved, "/upkeep?saved=")
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			look := func(name string) {
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			for _, p := range append(handPages, struct{ name, path string }{"release", held}, struct{ name, path string }{"saved", saved}, struct{ name, path string }{"undo", "/upkeep/undo?entry=" + entry}) {
				tab.Open(p.path)
				look(p.name)
			}
			// A refused form: the summary has the focus and leads to the fields.
			tab.Open("/upkeep/probe")
			tab.Do(chromedp.Click(chromedp.CSS("form.record .more summary")), chromedp.SendKeys(chromedp.CSS("#f-mesh"), "0.1 high"), chromedp.Click(chromedp.CSS("button[value=save]")), chromedp.WaitReady(chromedp.CSS("[data-problems]")),
				chromedp.WaitReady(chromedp.CSS("html[data-ready]")))
			tab.Expect("422")
			if got := webtest.Eval[bool](tab, `document.activeElement.matches("[data-problems]")`); !got {
				t.Error("the summary of what is wrong does not have the focus")
			}
			look("refused")
			tab.Open("/upkeep/probe?printer=P-001")
			tab.Do(chromedp.Click(chromedp.CSS("input[value=full]")), chromedp.Click(chromedp.CSS("form.record .more summary")),
				chromedp.SendKeys(chromedp.CSS("#f-mesh"), "0.012 0.034 -0.020\n0.001 0.000 -0.011\n-0.02 0.01 0.03"), chromedp.Click(chromedp.CSS("input[name=mesh_first][value=back]")),
				chromedp.Click(chromedp.CSS("button[value=look]")), chromedp.WaitReady(chromedp.CSS(".mesh-map")), chromedp.WaitReady(chromedp.CSS("html[data-ready]")))
			look("mesh")
		})
	}
}

func TestLoggingByHandInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	for _, v := range []webtest.View{{Name: "with script", Width: 820, Height: 1180}, {Name: "without script", Width: 820, Height: 1180, NoScript: true}} {
		t.Run(v.Name, func(t *testing.T) {
			site := handSite(t)
			amara := site.As("amara", "operator")
			tab := site.Tab(t, amara, v)
			open := func(path string) { tab.Do(chromedp.Navigate(site.URL+path), chromedp.WaitReady(chromedp.CSS("main"))) }
			save := chromedp.Click(chromedp.CSS("button[value=save]"))
			said := func(want string) {
				t.Helper()
				tab.Do(chromedp.WaitReady(chromedp.CSS(".saved")))
				if got := amara.Page(tab.Path()).Text(".saved"); !strings.Contains(got, want) {
					t.Errorf("said back: %q, want %q", got, want)
				}
			}
			// Chosen in the list, logged together, taken back.
			open("/upkeep?list=plates")
			tab.Do(chromedp.Click(chromedp.CSS("tr[data-plate='L-1'] input")), chromedp.Click(chromedp.CSS("tr[data-plate='L-2'] input")), chromedp.Click(chromedp.CSS(".chosen .button")),
				chromedp.WaitReady(chromedp.CSS("input[value=wash]")), chromedp.Click(chromedp.CSS("input[value=wash]")), save)
			said("Saved: washed L-1, L-2.")
			tab.Do(chromedp.Click(chromedp.CSS(".saved button")), chromedp.WaitReady(chromedp.CSS(".recent li.voided")))
			said("Undone: washed L-1, L-2.")

			open("/upkeep/fit?printer=P-1")
			tab.Do(chromedp.SendKeys(chromedp.CSS("#f-plate"), "L-4"), chromedp.Click(chromedp.CSS("input[name=old_plate][value=in_wash]")), save)
			said("Saved: fitted L-4.")
			open("/upkeep/offset?printer=P-1")
			tab.Do(chromedp.SendKeys(chromedp.CSS("#f-from_mm"), "0,10"), chromedp.SendKeys(chromedp.CSS("#f-to_mm"), "0.14"), chromedp.Click(chromedp.CSS("input[value=up]")), save)
			said("Saved: offset changed P-1.")
			open("/upkeep/hold")
			tab.Do(chromedp.SendKeys(chromedp.CSS("#f-subject"), "p1"), save, chromedp.WaitReady(chromedp.CSS(".button.danger")))
			if got := webtest.Eval[string](tab, `document.querySelector(".button.danger").innerText`); got != "Hold P-1" {
				t.Errorf("the button says %q, want the act", got)
			}
			tab.Do(chromedp.SendKeys(chromedp.CSS("#f-reason"), "noise"), save)
			said("Saved: held P-1.")
			open("/upkeep/release?printer=P-1")
			tab.Do(chromedp.SendKeys(chromedp.CSS("#f-reason"), "belt tightened"), save)
			said("Saved: released P-1.")
			tab.Expect("422")
		})
	}
}
