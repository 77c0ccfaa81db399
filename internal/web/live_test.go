package web_test

import (
	"bufio"
	"context"
	"net"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// served runs a site's server as `serve` does, on an address of its own, until
// the test ends; stop ends it earlier and says how it ended.
func served(t *testing.T, site *webtest.Site) (address string, stop func() error) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- site.Server.Serve(ctx, l) }()
	ended := false
	stop = func() error {
		if ended {
			return nil
		}
		ended = true
		cancel()
		return <-done
	}
	t.Cleanup(func() { _ = stop() })
	return "http://" + l.Addr().String(), stop
}

// ear is one page that listens: told gets the instant of each event.
type ear struct {
	status int
	told   chan time.Time
	done   chan struct{}
}

func hear(t *testing.T, address string, c *webtest.Client, seen string) *ear {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	req, err := http.NewRequestWithContext(ctx, "GET", address+"/live?seen="+url.QueryEscape(seen), nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range c.Cookies() {
		req.AddCookie(k)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	e := &ear{status: res.StatusCode, told: make(chan time.Time, 100), done: make(chan struct{})}
	go func() {
		defer close(e.done)
		defer func() { _ = res.Body.Close() }()
		for lines := bufio.NewScanner(res.Body); lines.Scan(); {
			if lines.Text() == "event: changed" {
				e.told <- time.Now()
			}
		}
	}()
	return e
}

// within fails unless an event comes in time.
func (e *ear) within(t *testing.T, d time.Duration, what string) {
	t.Helper()
	select {
	case <-e.told:
	case <-time.After(d):
		t.Fatalf("%s: not told within %s", what, d)
	}
}

func seenBy(c *webtest.Client) string {
	_, seen, _ := strings.Cut(webtest.Attr(c.Page("/floor").One("[data-live]"), "data-live"), "seen=")
	return seen
}

// A page that is open is told within two seconds of what others write, also what
// was written while it was loading, and by another server over the same database;
// a server that stops waits for no page.
func TestOpenPagesAreToldOfChanges(t *testing.T) {
	site := handSite(t)
	amara, wei := site.As("amara", "operator"), site.As("wei", "operator")
	here, stop := served(t, site)
	other := webtest.Over(t, site.Store, site.DB)
	there, _ := served(t, other)
	seen := seenBy(amara)
	a, b := hear(t, here, amara, seen), hear(t, there, amara, seen)
	if a.status != 200 {
		t.Fatalf("got status %d", a.status)
	}
	// Beginning to listen may tell once; then it is quiet.
	time.Sleep(300 * time.Millisecond)
	for len(a.told)+len(b.told) > 0 {
		select {
		case <-a.told:
		case <-b.told:
		}
	}
	wei.Form("/upkeep/hold", with(opened(t, wei, "/upkeep/hold?printer=P-1"), "reason", "smells burnt"))
	a.within(t, 2*time.Second, "a page of this server")
	b.within(t, 2*time.Second, "a page of another server")
	hear(t, here, amara, seen).within(t, 2*time.Second, "a page loaded before the change")
	began := time.Now()
	if err := stop(); err != nil || time.Since(began) > 5*time.Second {
		t.Errorf("stopping took %s, %v", time.Since(began).Round(time.Millisecond), err)
	}
	<-a.done
	// Nobody and nothing to compare with.
	if e := hear(t, there, site.Nobody(), seen); e.status != http.StatusSeeOther && e.status != http.StatusUnauthorized && e.status != http.StatusOK {
		t.Errorf("nobody: got %d", e.status)
	}
	if got := amara.Get("/live"); got.Status != http.StatusBadRequest {
		t.Errorf("without a version: got %d, want 400", got.Status)
	}
}

// What another person changes stands on the open Floor within two seconds, and
// nothing on it moves.
func TestTheOpenFloorTakesInChanges(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	site := webtest.On(t, demoDB(t), func(c *web.Config) { c.Now = func() time.Time { return at } })
	amara, wei := site.As("amara", "operator"), site.As("wei", "operator")
	address, _ := served(t, site)
	site.URL = address
	tab := site.Tab(t, amara, webtest.View{Width: 820, Height: 1180})
	tab.Open("/floor")
	tab.Do(chromedp.WaitReady(chromedp.CSS("[data-printer=P-014]")))
	time.Sleep(3 * time.Second) // past what beginning to listen may tell
	const places = `JSON.stringify([...document.querySelectorAll("[data-printer]")].map(e => [e.dataset.printer, Math.round(e.getBoundingClientRect().top)]))`
	before := webtest.Eval[string](tab, places)
	began := time.Now()
	wei.Form("/upkeep/hold", with(opened(t, wei, "/upkeep/hold?printer=P-014"), "reason", "smells burnt"))
	tab.Do(chromedp.WaitReady(chromedp.CSS(`[data-printer=P-014][data-state=hold]`)))
	took := time.Since(began)
	t.Logf("a hold placed by another person stood on the open Floor after %s", took.Round(10*time.Millisecond))
	if took > 2*time.Second {
		t.Errorf("it took %s, want at most 2 s", took)
	}
	if after := webtest.Eval[string](tab, places); after != before {
		t.Errorf("something moved:\n%s\n%s", before, after)
	}
	tab.Do(chromedp.WaitVisible(chromedp.CSS(".news")))
	tab.Fits()
	tab.Accessible()
	tab.Do(chromedp.Click(chromedp.CSS(".news a")), chromedp.WaitReady(chromedp.CSS(`tr[data-printer=P-014][data-state=hold]`)))
	if hidden := webtest.Eval[bool](tab, `document.querySelector(".news").hidden`); !hidden {
		t.Error("the page as it stands now still says that something changed")
	}
}
