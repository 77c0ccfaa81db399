package web_test

import (
	"context"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"path/filepath"
	"testing"
	"time"

	"basecourse/internal/signon"
	"basecourse/internal/signon/signontest"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// TestSigningInByAProviderInTheBrowser goes the whole way with one press of a button:
// what the page's policy lets a form lead to, and which cookies come along from
// another site, only a browser tells.
func TestSigningInByAProviderInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	var behind *url.URL
	proxy := httptest.NewServer(&httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) { r.SetURL(behind); r.SetXForwarded() }})
	t.Cleanup(proxy.Close)
	id := signontest.New(t)
	s, err := signon.New(signon.Config{Issuer: id.URL, ClientID: signontest.ClientID, Secret: signontest.Secret, Name: "Farm ID", RedirectURL: proxy.URL + web.ProviderBack})
	if err != nil {
		t.Fatal(err)
	}
	site := webtest.New(t, func(c *web.Config) { c.Provider, c.PublicURL = s, proxy.URL })
	if behind, err = url.Parse(site.URL); err != nil {
		t.Fatal(err)
	}
	site.As("amara", "operator")
	if err := site.Store.LinkSignIn(context.Background(), store.Act{Via: "command"}, "amara", id.URL, "subject-1"); err != nil {
		t.Fatal(err)
	}
	site.URL = proxy.URL
	for _, v := range views() {
		tab := site.Tab(t, site.Nobody(), v)
		tab.Open("/sign-in")
		tab.Fits()
		tab.Accessible()
		if *shots != "" {
			tab.Shot(filepath.Join(*shots, "provider-sign-in-"+v.Name+".png"), true)
		}
		tab.Do(chromedp.Click(chromedp.CSS(`form[action="/sign-in/provider"] button`)))
		for end := time.Now().Add(20 * time.Second); tab.Path() != "/floor"; time.Sleep(50 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("one press of the button leads to %s, want the Floor", tab.Path())
			}
		}
		tab.Open("/account")
		tab.Accessible()
		if *shots != "" {
			tab.Shot(filepath.Join(*shots, "provider-account-"+v.Name+".png"), true)
		}
	}
}
