package web_test

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/jackc/pgx/v5"
)

// pinTry tries a PIN on a tablet.
func pinTry(c *webtest.Client, handle, pin string) webtest.Answer {
	return c.Form("/who", url.Values{"person": {handle}, "pin": {pin}})
}

// toWho tells whether an answer sends its reader to say who they are.
func toWho(a webtest.Answer) bool {
	return a.Status == http.StatusSeeOther && strings.HasPrefix(a.Header.Get("Location"), "/who")
}

func TestACodeEnrolsOneTabletOnce(t *testing.T) {
	site := webtest.New(t)
	now := site.Store.Now()
	site.Store.SetClock(func() time.Time { return now })
	admin := site.As("ines", "admin")
	code := regexp.MustCompile(`Code: <code>([^<]+)<`)
	made := admin.Form("/setup/add-tablet", url.Values{"name": {"Bay 1"}, "bay": {""}})
	found := code.FindStringSubmatch(made.Body)
	if made.Status != http.StatusOK || found == nil || !strings.Contains(made.Body, "data:image/svg+xml;base64,") {
		t.Fatalf("adding: got status %d, code %v", made.Status, found)
	}
	if a := admin.Form("/setup/add-tablet", url.Values{"name": {"Bay 1"}, "bay": {""}}); a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, "already") {
		t.Errorf("the same name twice: got status %d", a.Status)
	}
	enrol := func(c *webtest.Client, code string) webtest.Answer {
		return c.Form("/enrol", url.Values{"code": {code}})
	}
	if a := site.Nobody().Get("/enrol?code=" + found[1]); a.Status != http.StatusOK || len(a.Header.Values("Set-Cookie")) > 0 {
		t.Errorf("looking: got status %d, cookies %v", a.Status, a.Header.Values("Set-Cookie"))
	}
	// The admin's own browser becomes the tablet: they are signed out by it.
	if a := enrol(admin, " "+strings.ToUpper(found[1])); !toWho(a) {
		t.Fatalf("enrolling: got status %d to %q: %s", a.Status, a.Header.Get("Location"), a.Body)
	}
	if a := admin.Get("/setup"); a.Status == http.StatusOK {
		t.Error("the admin is still signed in on the tablet")
	}
	if a := enrol(site.Nobody(), found[1]); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("the code once more: got status %d, want 422", a.Status)
	}
	// A new code moves the tablet to another device, when it is taken and not before.
	desk := site.SignIn("ines")
	here := "/setup/tablets/1"
	second := code.FindStringSubmatch(desk.Form(here+"/code", nil).Body)[1]
	if a := admin.Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("the tablet, while a code waits: got status %d", a.Status)
	}
	now = now.Add(61 * time.Minute)
	if a := enrol(site.Nobody(), second); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("a code of yesterday: got status %d, want 422", a.Status)
	}
	third := code.FindStringSubmatch(desk.Form(here+"/code", nil).Body)[1]
	if a := enrol(site.Nobody(), third); !toWho(a) {
		t.Errorf("another device: got status %d", a.Status)
	}
	if a := admin.Get("/floor"); a.Status == http.StatusOK {
		t.Error("the device before is still the tablet")
	}
	// Guessing gets slower.
	told := 0
	for range 20 {
		if a := enrol(site.Nobody(), "aaaaa-aaaaa"); a.Status == http.StatusTooManyRequests && a.Header.Get("Retry-After") != "" {
			told++
		}
	}
	if told < 8 {
		t.Errorf("of 20 wrong codes %d were told to wait", told)
	}
	if a := desk.Form(here, url.Values{"name": {"Back room"}, "bay": {"Bay 7"}}); a.Status != http.StatusSeeOther || !strings.Contains(desk.Get("/setup/tablets").Body, "Back room") {
		t.Errorf("another name: got status %d", a.Status)
	}
	if a := desk.Form(here, url.Values{"name": {""}, "bay": {""}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("no name: got status %d", a.Status)
	}
	if trail := desk.Get(here).Body; strings.Contains(trail, found[1]) || !strings.Contains(trail, "Enrolled") || !strings.Contains(trail, "Back room") {
		t.Error("the tablet's page does not tell its changes, or tells the code")
	}
}

var requestNumber = regexp.MustCompile(`[0-9a-f]{16}`)

func TestPeopleChangeOverByPIN(t *testing.T) {
	site := webtest.New(t)
	now := site.Store.Now()
	site.Store.SetClock(func() time.Time { return now })
	admin := site.As("ines", "admin")
	site.As("kofi", "operator")
	site.As("mara", "manager")
	tablet := site.Tablet(admin, "Bay 1")
	if body := tablet.Get("/who").Body; !strings.Contains(body, "Nobody has a PIN yet") {
		t.Error("nobody has a PIN, and the tablet does not say so")
	}
	site.GivePin("kofi")
	site.GivePin("mara")
	if body := tablet.Get("/who").Body; !strings.Contains(body, "kofi") || strings.Contains(body, "ines") {
		t.Error("the tablet shows others than those with a PIN")
	}
	// A tablet with nobody on it: the Floor to look at, nothing to do.
	if a := tablet.Get("/floor"); a.Status != http.StatusOK || !strings.Contains(a.Body, "Who are you?") {
		t.Errorf("the Floor, nobody signed in: got status %d", a.Status)
	}
	if a := tablet.Get("/grade?printer=x"); a.Header.Get("Location") != "/who?next=%2Fgrade%3Fprinter%3Dx" {
		t.Errorf("grading, nobody signed in: got %d to %q", a.Status, a.Header.Get("Location"))
	}
	// A wrong PIN, somebody without one, nobody of that name: one answer.
	wrong := pinTry(tablet, "kofi", "9999")
	for _, handle := range []string{"ines", "nosuch"} {
		if a := pinTry(tablet, handle, webtest.PIN); a.Status != wrong.Status || a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, "This is not the PIN") {
			t.Errorf("%s: got status %d", handle, a.Status)
		}
	}
	// The right PIN counts for nothing where no tablet is.
	for name, c := range map[string]*webtest.Client{"a browser": site.Nobody(), "a token": site.WithToken("gateway", "admin")} {
		right, other := pinTry(c, "kofi", webtest.PIN), pinTry(c, "kofi", "9999")
		if right.Status == http.StatusSeeOther && !strings.Contains(right.Header.Get("Location"), "/sign-in") || right.Status != other.Status || requestNumber.ReplaceAllString(right.Body, "") != requestNumber.ReplaceAllString(other.Body, "") {
			t.Errorf("%s: got status %d for the right PIN and %d for a wrong one, the same words: %v", name, right.Status, other.Status, right.Body == other.Body)
		}
	}
	a := tablet.Form("/who", url.Values{"person": {"kofi"}, "pin": {"25 80"}, "next": {"/grade"}})
	if a.Status != http.StatusSeeOther || a.Header.Get("Location") != "/grade" {
		t.Fatalf("the right PIN: got status %d to %q", a.Status, a.Header.Get("Location"))
	}
	kofi := site.Nobody().Keep(tablet.Cookies())
	if a := kofi.Get("/grade"); a.Status != http.StatusOK {
		t.Errorf("as kofi: got status %d", a.Status)
	}
	// A manager is an operator here, by PIN and by password, and kofi is signed out.
	if a := pinTry(tablet, "mara", webtest.PIN); a.Status != http.StatusSeeOther {
		t.Fatalf("mara: got status %d", a.Status)
	}
	if a := kofi.Get("/grade"); !toWho(a) {
		t.Errorf("kofi's session after mara changed over: got status %d", a.Status)
	}
	for _, how := range []string{"PIN", "password"} {
		for path, want := range map[string]int{"/grade": 200, "/setup": 403, "/setup/people": 403, "/setup/export/bundle.zip": 403, "/metrics": 403, "/account": 200, "/account/notices": 403, "/account/second-factor": 403} {
			if a := tablet.Get(path); a.Status != want {
				t.Errorf("a manager on a tablet by %s, %s: got status %d, want %d", how, path, a.Status, want)
			}
		}
		if a := tablet.Form("/account/password", url.Values{"handle": {"mara"}, "old": {webtest.Password}, "new": {"another password"}}); a.Status != http.StatusForbidden {
			t.Errorf("setting a password on a tablet: got status %d, want 403", a.Status)
		}
		if a := tablet.Form("/sign-out", nil); a.Header.Get("Location") != "/who" {
			t.Errorf("switching: got status %d to %q", a.Status, a.Header.Get("Location"))
		}
		if how == "PIN" {
			try(tablet, "mara", webtest.Password)
		}
	}
	// A session is good on the device it was begun on alone.
	pinTry(tablet, "kofi", webtest.PIN)
	for _, k := range tablet.Cookies() {
		if !strings.HasSuffix(k.Name, "-tablet") {
			if a := site.Nobody().Keep([]*http.Cookie{k}).Get("/floor"); a.Status == http.StatusOK {
				t.Error("a PIN's session works without the tablet")
			}
		}
	}
	// Whoever does nothing is signed out; the tablet stays. An open page is no work.
	pinTry(tablet, "kofi", webtest.PIN)
	now = now.Add(14 * time.Minute)
	if a := tablet.Get("/grade"); a.Status != http.StatusOK {
		t.Errorf("after 14 minutes: got status %d", a.Status)
	}
	now = now.Add(16 * time.Minute)
	if a := tablet.Get("/grade"); !toWho(a) {
		t.Errorf("after 16 more: got status %d, want to be asked who is there", a.Status)
	}
	if a := tablet.Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("the tablet itself: got status %d", a.Status)
	}
	// Switched off is switched off here too.
	pinTry(tablet, "kofi", webtest.PIN)
	site.SignIn("ines").Form("/setup/people/kofi/off", nil)
	if a := tablet.Get("/grade"); !toWho(a) {
		t.Errorf("kofi, switched off: got status %d", a.Status)
	}
	if a := pinTry(tablet, "kofi", webtest.PIN); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("kofi's PIN, switched off: got status %d", a.Status)
	}
}

// TestGuessingAPINGetsSlower: by person and tablet, and by tablet; neither another
// tablet nor, for a while, another person waits, whatever address the sender claims.
func TestGuessingAPINGetsSlower(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.TrustedProxies = []string{"127.0.0.1"} })
	now := site.Store.Now()
	site.Store.SetClock(func() time.Time { return now })
	admin := site.As("ines", "admin")
	site.As("kofi", "operator")
	site.As("mara", "manager")
	one, two := site.Tablet(admin, "Bay 1"), site.Tablet(admin, "Bay 2")
	site.GivePin("kofi")
	site.GivePin("mara")
	var waits []int
	for i := range 60 {
		a := one.Do("POST", "/who", "application/x-www-form-urlencoded", url.Values{"person": {"kofi"}, "pin": {strconv.Itoa(3000 + i)}}.Encode(),
			func(r *http.Request) { r.Header.Set("X-Forwarded-For", "10.9.0."+strconv.Itoa(i)) })
		if a.Status != http.StatusTooManyRequests {
			continue
		}
		wait, err := strconv.Atoi(a.Header.Get("Retry-After"))
		if err != nil {
			t.Fatal(err)
		}
		if len(waits) == 0 || wait != waits[len(waits)-1] {
			waits = append(waits, wait)
		}
		if len(waits) == 4 {
			break
		}
		now = now.Add(time.Duration(wait) * time.Second)
	}
	if len(waits) != 4 || waits[0] != 1 || waits[1] != 2 || waits[2] != 4 || waits[3] != 8 {
		t.Errorf("waits: got %v, want 1, 2, 4, 8 s", waits)
	}
	if a := pinTry(one, "kofi", webtest.PIN); a.Status != http.StatusTooManyRequests {
		t.Errorf("the right PIN while waiting: got status %d, want 429", a.Status)
	}
	if a := pinTry(one, "mara", webtest.PIN); a.Status != http.StatusSeeOther {
		t.Errorf("a bystander on the same tablet: got status %d", a.Status)
	}
	if a := pinTry(two, "kofi", webtest.PIN); a.Status != http.StatusSeeOther {
		t.Errorf("the guessed person on another tablet: got status %d", a.Status)
	}
	now = now.Add(time.Minute)
	if a := pinTry(one, "kofi", webtest.PIN); a.Status != http.StatusSeeOther {
		t.Errorf("the right PIN after the wait: got status %d", a.Status)
	}
	// Many names on one tablet: the tablet waits.
	told := 0
	for i := range 40 {
		if a := pinTry(two, "guess"+strconv.Itoa(i), "3141"); a.Status == http.StatusTooManyRequests {
			told++
		}
	}
	if told < 15 {
		t.Errorf("of 40 names guessed on one tablet %d had to wait", told)
	}
	if a := pinTry(one, "mara", webtest.PIN); a.Status != http.StatusSeeOther {
		t.Errorf("on the other tablet: got status %d", a.Status)
	}
}

func TestARevokedTabletStopsAtOnce(t *testing.T) {
	site := demoSite(t)
	admin := site.As("ines", "admin")
	site.As("mara2", "manager")
	site.As("kofi2", "operator")
	tablet := site.Tablet(admin, "Bay 1")
	site.Pin(tablet, "kofi2")
	layer := func(id, grader string) string {
		return `{"records":[{"kind":"first_layer","id":"` + id + `","printer":"P-001","started_at":"2026-03-01T07:00:00Z","grade":"clean","graded_at":"2026-03-01T07:05:00Z","grader":"` + grader + `"}]}`
	}
	post := func(c *webtest.Client, body string) webtest.Answer {
		return c.Do("POST", "/api/v1/records", "application/json", body)
	}
	// Any person with a PIN may be named from a tablet; it is noted.
	if a := post(tablet, layer("T-1", "ines")); !strings.Contains(a.Body, `"status":403`) {
		t.Errorf("in the name of somebody without a PIN: got %s", a.Body)
	}
	site.GivePin("ines")
	if a := post(tablet, layer("T-1", "ines")); !strings.Contains(a.Body, `"recorded"`) {
		t.Errorf("in the name of somebody with a PIN: got %s", a.Body)
	}
	if a := post(site.SignIn("kofi2"), layer("T-2", "ines")); !strings.Contains(a.Body, `"status":403`) {
		t.Errorf("the same from a browser: got %s", a.Body)
	}
	conn, err := pgx.Connect(context.Background(), site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	var device string
	if err := conn.QueryRow(context.Background(), `SELECT a.device FROM first_layers f JOIN records r ON r.id = f.id JOIN acts a ON a.id = r.act WHERE f.ref = 'T-1'`).Scan(&device); err != nil || device != "Bay 1" {
		t.Errorf("noted: device %q, %v", device, err)
	}
	if a := tablet.Form("/who/unsent", url.Values{"unsent": {"7"}}); a.Status != http.StatusNoContent {
		t.Errorf("unsent: got status %d", a.Status)
	}
	if a := tablet.Form("/who/unsent", url.Values{"unsent": {"-1"}}); a.Status != http.StatusBadRequest {
		t.Errorf("unsent -1: got status %d", a.Status)
	}
	if body := site.SignIn("mara2").Get("/metrics").Body; !strings.Contains(body, `basecourse_queue_depth{queue="unsent_on_tablets"} 7`) || strings.Contains(body, "Bay 1") {
		t.Error("the metrics do not count what tablets keep, or name one")
	}
	if text := plain(site.SignIn("mara2").Page("/handover").Text("main")); !strings.Contains(text, "Not sent from tablets 7 Bay 1 7 entries, said") {
		t.Errorf("the handover does not say what waits on tablets: %q", text)
	}
	list, err := site.Store.Tablets(context.Background())
	if err != nil || len(list) != 1 {
		t.Fatal(err)
	}
	here := "/setup/tablets/" + strconv.Itoa(int(list[0].ID))
	if a := admin.Form(here+"/revoke", url.Values{"reason": {" "}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("without a reason: got status %d", a.Status)
	}
	if a := admin.Form(here+"/revoke", url.Values{"reason": {"lost in the yard"}}); a.Status != http.StatusSeeOther {
		t.Fatalf("revoking: got status %d", a.Status)
	}
	if body := admin.Get(here).Body; !strings.Contains(body, "lost in the yard") || !strings.Contains(body, "7") {
		t.Error("the page does not say why it was revoked, or what it kept")
	}
	for path, want := range map[string]int{"/floor": 303, "/grade": 303, "/who": 303, "/live": 303} {
		if a := tablet.Get(path); a.Status != want || !strings.Contains(a.Header.Get("Location"), "/sign-in") {
			t.Errorf("%s: got status %d to %q, want to be asked to sign in", path, a.Status, a.Header.Get("Location"))
		}
	}
	if a := post(tablet, layer("T-3", "kofi2")); a.Status != http.StatusUnauthorized || !strings.Contains(a.Body, "revoked") {
		t.Errorf("sending: got status %d %s, want 401 that says why", a.Status, a.Body)
	}
	if a := pinTry(tablet, "kofi2", webtest.PIN); a.Status != http.StatusUnauthorized {
		t.Errorf("a PIN: got status %d, want 401", a.Status)
	}
	if body := tablet.Get("/sign-in").Body; !strings.Contains(body, "stays on it") {
		t.Error("the tablet does not say that it was revoked and what becomes of what it keeps")
	}
	// A manager who signs in there with a password releases it, in everybody's name.
	if a := try(tablet, "mara2", webtest.Password); a.Status != http.StatusSeeOther {
		t.Fatalf("a manager's password: got status %d", a.Status)
	}
	if body := tablet.Get("/grade").Body; !strings.Contains(body, `data-device="revoked"`) {
		t.Error("the page does not tell its script that the tablet was revoked")
	}
	if a := post(tablet, layer("T-3", "kofi2")); !strings.Contains(a.Body, `"recorded"`) {
		t.Errorf("released: got %s", a.Body)
	}
}

func TestPINsAreSetByTheirOwnersAndAdmins(t *testing.T) {
	site := webtest.New(t)
	admin, kofi := site.As("ines", "admin"), site.As("kofi", "operator")
	set := func(c *webtest.Client, now, pin string) webtest.Answer {
		return c.Form("/account/pin", url.Values{"handle": {"kofi"}, "now": {now}, "pin": {pin}})
	}
	for pin, words := range map[string]string{"123": "4 to 8 digits", "123456789": "4 to 8 digits", "12a4": "digits only", "1111": "first that anybody", "1234": "first that anybody", "87654": "first that anybody", "": "4 to 8 digits", "٣٤٥٩": "digits only"} {
		if a := set(kofi, webtest.Password, pin); a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, words) {
			t.Errorf("PIN %q: got status %d, want 422 with %q", pin, a.Status, words)
		}
	}
	if a := set(kofi, "wrong password", "4711"); a.Status != http.StatusUnprocessableEntity || !strings.Contains(a.Body, "not your password") {
		t.Errorf("without the password: got status %d", a.Status)
	}
	if a := set(kofi, webtest.Password, "4711"); a.Status != http.StatusSeeOther {
		t.Fatalf("setting: got status %d: %s", a.Status, a.Body)
	}
	if a := kofi.Get("/account?saved=pin"); a.Status != http.StatusOK || !strings.Contains(a.Body, "Take my PIN away") {
		t.Errorf("their other session ended with the PIN: got status %d", a.Status)
	}
	one, two := site.Tablet(admin, "Bay 1"), site.Tablet(admin, "Bay 2")
	for _, c := range []*webtest.Client{one, two} {
		if a := pinTry(c, "kofi", "4711"); a.Status != http.StatusSeeOther {
			t.Fatalf("the PIN: got status %d", a.Status)
		}
	}
	// On a tablet the PIN in force is asked for; other tablets ask again.
	if a := set(one, webtest.Password, "5812"); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("the password for a PIN: got status %d", a.Status)
	}
	if a := set(one, "4711", "5812"); a.Status != http.StatusSeeOther {
		t.Errorf("a new PIN on a tablet: got status %d: %s", a.Status, a.Body)
	}
	if a, b := one.Get("/grade"), two.Get("/grade"); a.Status != http.StatusOK || !toWho(b) {
		t.Errorf("afterwards: got status %d here and %d on the other tablet, want 200 and to be asked", a.Status, b.Status)
	}
	// An admin resets it; signing out everywhere reaches tablets; the PIN goes.
	if a := admin.Form("/setup/people/kofi/pin", url.Values{"pin": {"9999"}}); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("a weak one by an admin: got status %d", a.Status)
	}
	if a := admin.Form("/setup/people/kofi/pin", url.Values{"pin": {"6038"}}); a.Status != http.StatusSeeOther || !toWho(one.Get("/grade")) {
		t.Errorf("a reset: got status %d", a.Status)
	}
	if a := pinTry(one, "kofi", "5812"); a.Status != http.StatusUnprocessableEntity {
		t.Errorf("the PIN before: got status %d", a.Status)
	}
	pinTry(one, "kofi", "6038")
	if a := admin.Form("/setup/people/kofi/sign-out", nil); a.Status != http.StatusSeeOther || !toWho(one.Get("/grade")) {
		t.Errorf("signing out everywhere: got status %d", a.Status)
	}
	// Somebody without a password works on tablets alone.
	if err := site.Store.SaveThings(context.Background(), store.Act{Via: "command"}, "person", store.ThingEdit{After: &farm.Person{Handle: "lea", Role: "operator"}}); err != nil {
		t.Fatal(err)
	}
	site.Pin(two, "lea")
	if a := two.Get("/grade"); a.Status != http.StatusOK {
		t.Errorf("without a password: got status %d", a.Status)
	}
	// Hashed as passwords are.
	conn, err := pgx.Connect(context.Background(), site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.Background()) }()
	var all, strong int
	if err := conn.QueryRow(context.Background(), `SELECT count(*), count(*) FILTER (WHERE starts_with(hash, '$argon2id$v=19$m=19456,t=2,p=1$')) FROM pins`).Scan(&all, &strong); err != nil || all < 2 || strong != all {
		t.Errorf("%d of %d PINs are kept by Argon2id as they should be, %v", strong, all, err)
	}
	if body := admin.Get("/setup/people").Body; !strings.Contains(body, "with a PIN, on tablets") {
		t.Error("the list of people does not tell who signs in with a PIN alone")
	}
	if a := admin.Form("/setup/people/lea/pin-off", nil); a.Status != http.StatusSeeOther || !toWho(two.Get("/grade")) {
		t.Errorf("taken away: got status %d", a.Status)
	}
	if a := site.SignIn("kofi").Form("/account/pin/off", nil); a.Status != http.StatusSeeOther {
		t.Errorf("one's own taken away: got status %d", a.Status)
	}
	trail := admin.Page("/setup/people/kofi").Text("main")
	if !strings.Contains(trail, "PIN") || strings.Contains(trail, "6038") || strings.Contains(site.Log.Said(), "6038") {
		t.Error("the trail does not tell that a PIN was set, or it or the log tells the PIN")
	}
}
