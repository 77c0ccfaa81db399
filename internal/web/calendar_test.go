package web_test

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	ical "github.com/emersion/go-ical"
)

var calendarAddress = regexp.MustCompile(`/upkeep\.ics\?key=([a-z0-9]{32})`)

// calendarKey makes a calendar address on the account page and gives its path.
func calendarKey(t *testing.T, c *webtest.Client) string {
	t.Helper()
	a := c.Form("/account/calendar", url.Values{})
	found := calendarAddress.FindStringSubmatch(a.Body)
	if a.Status != http.StatusOK || found == nil {
		t.Fatalf("making an address: got status %d and no address", a.Status)
	}
	return "/upkeep.ics?key=" + found[1]
}

// events reads a feed with a parser that is not the writer's (github.com/emersion/go-ical).
func events(t *testing.T, a webtest.Answer) []ical.Event {
	t.Helper()
	if a.Status != http.StatusOK || a.Header.Get("Content-Type") != "text/calendar; charset=utf-8" {
		t.Fatalf("the feed: got status %d, %s", a.Status, a.Header.Get("Content-Type"))
	}
	cal, err := ical.NewDecoder(strings.NewReader(a.Body)).Decode()
	if err != nil {
		t.Fatalf("%v in\n%s", err, a.Body)
	}
	for _, name := range []string{ical.PropVersion, ical.PropProductID} {
		if p := cal.Props.Get(name); p == nil || p.Value == "" {
			t.Errorf("the calendar lacks %s", name)
		}
	}
	if len(cal.Children) == 0 {
		t.Error("a calendar must hold a component (RFC 5545 3.6)")
	}
	return cal.Events()
}

func words(t *testing.T, e *ical.Event, name string) string {
	t.Helper()
	text, err := e.Props.Text(name)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return text
}

func header(name, value string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set(name, value) }
}

// hardPlan has what must be escaped (RFC 5545 3.3.11) and folded (3.1), bytes of
// several to a character among it.
const hardPlan = `{"as_of":"2026-03-09T14:00:00Z","jobs":[],"tasks":[` +
	`{"task":"wipe","printer":"P-001","plate":"L;1,\\2","person":"amara","starts_at":"2026-03-09T14:50:00Z","ends_at":"2026-03-09T14:51:00Z","because":"Größe „Äpfel“, je 3; then\nanother line, and so many more words that a line of seventy-five octets cannot hold them: ααααααααααααααααααα"},` +
	`{"task":"probe","printer":"P-001","plate":"L-1","person":"amara","starts_at":"2026-03-09T14:51:00Z","ends_at":"2026-03-09T14:57:00Z","because":"b"},` +
	`{"task":"probe","printer":"P-001","plate":"L-1","person":"amara","starts_at":"2026-03-09T18:51:00+02:00","ends_at":"2026-03-09T18:57:00+02:00","because":"b"},` +
	`{"task":"probe","printer":"P-002","plate":null,"person":null,"starts_at":"2026-03-09T15:00:00Z","ends_at":"2026-03-09T15:06:00Z","because":"b"},` +
	`{"task":"swap_plate","printer":"P-003","plate":"L-9","person":"jonas","starts_at":"2026-03-09T15:00:00Z","ends_at":"2026-03-09T15:01:00Z","because":"b"}],"cost":0,"bound":0,"gap":null}`

func TestTheCalendarFeed(t *testing.T) {
	plan := &webtest.Findings{PlanJSON: hardPlan}
	site := webtest.New(t, func(c *web.Config) { c.Findings = plan })
	amara := site.As("amara", "operator")
	path := calendarKey(t, amara)
	a := site.Nobody().Get(path)
	list := events(t, a)
	if len(list) != 4 {
		t.Fatalf("got %d events, want amara's three and the one for anybody", len(list))
	}
	for line := range strings.SplitSeq(strings.TrimSuffix(a.Body, "\r\n"), "\r\n") {
		if len(line) > 75 || strings.ContainsAny(line, "\r\n") || !utf8.ValidString(line) || strings.Contains(line, ";TZID=") || strings.HasPrefix(line, "TZID:") && line != "TZID:Etc/UTC" && line != "TZID:UTC" {
			t.Errorf("line of %d octets: %q, want 75 at most, whole characters, and UTC alone", len(line), line)
		}
	}
	if got, want := words(t, &list[0], ical.PropSummary), `Wipe L;1,\2 on P-001`; got != want {
		t.Errorf("summary %q, want %q", got, want)
	}
	if got := words(t, &list[0], ical.PropDescription); !strings.HasPrefix(got, "Größe „Äpfel“, je 3; then\nanother line") || !strings.Contains(got, "ααααααααααααααααααα") || !strings.Contains(got, "Plate cold") {
		t.Errorf("description %q", got)
	}
	uids := map[string]bool{}
	for i := range list {
		uids[words(t, &list[i], ical.PropUID)] = true
		for _, name := range []string{ical.PropDateTimeStamp, ical.PropDateTimeStart, ical.PropDateTimeEnd} {
			if v := list[i].Props.Get(name).Value; !strings.HasSuffix(v, "Z") || len(v) != 16 {
				t.Errorf("%s is %s, want UTC", name, v)
			}
		}
	}
	if len(uids) != 4 {
		t.Errorf("%d UIDs for 4 events", len(uids))
	}
	at, err := list[2].DateTimeStart(time.UTC)
	if err != nil || !at.Equal(time.Date(2026, 3, 9, 16, 51, 0, 0, time.UTC)) {
		t.Errorf("the third starts at %v, %v", at, err)
	}

	// The same tag while nothing changes, another when a task moves; its UID stays.
	if tag := a.Header.Get("ETag"); tag == "" || site.Nobody().Do("GET", path, "", "", header("If-None-Match", tag)).Status != http.StatusNotModified {
		t.Error("the feed is sent again although nothing changed")
	}
	plan.PlanJSON = strings.Replace(hardPlan, "14:50:00Z", "14:45:00Z", 1)
	moved := site.Nobody().Get(path)
	if moved.Header.Get("ETag") == a.Header.Get("ETag") || words(t, &events(t, moved)[0], ical.PropUID) != words(t, &list[0], ical.PropUID) {
		t.Error("a task that moved has the old tag or another UID")
	}
	plan.PlanJSON = ""
	if n := len(events(t, site.Nobody().Get(path))); n != 0 {
		t.Errorf("%d events without a plan", n)
	}
	plan.PlanJSON = hardPlan
	if n := len(events(t, site.Nobody().Get(calendarKey(t, site.As("mia", "manager"))))); n != 5 {
		t.Errorf("a manager gets %d events, want all 5", n)
	}
	if a := site.Nobody().Do("HEAD", path, "", ""); a.Status != http.StatusOK || a.Body != "" {
		t.Errorf("HEAD: status %d, %d bytes", a.Status, len(a.Body))
	}
}

// TestACalendarAddressIsSecret: it can be renewed and switched off, ends with its
// owner, opens nothing else, is in neither the log nor the database, and guessing
// it has to wait.
func TestACalendarAddressIsSecret(t *testing.T) {
	ctx := context.Background()
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{PlanJSON: hardPlan} })
	amara, nobody := site.As("amara", "operator"), site.Nobody()
	good := func(path string, want bool) {
		t.Helper()
		if a := nobody.Get(path); (a.Status == http.StatusOK) != want || !want && a.Status != http.StatusNotFound {
			t.Errorf("got status %d, want it good: %v", a.Status, want)
		}
	}
	first := calendarKey(t, amara)
	good(first, true)
	if strings.Contains(amara.Get("/account").Body, first) {
		t.Error("the page shows the address a second time")
	}
	second := calendarKey(t, amara)
	good(first, false)
	good(second, true)
	if a := amara.Form("/account/calendar/off", url.Values{}); a.Status != http.StatusSeeOther {
		t.Errorf("switching off: got status %d", a.Status)
	}
	good(second, false)
	third := calendarKey(t, amara)
	key := strings.TrimPrefix(third, "/upkeep.ics?key=")
	if a := nobody.Get("/floor?key=" + key); a.Status == http.StatusOK {
		t.Error("the key opens another page")
	}
	if a := nobody.Do("GET", "/api/v1/plan", "", "", header("Authorization", "Bearer "+key)); a.Status != http.StatusUnauthorized {
		t.Errorf("the key as a token: got status %d", a.Status)
	}
	act := store.Act{Via: "command"}
	if err := site.Store.DisableAccount(ctx, act, "amara"); err != nil {
		t.Fatal(err)
	}
	good(third, false)
	if err := site.Store.EnableAccount(ctx, act, "amara"); err != nil {
		t.Fatal(err)
	}
	good(third, true)
	if err := site.Store.RemovePerson(ctx, act, "amara"); err != nil {
		t.Fatal(err)
	}
	good(third, false)
	good("/upkeep.ics", false)
	if log := site.Log.String(); strings.Contains(log, key) || !strings.Contains(log, "/upkeep.ics") {
		t.Error("the log holds the key, or not the route")
	}
	wait := 0
	for range 110 {
		if a := nobody.Get("/upkeep.ics?key=" + strings.Repeat("a", 32)); a.Status == http.StatusTooManyRequests {
			wait++
		}
	}
	if wait == 0 {
		t.Error("guessing never has to wait")
	}
}
