package web_test

import (
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// TestChangingOverInTheBrowser: from the grading page to another person's, on a
// tablet, by taps alone, in three seconds at most.
func TestChangingOverInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := gradeSite(t)
	admin := site.As("ines", "admin")
	tablet := site.Tablet(admin, "Bay 2 left")
	for i := range 14 {
		handle := "person-" + strconv.Itoa(i)
		site.As(handle, "operator")
		site.GivePin(handle)
	}
	site.Pin(tablet, "person-3")
	looks := views()
	if *shots != "" {
		looks = append(slices.Clone(looks), webtest.View{Name: "noscript", Width: 820, Height: 1180, Dark: true, NoScript: true})
	}
	for _, v := range looks {
		tab := site.Tab(t, tablet, v)
		look := func(name string) {
			if !v.NoScript {
				tab.Fits()
				tab.Accessible()
			}
			if *shots != "" {
				tab.Shot(filepath.Join(*shots, "tablet-"+name+"-"+v.Name+".png"), false)
			}
		}
		for name, path := range map[string]string{"who": "/who?next=%2Fgrade", "pin": "/who?person=person-5", "own": "/account", "enrol": "/enrol"} {
			if v.NoScript {
				tab.Do(chromedp.Navigate(site.URL+path), chromedp.WaitReady(chromedp.CSS("main")))
			} else {
				tab.Open(path)
			}
			look(name)
		}
	}
	tab := site.Tab(t, tablet, webtest.View{Name: "tablet", Width: 820, Height: 1180})
	tab.Open("/grade")
	began, taps := time.Now(), 0
	tap := func(selector string) {
		t.Helper()
		taps++
		tab.Do(chromedp.Click(chromedp.CSS(selector)))
	}
	tap(".switch button")
	tab.Do(chromedp.WaitReady(chromedp.CSS(".whos")))
	tap(`.whos a[href*="person-7"]`)
	tab.Do(chromedp.WaitReady(chromedp.CSS("html[data-ready] [data-keypad]:not([hidden])")))
	if low := webtest.Eval[int](tab, `[...document.querySelectorAll(".keypad button")].filter(b => b.getBoundingClientRect().height < 80).length`); low > 0 {
		t.Errorf("%d keys are lower than 80 px", low)
	}
	for _, d := range webtest.PIN {
		tap(`[data-digit="` + string(d) + `"]`)
	}
	tap(".keypad .main")
	tab.Do(chromedp.WaitReady(chromedp.CSS(".who")))
	took := time.Since(began)
	t.Logf("changed over in %d taps and %s", taps, took.Round(time.Millisecond))
	if took > 3*time.Second {
		t.Errorf("changing over took %s, want 3 s at most", took)
	}
	if got := webtest.Eval[string](tab, `document.querySelector(".who .name").textContent`); got != "person-7, operator" {
		t.Errorf("signed in: %q", got)
	}
}
