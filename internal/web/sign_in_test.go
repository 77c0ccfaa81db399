package web_test

import (
	"context"
	"crypto/sha256"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/jackc/pgx/v5"
)

func try(c *webtest.Client, handle, password string) webtest.Answer {
	return c.Form("/sign-in", url.Values{"handle": {handle}, "password": {password}})
}

func TestWrongNameAndWrongPasswordAreToldApartByNothing(t *testing.T) {
	site := webtest.New(t)
	site.As("kofi", "operator")
	times := map[string][]time.Duration{}
	bodies := map[string]string{}
	for i := range 4 { // fewer than are free, so that nobody waits
		for _, handle := range []string{"kofi", "nobody" + string(rune('a'+i))} {
			began := time.Now()
			a := try(site.Nobody(), handle, "wrong password")
			kind := "known"
			if handle != "kofi" {
				kind = "unknown"
			}
			times[kind] = append(times[kind], time.Since(began))
			bodies[kind] = strings.ReplaceAll(a.Body, handle, "HANDLE")
			if a.Status != http.StatusUnprocessableEntity {
				t.Errorf("signing in as %s with a wrong password: got status %d, want 422", handle, a.Status)
			}
		}
	}
	if bodies["known"] != bodies["unknown"] {
		t.Error("the pages for a wrong name and a wrong password differ")
	}
	for _, list := range times {
		slices.Sort(list)
	}
	// The fastest of each, and on a busy machine by shares: without the work of a
	// hash an answer takes a tenth.
	known, unknown := times["known"][0], times["unknown"][0]
	if apart := (known - unknown).Abs(); apart > max(50*time.Millisecond, max(known, unknown)/2) {
		t.Errorf("a wrong name takes %s and a wrong password %s, want about the same", unknown, known)
	}
}

func TestGuessingGetsSlowerForTheGuessedAloneWhateverTheSenderClaims(t *testing.T) {
	site := webtest.New(t)
	now := time.Now()
	site.Store.SetClock(func() time.Time { return now })
	site.As("amara", "operator")
	site.As("jonas", "operator")
	var wait sync.WaitGroup
	statuses := make(chan webtest.Answer, 50)
	for i := range 50 {
		wait.Go(func() {
			statuses <- site.Nobody().Do("POST", "/sign-in", "application/x-www-form-urlencoded", "handle=amara&password=wrong", func(r *http.Request) {
				r.Header.Set("X-Forwarded-For", "203.0.113."+string(rune('0'+i%10)))
			})
		})
	}
	wait.Wait()
	close(statuses)
	looked, waited := 0, 0
	for a := range statuses {
		switch a.Status {
		case http.StatusUnprocessableEntity:
			looked++
		case http.StatusTooManyRequests:
			waited++
			if a.Header.Get("Retry-After") == "" {
				t.Error("a 429 has no Retry-After")
			}
		default:
			t.Errorf("a guess: got status %d", a.Status)
		}
	}
	if looked != 5 || waited != 45 {
		t.Errorf("of 50 guesses at once %d were looked at and %d told to wait, want 5 and 45", looked, waited)
	}
	if a := try(site.Nobody(), "amara", webtest.Password); a.Status != http.StatusTooManyRequests {
		t.Errorf("the guessed person at once: got status %d, want 429", a.Status)
	}
	if a := try(site.Nobody(), "jonas", webtest.Password); a.Status != http.StatusSeeOther {
		t.Errorf("a bystander: got status %d, want 303", a.Status)
	}
}

func TestSessionsEnd(t *testing.T) {
	ctx, act := context.Background(), store.Act{Via: "command"}
	site := webtest.New(t)
	signedIn := func(c *webtest.Client) bool { return c.Get("/floor").Status == http.StatusOK }
	stolen := func(c *webtest.Client) *webtest.Client {
		thief := site.Nobody()
		cookies := c.Cookies()
		return thief.Keep(cookies)
	}

	amara := site.As("amara", "operator")
	old := stolen(amara)
	if !signedIn(old) {
		t.Fatal("the copied cookie does not work before sign-out; the test shows nothing")
	}
	if a := amara.Form("/sign-out", nil); a.Status != http.StatusSeeOther {
		t.Errorf("signing out: got status %d, want 303", a.Status)
	}
	if signedIn(old) {
		t.Error("the cookie works after sign-out")
	}

	amara = site.SignIn("amara")
	before := amara.Cookies()[0].Value
	old = stolen(amara)
	if a := try(amara, "amara", webtest.Password); a.Status != http.StatusSeeOther {
		t.Fatalf("signing in again: got status %d", a.Status)
	}
	if amara.Cookies()[0].Value == before || signedIn(old) {
		t.Error("signing in again keeps the old session")
	}

	old = stolen(amara)
	hash, err := web.HashPassword("another good one")
	if err != nil {
		t.Fatal(err)
	}
	if err := site.Store.SetPassword(ctx, act, "amara", hash); err != nil {
		t.Fatal(err)
	}
	if signedIn(old) {
		t.Error("the session lives on after the password changed")
	}

	jonas := site.As("jonas", "operator")
	if err := site.Store.DisableAccount(ctx, act, "jonas"); err != nil {
		t.Fatal(err)
	}
	if signedIn(jonas) {
		t.Error("the session lives on after the person was disabled")
	}
	if a := try(site.Nobody(), "jonas", webtest.Password); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("a disabled person signs in: got status %d, want 422", a.Status)
	}
}

func TestASessionRunsOut(t *testing.T) {
	site := webtest.New(t)
	now := time.Now()
	site.Store.SetClock(func() time.Time { return now })
	c := site.As("amara", "operator")
	for range 3 { // in use: lives on
		now = now.Add(2 * time.Hour)
		if a := c.Get("/floor"); a.Status != http.StatusOK {
			t.Fatalf("after %s in use: got status %d, want 200", "2 h", a.Status)
		}
	}
	now = now.Add(3*time.Hour + 15*time.Minute)
	if a := c.Get("/floor"); a.Status == http.StatusOK {
		t.Error("a session nobody used for over 3 h still works")
	}
}

func TestCookiesAreGuarded(t *testing.T) {
	for _, x := range []struct {
		name, base, public string
		cookie             string
		secure             bool
	}{
		{"plain http on this machine", "", "", "basecourse", false},
		{"https", "", "https://farm.example", "__Host-basecourse", true},
		{"https under a base path", "/bc", "https://farm.example/bc", "__Secure-basecourse", true},
	} {
		t.Run(x.name, func(t *testing.T) {
			site := webtest.New(t, func(c *web.Config) { c.BasePath, c.PublicURL = x.base, x.public })
			if err := web.AddUser(context.Background(), site.Store, "amara", "operator", webtest.Password); err != nil {
				t.Fatal(err)
			}
			a := try(site.Nobody(), "amara", webtest.Password)
			set := a.Header.Get("Set-Cookie")
			for part, want := range map[string]bool{x.cookie + "=": true, "; HttpOnly": true, "; SameSite=Lax": true, "; Secure": x.secure, "Domain": false, "; Path=" + x.base + "/": true} {
				if strings.Contains(set, part) != want {
					t.Errorf("Set-Cookie: got %q, want %q in it: %v", set, part, want)
				}
			}
			if _, err := site.Store.AddTablet(context.Background(), store.Act{Via: "command"}, "Bay 1", "", sha256.Sum256([]byte("abcdefgh23")), site.Store.Now().Add(time.Hour)); err != nil {
				t.Fatal(err)
			}
			set = site.Nobody().Form("/enrol", url.Values{"code": {"ABCDE-fgh23"}}).Header.Get("Set-Cookie")
			for part, want := range map[string]bool{x.cookie + "-tablet=bcd_": true, "; HttpOnly": true, "; SameSite=Lax": true, "; Secure": x.secure, "Domain": false, "; Path=" + x.base + "/": true, "; Max-Age=": true} {
				if strings.Contains(set, part) != want {
					t.Errorf("Set-Cookie of a tablet: got %q, want %q in it: %v", set, part, want)
				}
			}
			if got := a.Header.Get("Location"); got != x.base+"/floor" {
				t.Errorf("after signing in: got %q, want %q", got, x.base+"/floor")
			}
			if got := a.Header.Get("Strict-Transport-Security") != ""; got != x.secure {
				t.Errorf("HSTS sent: %v, want %v", got, x.secure)
			}
		})
	}
}

func TestWhereSigningInLeadsStaysHere(t *testing.T) {
	site := webtest.New(t)
	site.As("amara", "operator")
	for next, want := range map[string]string{
		"": "/floor", "/findings?state=raised": "/findings?state=raised", "//evil.example": "/floor", "https://evil.example": "/floor",
		`/\evil.example`: "/floor", "/\t/evil.example": "/floor", "/sign-out": "/floor", "javascript:alert(1)": "/floor",
	} {
		a := site.Nobody().Form("/sign-in", url.Values{"handle": {" amara "}, "password": {webtest.Password}, "next": {next}})
		if got := a.Header.Get("Location"); a.Status != http.StatusSeeOther || got != want {
			t.Errorf("next %q: got %d to %q, want 303 to %q", next, a.Status, got, want)
		}
	}
}

func TestPasswordsAreTakenWhole(t *testing.T) {
	ctx := context.Background()
	site := webtest.New(t)
	long := strings.Repeat("0123456789abcdef", 16) // 256 characters, the most there may be
	for handle, password := range map[string]string{"long": long, "emoji": "🐢🐢🐢🐢 slow 🐢", "blank": " leading space"} {
		if err := web.AddUser(ctx, site.Store, handle, "operator", password); err != nil {
			t.Fatal(err)
		}
		if a := try(site.Nobody(), handle, password); a.Status != http.StatusSeeOther {
			t.Errorf("%s: got status %d, want 303", handle, a.Status)
		}
		if a := try(site.Nobody(), handle, strings.TrimSpace(password[:len(password)-1])); a.Status == http.StatusSeeOther {
			t.Errorf("%s: a cut password signs in", handle)
		}
	}
	// The least the OWASP Password Storage Cheat Sheet asks of Argon2id: 19 MiB, two passes, one lane.
	conn, err := pgx.Connect(ctx, site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	var all, strong int
	if err := conn.QueryRow(ctx, `SELECT count(*), count(*) FILTER (WHERE starts_with(hash, '$argon2id$v=19$m=19456,t=2,p=1$')) FROM passwords`).Scan(&all, &strong); err != nil || all != 3 || strong != all {
		t.Errorf("%d of %d passwords are kept by Argon2id as they should be, %v", strong, all, err)
	}
	for name, want := range map[string]error{"short": web.AddUser(ctx, site.Store, "short", "operator", "1234567"), "role": web.AddUser(ctx, site.Store, "x", "tablet", webtest.Password), "handle": web.AddUser(ctx, site.Store, " x", "operator", webtest.Password)} {
		if !fault.Is(want, fault.Invalid) {
			t.Errorf("a wrong %s: got %v, want a refusal", name, want)
		}
	}
	if err := web.AddUser(ctx, site.Store, "long", "admin", webtest.Password); !fault.Is(err, fault.Conflict) {
		t.Errorf("adding somebody twice: got %v, want a conflict", err)
	}
}

func TestTokens(t *testing.T) {
	ctx := context.Background()
	site := webtest.New(t)
	good, err := web.AddToken(ctx, site.Store, "gateway", "operator", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	late, err := web.AddToken(ctx, site.Store, "old", "operator", time.Now().Add(-time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	gone, err := web.AddToken(ctx, site.Store, "gone", "operator", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	if err := site.Store.RevokeToken(ctx, store.Act{Via: "command"}, "gone"); err != nil {
		t.Fatal(err)
	}
	flipped := strings.ToUpper(good[:6]) + good[6:]
	for name, x := range map[string]struct {
		token string
		want  int
	}{"good": {good, 200}, "run out": {late, 401}, "revoked": {gone, 401}, "cut": {good[:len(good)-1], 401}, "another case": {flipped, 401}, "empty": {" ", 401}} {
		c := site.Nobody()
		c.Token = x.token
		if a := c.Get("/api/v1/printers"); a.Status != x.want {
			t.Errorf("token %s: got status %d, want %d", name, a.Status, x.want)
		}
	}
	if a := site.Nobody().Get("/api/v1/printers?access_token=" + good); a.Status != http.StatusUnauthorized {
		t.Errorf("a token in the address: got status %d, want 401", a.Status)
	}
	if _, err := web.AddToken(ctx, site.Store, "gateway", "admin", time.Time{}); !fault.Is(err, fault.Conflict) {
		t.Errorf("a second token of one name: got %v, want a conflict", err)
	}
	if log := site.Log.String(); strings.Contains(log, good) || strings.Contains(log, good[4:20]) {
		t.Error("the log holds a token")
	}
}

func TestTheLogHoldsNoSecrets(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "operator")
	try(site.Nobody(), "amara", "planted secret password")
	try(site.Nobody(), "planted secret handle", "x")
	c.Get("/floor?planted=secret")
	log := site.Log.String()
	for _, secret := range []string{webtest.Password, "planted", "secret", c.Cookies()[0].Value} {
		if strings.Contains(log, secret) {
			t.Errorf("the log holds %q", secret)
		}
	}
	for _, want := range []string{`"route":"/floor"`, `"msg":"signed in"`, `"msg":"sign-in refused"`, `"who":"person amara"`} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %s:\n%s", want, log)
		}
	}
}
