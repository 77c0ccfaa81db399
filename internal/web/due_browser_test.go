package web_test

import (
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// The list of what is due by one tap, wide and narrow.
func TestWhatIsDueInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	// The list is ticked off on phones too.
	for _, v := range append([]webtest.View{{Name: "phone-dark", Width: 360, Height: 780, Dark: true}}, views()...) {
		t.Run(v.Name, func(t *testing.T) {
			site := dueSite(t)
			c := site.As("amara", "operator")
			tab := site.Tab(t, c, v)
			look := func(name string) {
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "due-"+name+"-"+strings.ReplaceAll(v.Name, " ", "-")+".png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			ready := chromedp.CSS("html[data-ready]")
			tab.Open("/upkeep?when=shift")
			look("list")
			tab.Do(chromedp.Click(chromedp.CSS(`li[data-task=wipe] .tick label`)), chromedp.Click(chromedp.CSS(`li[data-task=probe][data-printer=P-1] .tick label`)),
				chromedp.Click(chromedp.CSS(`button[name=ticked]`)), chromedp.WaitReady(chromedp.CSS(".saved")), chromedp.WaitReady(ready))
			look("saved")
			if n := cleanings(c, "L-1"); n != 1 {
				t.Errorf("%d cleanings of L-1, want 1", n)
			}
			tab.Do(chromedp.Click(chromedp.CSS(".saved button")), chromedp.WaitReady(chromedp.CSS(`li[data-task=wipe]`)), chromedp.WaitReady(ready))
			if n := cleanings(c, "L-1"); n != 0 {
				t.Errorf("%d cleanings of L-1 after the undo, want none", n)
			}
		})
	}
}
