package web

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"
	"golang.org/x/time/rate"
)

func TestASenderThatAsksTooFastWaitsAndOthersDoNot(t *testing.T) {
	x := newSenders(rate.Limit(10), 5)
	now := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	passed := 0
	for range 50 {
		if x.allow("203.0.113.9", now) == 0 {
			passed++
		}
	}
	if passed != 5 {
		t.Errorf("of 50 requests at one instant %d passed, want the burst of 5", passed)
	}
	if x.allow("203.0.113.10", now) > 0 {
		t.Error("another sender has to wait too")
	}
	if x.allow("203.0.113.9", now.Add(time.Second)) > 0 {
		t.Error("a second later the sender still has to wait")
	}
	// And so it is for requests, whichever address they ask for.
	s := &Server{working: make(chan struct{}, 1), senders: newSenders(rate.Every(time.Hour), 5), tokens: newSenders(rate.Inf, 1)}
	s.metrics = s.newMetrics()
	let := s.withLoadLimit(func(echo.Context) error { return nil })
	statuses := map[int]int{}
	ask := func(from string) int {
		req := httptest.NewRequest(http.MethodGet, "/api/v1/printers", nil)
		req.RemoteAddr = from + ":1234"
		answer := httptest.NewRecorder()
		c := echo.New().NewContext(req, answer)
		c.Set(keyRoute, Route{Method: "GET", Path: "/api/v1/printers", Role: roleOperator, doc: &apiDoc{}})
		err := let(c)
		if err == nil {
			return http.StatusOK
		}
		_, status, _ := classify(err)
		if answer.Header().Get("Retry-After") == "" {
			t.Errorf("%d without Retry-After", status)
		}
		return status
	}
	for range 50 {
		statuses[ask("203.0.113.11")]++
	}
	if statuses[http.StatusOK] != 5 || statuses[http.StatusTooManyRequests] != 45 {
		t.Errorf("of 50 requests at once: %v, want 5 of status 200 and 45 of 429", statuses)
	}
	if got := ask("203.0.113.12"); got != http.StatusOK {
		t.Errorf("another sender's request: got status %d", got)
	}
}

func TestRememberedSendersAreBounded(t *testing.T) {
	x := newSenders(rate.Limit(10), 5)
	now := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	for i := range 3 * sendersKept {
		x.allow(fmt.Sprint(i), now)
	}
	if len(x.by) > sendersKept {
		t.Errorf("%d senders are remembered, want at most %d", len(x.by), sendersKept)
	}
}

func TestTooMuchAtOnceIsToldSo(t *testing.T) {
	s := &Server{working: make(chan struct{}, 1), senders: newSenders(rate.Inf, 1)}
	s.metrics = s.newMetrics()
	s.working <- struct{}{} // somebody is at it
	c := echo.New().NewContext(httptest.NewRequest(http.MethodGet, "/floor", nil), httptest.NewRecorder())
	c.Set(keyRoute, Route{Method: "GET", Path: "/floor", Role: roleOperator})
	began := time.Now()
	err := s.withLoadLimit(func(echo.Context) error { t.Error("the request went through"); return nil })(c)
	if _, status, _ := classify(err); status != http.StatusServiceUnavailable {
		t.Errorf("got status %d, want 503", status)
	}
	if took := time.Since(began); took > workersPatience+time.Second {
		t.Errorf("it took %s, want about %s", took, workersPatience)
	}
}

// TestWhoeverIsStillSendingHoldsNoPlace: a few dozen senders of a byte a second would
// keep everybody else out.
func TestWhoeverIsStillSendingHoldsNoPlace(t *testing.T) {
	s := &Server{working: make(chan struct{}, 1), senders: newSenders(rate.Inf, 1)}
	s.metrics = s.newMetrics()
	answer := func(body io.Reader, then func()) error {
		req := httptest.NewRequest(http.MethodPost, "/api/v1/records", body)
		req.Header.Set("Content-Type", "application/json")
		c := echo.New().NewContext(req, httptest.NewRecorder())
		c.Set(keyRoute, Route{Method: "POST", Path: "/api/v1/records", Role: roleOperator, doc: &apiDoc{}, body: recordsBody})
		return s.withLoadLimit(s.withBody(func(c echo.Context) error {
			_, err := readJSONBody(c)
			if err == nil {
				then()
			}
			return err
		}))(c)
	}
	slow, sender := io.Pipe()
	first, held := make(chan error), 0
	go func() { first <- answer(slow, func() { held = len(s.working) }) }()
	if _, err := sender.Write([]byte("{")); err != nil { // it is being read
		t.Fatal(err)
	}
	began := time.Now()
	if err := answer(strings.NewReader("{}"), func() {}); err != nil || time.Since(began) > workersPatience/2 {
		t.Errorf("another request, while one is still being sent: %v after %s", err, time.Since(began))
	}
	if err := sender.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-first; err != nil || held != 1 || len(s.working) != 0 {
		t.Errorf("when all is there: %v, %d places held meanwhile and %d afterwards, want 1 and 0", err, held, len(s.working))
	}
	// Nobody takes up the work where all places are taken by then.
	slow, sender = io.Pipe()
	go func() { first <- answer(slow, func() { t.Error("it was taken up without a place") }) }()
	if _, err := sender.Write([]byte("{")); err != nil {
		t.Fatal(err)
	}
	select {
	case s.working <- struct{}{}:
	case <-time.After(workersPatience):
		t.Fatal("a place is held for what is still being sent")
	}
	if err := sender.Close(); err != nil {
		t.Fatal(err)
	}
	if _, status, _ := classify(<-first); status != http.StatusServiceUnavailable {
		t.Errorf("without a place when all is there: got status %d, want 503", status)
	}
}

func TestGzipIsTakenWhenAsked(t *testing.T) {
	for accept, want := range map[string]bool{"gzip": true, "br, gzip;q=0.8": true, "GZIP": true, "": false, "br": false, "gzip;q=0": false, "gzip; q=0.0": false, "x-gzip": false} {
		if got := takesGzip(accept); got != want {
			t.Errorf("Accept-Encoding %q: got %v, want %v", accept, got, want)
		}
	}
}
