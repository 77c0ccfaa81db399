package web

import (
	"fmt"
	"net/http"
	"net/http/httptest"
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

func TestGzipIsTakenWhenAsked(t *testing.T) {
	for accept, want := range map[string]bool{"gzip": true, "br, gzip;q=0.8": true, "GZIP": true, "": false, "br": false, "gzip;q=0": false, "gzip; q=0.0": false, "x-gzip": false} {
		if got := takesGzip(accept); got != want {
			t.Errorf("Accept-Encoding %q: got %v, want %v", accept, got, want)
		}
	}
}
