package web_test

import (
	"net/url"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// The states of evidence, printer and plate pages that the walk over all pages
// does not meet, in every view.
func TestEvidenceAndThingsInTheBrowserAreAccessibleAndFit(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "manager")
	for _, reason := range []string{"The probe was broken until the 3rd, and nobody wrote it down.", "Grading was strict that week."} {
		id := webtest.Attr(amara.Page(probingPage).One("section[aria-labelledby=disagreements] input[name=id]"), "value")
		amara.Form(probingPage+"/disagreements", url.Values{"id": {id}, "reason": {reason}})
	}
	amara.Form(webtest.Attr(amara.Page(probingPage).All("[data-disagreement] form.inline")[0], "action"), url.Values{"reason": {"saw the second table"}})
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for _, p := range []struct{ name, path string }{
				{"finding-said", probingPage}, {"finding-watching", "/findings/printer/P-002/cleaning_gap"}, {"finding-reverse", "/findings/printer/P-004/skipped_probing"},
				{"findings-state", "/findings?state=quiet&kind=plate"}, {"printer-probes", "/printers/P-014?kind=probe&layers=20"}, {"plate-marks", "/plates/L-133?layers=500"},
				{"plate-none", "/plates/L-107?kind=hold"},
			} {
				tab.Open(p.path)
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			// The gap curve is walked by its keys, as every chart.
			tab.Open("/findings/plate/L-002/cleaning_gap")
			read := webtest.Eval[string](tab, `(() => { const c = document.querySelector(".chart"); c.focus(); c.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight", bubbles: true, cancelable: true})); return document.getElementById("curve-at").textContent })()`)
			if !strings.Contains(read, "prints since cleaned: ") {
				t.Errorf("the first point of the gap curve reads %q", read)
			}
			tab.Open(probingPage)
			tab.Do(chromedp.Click(chromedp.CSS("section[aria-labelledby=disagreements] .disagree summary")), chromedp.WaitVisible(chromedp.CSS("#reason")))
			tab.Fits()
			tab.Accessible()
		})
	}
}

// The history is filtered and walked by its links, by keyboard too.
func TestAHistoryIsFilteredInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	tab := site.Tab(t, site.As("amara", "operator"), webtest.View{Name: "tablet", Width: 820, Height: 1180})
	tab.Open("/printers/P-001")
	tab.Do(chromedp.Click(chromedp.CSS(`.past .filters a[href*="kind=first_layer"]`)), chromedp.WaitReady(chromedp.CSS(`.past a[aria-current][href*="kind=first_layer"]`)),
		chromedp.Focus(chromedp.CSS(".pager a[rel=next]")), chromedp.KeyEvent("\r"), chromedp.WaitReady(chromedp.CSS(`.pager a[href$="#history"]:not([rel])`)))
	if n := webtest.Eval[int](tab, `document.querySelectorAll('li[data-event]:not([data-event="first_layer"])').length`); n != 0 {
		t.Errorf("the second page of first layers shows %d other entries", n)
	}
}

// Printer sheet, plate sheet and evidence on A4 and Letter: nothing is cut off
// at the side, navigation and forms stay away, the head says of when it is.
func TestSheetsPrintOnBothPapers(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "operator")
	tab := site.Tab(t, amara, webtest.View{Name: "desk", Width: 1440, Height: 900, Dark: true})
	for name, path := range map[string]string{"printer": "/printers/P-014", "plate": "/plates/L-133", "evidence": "/findings/plate/L-002/cleaning_gap", "findings": "/findings"} {
		tab.Open(path)
		for paper, size := range map[string]chromedp.PaperSize{"a4": chromedp.PaperA4, "letter": chromedp.PaperLetter} {
			file := ""
			if *shots != "" {
				file = filepath.Join(*shots, "print-"+name+"-"+paper+".pdf")
			}
			if pdf := tab.Paper(size, file); len(pdf) < 1000 {
				t.Errorf("%s on %s: a PDF of %d bytes", name, paper, len(pdf))
			}
		}
		tab.Print(680) // A4 less its margins, in CSS pixels
		tab.Fits()
		for selector, shown := range map[string]bool{".areas": false, ".topline": false, ".filters": false, ".actions": false, ".disagree": false, ".paper": true, "h1": true} {
			got := webtest.Eval[bool](tab, `[...document.querySelectorAll("`+selector+`")].some(e => e.checkVisibility())`)
			if got != shown {
				t.Errorf("%s on paper: %s is shown: %t, want %t", name, selector, got, shown)
			}
		}
		tab.Print(0)
	}
}
