package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"runtime"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farmtls"
	"basecourse/internal/signon"
	"basecourse/internal/store"
	"basecourse/static"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"
	"go.opentelemetry.io/otel/trace"
	"golang.org/x/time/rate"
)

// Config is what a server is made from.
type Config struct {
	Store    *store.Store
	Findings Findings
	Heights  Heights // nil: no height book
	Judged   Judged  // nil: nothing is known of graders and of the risks said
	// Diagnoses tells what first layers say; nil: worked out over Store, keeping
	// nothing for others.
	Diagnoses Diagnoses
	// Looks draws which running first layers to look at; nil: worked out over Store.
	Looks Looks
	// Policies tells how the farm was looked after; nil: worked out over Store.
	Policies Policies
	Copies   Copies  // daily copies of the farm; nil: none are written by this process
	Backups  Copies  // daily backups of the database; nil: none are written by this process
	Notices  Notices // nil: neither mail nor webhooks can be set up on pages

	// Provider is where people may sign in beside their password; nil: nowhere else.
	Provider *signon.Provider

	Log *slog.Logger

	// BasePath is where the program lives behind a proxy ("/bc"), whether the
	// proxy keeps or strips it; "" is the root.
	BasePath string
	// PublicURL is the address people type ("https://farm.example/bc"); https
	// makes cookies Secure and sends HSTS. "" is plain http on this machine.
	PublicURL string
	// TrustedProxies may say who the sender is in X-Forwarded-For: addresses or
	// networks (10.0.0.0/8). Nobody else may.
	TrustedProxies []string

	// Tracer makes a span of each request; nil: none.
	Tracer trace.Tracer

	// TLS gives the server's certificate; nil: it speaks plain http, on this machine
	// or to a proxy in front.
	TLS *farmtls.Source

	// RequestsPerSecond is how many requests one token may send in the long run;
	// for two seconds' worth it may send faster. 0 is 2000.
	RequestsPerSecond int

	// MetricsApart: /metrics is served on an address of its own, see Metrics.
	MetricsApart bool

	// TempDir is where uploads are written while they are worked on; "" is the
	// system's own.
	TempDir string

	Now func() time.Time // the clock of pages; nil is the store's

	// NoRoom tells that the private database's disk has no room for it even to start;
	// nil: the database is elsewhere, and only it knows.
	NoRoom func() bool
}

// Notices tells what of notices can be sent.
type Notices interface {
	MailReady() bool
	CheckURL(text string) error // what is wrong with the address of a webhook
}

// Copies tells about the daily copies of the farm.
type Copies interface {
	Latest(ctx context.Context) (Copy, error)
}

// Copy is the latest daily copy.
type Copy struct {
	WrittenAt time.Time // zero: none yet
	Folder    string
	Kept      int    // how many are kept
	Rows      int    // records read back from it
	Problem   string // why the last try failed; ""
}

// Limits of the HTTP server. A sender that needs longer is dropped.
const (
	readHeaderLimit = 10 * time.Second
	bodyLimit       = 30 * time.Second
	writeLimit      = 60 * time.Second
	idleLimit       = 2 * time.Minute
	headerBytes     = 64 << 10
	drainLimit      = 10 * time.Second
)

// Server answers requests.
type Server struct {
	cfg       Config
	store     *store.Store
	log       *slog.Logger
	now       func() time.Time
	base      string
	secure    bool // reached by https
	proxies   []netip.Prefix
	assets    *static.Set
	echo      *echo.Echo
	sessions  *scs.SessionManager
	origin    *http.CrossOriginProtection
	hashing   chan struct{} // one place for each password that is being checked
	decoding  chan struct{} // one place for each photo that is being decoded
	importing chan struct{} // one place for an upload, an import or an export
	working   chan struct{} // one place for each request that may touch the database
	crowd     crowd
	feed      feed     // to pages that are open
	senders   *senders // by address
	tokens    *senders // by token
	floor     kept[[]store.FloorPrinter]
	spots     kept[[]store.Spot]           // where plates are
	drawn     kept[map[string][]drawnLine] // by lot for next starts
	looked    kept[string]                 // how far the look list is done
	ledgers   ledgers
	unpacked  chan struct{} // wakes the packing of days for trends
	metrics   *metrics
	guards    map[string]Route // by method and pattern
	handler   http.Handler
	worker    []byte // the service worker as it is served

	table       []Route // as it is served
	description []byte  // of the API, in OpenAPI
}

// New makes a server. Wrong settings, and routes without an entry in the table,
// are errors here rather than surprises later.
func New(cfg Config) (*Server, error) {
	if cfg.Store == nil || cfg.Findings == nil {
		return nil, errors.New("web.New: a store and findings are needed")
	}
	s := &Server{
		cfg: cfg, store: cfg.Store, log: cfg.Log, now: cfg.Now,
		hashing: make(chan struct{}, hashesAtOnce),
		working: make(chan struct{}, workersAtOnce), unpacked: make(chan struct{}, 1), importing: make(chan struct{}, 1),
		decoding: make(chan struct{}, min(2, runtime.NumCPU())),
		senders:  newSenders(rate.Limit(requestsPerSecond), requestsBurst),
	}
	if s.cfg.Looks == nil {
		s.cfg.Looks = assess.New(cfg.Store)
	}
	if s.cfg.Policies == nil {
		s.cfg.Policies = assess.New(cfg.Store)
	}
	if s.cfg.Diagnoses == nil {
		s.cfg.Diagnoses = assess.New(cfg.Store)
	}
	perToken := cfg.RequestsPerSecond
	if perToken == 0 {
		perToken = tokenRequestsPerSecond
	}
	s.tokens = newSenders(rate.Limit(perToken), 2*perToken)
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.now == nil {
		s.now = cfg.Store.Now
	}
	var err error
	if s.base, err = cleanBase(cfg.BasePath); err != nil {
		return nil, err
	}
	s.origin = http.NewCrossOriginProtection()
	if cfg.PublicURL != "" {
		u, err := url.Parse(cfg.PublicURL)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			return nil, fmt.Errorf("BASECOURSE_PUBLIC_URL: found %q, expected an address such as https://farm.example", cfg.PublicURL)
		}
		s.secure = u.Scheme == "https"
		if err := s.origin.AddTrustedOrigin(u.Scheme + "://" + u.Host); err != nil {
			return nil, fmt.Errorf("BASECOURSE_PUBLIC_URL: %w", err)
		}
	}
	s.secure = s.secure || cfg.TLS != nil
	if s.proxies, err = proxyRanges(cfg.TrustedProxies); err != nil {
		return nil, err
	}
	if s.assets, err = static.Load(); err != nil {
		return nil, fmt.Errorf("web.New: %w", err)
	}
	if err := s.makeWorker(); err != nil {
		return nil, err
	}
	s.sessions = s.newSessions()
	s.metrics = s.newMetrics()
	if err := s.build(); err != nil {
		return nil, err
	}
	return s, nil
}

// build sets up echo: guards in their order, then every route of the table.
func (s *Server) build() error {
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.HTTPErrorHandler = s.answerError
	e.IPExtractor = s.sender
	s.echo = e
	// From the outside in. The order matters: what is refused early costs least.
	e.Use(s.withHeaders, s.withLog, s.withRecovery, s.withRoute)
	if s.cfg.Tracer != nil {
		e.Use(s.withTrace)
	}
	e.Use(s.withOrigin, s.withLoadLimit, s.withDeadline, s.withIdentity, s.withRole, s.withAccept, s.withAddress, s.withBody)
	s.guards = map[string]Route{}
	for _, r := range routes {
		if r.handle == nil || roleRank(r.Role) < 0 {
			return fmt.Errorf("web.New: route %s %s has no handler or no role", r.Method, r.Path)
		}
		e.Add(r.Method, r.Path, r.handle(s))
		s.guards[r.Method+" "+r.Path] = r
	}
	for _, r := range e.Routes() {
		if _, ok := s.guards[r.Method+" "+r.Path]; !ok {
			return fmt.Errorf("web.New: route %s %s is not in the table of routes", r.Method, r.Path)
		}
	}
	s.handler, s.table = s.underBase(e), routes
	var err error
	s.description, err = describe(routes, s.base)
	return err
}

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.handler.ServeHTTP(w, r) }

// Serve answers on a listener until the context ends, then lets running
// requests finish for ten seconds. The listener is closed in any case.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	srv := &http.Server{
		Handler:           s,
		ReadHeaderTimeout: readHeaderLimit,
		ReadTimeout:       bodyLimit,
		WriteTimeout:      writeLimit,
		IdleTimeout:       idleLimit,
		MaxHeaderBytes:    headerBytes,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	go s.sweep(ctx)
	go s.packTrends(ctx)
	go s.drawLooks(ctx)
	go s.seal(ctx)
	go s.store.TellChanges(ctx)
	go s.listen(ctx)
	srv.RegisterOnShutdown(s.feed.end)
	ended := make(chan error, 1)
	go func() {
		if s.cfg.TLS != nil {
			ended <- s.serveTLS(srv, l)
			return
		}
		ended <- srv.Serve(l)
	}()
	select {
	case err := <-ended:
		return fmt.Errorf("web.Serve: %w", err)
	case <-ctx.Done():
	}
	drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainLimit)
	defer cancel()
	if err := srv.Shutdown(drain); err != nil {
		_ = srv.Close()
		return fmt.Errorf("web.Serve: requests still running after %s: %w", drainLimit, err)
	}
	return nil
}

// sweepEvery is how often what has run out is removed; any replica may do it.
const sweepEvery = time.Hour

func (s *Server) sweep(ctx context.Context) {
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	for {
		if err := s.store.SweepSessions(ctx); err != nil && ctx.Err() == nil {
			s.log.Warn("sessions not swept", "error", err.Error())
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// sealEvery is how often what was written is taken into the chain of the trail;
// any replica may do it. A queue of many waits three times as long as a seal
// takes, so that sealing never takes more than a quarter of one core.
const sealEvery = 2 * time.Second

// sealBesidePeople is how many acts a seal takes in at most while people look, so that a
// page does not wait beside a long one.
const sealBesidePeople = 100

func (s *Server) seal(ctx context.Context) {
	wait, told := time.Duration(0), false
	for {
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return
		}
		most := store.ActsASeal
		if s.crowd.look() {
			most = sealBesidePeople
		}
		began := time.Now()
		n, err := s.store.SealSome(ctx, most)
		if err != nil && ctx.Err() == nil && !told {
			s.log.Warn("the trail is not sealed just now", "error", err.Error())
		}
		told = err != nil
		if wait = sealEvery; n > 0 {
			wait = min(sealEvery, 3*time.Since(began))
		}
	}
}

// underBase takes the base path off where the proxy kept it.
func (s *Server) underBase(next http.Handler) http.Handler {
	if s.base == "" {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if p, ok := strings.CutPrefix(r.URL.Path, s.base); ok && (p == "" || p[0] == '/') {
			u := *r.URL
			u.Path = "/" + strings.TrimPrefix(p, "/")
			u.RawPath = ""
			if raw, ok := strings.CutPrefix(r.URL.RawPath, s.base); ok && raw != "" {
				u.RawPath = "/" + strings.TrimPrefix(raw, "/")
			}
			r2 := r.Clone(r.Context())
			r2.URL = &u
			r = r2
		}
		next.ServeHTTP(w, r)
	})
}

func cleanBase(p string) (string, error) {
	p = strings.TrimSuffix(p, "/")
	if p == "" {
		return "", nil
	}
	if !strings.HasPrefix(p, "/") || strings.ContainsAny(p, "?#\"'<>\\ ") || strings.Contains(p, "//") || strings.Contains(p, "..") {
		return "", fmt.Errorf("BASECOURSE_BASE_PATH: found %q, expected a path such as /bc", p)
	}
	return p, nil
}

func proxyRanges(list []string) ([]netip.Prefix, error) {
	var out []netip.Prefix
	for _, text := range list {
		text = strings.TrimSpace(text)
		if text == "" {
			continue
		}
		if a, err := netip.ParseAddr(text); err == nil {
			out = append(out, netip.PrefixFrom(a, a.BitLen()))
			continue
		}
		p, err := netip.ParsePrefix(text)
		if err != nil {
			return nil, fmt.Errorf("BASECOURSE_TRUSTED_PROXIES: found %q, expected an address or a network such as 10.0.0.0/8", text)
		}
		out = append(out, p.Masked())
	}
	return out, nil
}

// sender is the address a request comes from: the last one in X-Forwarded-For
// that is no trusted proxy, when the connection itself comes from one.
func (s *Server) sender(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	if !s.trusted(host) {
		return host
	}
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(hops) - 1; i >= 0; i-- {
		hop := strings.TrimSpace(hops[i])
		if _, err := netip.ParseAddr(hop); err != nil {
			break
		}
		host = hop
		if !s.trusted(hop) {
			break
		}
	}
	return host
}

func (s *Server) trusted(host string) bool {
	a, err := netip.ParseAddr(host)
	if err != nil {
		return false
	}
	for _, p := range s.proxies {
		if p.Contains(a.Unmap()) {
			return true
		}
	}
	return false
}

// url gives an address of ours with the base path.
func (s *Server) url(path string) string { return s.base + path }
