package web_test

import (
	"path/filepath"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// A suggestion is opened, taken over, looked at and put in force.
func TestPoliciesInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			site := demoSite(t)
			tab := site.Tab(t, site.As("boss", "manager"), v)
			shot := func(name string) {
				tab.Fits()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "policies-"+name+"-"+v.Name+".png"), true)
				}
			}
			tab.Open("/setup/policies")
			shot("list")
			tab.Open("/setup/policy-suggestions")
			shot("suggestions")
			tab.Do(chromedp.Click(chromedp.CSS("tbody th a")), chromedp.WaitReady(chromedp.CSS(".chart")))
			tab.Accessible()
			shot("suggestion")
			tab.Do(chromedp.Click(chromedp.CSS(".acts a.button.main")), chromedp.WaitReady(chromedp.CSS("#preview")))
			tab.Accessible()
			shot("preview")
			tab.Do(chromedp.Click(chromedp.CSS("form.policy button.main")), chromedp.WaitReady(chromedp.CSS("#versions")))
			tab.Accessible()
			shot("policy")
			if v.Width > 1000 {
				tab.Open("/setup/policy-effects")
				shot("effects")
			}
		})
	}
}
