package web_test

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// views are those pages are checked in; all there are where pictures are wanted.
func views() []webtest.View {
	if *shots != "" {
		return webtest.AllViews
	}
	return webtest.Views
}

// seldom are states of pages that the walk over the table of routes does not
// come by: they are looked at by the accessibility checker in every view.
var seldom = []struct{ name, path string }{{"floor-walking", "/floor?order=walking&bay=Back+room"}, {"finding-little", "/findings/printer/P-003/skipped_probing"}}

// pages are those to take pictures of with -shots.
var pages = []struct{ name, path string }{
	{"floor", "/floor"}, {"floor-walking", "/floor?order=walking&bay=Back+room"}, {"findings", "/findings"},
	{"finding-probing", "/findings/printer/P-001/skipped_probing"}, {"finding-gap", "/findings/plate/L-002/cleaning_gap"},
	{"finding-little", "/findings/printer/P-003/skipped_probing"},
	{"printer", "/printers/P-001"}, {"plate", "/plates/L-107"}, {"setup", "/setup"}, {"help", "/help"}, {"help-api", "/help/api"},
	{"setup-printers", "/setup/printers"}, {"setup-printer", "/setup/printers/P-001"}, {"setup-add-plate", "/setup/add-plate"}, {"setup-people", "/setup/people"}, {"setup-person", "/setup/people/amara"},
	{"setup-settings", "/setup/settings"}, {"setup-over-bonding", "/setup/over-bonding"}, {"setup-cautions", "/setup/cautions"}, {"setup-tokens", "/setup/tokens"}, {"setup-add-token", "/setup/add-token"}, {"setup-shifts", "/setup/shifts"}, {"jobs", "/jobs"}, {"missing", "/printers/NONE"},
}

func TestEveryPageInTheBrowserIsAccessibleAndFits(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "admin")
	layer := strings.TrimPrefix(webtest.Attr(amara.Page("/printers/P-001").All(".history a")[0], "href"), site.URL)
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			look := seldom
			if *shots != "" {
				look = append(pages, struct{ name, path string }{"first-layer", layer})
			}
			for _, p := range look {
				tab.Open(p.path)
				tab.Expect("404")
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+".png"), false)
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			tab.Do(chromedp.Click(chromedp.CSS(".who summary")), chromedp.WaitVisible(chromedp.CSS(".who .menu")))
			tab.Fits()
			tab.Accessible()
			if *shots != "" {
				tab.Shot(filepath.Join(*shots, "menu-"+v.Name+".png"), false)
			}
			out := site.Tab(t, nil, v)
			out.Open("/sign-in")
			out.Fits()
			out.Accessible()
			if *shots != "" {
				out.Shot(filepath.Join(*shots, "sign-in-"+v.Name+".png"), false)
			}
		})
	}
}

func TestSigningInInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	site.As("amara", "operator")
	for _, v := range []webtest.View{{Name: "with script", Width: 820, Height: 1180}, {Name: "without script", Width: 820, Height: 1180, NoScript: true}} {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, nil, v)
			tab.Do(chromedp.Navigate(site.URL+"/findings"), chromedp.WaitReady(chromedp.CSS("#handle")),
				chromedp.SendKeys(chromedp.CSS("#handle"), "amara"), chromedp.SendKeys(chromedp.CSS("#password"), webtest.Password),
				chromedp.Click(chromedp.CSS("button.main")), chromedp.WaitReady(chromedp.CSS("nav.areas")))
			if got := tab.Path(); got != "/findings" {
				t.Errorf("after signing in: got %s, want the page that was asked for, /findings", got)
			}
			tab.Do(chromedp.Click(chromedp.CSS(`a.open[href$="/P-001/skipped_probing"]`)), chromedp.WaitReady(chromedp.CSS(".advice")))
			if got := tab.Path(); got != "/findings/printer/P-001/skipped_probing" {
				t.Errorf("opening a finding: got %s", got)
			}
		})
	}
}

// TestTheCheckerSeesWhatIsWrong keeps the accessibility checks honest: a page
// that is broken on purpose must fail them.
func TestTheCheckerSeesWhatIsWrong(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := webtest.New(t)
	tab := site.Tab(t, nil, webtest.View{Name: "broken", Width: 820, Height: 1180})
	tab.Open("/sign-in")
	webtest.Eval[any](tab, `document.querySelector("label").remove(), document.body.append(document.createElement("img")), document.querySelector("h1").className = "quiet", null`)
	if got := tab.Violations(); !slices.Contains(got, "label") || !slices.Contains(got, "image-alt") {
		t.Errorf("a page without a label and with a picture nobody describes: the checker found %v", got)
	}
}
