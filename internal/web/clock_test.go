package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/jackc/pgx/v5"
)

// clockSet is how far the server's clock is off, one step after the other, while
// real time goes on by a minute a step: an hour and a day, ahead and behind.
var clockSet = []time.Duration{0, time.Hour, 0, -time.Hour, 0, 24 * time.Hour, 0, -23 * time.Hour, -24 * time.Hour, 0}

// cleanedAt records that a plate was wiped at a time, as a tablet whose own clock is
// right does.
func cleanedAt(c *webtest.Client, id string, at time.Time) webtest.Answer {
	return c.Do("POST", "/api/v1/records", "application/json", fmt.Sprintf(`{"records":[{"kind":"cleaning","id":"%s","plate":"L-1","cleaned_at":"%s","method":"wipe"}]}`, id, at.Format(time.RFC3339)))
}

// TestTheServersClockJumps sets the server's clock ahead and back under a farm that
// works: what was answered as recorded is there once, acts keep their order and their
// chain, nobody is kept out, and what is due rests on the same care as had the clock been
// right. The clock is set over both changes of the farm's own clocks.
func TestTheServersClockJumps(t *testing.T) {
	for name, start := range map[string]time.Time{
		"a day like any other":     time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC),
		"clocks were set forward":  time.Date(2026, 3, 29, 0, 57, 0, 0, time.UTC),
		"clocks were set backward": time.Date(2026, 10, 25, 0, 57, 0, 0, time.UTC),
	} {
		t.Run(name, func(t *testing.T) {
			ctx := context.Background()
			worked := func(set []time.Duration) (*webtest.Site, string) {
				site := webtest.New(t)
				things(t, site)
				real, now := start, start
				site.Store.SetClock(func() time.Time { return now })
				c, token := site.As("amara", "manager"), site.WithToken("gateway", "operator")
				for i, off := range set {
					real = real.Add(time.Minute)
					now = real.Add(off)
					if a := c.Get("/floor"); a.Status == http.StatusSeeOther && strings.Contains(a.Header.Get("Location"), "/sign-in") {
						c = site.SignIn("amara") // a session may have run out; a password is good at any time
					} else if a.Status != http.StatusOK {
						t.Errorf("step %d, %s off: the Floor: %d", i, off, a.Status)
					}
					if a := cleanedAt(token, fmt.Sprintf("C-%d", i), real); !strings.Contains(a.Body, `"recorded"`) {
						t.Errorf("step %d, %s off: %d %s", i, off, a.Status, a.Body)
					}
					for j := range i + 1 {
						if a := cleanedAt(token, fmt.Sprintf("C-%d", j), start.Add(time.Duration(j+1)*time.Minute)); !strings.Contains(a.Body, `"already_recorded"`) {
							t.Errorf("step %d, %s off: record %d sent again: %d %s", i, off, j, a.Status, a.Body)
						}
					}
				}
				for { // what waits is sealed, as a server does
					if n, err := site.Store.Seal(ctx); err != nil {
						t.Fatal(err)
					} else if n == 0 {
						break
					}
				}
				if a, err := site.Store.Verify(ctx, ""); err != nil || a.Broken > 0 || a.Waiting > 0 {
					t.Errorf("the trail: %+v, %v", a, err)
				}
				care, err := site.Store.PlatesCare(ctx, real.Add(30*time.Hour))
				if err != nil || len(care) != 1 {
					t.Fatalf("care of plates: %+v, %v", care, err)
				}
				due, err := json.Marshal(care)
				if err != nil {
					t.Fatal(err)
				}
				return site, string(due)
			}
			site, due := worked(clockSet)
			if _, want := worked(make([]time.Duration, len(clockSet))); due != want {
				t.Errorf("due after the jumps:\n%s\nwant what it is without:\n%s", due, want)
			}
			conn, err := pgx.Connect(ctx, site.DB)
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = conn.Close(ctx) }()
			rows, err := conn.Query(ctx, `SELECT ref FROM cleanings c JOIN records r ON r.id = c.id ORDER BY r.act`)
			if err != nil {
				t.Fatal(err)
			}
			refs, err := pgx.CollectRows(rows, pgx.RowTo[string])
			var want []string
			for i := range clockSet {
				want = append(want, fmt.Sprintf("C-%d", i))
			}
			if err != nil || !slices.Equal(refs, want) {
				t.Errorf("acts in their order recorded %v, %v, want %v", refs, err, want)
			}
		})
	}
}

// TestNobodyIsLockedOutByAClockThatWasAhead: what was counted a day ahead keeps
// nobody out longer than the longest wait once the clock is right, and a wait is a
// wait still.
func TestNobodyIsLockedOutByAClockThatWasAhead(t *testing.T) {
	real := time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC)
	now := real.Add(24 * time.Hour)
	site := webtest.New(t)
	site.Store.SetClock(func() time.Time { return now })
	c := site.As("amara", "operator")
	guess := site.Nobody()
	for range 6 {
		try(guess, "amara", "wrong")
	}
	if a := try(guess, "amara", webtest.Password); a.Status != http.StatusTooManyRequests {
		t.Fatalf("after six wrong tries: got %d, the test shows nothing", a.Status)
	}
	now = real
	if a := try(guess, "amara", "wrong"); a.Status == http.StatusTooManyRequests {
		t.Errorf("the clock set back: got %d, Retry-After %s", a.Status, a.Header.Get("Retry-After"))
	}
	if a := try(guess, "amara", webtest.Password); a.Status != http.StatusTooManyRequests {
		t.Errorf("a wrong try after it waits no more: got %d", a.Status)
	}
	now = now.Add(5 * time.Minute)
	if a := try(guess, "amara", webtest.Password); a.Status != http.StatusSeeOther {
		t.Errorf("the longest wait later: got %d", a.Status)
	}
	// The session begun ahead is good, and ends by its own limit of use from now on.
	if a := c.Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("a session begun ahead: got %d", a.Status)
	}
	now = now.Add(3*time.Hour + time.Minute)
	if a := c.Get("/floor"); a.Status == http.StatusOK {
		t.Error("a session begun ahead goes on unused")
	}
}

// TestATokenEndsByTheServersClock, ahead or back, and comes to no harm by it.
func TestATokenEndsByTheServersClock(t *testing.T) {
	real := time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC)
	now := real
	site := webtest.New(t)
	site.Store.SetClock(func() time.Time { return now })
	token := site.Nobody()
	var err error
	if token.Token, err = web.AddToken(context.Background(), site.Store, "gateway", "operator", real.Add(2*time.Hour)); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		off  time.Duration
		want int
	}{{0, 200}, {24 * time.Hour, 401}, {0, 200}, {-24 * time.Hour, 200}, {time.Hour, 200}, {2 * time.Hour, 401}, {0, 200}} {
		now = real.Add(x.off)
		if a := token.Get("/api/v1/printers"); a.Status != x.want {
			t.Errorf("%s off: got %d, want %d", x.off, a.Status, x.want)
		}
	}
}

// TestRecordsOfClocksThatAreWrong: a tablet's clock may be off as far as its work is
// told late; what lies too far ahead is refused in words, kept by its sender, and
// taken once either clock is right. It counts when its time has come.
func TestRecordsOfClocksThatAreWrong(t *testing.T) {
	now := time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC)
	site := webtest.New(t)
	things(t, site)
	site.Store.SetClock(func() time.Time { return now })
	token := site.WithToken("gateway", "operator")
	for _, x := range []struct {
		id   string
		off  time.Duration
		want string
	}{{"late", -40 * 24 * time.Hour, `"recorded"`}, {"hour", time.Hour, `"recorded"`}, {"day", 24 * time.Hour, `"recorded"`}, {"more", 25 * time.Hour, `"refused"`}} {
		if a := cleanedAt(token, x.id, now.Add(x.off)); !strings.Contains(a.Body, x.want) || x.want == `"refused"` && !strings.Contains(a.Body, "24 h ahead") {
			t.Errorf("%s, %s off: %s", x.id, x.off, a.Body)
		}
	}
	at := now.Add(25 * time.Hour)
	now = now.Add(time.Hour) // the server's clock was behind, and is right now
	for _, want := range []string{`"recorded"`, `"already_recorded"`} {
		if a := cleanedAt(token, "more", at); !strings.Contains(a.Body, want) {
			t.Errorf("the refused one sent again: %s, want %s", a.Body, want)
		}
	}
}

// TestASecondFactorWhileTheClockJumps: no code counts twice, whichever way the clock is
// set in between, and whoever shows the code of now is let in at once.
func TestASecondFactorWhileTheClockJumps(t *testing.T) {
	real := time.Date(2026, 6, 10, 9, 0, 0, 0, time.UTC)
	now := real
	site := webtest.New(t)
	site.Store.SetClock(func() time.Time { return now })
	c := site.As("amara", "manager")
	c.Form("/account/second-factor", nil)
	key := strings.ReplaceAll(keyOnPage.FindStringSubmatch(c.Get("/account/second-factor").Body)[1], " ", "")
	if a := c.Form("/account/second-factor/confirm", url.Values{"code": {codeAt(t, key, now)}}); a.Status != http.StatusOK {
		t.Fatalf("setting it up: %d", a.Status)
	}
	enter := func() bool {
		x := site.Nobody()
		try(x, "amara", webtest.Password)
		a := x.Form("/sign-in/code", url.Values{"code": {codeAt(t, key, now)}})
		in := x.Get("/floor").Status == http.StatusOK
		if in != (a.Status == http.StatusSeeOther) || !in && a.Status != http.StatusUnprocessableEntity {
			t.Fatalf("%s: status %d to %q, signed in: %v", now, a.Status, a.Header.Get("Location"), in)
		}
		return in
	}
	const step = 30 * time.Second
	for _, x := range []struct {
		what string
		off  time.Duration // of the clock, from the beginning
		in   bool
	}{
		{"the code it was set up with", 0, false},
		{"the next", step, true},
		{"an hour ahead", time.Hour, true},
		{"back: the next but one", 2 * step, true},
		{"the one before it, used before the clock was ahead", step, false},
		{"ahead again: used there", time.Hour, false},
		{"ahead again: the next", time.Hour + step, true},
		{"back, five minutes late", 5 * time.Minute, true},
		{"four minutes behind: not used yet", time.Minute + step, true},
		{"four minutes behind: used", 2 * step, false},
		{"a day behind", -24 * time.Hour, true},
		{"right again", 5*time.Minute + step, true},
		{"right again: used", 5 * time.Minute, false},
		{"a day behind again: used", -24 * time.Hour, false},
		{"a day behind again: the next", -24*time.Hour + step, true},
		{"the hour has come: used an hour ago", time.Hour, false},
		{"the hour has come", time.Hour + 2*step, true},
	} {
		if now = real.Add(x.off); enter() != x.in {
			t.Errorf("%s: signed in %v, want %v", x.what, !x.in, x.in)
		}
	}
	// A password shown ahead is good for minutes, not until then.
	x := site.Nobody()
	now = real.Add(48 * time.Hour)
	try(x, "amara", webtest.Password)
	now = real.Add(2 * time.Hour)
	if a := x.Form("/sign-in/code", url.Values{"code": {codeAt(t, key, now)}}); a.Header.Get("Location") != "/sign-in" || x.Get("/floor").Status == http.StatusOK {
		t.Errorf("a password shown two days ahead: %d to %q, want to begin again", a.Status, a.Header.Get("Location"))
	}
}
