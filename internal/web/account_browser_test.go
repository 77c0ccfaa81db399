package web_test

import (
	"context"
	"net/url"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// TestTheAccountPagesInTheBrowser looks at the pages that the walk over the table
// cannot reach: before anybody may sign in, and between two steps.
func TestTheAccountPagesInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := webtest.New(t)
	first, err := web.OfferFirstUse(context.Background(), site.Store)
	if err != nil {
		t.Fatal(err)
	}
	look := func(c *webtest.Client, path string) {
		for _, v := range views() {
			tab := site.Tab(t, c, v)
			tab.Open(path)
			tab.Fits()
			tab.Accessible()
			if *shots != "" {
				tab.Shot(filepath.Join(*shots, "account"+strings.ReplaceAll(strings.ReplaceAll(path, first, "-first"), "/", "-")+"-"+v.Name+".png"), true)
			}
		}
	}
	look(site.Nobody(), first)
	c := site.As("amara", "manager")
	look(c, "/account")
	c.Form("/account/second-factor", nil)
	look(c, "/account/second-factor")
	key := strings.ReplaceAll(keyOnPage.FindStringSubmatch(c.Get("/account/second-factor").Body)[1], " ", "")
	c.Form("/account/second-factor/confirm", url.Values{"code": {codeAt(t, key, site.Store.Now())}})
	look(c, "/account")
	look(c, "/help/people")
	admin := site.As("ines", "admin")
	admin.Form("/setup/people/amara/off", nil)
	admin.Form("/setup/people/amara/remove", url.Values{"days": {"30"}})
	look(admin, "/setup/people/amara")
	admin.Form("/setup/people/amara/on", nil)
	half := site.Nobody()
	try(half, "amara", webtest.Password)
	look(half, "/sign-in/code")
}
