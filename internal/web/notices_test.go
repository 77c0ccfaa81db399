package web_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"basecourse/internal/notices"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
	"github.com/jackc/pgx/v5"
)

// sending is what pages ask about mail and webhooks.
type sending struct{ mail bool }

func (s sending) MailReady() bool { return s.mail }

func (s sending) CheckURL(text string) error {
	if !strings.HasPrefix(text, "https://hooks.example/") {
		return errors.New("write an address such as https://hooks.example/basecourse")
	}
	return nil
}

// told tells holds on so many printers.
func told(t testing.TB, site *webtest.Site, n int) {
	t.Helper()
	var list []notices.Notice
	for i := range n {
		list = append(list, notices.Hold("printer", fmt.Sprintf("P-%03d", i+1), site.Store.Now(), time.UTC))
	}
	if got, err := site.Store.Tell(context.Background(), list, time.UTC); err != nil || got != n {
		t.Fatalf("told %d of %d: %v", got, n, err)
	}
}

func noticesSite(t testing.TB) *webtest.Site {
	t.Helper()
	site := webtest.New(t, func(c *web.Config) { c.Notices = sending{mail: true} })
	site.Store.SetClock(func() time.Time { return at })
	return site
}

func TestNoticesAreReadOnTheirPage(t *testing.T) {
	site := noticesSite(t)
	c := site.As("mara", "operator")
	if text := c.Page("/notices").Text("main"); !strings.Contains(text, "Nothing yet.") || strings.Contains(text, "Mark all read") {
		t.Errorf("the empty page says %q", text)
	}
	told(t, site, 9)
	p := c.Page("/notices")
	if got := p.Text(".topline .unread"); got != "6 not read" {
		t.Errorf("the top line counts %q, want 6 not read", got)
	}
	if got := len(p.All(".notices .what")); got != notices.PerShift+1 {
		t.Errorf("%d lines, want five and one that gathers", got)
	}
	if got := p.Text(".notices summary"); got != "and 4 more in this shift" {
		t.Errorf("the last line says %q", got)
	}
	through := regexp.MustCompile(`name="through" value="(\d+)"`).FindStringSubmatch(c.Get("/notices").Body)
	one := regexp.MustCompile(`name="one" value="(\d+)"`).FindAllStringSubmatch(c.Get("/notices").Body, -1)
	if through == nil || len(one) != 6 {
		t.Fatalf("forms: %v %v", through, one)
	}
	if a := c.Form("/notices/read", url.Values{"one": {one[5][1]}}); a.Status != http.StatusSeeOther {
		t.Fatalf("marking one read: got status %d", a.Status)
	}
	if got := c.Page("/floor").Text(".topline .unread"); got != "5 not read" {
		t.Errorf("after one is read the top line counts %q", got)
	}
	if a := site.As("noor", "operator").Form("/notices/read", url.Values{"through": {"999999"}}); a.Status != http.StatusSeeOther {
		t.Fatal(a.Status)
	}
	if got := c.Page("/floor").Text(".topline .unread"); got != "5 not read" {
		t.Errorf("after somebody else read theirs the top line counts %q", got)
	}
	if a := c.Form("/notices/read", url.Values{"through": through[1:]}); a.Status != http.StatusSeeOther {
		t.Fatalf("marking all read: got status %d", a.Status)
	}
	if p := c.Page("/notices?saved=yes"); len(p.All(".topline .unread"))+len(p.All(".notices .unread")) != 0 {
		t.Error("something is still not read")
	}
	for _, bad := range []url.Values{{}, {"one": {"x"}}, {"through": {"-1"}}, {"one": {"1"}, "through": {"1"}}} {
		if a := c.Form("/notices/read", bad); a.Status != http.StatusBadRequest {
			t.Errorf("%v: got status %d, want 400", bad, a.Status)
		}
	}
}

func TestNoticesHavePages(t *testing.T) {
	site := noticesSite(t)
	site.As("mara", "operator")
	now := at
	site.Store.SetClock(func() time.Time { return now })
	for i := range 63 { // one a window
		now = at.Add(time.Duration(i) * 8 * time.Hour)
		if _, err := site.Store.Tell(context.Background(), []notices.Notice{notices.Hold("plate", fmt.Sprintf("L-%d", i), now, time.UTC)}, time.UTC); err != nil {
			t.Fatal(err)
		}
	}
	c := site.SignIn("mara") // the clock has moved on
	p := c.Page("/notices")
	if got := len(p.All(".notices .what")); got != 50 {
		t.Errorf("%d lines on the first page, want 50", got)
	}
	older := regexp.MustCompile(`/notices\?before=\d+`).FindString(c.Get("/notices").Body)
	if got := len(c.Page(older).All(".notices .what")); got != 13 {
		t.Errorf("%d lines on the second page, want 13", got)
	}
	if a := c.Get("/notices?before=x"); a.Status != http.StatusBadRequest {
		t.Errorf("a page before x: got status %d", a.Status)
	}
}

func TestWhatOneIsTold(t *testing.T) {
	site := noticesSite(t)
	c := site.As("mara", "operator")
	if a := c.Form("/account/notices", url.Values{"hold": {"off"}, "finding": {"app"}, "job": {"mail"}, "when": {"shift"}}); a.Status != http.StatusSeeOther {
		t.Fatalf("saving: got status %d", a.Status)
	}
	told(t, site, 1)
	if text := c.Page("/notices").Text("main"); !strings.Contains(text, "Nothing yet.") {
		t.Error("a hold is told that was not wanted")
	}
	for _, bad := range []url.Values{{"hold": {"sms"}, "finding": {"app"}, "job": {"app"}, "when": {"any"}}, {"hold": {"app"}, "finding": {"app"}, "job": {"app"}, "when": {"never"}}} {
		if a := c.Form("/account/notices", bad); a.Status != http.StatusBadRequest {
			t.Errorf("%v: got status %d, want 400", bad, a.Status)
		}
	}
	if a := c.Form("/account/notices/address", url.Values{"address": {"mara@farm.example\r\nBcc: x@y.example"}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("two addresses in one: got status %d, want 422", a.Status)
	}
	for i := range 6 {
		want := http.StatusSeeOther
		if i == 5 {
			want = http.StatusUnprocessableEntity // so that nobody is flooded by it
		}
		if a := c.Form("/account/notices/address", url.Values{"address": {"mara@farm.example"}}); a.Status != want {
			t.Errorf("asking for the %dth time: got status %d, want %d", i+1, a.Status, want)
		}
	}
	var confirm, stop string
	conn, err := pgx.Connect(context.Background(), site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	if err := conn.QueryRow(context.Background(), `SELECT confirm_key, stop_key FROM mail_addresses`).Scan(&confirm, &stop); err != nil {
		t.Fatal(err)
	}
	out := site.Nobody() // the link is opened in a mail program
	for range 2 {
		if a := out.Get("/notices/confirm/" + confirm); a.Status != http.StatusOK {
			t.Fatalf("the link: got status %d; looking must use nothing up", a.Status)
		}
	}
	if text := c.Page("/account/notices").Text("#main"); !strings.Contains(text, "not confirmed") {
		t.Error("looking at the link confirms the address")
	}
	if a := out.Form("/notices/confirm/"+confirm, nil); a.Status != http.StatusOK {
		t.Errorf("the button behind the link: got status %d", a.Status)
	}
	if a := out.Form("/notices/confirm/"+confirm, nil); a.Status != http.StatusNotFound {
		t.Errorf("the button again: got status %d, want 404", a.Status)
	}
	if text := c.Page("/account/notices").Text("#main"); !strings.Contains(text, "mara@farm.example confirmed") {
		t.Errorf("the page says %q", text)
	}
	if a := out.Get("/notices/stop/" + stop); a.Status != http.StatusOK {
		t.Errorf("the link that stops: got status %d", a.Status)
	}
	// As mail programs do it themselves (RFC 8058).
	if a := out.Do("POST", "/notices/stop/"+stop, "application/x-www-form-urlencoded", "List-Unsubscribe=One-Click", func(r *http.Request) { r.Header.Del("Origin"); r.Header.Del("Sec-Fetch-Site") }); a.Status != http.StatusOK {
		t.Errorf("stopping: got status %d", a.Status)
	}
	if text := c.Page("/account/notices").Text("#main"); strings.Contains(text, "mara@farm.example") {
		t.Error("the address is still there")
	}
	for _, key := range []string{"x", strings.Repeat("a", 32), strings.Repeat("A", 32)} {
		if a := out.Get("/notices/confirm/" + key); a.Status != http.StatusNotFound {
			t.Errorf("key %s: got status %d, want 404", key, a.Status)
		}
	}
	for what, secret := range map[string]string{"a key of a link": confirm, "the other": stop, "an address": "mara@farm"} {
		if strings.Contains(site.Log.String(), secret) {
			t.Errorf("the log holds %s", what)
		}
	}
}

var shownSecret = regexp.MustCompile(`<p class="token"><code>([0-9a-f]{64})</code>`)

func TestWebhooksInSetup(t *testing.T) {
	site := noticesSite(t)
	c := site.As("amara", "admin")
	if text := c.Page("/setup/notices").Text("main"); !strings.Contains(text, "No webhooks yet.") || !strings.Contains(text, "Nothing was given up.") {
		t.Errorf("the empty page says %q", text)
	}
	for field, bad := range map[string]url.Values{"f-url": {"name": {"board"}, "url": {"http://127.0.0.1/"}, "kind_hold": {"yes"}}, "f-name": {"name": {""}, "url": {"https://hooks.example/x"}, "kind_hold": {"yes"}}, "f-kind_hold": {"name": {"board"}, "url": {"https://hooks.example/x"}}} {
		a := c.Form("/setup/add-webhook", bad)
		if a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, `href="#`+field+`"`) {
			t.Errorf("%v: got status %d, want the field %s named", bad, a.Status, field)
		}
	}
	a := c.Form("/setup/add-webhook", url.Values{"name": {"shift board"}, "url": {"https://hooks.example/x"}, "kind_hold": {"yes"}, "kind_job": {"yes"}})
	first := shownSecret.FindStringSubmatch(a.Body)
	if a.Status != http.StatusOK || first == nil {
		t.Fatalf("adding: got status %d, and no secret", a.Status)
	}
	page := "/setup/webhooks/shift%20board"
	if a := c.Get(page); a.Status != http.StatusOK || strings.Contains(a.Body, first[1]) || shownSecret.MatchString(a.Body) {
		t.Errorf("the page shows the secret again, or not at all: %d", a.Status)
	}
	told(t, site, 2)
	if a := c.Form(page+"/act", url.Values{"do": {"test"}}); a.Status != http.StatusSeeOther {
		t.Fatalf("a test: got status %d", a.Status)
	}
	if text := c.Page(page).Text("main"); strings.Count(text, "a notice") != 2 || !strings.Contains(text, "a test") || !strings.Contains(text, "Waiting 3") {
		t.Errorf("the page says %q, want two notices and a test", text)
	}
	if a := c.Form("/setup/add-webhook", url.Values{"name": {"shift board"}, "url": {"https://hooks.example/x"}, "kind_hold": {"yes"}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("a name that is taken: got status %d", a.Status)
	}
	a = c.Form(page+"/act", url.Values{"do": {"rotate"}})
	if second := shownSecret.FindStringSubmatch(a.Body); second == nil || second[1] == first[1] {
		t.Errorf("a new secret: got status %d", a.Status)
	}
	if a := c.Form(page, url.Values{"url": {"https://hooks.example/y"}, "kind_finding": {"yes"}}); a.Status != http.StatusSeeOther {
		t.Errorf("changing: got status %d", a.Status)
	}
	if a := c.Form(page+"/act", url.Values{"do": {"off"}}); a.Status != http.StatusSeeOther {
		t.Errorf("switching off: got status %d", a.Status)
	}
	text := c.Page(page).Text("main")
	if !strings.Contains(text, "State off") || !strings.Contains(text, "Waiting 0") || strings.Contains(text, first[1]) {
		t.Errorf("switched off, the page says %q", text)
	}
	if a := c.Form(page+"/act", url.Values{"do": {"test"}}); a.Status != http.StatusNotFound {
		t.Errorf("a test of what is off: got status %d, want 404", a.Status)
	}
	// The secret is where it is needed to sign and nowhere else.
	if strings.Contains(site.Log.String(), first[1]) {
		t.Error("the log holds the secret")
	}
	conn, err := pgx.Connect(context.Background(), site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	var n int
	if err := conn.QueryRow(context.Background(), `SELECT count(*) FROM changes WHERE kind = 'webhook' AND (was ~ '[0-9a-f]{64}' OR became ~ '[0-9a-f]{64}')`).Scan(&n); err != nil || n != 0 {
		t.Errorf("the trail holds a secret: %d, %v", n, err)
	}
	if a := c.Form("/setup/notices/retry", url.Values{"id": {"00000000-0000-7000-8000-000000000001"}}); a.Status != http.StatusNotFound {
		t.Errorf("trying again what is not there: got status %d, want 404", a.Status)
	}
}

func TestOnesOwnPassword(t *testing.T) {
	site := webtest.New(t)
	c, other := site.As("mara", "operator"), site.SignIn("mara")
	const next = "another horse battery"
	if a := c.Form("/account/password", url.Values{"old": {"wrong"}, "new": {next}}); a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, `href="#f-old"`) {
		t.Errorf("the wrong password: got status %d", a.Status)
	}
	if a := c.Form("/account/password", url.Values{"old": {webtest.Password}, "new": {"short"}}); a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, `href="#f-new"`) {
		t.Errorf("a short one: got status %d", a.Status)
	}
	was := c.Cookies()[0].Value
	if a := c.Form("/account/password", url.Values{"handle": {"mara"}, "old": {webtest.Password}, "new": {next}}); a.Status != http.StatusSeeOther || a.Header.Get("Location") != "/account?saved=password" {
		t.Fatalf("changing: got status %d", a.Status)
	}
	if a := c.Get("/account"); a.Status != http.StatusOK || c.Cookies()[0].Value == was {
		t.Errorf("this session: got status %d, want it to go on under a new id", a.Status)
	}
	if a := other.Get("/account"); a.Status == http.StatusOK {
		t.Error("another session goes on")
	}
	if a := try(site.Nobody(), "mara", webtest.Password); a.Status == http.StatusSeeOther {
		t.Error("the old password still opens")
	}
	if a := try(site.Nobody(), "mara", next); a.Status != http.StatusSeeOther {
		t.Errorf("the new password: got status %d", a.Status)
	}
	for range 6 {
		c.Form("/account/password", url.Values{"old": {"wrong"}, "new": {next}})
	}
	if a := c.Form("/account/password", url.Values{"old": {next}, "new": {next}}); a.Status != http.StatusTooManyRequests {
		t.Errorf("after seven guesses: got status %d, want 429", a.Status)
	}
}

func TestTheNoticePagesInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := noticesSite(t)
	c := site.As("amara", "admin")
	told(t, site, 8)
	c.Form("/account/notices/address", url.Values{"address": {"amara@farm.example"}})
	c.Form("/setup/add-webhook", url.Values{"name": {"board"}, "url": {"https://hooks.example/x"}, "kind_hold": {"yes"}})
	for _, v := range views() {
		tab := site.Tab(t, c, v)
		for _, path := range []string{"/notices", "/account/notices", "/account", "/setup/notices", "/setup/webhooks/board"} {
			tab.Open(path)
			tab.Fits()
			tab.Accessible()
			if *shots != "" {
				tab.Shot(filepath.Join(*shots, "notices"+strings.ReplaceAll(path, "/", "-")+"-"+v.Name+".png"), true)
			}
		}
		if v.Name != "desk-light" {
			continue
		}
		tab.Open("/notices")
		tab.Do(chromedp.Click(chromedp.CSS(".notices summary")), chromedp.WaitVisible(chromedp.CSS(".notices details ul")),
			chromedp.Click(chromedp.CSS("main > .one-act button")), chromedp.WaitReady(chromedp.CSS(".notice[role=status]")))
		if left := webtest.Eval[int](tab, `document.querySelectorAll(".topline .unread, .notices .unread").length`); left != 0 {
			t.Errorf("%d are not read after Mark all read", left)
		}
	}
}
