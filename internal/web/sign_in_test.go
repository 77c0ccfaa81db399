package web_test

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
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
	now := time.Now()
	site.Store.SetClock(func() time.Time { return now })
	bodies := map[string]string{}
	wrong := func(kind, handle string) time.Duration {
		t.Helper()
		began := time.Now()
		a := try(site.Nobody(), handle, "wrong password")
		took := time.Since(began)
		bodies[kind] = strings.ReplaceAll(a.Body, handle, "HANDLE")
		if a.Status != http.StatusUnprocessableEntity {
			t.Fatalf("signing in as %s with a wrong password: got status %d, want 422", handle, a.Status)
		}
		return took
	}
	// Medians of 20 pairs, one after the other, so that whatever else the machine does
	// falls on both; what a busy moment spoilt is measured again. Half a share besides
	// the 50 ms, because a whole hash may take less: without one an answer takes a tenth.
	measure := func() (known, unknown time.Duration) {
		var times [2][]time.Duration
		for i := range 20 {
			now = now.Add(time.Hour) // so that nobody has to wait
			times[0] = append(times[0], wrong("known", "kofi"))
			times[1] = append(times[1], wrong("unknown", fmt.Sprintf("nobody%02d", i)))
		}
		slices.Sort(times[0])
		slices.Sort(times[1])
		return times[0][10], times[1][10]
	}
	for try := 1; ; try++ {
		known, unknown := measure()
		if apart := (known - unknown).Abs(); apart <= min(50*time.Millisecond, max(known, unknown)/2) {
			break
		} else if try == 3 {
			t.Errorf("a wrong name takes %s and a wrong password %s, medians of 20, want the same within 50 ms", unknown, known)
			break
		}
	}
	if bodies["known"] != bodies["unknown"] {
		t.Error("the pages for a wrong name and a wrong password differ")
	}
}

// TestGuessingGetsSlowerForTheGuessedAloneWhateverTheSenderClaims: 50 guesses at once
// and 60 one after the other, each from an address of its own as far as a proxy tells.
func TestGuessingGetsSlowerForTheGuessedAloneWhateverTheSenderClaims(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.TrustedProxies = []string{"127.0.0.1"} })
	var clock atomic.Int64
	clock.Store(time.Now().UnixNano())
	site.Store.SetClock(func() time.Time { return time.Unix(0, clock.Load()) })
	site.As("amara", "operator")
	site.As("jonas", "operator")
	guess := func(i int) (a webtest.Answer) {
		for range 5 { // a busy machine has no place for it now and then
			a = site.Nobody().Do("POST", "/sign-in", "application/x-www-form-urlencoded", "handle=amara&password=wrong", func(r *http.Request) {
				r.Header.Set("X-Forwarded-For", "203.0.113."+strconv.Itoa(i))
			})
			if a.Status != http.StatusServiceUnavailable {
				break
			}
		}
		return a
	}
	var wait sync.WaitGroup
	statuses := make(chan webtest.Answer, 50)
	for i := range 50 {
		wait.Go(func() { statuses <- guess(i) })
		if i == 25 {
			wait.Go(func() {
				if a := try(site.Nobody(), "jonas", webtest.Password); a.Status != http.StatusSeeOther {
					t.Errorf("a bystander in the midst of it: got status %d, want 303", a.Status)
				}
			})
		}
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
	for i := range 60 {
		if a := guess(100 + i); a.Status != http.StatusTooManyRequests {
			t.Errorf("guess %d from another address: got status %d, want 429", i, a.Status)
		}
	}
	if a := try(site.Nobody(), "amara", webtest.Password); a.Status != http.StatusTooManyRequests {
		t.Errorf("the guessed person at once: got status %d, want 429", a.Status)
	}
	if a := try(site.Nobody(), "jonas", webtest.Password); a.Status != http.StatusSeeOther {
		t.Errorf("a bystander: got status %d, want 303", a.Status)
	}
	// Each guess after a wait doubles the next, up to five minutes, which end.
	var waits []string
	for i := range 11 {
		a := guess(200)
		if a.Status != http.StatusTooManyRequests {
			t.Fatalf("after %v: got status %d, want 429", waits, a.Status)
		}
		waits = append(waits, a.Header.Get("Retry-After"))
		seconds, err := strconv.Atoi(a.Header.Get("Retry-After"))
		if err != nil {
			t.Fatal(err)
		}
		clock.Add(int64(time.Duration(seconds) * time.Second))
		if i == 10 {
			break
		}
		if a := guess(201); a.Status != http.StatusUnprocessableEntity {
			t.Fatalf("after %v, waited for: got status %d, want 422", waits, a.Status)
		}
	}
	if got, want := strings.Join(waits, " "), "1 2 4 8 16 32 64 128 256 300 300"; got != want {
		t.Errorf("waits of %s s, want %s", got, want)
	}
	if a := try(site.Nobody(), "amara", webtest.Password); a.Status != http.StatusSeeOther {
		t.Errorf("the guessed person after waiting: got status %d, want 303", a.Status)
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
	if raw, err := base64.RawURLEncoding.DecodeString(before); err != nil || len(raw) < 16 {
		t.Errorf("a session's id is %q, want 128 random bits or more", before)
	}
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
	// However much it is used it ends after 12 h.
	now = time.Now()
	c = site.SignIn("amara")
	for range 11 {
		now = now.Add(time.Hour)
		if a := c.Get("/floor"); a.Status != http.StatusOK {
			t.Fatalf("within 12 h in use: got status %d, want 200", a.Status)
		}
	}
	now = now.Add(time.Hour + time.Minute)
	if a := c.Get("/floor"); a.Status == http.StatusOK {
		t.Error("a session of over 12 h still works")
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
	if !strings.HasPrefix(good, "bct_") || len(good) < len("bct_")+32 || good == late || good == gone { // 32 letters of 32: 160 bits
		t.Errorf("a token is %q", good)
	}
	flipped := strings.ToUpper(good[:6]) + good[6:]
	swapped := good[:4] + strings.ToUpper(good[4:])
	for name, x := range map[string]struct {
		token string
		want  int
	}{"good": {good, 200}, "run out": {late, 401}, "revoked": {gone, 401}, "cut": {good[:len(good)-1], 401}, "another case": {flipped, 401}, "all another case": {swapped, 401}, "empty": {" ", 401}} {
		c := site.Nobody()
		c.Token = x.token
		if a := c.Get("/api/v1/printers"); a.Status != x.want {
			t.Errorf("token %s: got status %d, want %d", name, a.Status, x.want)
		} else if x.want == 401 && !strings.HasPrefix(a.Header.Get("WWW-Authenticate"), "Bearer") {
			t.Errorf("token %s: WWW-Authenticate is %q", name, a.Header.Get("WWW-Authenticate"))
		}
	}
	conn, err := pgx.Connect(ctx, site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	sum, kept := sha256.Sum256([]byte(good)), 0
	if err := conn.QueryRow(ctx, `SELECT count(*) FROM tokens WHERE hash = $1`, sum[:]).Scan(&kept); err != nil || kept != 1 {
		t.Errorf("%d tokens are kept as the SHA-256 of this one, %v; want it alone", kept, err)
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

// TestTheLogHoldsNoSecrets plants secrets wherever one may be sent: names, passwords,
// PINs, codes, tokens, cookies, addresses, headers and bodies.
func TestTheLogHoldsNoSecrets(t *testing.T) {
	ctx := context.Background()
	site := webtest.New(t)
	first, err := web.OfferFirstUse(ctx, site.Store)
	if err != nil {
		t.Fatal(err)
	}
	site.Nobody().Get(first)
	c, admin := site.As("amara", "operator"), site.As("ines", "admin")
	tablet := site.Tablet(admin, "Bay 1")
	site.GivePin("amara")
	pinTry(tablet, "amara", "58439261")
	site.Pin(tablet, "amara")
	token := site.WithToken("gateway", "operator")
	token.Get("/api/v1/printers")
	wrong := site.Nobody()
	wrong.Token = "bct_plantedplantedplantedplantedplant"
	wrong.Get("/api/v1/printers")
	try(site.Nobody(), "amara", "planted secret password")
	try(site.Nobody(), "planted secret handle", "x")
	try(site.Nobody(), "planted\nhandle", "x")
	c.Get("/floor?planted=secret")
	c.Get("/planted/secret")
	c.Form("/account/second-factor", nil)
	key := strings.ReplaceAll(keyOnPage.FindStringSubmatch(c.Get("/account/second-factor").Body)[1], " ", "")
	c.Form("/account/second-factor/confirm", url.Values{"code": {"582914"}})
	c.Form("/account/password", url.Values{"handle": {"amara"}, "old": {"planted old one"}, "new": {"planted new one"}})
	admin.Form("/setup/people/amara/password", url.Values{"handle": {"amara"}, "password": {"short"}, "planted": {"secret"}})
	admin.Form("/setup/add-webhook", url.Values{"name": {"hook"}, "url": {"https://hooks.example/planted-secret"}, "kinds": {"hold"}})
	token.Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"cleaning","id":"C-1","plate":"planted","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe","note":"planted"}]}`)
	c.Do("GET", "/floor", "", "", func(r *http.Request) {
		r.Header.Set("Referer", site.URL+"/?planted=secret")
		r.Header.Set("User-Agent", "planted agent")
		r.Header.Set("X-Request-Id", "planted request")
		r.Header.Set("Cookie", r.Header.Get("Cookie")+"; other=planted")
	})
	feed := calendarKey(t, c)
	site.Nobody().Get(feed)
	// Who may do what is changed, and that is told.
	seen := webtest.Attr(admin.Page("/setup/people/amara").One("input[name=seen]"), "value")
	role := admin.Form("/setup/people/amara", url.Values{"act": {"save"}, "seen": {seen}, "name": {""}, "role": {"manager"}})
	if role.Status != http.StatusSeeOther {
		t.Fatalf("another role: got status %d: %s", role.Status, role.Body)
	}
	log := site.Log.Said()
	secrets := []string{webtest.Password, webtest.PIN, "58439261", "582914", "planted", "secret", token.Token, token.Token[4:20], key, strings.TrimPrefix(first, "/first-use/"), strings.TrimPrefix(feed, "/upkeep.ics?key=")}
	for _, k := range slices.Concat(c.Cookies(), admin.Cookies(), tablet.Cookies()) {
		secrets = append(secrets, k.Value)
	}
	for _, secret := range secrets {
		if i := strings.Index(log, secret); i >= 0 {
			t.Errorf("the log holds %q: …%s…", secret, log[max(0, i-150):min(len(log), i+100)])
		}
	}
	for _, want := range []string{`"route":"/floor"`, `"msg":"signed in"`, `"msg":"sign-in refused"`, `"who":"person amara"`, `"msg":"role changed"`} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %s:\n%s", want, log)
		}
	}
	for line := range strings.Lines(site.Log.String()) {
		var l map[string]any
		if err := json.Unmarshal([]byte(line), &l); err != nil || l["msg"] == "request" && (l["request"] == "" || l["route"] == nil || l["status"] == nil || l["micros"] == nil) {
			t.Errorf("a line of the log is no JSON or lacks something: %q, %v", line, err)
		}
	}
}
