package web_test

import (
	"path/filepath"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// The Floor's main acts: narrow it, walk it, open a printer, go on to grade.
func TestTheFloorInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := hallSite(t, 450)
	amara := site.As("amara", "operator")
	shown := append([]webtest.View{{Name: "tablet-noscript", Width: 820, Height: 1180, NoScript: true}}, views()...)
	for _, v := range shown {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			if v.NoScript {
				tab.Do(chromedp.Navigate(site.URL + "/floor"))
			} else {
				tab.Open("/floor")
				tab.Fits()
				tab.Accessible()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "floor-hall-"+v.Name+".png"), false)
					tab.Shot(filepath.Join(*shots, "floor-hall-"+v.Name+"-whole.png"), true)
				}
				if small := webtest.Eval[int](tab, `[...document.querySelectorAll("main a:not(.open), main select, main button")].filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 24).length`); small > 0 {
					t.Errorf("%d things to tap are less than 24 px high", small)
				}
			}
			tab.Do(chromedp.Click(chromedp.CSS(`.filters a[href$="state=ready"]`)), chromedp.WaitReady(chromedp.CSS(`li[data-state=ready]`)))
			if got := tab.Path(); got != "/floor?state=ready" {
				t.Errorf("choosing Ready leads to %s", got)
			}
			tab.Do(chromedp.SetValue(chromedp.CSS("#floor-bay"), "Bay 3"), chromedp.Click(chromedp.CSS("form.chooser button")),
				chromedp.WaitReady(chromedp.CSS(`option[value="Bay 3"][selected]`)))
			if got := tab.Path(); got != "/floor?state=ready&bay=Bay+3" {
				t.Errorf("choosing a bay leads to %s", got)
			}
			tab.Do(chromedp.Click(chromedp.CSS(`.showing a`)), chromedp.WaitReady(chromedp.CSS(`tr[data-printer=P-0001]`)),
				chromedp.Click(chromedp.CSS(`.filters a[href$="order=walking"]`)), chromedp.WaitReady(chromedp.CSS(`.filters a[href$="order=walking"][aria-current]`)),
				chromedp.Click(chromedp.CSS(`.pager a[href$="page=2"]`)), chromedp.WaitReady(chromedp.CSS(`[data-printer=P-0201]`)))
			if !v.NoScript {
				tab.Fits()
				tab.Accessible()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "floor-walk-"+v.Name+".png"), false)
				}
			}
			tab.Do(chromedp.Click(chromedp.CSS(`[data-printer=P-0202] a.open`)), chromedp.WaitReady(chromedp.CSS("h1[data-printer=P-0202]")))
			tab.Do(chromedp.Navigate(site.URL+"/floor"), chromedp.Click(chromedp.CSS(`[data-printer=P-0011] a.button`)), chromedp.WaitReady(chromedp.CSS("h1")))
			if got := tab.Path(); got != "/grade/P-0011" {
				t.Errorf("Grade leads to %s, want the printer's Grade page", got)
			}
			tab.Expect("404")
		})
	}
}
