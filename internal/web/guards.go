package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"time"

	"basecourse/internal/fault"

	"github.com/labstack/echo/v4"
	"go.opentelemetry.io/otel/trace"
	"golang.org/x/time/rate"
)

// How much is let in at once.
const (
	workersAtOnce     = 64              // requests at the database's door
	workersPatience   = 2 * time.Second // how long one waits for a place
	requestsPerSecond = 400             // of one address, for whoever sends no token that was good before
	requestsBurst     = 1200            // of one address
	sendersKept       = 4096            // addresses, and tokens, remembered
	retryAfter        = "2"             // seconds, with 503

	tokenRequestsPerSecond = 2000 // of one token; a setting
)

// policy lets the browser load our own files and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; " +
	"worker-src 'self'; manifest-src 'self'; font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'; object-src 'none'"

// withHeaders sets the security headers of every answer, errors too.
func (s *Server) withHeaders(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(self), geolocation=(), microphone=(), payment=(), usb=()")
		h.Set("Cache-Control", "no-store")
		if s.secure && s.authority() == nil { // a certificate of the farm's own may be lost, and its address must then open again
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		return next(c)
	}
}

// withLog writes one line a request: id, who, pattern, status, time. Never an
// address with its parameters, a header or a body.
func (s *Server) withLog(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		var raw [8]byte
		_, _ = rand.Read(raw[:])
		id := hex.EncodeToString(raw[:])
		c.Set(keyRequest, id)
		c.Response().Header().Set(echo.HeaderXRequestID, id)
		began := time.Now()
		s.metrics.running.Inc()
		defer s.metrics.running.Dec()
		err := next(c)
		if err != nil {
			c.Error(err) // answer now, so that the status is known
		}
		status := c.Response().Status
		if r, _ := route(c); !r.stream { // how long somebody looked is no measure of an answer
			s.metrics.observe(c, time.Since(began))
		}
		level := slog.LevelInfo
		if status >= 500 {
			level = slog.LevelError
		}
		attrs := []slog.Attr{
			slog.String("request", id), slog.String("method", c.Request().Method), slog.String("route", pattern(c)),
			slog.Int("status", status), slog.Int64("micros", time.Since(began).Microseconds()), slog.Int64("bytes", c.Response().Size),
			slog.String("from", c.RealIP()),
		}
		if who := identity(c); who.Role != roleAnyone {
			attrs = append(attrs, slog.String("who", who.label()))
		}
		if span := trace.SpanContextFromContext(c.Request().Context()); span.IsValid() {
			attrs = append(attrs, slog.String("trace", span.TraceID().String()))
		}
		if err != nil && status >= 500 {
			attrs = append(attrs, slog.String("error", err.Error()))
		}
		s.log.LogAttrs(c.Request().Context(), level, "request", attrs...)
		return nil
	}
}

// pattern is the route's pattern; a path nobody serves has none.
func pattern(c echo.Context) string {
	if p := c.Path(); p != "" {
		return p
	}
	return "none"
}

// withRecovery turns a panic into an internal error.
func (s *Server) withRecovery(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) (err error) {
		defer func() {
			if r := recover(); r != nil {
				if r == http.ErrAbortHandler {
					panic(r)
				}
				s.log.Error("panic", "request", requestID(c), "route", pattern(c), "found", fmt.Sprint(r), "stack", string(debug.Stack()))
				err = errors.New("a defect ended this request")
			}
		}()
		return next(c)
	}
}

// withRoute looks the guard up; an address that is not in the table ends here
// as 404 or 405, whoever asks.
func (s *Server) withRoute(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, ok := s.guards[c.Request().Method+" "+c.Path()]
		if !ok {
			// echo's own handler for what it does not know says which it is.
			return next(c)
		}
		c.Set(keyRoute, r)
		return next(c)
	}
}

func route(c echo.Context) (Route, bool) {
	r, ok := c.Get(keyRoute).(Route)
	return r, ok
}

// withOrigin refuses state changes that another site's page asked for.
func (s *Server) withOrigin(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := s.origin.Check(c.Request()); err != nil {
			return fault.Wrap(fault.Forbidden, err, "This came from another site's page and was not done.")
		}
		return next(c)
	}
}

// withLoadLimit sheds load before the pool or the memory runs out: 429 for a
// sender that asks too fast, 503 when too many wait. A token that was good before
// counts by itself, so that machines behind one address do not share a limit and
// nobody gets round the limit on guesses by changing the token.
func (s *Server) withLoadLimit(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, ok := route(c)
		if !ok || r.open {
			return next(c)
		}
		if wait := s.mustWait(c, time.Now()); wait > 0 {
			s.metrics.refused.WithLabelValues("rate").Inc()
			return tooMany(c, wait)
		}
		if r.stream {
			return next(c)
		}
		place := &workplace{server: s, asked: c.Request().Context(), page: r.doc == nil && r.patience <= slower,
			machine: r.records && c.Request().Header.Get(echo.HeaderAuthorization) != ""} // people have sessions
		if err := place.take(); err != nil {
			return err
		}
		defer place.leave()
		if body := c.Request().Body; body != nil && body != http.NoBody {
			c.Request().Body = &sending{ReadCloser: body, place: place}
		}
		return next(c)
	}
}

// tooMany tells a sender to wait.
func tooMany(c echo.Context, wait time.Duration) error {
	seconds := int(math.Ceil(wait.Seconds()))
	c.Response().Header().Set(echo.HeaderRetryAfter, strconv.Itoa(seconds))
	return echo.NewHTTPError(http.StatusTooManyRequests, fmt.Sprintf("Too many requests. Wait %s and send again.", counted(seconds, "second", "seconds")))
}

// mustWait tells how long the sender has to wait; 0 not at all.
func (s *Server) mustWait(c echo.Context, now time.Time) time.Duration {
	if head := c.Request().Header.Get(echo.HeaderAuthorization); head != "" {
		if wait, known := s.tokens.again(tokenKey(head), now); known {
			return wait
		}
	}
	return s.senders.allow(c.RealIP(), now)
}

// tokenKey names a token among the senders without keeping it.
func tokenKey(head string) string {
	sum := sha256.Sum256([]byte(head))
	return string(sum[:])
}

// withRole refuses whoever may not enter, before anything they sent is read.
func (s *Server) withRole(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, ok := route(c)
		if !ok {
			return next(c)
		}
		who := identity(c)
		switch {
		case r.private && who.Tablet != 0 && who.Person != 0:
			return fault.New(fault.Forbidden, "On a shared tablet only your PIN can be changed. Use a device of your own for this.")
		case roleRank(who.Role) >= roleRank(r.Role):
			return next(c)
		case who.Role == roleAnyone && who.Revoked:
			return fault.New(fault.Unauthenticated, wordsRevoked)
		case who.Role == roleAnyone:
			return fault.New(fault.Unauthenticated, "Sign in to see this.")
		case who.Role == roleTablet && r.Role == roleOperator:
			return fault.New(fault.Unauthenticated, "Nobody is signed in on this tablet. Say who you are.")
		case who.Tablet != 0:
			return fault.New(fault.Forbidden, "This is for a %s. On a shared tablet everybody has an operator’s rights; use a device of your own.", roleWords[r.Role])
		default:
			return fault.New(fault.Forbidden, "This is for a %s. You are signed in as %s.", roleWords[r.Role], roleWords[who.Role])
		}
	}
}

// withAccept refuses a sender that takes no JSON before anything is done for it.
func (s *Server) withAccept(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if r, ok := route(c); ok && strings.HasPrefix(r.Path, "/api/") && !takesJSON(c.Request().Header.Values(echo.HeaderAccept)) {
			return echo.NewHTTPError(http.StatusNotAcceptable, "This address answers in application/json, which Accept leaves out.")
		}
		return next(c)
	}
}

// longer lifts the server's limits for a request that may take longer, once it
// is known that whoever sent it may.
func longer(c echo.Context, patience time.Duration) {
	if patience <= bodyLimit {
		return
	}
	rc, until := http.NewResponseController(c.Response()), time.Now().Add(patience)
	// Where the connection cannot do that the server's own limits stay.
	_ = rc.SetReadDeadline(until)
	_ = rc.SetWriteDeadline(until.Add(writeLimit))
}

// withBody bounds the body; beyond the limit reading it gives 413.
func (s *Server) withBody(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, ok := route(c)
		req := c.Request()
		if ok {
			longer(c, r.patience)
		}
		if !ok || req.Body == nil || req.Body == http.NoBody {
			return next(c)
		}
		if enc := req.Header.Get(echo.HeaderContentEncoding); enc != "" && !strings.EqualFold(enc, "identity") {
			return echo.NewHTTPError(http.StatusUnsupportedMediaType, "Send the body as it is, without Content-Encoding.")
		}
		if req.ContentLength > r.body {
			return tooLarge(r.body)
		}
		req.Body = http.MaxBytesReader(c.Response().Writer, req.Body, r.body)
		return next(c)
	}
}

func tooLarge(limit int64) error {
	if limit == 0 {
		return fault.New(fault.TooLarge, "This address takes no body.")
	}
	if limit >= 1<<20 {
		return fault.New(fault.TooLarge, "At most %d MB are taken at once.", limit>>20)
	}
	return fault.New(fault.TooLarge, "At most %d kB are taken at once.", limit>>10)
}

// withDeadline bounds the whole answer, waiting for the database included.
func (s *Server) withDeadline(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		patience := usual
		if r, ok := route(c); ok {
			patience = r.patience
		}
		ctx, cancel := context.WithTimeout(c.Request().Context(), patience)
		defer cancel()
		c.SetRequest(c.Request().WithContext(ctx))
		return next(c)
	}
}

// senders is a rate limiter for each address, the first wall of a process.
type senders struct {
	mu    sync.Mutex
	rate  rate.Limit
	burst int
	by    map[string]*rate.Limiter
}

func newSenders(r rate.Limit, burst int) *senders {
	return &senders{rate: r, burst: burst, by: map[string]*rate.Limiter{}}
}

// allow counts a request and tells how long its sender has to wait; 0: it may go
// on.
func (x *senders) allow(sender string, now time.Time) time.Duration {
	x.mu.Lock()
	defer x.mu.Unlock()
	l := x.by[sender]
	if l == nil {
		l = x.add(sender, now)
	}
	return take(l, now)
}

// again is allow for a sender that is known already.
func (x *senders) again(sender string, now time.Time) (wait time.Duration, known bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	l := x.by[sender]
	if l == nil {
		return 0, false
	}
	return take(l, now), true
}

// meet makes a sender known.
func (x *senders) meet(sender string, now time.Time) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.by[sender] == nil {
		x.add(sender, now)
	}
}

// forget makes a sender unknown again.
func (x *senders) forget(sender string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	delete(x.by, sender)
}

func (x *senders) add(sender string, now time.Time) *rate.Limiter {
	if len(x.by) >= sendersKept {
		for a, old := range x.by {
			if old.TokensAt(now) >= float64(x.burst) {
				delete(x.by, a)
			}
		}
		if len(x.by) >= sendersKept {
			clear(x.by)
		}
	}
	l := rate.NewLimiter(x.rate, x.burst)
	x.by[sender] = l
	return l
}

// take uses one request of a limiter, or tells how long until there is one.
func take(l *rate.Limiter, now time.Time) time.Duration {
	r := l.ReserveN(now, 1)
	wait := r.DelayFrom(now)
	if wait > 0 {
		r.CancelAt(now) // refused requests are not saved up
	}
	return wait
}
