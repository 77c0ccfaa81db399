package web_test

import (
	"context"
	"crypto/sha256"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/pquerna/otp"
	"github.com/pquerna/otp/totp"
)

func TestTheFirstAdminIsMadeOnceByWhoeverSeesTheServer(t *testing.T) {
	ctx := context.Background()
	site := webtest.New(t, func(c *web.Config) { c.BasePath = "/bc" })
	path, err := web.OfferFirstUse(ctx, site.Store)
	if err != nil || len(path) < len("/first-use/")+32 {
		t.Fatalf("got %q, %v, want an address with 160 random bits", path, err)
	}
	second, err := web.OfferFirstUse(ctx, site.Store) // another replica
	if err != nil || second == path {
		t.Fatalf("got %q, %v", second, err)
	}
	if a := site.Nobody().Get("/bc/first-use/" + strings.Repeat("a", 32)); a.Status != http.StatusNotFound {
		t.Errorf("a guessed address: got status %d, want 404", a.Status)
	}
	form := func(c *webtest.Client, path, handle, password string) webtest.Answer {
		return c.Form("/bc"+path, url.Values{"handle": {handle}, "password": {password}})
	}
	if a := site.Nobody().Get("/bc" + path); a.Status != http.StatusOK || !strings.Contains(a.Body, `action="/bc`+path) {
		t.Errorf("the page: got status %d: %s", a.Status, a.Body)
	}
	if a := form(site.Nobody(), path, "amara", "short"); a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, "8 to 256") {
		t.Errorf("a short password: got status %d", a.Status)
	}
	// Both addresses at once: one admin.
	var wait sync.WaitGroup
	statuses := make([]int, 2)
	clients := []*webtest.Client{site.Nobody(), site.Nobody()}
	for i, p := range []string{path, second} {
		wait.Go(func() { statuses[i] = form(clients[i], p, []string{"amara", "jonas"}[i], webtest.Password).Status })
	}
	wait.Wait()
	slices.Sort(statuses)
	if statuses[0] != http.StatusSeeOther || statuses[1] != http.StatusNotFound {
		t.Errorf("two at once: got %v, want one 303 and one 404", statuses)
	}
	for _, p := range []string{path, second} {
		if a := site.Nobody().Get("/bc" + p); a.Status != http.StatusNotFound {
			t.Errorf("after set-up: got status %d, want 404", a.Status)
		}
		if a := form(site.Nobody(), p, "mallory", webtest.Password); a.Status != http.StatusNotFound {
			t.Errorf("a form after set-up: got status %d, want 404", a.Status)
		}
	}
	if again, err := web.OfferFirstUse(ctx, site.Store); err != nil || again != "" {
		t.Errorf("a restart afterwards offers %q, %v, want nothing", again, err)
	}
	if key := strings.TrimPrefix(path, "/first-use/"); strings.Contains(site.Log.String(), key) {
		t.Error("the log holds the address")
	}
}

func TestTheFirstUseRunsOut(t *testing.T) {
	site := webtest.New(t)
	path, err := web.OfferFirstUse(context.Background(), site.Store)
	if err != nil {
		t.Fatal(err)
	}
	site.Store.SetClock(func() time.Time { return time.Now().Add(25 * time.Hour) })
	if a := site.Nobody().Get(path); a.Status != http.StatusNotFound {
		t.Errorf("a day later: got status %d, want 404", a.Status)
	}
	if a := site.Nobody().Form(path, url.Values{"handle": {"mara"}, "password": {webtest.Password}}); a.Status != http.StatusNotFound {
		t.Errorf("a form that was opened in time: got status %d, want 404", a.Status)
	}
	// And where the day ends between the look and the writing.
	if err := site.Store.FirstAdmin(context.Background(), store.Act{Via: "page"}, sha256.Sum256([]byte(path[strings.LastIndex(path, "/")+1:])), "mara", "hash"); !fault.Is(err, fault.NotFound) {
		t.Errorf("written a day later: got %v, want not found", err)
	}
}

var keyOnPage = regexp.MustCompile(`Key: <code>([A-Z2-7 ]+)</code>`)

// codeAt is a device's code, made by the library from the key the page showed.
func codeAt(t *testing.T, key string, at time.Time) string {
	t.Helper()
	code, err := totp.GenerateCodeCustom(key, at, totp.ValidateOpts{Period: 30, Digits: otp.DigitsSix, Algorithm: otp.AlgorithmSHA1})
	if err != nil {
		t.Fatal(err)
	}
	return code
}

func TestASecondFactor(t *testing.T) {
	site := webtest.New(t)
	now := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	site.Store.SetClock(func() time.Time { return now })
	c := site.As("amara", "manager")
	admin := site.As("ines", "admin")
	if a := c.Form("/account/second-factor", nil); a.Status != http.StatusSeeOther {
		t.Fatalf("beginning: got status %d", a.Status)
	}
	found := keyOnPage.FindStringSubmatch(c.Get("/account/second-factor").Body)
	if found == nil {
		t.Fatal("the page shows no key")
	}
	key := strings.ReplaceAll(found[1], " ", "")
	if a := site.SignIn("amara").Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("before it is confirmed the password alone: got status %d, want 200", a.Status)
	}
	if a := c.Form("/account/second-factor/confirm", url.Values{"code": {"000000"}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("a wrong code: got status %d, want 422", a.Status)
	}
	a := c.Form("/account/second-factor/confirm", url.Values{"code": {codeAt(t, key, now)}})
	if a.Status != http.StatusOK {
		t.Fatalf("a right code: got status %d: %s", a.Status, a.Body)
	}
	codes := regexp.MustCompile(`<code>([a-z0-9]{4}(?:-[a-z0-9]{4}){3})</code>`).FindAllStringSubmatch(a.Body, -1)
	if len(codes) != 8 {
		t.Fatalf("%d recovery codes are shown, want 8", len(codes))
	}
	if a := c.Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("the session that set it up: got status %d", a.Status)
	}
	// The password alone is half a sign-in.
	enter := func(code string) (webtest.Answer, *webtest.Client) {
		x := site.Nobody()
		if a := x.Form("/sign-in", url.Values{"handle": {"amara"}, "password": {webtest.Password}, "next": {"/findings"}}); a.Status != http.StatusSeeOther || !strings.HasPrefix(a.Header.Get("Location"), "/sign-in/code?next=") {
			t.Fatalf("the password: got %d to %q, want to be asked for a code", a.Status, a.Header.Get("Location"))
		}
		if a := x.Get("/floor"); a.Status == http.StatusOK {
			t.Fatal("the password alone opens the Floor")
		}
		if a := x.Get("/sign-in/code"); a.Status != http.StatusOK {
			t.Fatalf("the page for the code: got status %d", a.Status)
		}
		return x.Form("/sign-in/code", url.Values{"code": {code}, "next": {"/findings"}}), x
	}
	if a, x := enter(codeAt(t, key, now)); a.Status != http.StatusUnprocessableEntity || x.Get("/floor").Status == http.StatusOK {
		t.Errorf("the code it was set up with, again: got status %d, want 422", a.Status)
	}
	now = now.Add(30 * time.Second)
	a, x := enter(codeAt(t, key, now)[:3] + " " + codeAt(t, key, now)[3:])
	if a.Status != http.StatusSeeOther || a.Header.Get("Location") != "/findings" || x.Get("/floor").Status != http.StatusOK {
		t.Errorf("a right code: got %d to %q", a.Status, a.Header.Get("Location"))
	}
	if a, _ := enter(codeAt(t, key, now.Add(-5*time.Minute))); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("an old code: got status %d, want 422", a.Status)
	}
	if a, _ := enter(codes[0][1]); a.Status != http.StatusSeeOther {
		t.Errorf("a recovery code: got status %d, want 303", a.Status)
	}
	if a, _ := enter(codes[0][1]); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("a recovery code again: got status %d, want 422", a.Status)
	}
	// Half a sign-in does not wait for ever.
	late := site.Nobody()
	try(late, "amara", webtest.Password)
	now = now.Add(6 * time.Minute)
	if a := late.Form("/sign-in/code", url.Values{"code": {codeAt(t, key, now)}}); a.Status != http.StatusSeeOther || a.Header.Get("Location") != "/sign-in" || late.Get("/floor").Status == http.StatusOK {
		t.Errorf("six minutes later: got %d to %q, want to begin again", a.Status, a.Header.Get("Location"))
	}
	// Guessing codes gets slower.
	now = now.Add(2 * time.Hour)
	waited := false
	for range 8 {
		if a, _ := enter("123456"); a.Status == http.StatusTooManyRequests && a.Header.Get("Retry-After") != "" {
			waited = true
		}
	}
	if !waited {
		t.Error("eight wrong codes: nobody is told to wait")
	}
	// The device is lost: an admin switches it off.
	if a := admin.Form("/setup/people/amara/second-factor", nil); a.Status != http.StatusSeeOther {
		t.Errorf("the admin's reset: got status %d", a.Status)
	}
	now = now.Add(2 * time.Hour)
	if a := site.SignIn("amara").Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("after the reset: got status %d, want 200", a.Status)
	}
	log := site.Log.Said()
	for _, secret := range []string{key, codes[0][1], strings.ReplaceAll(codes[1][1], "-", "")} {
		if strings.Contains(log, secret) {
			t.Error("the log holds a secret")
		}
	}
}

func TestASecondFactorIsSwitchedOffWithACode(t *testing.T) {
	site := webtest.New(t)
	now := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	site.Store.SetClock(func() time.Time { return now })
	c := site.As("amara", "admin")
	c.Form("/account/second-factor", nil)
	key := strings.ReplaceAll(keyOnPage.FindStringSubmatch(c.Get("/account/second-factor").Body)[1], " ", "")
	c.Form("/account/second-factor/confirm", url.Values{"code": {codeAt(t, key, now)}})
	if a := c.Form("/account/second-factor", nil); a.Status != http.StatusConflict {
		t.Errorf("a second one over the first: got status %d, want 409", a.Status)
	}
	if a := c.Form("/account/second-factor/off", url.Values{"code": {"000000"}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("off with a wrong code: got status %d, want 422", a.Status)
	}
	now = now.Add(time.Minute)
	if a := c.Form("/account/second-factor/off", url.Values{"code": {codeAt(t, key, now)}}); a.Status != http.StatusSeeOther {
		t.Errorf("off with a right code: got status %d, want 303", a.Status)
	}
	if a := site.SignIn("amara").Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("afterwards: got status %d", a.Status)
	}
	if a := site.WithToken("gateway", "admin").Get("/account"); a.Status != http.StatusNotFound {
		t.Errorf("a token: got status %d, want 404", a.Status)
	}
}

func TestAChangeOfRoleRenewsTheSession(t *testing.T) {
	ctx := context.Background()
	site := webtest.New(t)
	c := site.As("amara", "operator")
	before := c.Cookies()[0].Value
	thief := site.Nobody().Keep(c.Cookies())
	was, err := site.Store.Thing(ctx, farm.KindPerson, "amara")
	if err != nil {
		t.Fatal(err)
	}
	becomes := *was.(*farm.Person)
	becomes.Role = "manager"
	if err := site.Store.SaveThings(ctx, store.Act{Via: "command"}, farm.KindPerson, store.ThingEdit{Before: was, After: &becomes}); err != nil {
		t.Fatal(err)
	}
	if a := c.Get("/setup"); a.Status != http.StatusOK {
		t.Errorf("a page for managers: got status %d, want 200", a.Status)
	}
	if c.Cookies()[0].Value == before {
		t.Error("the session keeps its id")
	}
	if a := thief.Get("/floor"); a.Status == http.StatusOK {
		t.Error("the old id works on")
	}
	if a := c.Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("the new id: got status %d", a.Status)
	}
}

func TestSigningOutEverywhere(t *testing.T) {
	site := webtest.New(t)
	tablet := site.As("amara", "operator")
	desk := site.SignIn("amara")
	if a := desk.Form("/account/sign-out", nil); a.Status != http.StatusSeeOther {
		t.Fatalf("got status %d", a.Status)
	}
	for name, c := range map[string]*webtest.Client{"here": desk, "there": tablet} {
		if c.Get("/floor").Status == http.StatusOK {
			t.Errorf("%s: still signed in", name)
		}
	}
}

// TestWrongTokensWaitAndRightOnesDoNot counts in the database, so on every replica.
func TestWrongTokensWaitAndRightOnesDoNot(t *testing.T) {
	ctx := context.Background()
	site := webtest.New(t)
	good := site.WithToken("gateway", "operator")
	for range 1010 {
		if _, err := site.Store.CountWrongToken(ctx, "127.0.0.1"); err != nil {
			t.Fatal(err)
		}
	}
	wrong := site.Nobody()
	wrong.Token = "bct_nosuchtokennosuchtokennosuchtoken"
	if a := wrong.Get("/api/v1/printers"); a.Status != http.StatusTooManyRequests || a.Header.Get("Retry-After") == "" {
		t.Errorf("a wrong token: got status %d, Retry-After %q, want 429", a.Status, a.Header.Get("Retry-After"))
	}
	if a := good.Get("/api/v1/printers"); a.Status != http.StatusOK {
		t.Errorf("a right token from the same address: got status %d, want 200", a.Status)
	}
}
