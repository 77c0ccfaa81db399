package web

import (
	"context"
	"net/http"
	"sync"
	"time"

	"basecourse/internal/fault"

	"github.com/labstack/echo/v4"
)

// How pages hear that something was written: the database tells every server,
// each server tells the pages that are open, and a page fetches itself again.
const (
	livePages  = 1000             // pages that may listen to one process
	liveEvery  = time.Second      // a page is told at most this often
	liveBeat   = 20 * time.Second // a line now and then, so that a connection that is gone is noticed
	liveWrite  = 10 * time.Second // how long one line may take to go out
	liveLength = 5 * time.Minute  // then the page asks again, and who asks is looked at again
	liveBack   = 2 * time.Second  // between tries to listen to the database
)

// feed gives what is told to everybody who listens.
type feed struct {
	mu     sync.Mutex
	ears   map[chan struct{}]struct{}
	closed bool
}

// hear joins; nil when there is no room or nothing will be told any more.
func (f *feed) hear() chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed || len(f.ears) >= livePages {
		return nil
	}
	if f.ears == nil {
		f.ears = map[chan struct{}]struct{}{}
	}
	ear := make(chan struct{}, 1)
	f.ears[ear] = struct{}{}
	return ear
}

func (f *feed) leave(ear chan struct{}) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.ears, ear)
}

// tell wakes everybody; who has not come round since the last time is not told
// twice.
func (f *feed) tell() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for ear := range f.ears {
		select {
		case ear <- struct{}{}:
		default:
		}
	}
}

// end sends everybody away: a server that stops waits for no page.
func (f *feed) end() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed = true
	for ear := range f.ears {
		close(ear)
		delete(f.ears, ear)
	}
}

// listen passes on what the database tells, and comes back when the connection
// breaks, until the context ends.
func (s *Server) listen(ctx context.Context) {
	for ctx.Err() == nil {
		if err := s.store.ListenChanges(ctx, s.feed.tell); err != nil && ctx.Err() == nil {
			s.log.Warn("changes by other servers are not heard just now", "error", err.Error())
		}
		select {
		case <-ctx.Done():
		case <-time.After(liveBack):
		}
	}
}

// getLive tells an open page whenever something was written since the version it
// has seen, as server-sent events. What was written is not in it: the page asks
// for itself again.
func (s *Server) getLive() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "seen"); err != nil {
			return err
		}
		seen := c.QueryParam("seen")
		if seen == "" {
			return badRequest(fault.Problem{Column: "seen", Found: "nothing", Expected: "the version of the data the page shows, as its data-live says it"})
		}
		if c.Request().Method == http.MethodHead {
			return c.NoContent(http.StatusOK)
		}
		ear := s.feed.hear()
		if ear == nil {
			return fault.New(fault.Busy, "Too many pages are open at once. Load the page again to see what is new.")
		}
		defer s.feed.leave(ear)
		rc := http.NewResponseController(c.Response())
		h := c.Response().Header()
		h.Set(echo.HeaderContentType, "text/event-stream; charset=utf-8")
		h.Set(echo.HeaderCacheControl, "no-store")
		h.Set("X-Accel-Buffering", "no") // proxies that gather would hold events back
		say := func(text string) bool {
			_ = rc.SetWriteDeadline(time.Now().Add(liveWrite))
			if _, err := c.Response().Write([]byte(text)); err != nil {
				return false
			}
			return rc.Flush() == nil
		}
		// What was written while the page was on its way is told at once.
		version, err := s.store.DataVersion(c.Request().Context())
		if err != nil {
			return err
		}
		if seen != version.String() {
			select {
			case ear <- struct{}{}:
			default:
			}
		}
		if !say("retry: 2000\n\n") {
			return nil
		}
		beat := time.NewTicker(liveBeat)
		defer beat.Stop()
		var last time.Time
		for {
			select {
			case <-c.Request().Context().Done():
				return nil
			case <-beat.C:
				if !say(":\n\n") {
					return nil
				}
			case _, more := <-ear:
				if !more {
					return nil
				}
				// One that follows close waits: a busy farm writes many times a second.
				if wait := liveEvery - time.Since(last); wait > 0 {
					select {
					case <-c.Request().Context().Done():
						return nil
					case <-time.After(wait):
					}
				}
				last = time.Now()
				if !say("event: changed\ndata:\n\n") {
					return nil
				}
			}
		}
	}
}
