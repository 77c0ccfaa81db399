package web_test

import (
	"context"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/signon"
	"basecourse/internal/signon/signontest"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// provided is a site whose people may sign in by a provider of the test's own.
func provided(t *testing.T, change ...func(*web.Config)) (*webtest.Site, *signontest.Provider) {
	t.Helper()
	id := signontest.New(t)
	s, err := signon.New(signon.Config{Issuer: id.URL, ClientID: signontest.ClientID, Secret: signontest.Secret, RedirectURL: "https://farm.example" + web.ProviderBack, Name: "Farm ID"})
	if err != nil {
		t.Fatal(err)
	}
	return webtest.New(t, append([]func(*web.Config){func(c *web.Config) { c.Provider = s }}, change...)...), id
}

// sentOn gives the provider's address that a page leads to by itself.
func sentOn(t *testing.T, a webtest.Answer) string {
	t.Helper()
	address, ok := strings.CutPrefix(a.Header.Get("Refresh"), "0; url=")
	if a.Status != http.StatusOK || !ok || a.Page(t).One("a.button.main") == nil {
		t.Fatalf("got %d, Refresh %q, want the way to the provider: %s", a.Status, a.Header.Get("Refresh"), a.Body)
	}
	return address
}

// linked links whoever a client is signed in as with the provider's subject.
func linked(t *testing.T, c *webtest.Client, id *signontest.Provider, handle string) webtest.Answer {
	t.Helper()
	a := c.Form("/account/provider", url.Values{"handle": {handle}, "known": {webtest.Password}})
	return c.Get(web.ProviderBack + "?" + id.Visit(sentOn(t, a)).RawQuery)
}

// byProvider signs in.
func byProvider(t *testing.T, c *webtest.Client, id *signontest.Provider, next string) webtest.Answer {
	t.Helper()
	a := c.Form("/sign-in/provider", url.Values{"next": {next}})
	return c.Get(web.ProviderBack + "?" + id.Visit(sentOn(t, a)).RawQuery)
}

func goesTo(t *testing.T, what string, a webtest.Answer, want string) {
	t.Helper()
	if got := a.Header.Get("Location"); a.Status != http.StatusSeeOther || got != want {
		t.Fatalf("%s: got %d to %q, want 303 to %q: %s", what, a.Status, got, want, a.Body)
	}
}

func TestSigningInByAProvider(t *testing.T) {
	site, id := provided(t)
	c := site.As("amara", "manager")
	if a := byProvider(t, site.Nobody(), id, ""); a.Status != http.StatusForbidden || !strings.Contains(a.Body, "Nobody here is linked") || !strings.Contains(a.Body, "Your sign-in") {
		t.Errorf("an account that is linked with nobody: got %d: %s", a.Status, a.Body)
	}
	if a := c.Form("/account/provider", url.Values{"handle": {"amara"}, "known": {"guessed"}}); a.Status != http.StatusUnprocessableEntity || a.Header.Get("Refresh") != "" {
		t.Errorf("linking with a wrong password: got %d", a.Status)
	}
	goesTo(t, "linking", linked(t, c, id, "amara"), "/account?saved=linked")
	if got := c.Page("/account").Text(`section[aria-labelledby="provider"]`); !strings.Contains(got, "Linked since") {
		t.Errorf("the account page says %q", got)
	}

	x := site.Nobody()
	if got := x.Page("/sign-in").Text("main"); !strings.Contains(got, "Sign in with Farm ID") {
		t.Errorf("the sign-in page does not offer the provider: %s", got)
	}
	a := x.Form("/sign-in/provider", url.Values{"next": {"/findings"}})
	before := x.Cookies()
	back := id.Visit(sentOn(t, a))
	if host := back.Scheme + "://" + back.Host + back.Path; host != "https://farm.example"+web.ProviderBack {
		t.Errorf("the provider sends people back to %s", host)
	}
	goesTo(t, "signing in", x.Get(web.ProviderBack+"?"+back.RawQuery), "/findings")
	if got := x.Page("/account").Text("main"); !strings.Contains(strings.ToLower(got), "manager") {
		t.Error("the role is not Basecourse's own")
	}
	// The session has a new id, and the one from before opens nothing (ASVS 7.2.4).
	if thief := site.Nobody().Keep(before); thief.Get("/floor").Status == http.StatusOK {
		t.Error("the session from before signing in is signed in too")
	}
	// The same answer once more, by this browser or another.
	for name, who := range map[string]*webtest.Client{"this browser": x, "another browser": site.Nobody()} {
		if a := who.Get(web.ProviderBack + "?" + back.RawQuery); a.Status != http.StatusForbidden || !strings.Contains(a.Body, "used already") {
			t.Errorf("the answer again in %s: got %d", name, a.Status)
		}
	}
	// Signing out says that the provider is another matter.
	goesTo(t, "signing out", x.Form("/sign-out", nil), "/sign-in?left=provider")
	if got := x.Page("/sign-in?left=provider").Text(".notice"); !strings.Contains(got, "At Farm ID you may still be signed in") || !strings.Contains(got, "Sign out there") {
		t.Errorf("after signing out: %q", got)
	}
	if a := x.Get("/floor"); a.Status == http.StatusOK {
		t.Error("still signed in")
	}
	// The password stays.
	if a := site.SignIn("amara").Form("/sign-out", nil); a.Header.Get("Location") != "/sign-in" {
		t.Errorf("signing out after a password leads to %q", a.Header.Get("Location"))
	}
	for _, secret := range []string{signontest.Secret, "planted", "subject-1", back.Query().Get("code"), back.Query().Get("state"), "eyJ"} {
		if strings.Contains(site.Log.String(), secret) {
			t.Errorf("the log holds %q", secret)
		}
	}
}

func TestAnAccountOfAProviderIsOnePersons(t *testing.T) {
	ctx := context.Background()
	site, id := provided(t)
	amara, kofi, admin := site.As("amara", "operator"), site.As("kofi", "operator"), site.As("ines", "admin")
	goesTo(t, "linking", linked(t, amara, id, "amara"), "/account?saved=linked")
	if a := linked(t, kofi, id, "kofi"); a.Status != http.StatusConflict {
		t.Errorf("linking somebody else with the same account: got %d, want 409", a.Status)
	}
	// A flow that one person began links nobody else, as when the browser changed hands.
	a := kofi.Form("/account/provider", url.Values{"handle": {"kofi"}, "known": {webtest.Password}})
	id.Change(func(p *signontest.Provider) { p.Subject = "subject-2" })
	back := id.Visit(sentOn(t, a))
	if a := amara.Get(web.ProviderBack + "?" + back.RawQuery); a.Status != http.StatusForbidden {
		t.Errorf("another person's flow: got %d, want 403", a.Status)
	}
	id.Change(func(p *signontest.Provider) { p.Subject = "subject-1" })

	x := site.Nobody()
	goesTo(t, "signing in", byProvider(t, x, id, ""), "/floor")
	if got := admin.Page("/setup/people/amara").Text("main"); !strings.Contains(got, "link with the sign-in provider") {
		t.Error("an admin does not see the link")
	}
	goesTo(t, "an admin takes the link away", admin.Form("/setup/people/amara/provider-off", nil), "/setup/people/amara?saved=unlinked")
	if a := x.Get("/floor"); a.Status == http.StatusOK {
		t.Error("the session goes on after the link was taken away")
	}
	if a := byProvider(t, site.Nobody(), id, ""); a.Status != http.StatusForbidden {
		t.Errorf("without the link: got %d, want 403", a.Status)
	}
	// One's own link: this session goes on.
	amara = site.SignIn("amara")
	goesTo(t, "linking again", linked(t, amara, id, "amara"), "/account?saved=linked")
	goesTo(t, "taking one's own link away", amara.Form("/account/provider/off", nil), "/account?saved=unlinked")
	if a := amara.Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("one's own session: got %d", a.Status)
	}
	// Whoever is switched off does not come in by the provider either.
	goesTo(t, "linking again", linked(t, amara, id, "amara"), "/account?saved=linked")
	if err := site.Store.DisableAccount(ctx, store.Act{Via: "command"}, "amara"); err != nil {
		t.Fatal(err)
	}
	if a := byProvider(t, site.Nobody(), id, ""); a.Status != http.StatusForbidden {
		t.Errorf("somebody who was switched off: got %d, want 403", a.Status)
	}
}

func TestTheSecondFactorBesideAProvider(t *testing.T) {
	ctx := context.Background()
	site, id := provided(t)
	c := site.As("amara", "manager")
	goesTo(t, "linking", linked(t, c, id, "amara"), "/account?saved=linked")
	account, err := site.Store.AccountByHandle(ctx, "amara")
	if err != nil {
		t.Fatal(err)
	}
	const key = "JBSWY3DPEHPK3PXPJBSWY3DPEHPK3PXP"
	if err := site.Store.BeginSecondFactor(ctx, account.Person, key); err != nil {
		t.Fatal(err)
	}
	if err := site.Store.ConfirmSecondFactor(ctx, store.Act{Via: "command"}, "amara", key, 1, nil); err != nil {
		t.Fatal(err)
	}
	// The provider tells of one factor: ours is asked for.
	x := site.Nobody()
	goesTo(t, "one factor", byProvider(t, x, id, "/findings"), "/sign-in/code?next=%2Ffindings")
	if a := x.Get("/floor"); a.Status == http.StatusOK {
		t.Fatal("the provider alone opens the Floor")
	}
	goesTo(t, "our code", x.Form("/sign-in/code", url.Values{"code": {codeAt(t, key, site.Store.Now())}, "next": {"/findings"}}), "/findings")
	// It tells of two: that is enough.
	id.Change(func(p *signontest.Provider) { p.Claims = map[string]any{"amr": []string{"pwd", "otp", "mfa"}} })
	goesTo(t, "two factors", byProvider(t, site.Nobody(), id, ""), "/floor")
}

func TestAProviderOnASharedTablet(t *testing.T) {
	site, id := provided(t)
	admin := site.As("ines", "admin")
	goesTo(t, "linking", linked(t, admin, id, "ines"), "/account?saved=linked")
	tablet := site.Tablet(admin, "Bay 1")
	// Whoever was signed in with the provider before is not taken for whoever comes now.
	id.Change(func(p *signontest.Provider) { p.AuthTime = time.Now().Add(-time.Hour) })
	if a := byProvider(t, tablet, id, ""); a.Status != http.StatusForbidden || id.Last.Get("prompt") != "login" {
		t.Errorf("somebody's session at the provider on a shared tablet: got %d, asked with %v", a.Status, id.Last)
	}
	id.Change(func(p *signontest.Provider) { p.AuthTime = time.Time{} })
	goesTo(t, "asked anew", byProvider(t, tablet, id, ""), "/floor")
	if a := tablet.Get("/setup/tokens"); a.Status != http.StatusForbidden {
		t.Errorf("an admin on a shared tablet: got %d, want an operator's rights", a.Status)
	}
	for _, path := range []string{"/account/provider", "/account/provider/off"} {
		if a := tablet.Form(path, url.Values{"handle": {"ines"}, "known": {webtest.Password}}); a.Status != http.StatusForbidden {
			t.Errorf("POST %s on a shared tablet: got %d, want 403", path, a.Status)
		}
	}
}

func TestAProviderThatIsAwayKeepsNobodyOut(t *testing.T) {
	site, id := provided(t)
	id.Change(func(p *signontest.Provider) { p.Down = true })
	c := site.As("amara", "operator") // by password
	for name, a := range map[string]webtest.Answer{
		"signing in": site.Nobody().Form("/sign-in/provider", nil),
		"linking":    c.Form("/account/provider", url.Values{"handle": {"amara"}, "known": {webtest.Password}}),
	} {
		if a.Status != http.StatusServiceUnavailable || a.Header.Get("Retry-After") == "" || !strings.Contains(a.Body, "Farm ID does not answer just now") {
			t.Errorf("%s: got %d: %s", name, a.Status, a.Body)
		}
	}
	if a := c.Get("/account"); a.Status != http.StatusOK {
		t.Errorf("one's own page: got %d", a.Status)
	}
}

func TestWithoutAProviderThereIsNothing(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "operator")
	for name, a := range map[string]webtest.Answer{
		"signing in": site.Nobody().Form("/sign-in/provider", nil), "coming back": site.Nobody().Get(web.ProviderBack + "?code=x&state=y"),
		"linking": c.Form("/account/provider", url.Values{"known": {webtest.Password}}),
	} {
		if a.Status != http.StatusNotFound {
			t.Errorf("%s: got %d, want 404", name, a.Status)
		}
	}
	for _, path := range []string{"/sign-in", "/account"} {
		client := c
		if path == "/sign-in" {
			client = site.Nobody()
		}
		if body := client.Get(path).Body; strings.Contains(body, "/provider") {
			t.Errorf("%s speaks of a provider", path)
		}
	}
}

// TestAProviderBehindAProxy signs in under a base path that a proxy which ends TLS
// keeps.
func TestAProviderBehindAProxy(t *testing.T) {
	var behind *url.URL
	proxy := httptest.NewTLSServer(&httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) { r.SetURL(behind); r.SetXForwarded() }})
	defer proxy.Close()
	id := signontest.New(t)
	s, err := signon.New(signon.Config{Issuer: id.URL, ClientID: signontest.ClientID, Secret: signontest.Secret, RedirectURL: proxy.URL + "/bc" + web.ProviderBack})
	if err != nil {
		t.Fatal(err)
	}
	site := webtest.New(t, func(c *web.Config) {
		c.BasePath, c.PublicURL, c.TrustedProxies, c.Provider = "/bc", proxy.URL, []string{"127.0.0.1"}, s
	})
	if behind, err = url.Parse(site.URL); err != nil {
		t.Fatal(err)
	}
	ctx, act := context.Background(), store.Act{Via: "command"}
	if err := web.AddUser(ctx, site.Store, "amara", "operator", webtest.Password); err != nil {
		t.Fatal(err)
	}
	if err := site.Store.LinkSignIn(ctx, act, "amara", id.URL, "subject-1"); err != nil {
		t.Fatal(err)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := proxy.Client()
	client.Jar, client.CheckRedirect = jar, func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	req, err := http.NewRequest("POST", proxy.URL+"/bc/sign-in/provider", strings.NewReader("next="))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Origin", proxy.URL)
	res, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	address, ok := strings.CutPrefix(res.Header.Get("Refresh"), "0; url=")
	if !ok {
		t.Fatalf("got %s", res.Status)
	}
	res, err = client.Get(id.Visit(address).String())
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	if got := res.Header.Get("Location"); got != "/bc/floor" {
		t.Errorf("signed in: got %s to %q, want /bc/floor", res.Status, got)
	}
	res, err = client.Get(proxy.URL + "/bc/floor")
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	if res.StatusCode != http.StatusOK {
		t.Errorf("the Floor: got %s", res.Status)
	}
}
