package web_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/localdb"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/jackc/pgx/v5"
)

func TestEveryAnswerCarriesTheSecurityHeaders(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "admin")
	paths := []string{"/none", "/api/v1/none", "/printers/%00", "/floor?x=1"}
	for _, r := range web.Routes() {
		paths = append(paths, anyOf(r.Path))
	}
	for _, path := range paths {
		for _, a := range []webtest.Answer{site.Nobody().Get(path), c.Get(path), site.Nobody().Do("POST", path, "text/plain", "x"), c.Do("PUT", path, "", "")} {
			for name, want := range map[string]string{
				"Content-Security-Policy": "default-src 'none'", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin",
				"Cross-Origin-Opener-Policy": "same-origin",
			} {
				got := a.Header.Get(name)
				if path == "/upkeep.ics" && got == "no-referrer" {
					continue // its address holds a key
				}
				if !strings.Contains(got, want) {
					t.Errorf("%s (status %d): header %s is %q, want %q in it", path, a.Status, name, got, want)
				}
			}
			csp := a.Header.Get("Content-Security-Policy")
			if strings.Contains(csp, "unsafe") {
				t.Errorf("%s: policy has unsafe parts: %s", path, csp)
			}
			for _, part := range []string{"object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'", "form-action 'self'"} {
				if !strings.Contains(csp, part) {
					t.Errorf("%s: policy lacks %s", path, part)
				}
			}
			if path == "/sw.js" || path == "/offline/farm" {
				continue // asked for anew each time, or kept by the device that asked alone
			}
			if !strings.HasPrefix(path, "/static/") && a.Header.Get("Cache-Control") != "no-store" {
				t.Errorf("%s: Cache-Control is %q, want no-store", path, a.Header.Get("Cache-Control"))
			}
		}
	}
}

func TestOtherSitesChangeNothing(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "admin")
	for name, change := range map[string]func(*http.Request){
		"another origin":             func(r *http.Request) { r.Header.Set("Origin", "https://evil.example") },
		"no origin at all":           func(r *http.Request) { r.Header.Set("Origin", "null") },
		"cross-site by the browser":  func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") },
		"same-site by the browser":   func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") },
		"another port of this place": func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:1") },
	} {
		for _, r := range web.Routes() {
			if r.Method != http.MethodPost {
				continue
			}
			for _, kind := range []string{"application/x-www-form-urlencoded", "text/plain"} { // what a page may send anywhere without asking
				if a := c.Do("POST", r.Path, kind, "", change); a.Status != http.StatusForbidden {
					t.Errorf("POST %s as %s, %s: got status %d, want 403", r.Path, kind, name, a.Status)
				}
			}
		}
	}
	// Nothing is taken as text either, wherever it comes from; what reads no body at all
	// does as it is told.
	for _, r := range web.Routes() {
		if r.Method != http.MethodPost || r.Path == "/sign-out" || r.Path == "/account/sign-out" {
			continue
		}
		a := c.Do("POST", anyOf(r.Path), "text/plain", "x=y", func(r *http.Request) { r.Header.Set("Origin", site.URL) })
		if a.Status < 400 {
			t.Errorf("POST %s as text/plain: got status %d, want it refused", r.Path, a.Status)
		}
		if strings.HasPrefix(r.Path, "/api/") && a.Status != http.StatusUnsupportedMediaType {
			t.Errorf("POST %s as text/plain: got status %d, want 415", r.Path, a.Status)
		}
	}
	if a := c.Get("/floor"); a.Status != http.StatusOK {
		t.Errorf("afterwards: got status %d, want to be signed in still", a.Status)
	}
	if a := c.Do("POST", "/sign-out", "application/x-www-form-urlencoded", "", func(r *http.Request) { r.Header.Set("Origin", site.URL) }); a.Status != http.StatusSeeOther {
		t.Errorf("from our own page: got status %d, want 303", a.Status)
	}
}

func TestBodiesHaveLimits(t *testing.T) {
	site := webtest.New(t)
	token := site.WithToken("gateway", "admin")
	big := strings.Repeat("x", 3<<20)
	for _, x := range []struct {
		name, path, kind, body string
		want                   int
	}{
		{"a form of 3 MB", "/sign-in", "application/x-www-form-urlencoded", "handle=" + big, 413},
		{"records of 3 MB", "/api/v1/records", "application/json", `{"records":["` + big + `"]}`, 413},
		{"another type for records", "/api/v1/records", "text/plain", `{"records":[]}`, 415},
		{"no type for records", "/api/v1/records", "", `{"records":[]}`, 415},
		{"another type for a form", "/sign-in", "application/json", `{}`, 415},
		{"a field nobody knows", "/sign-in", "application/x-www-form-urlencoded", "handle=a&password=b&role=admin", 400},
		{"a field twice", "/sign-in", "application/x-www-form-urlencoded", "handle=a&handle=b&password=b", 400},
	} {
		c := token
		if x.path == "/sign-in" {
			c = site.Nobody()
		}
		if a := c.Do("POST", x.path, x.kind, x.body); a.Status != x.want {
			t.Errorf("%s: got status %d, want %d: %.200s", x.name, a.Status, x.want, a.Body)
		}
		// Without a length the body is counted while it is read.
		a := c.Do("POST", x.path, x.kind, x.body, func(r *http.Request) { r.ContentLength = -1 })
		if a.Status != x.want {
			t.Errorf("%s, in chunks: got status %d, want %d", x.name, a.Status, x.want)
		}
	}
	if a := token.Do("POST", "/api/v1/records", "application/json", "x", func(r *http.Request) { r.Header.Set("Content-Encoding", "gzip") }); a.Status != 415 {
		t.Errorf("a packed body: got status %d, want 415", a.Status)
	}
	if a := token.Do("GET", "/api/v1/printers", "application/json", "x"); a.Status != 413 {
		t.Errorf("a body where none is taken: got status %d, want 413", a.Status)
	}
}

func TestHostileAddressesAreRefusedCalmly(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "admin")
	for _, evil := range []string{"'", `"`, "<script>", "../../etc/passwd", "%00", "%ff", "\u202e", "1 OR 1=1", strings.Repeat("A", 2000), "{{7*7}}", "-1", "9999999999999999999.x"} {
		value := url.QueryEscape(evil)
		if strings.HasPrefix(evil, "%") {
			value = evil
		}
		for _, path := range []string{
			"/floor?bay=", "/floor?state=", "/floor?order=", "/findings?state=", "/findings?kind=", "/printers/P-001?before=", "/plates/L-102?before=",
			"/printers/", "/plates/", "/first-layers/", "/findings/printer/", "/api/v1/printers?cursor=", "/api/v1/printers?limit=", "/api/v1/first-layers?printer=",
			"/api/v1/first-layers?since=", "/api/v1/first-layers?cursor=", "/api/v1/findings?at=", "/sign-in?next=", "/static/",
		} {
			a := c.Get(path + value)
			if a.Status >= 500 {
				t.Errorf("GET %s%s: got status %d", path, value, a.Status)
			}
			if strings.Contains(a.Body, "<script>"+"alert") || strings.Contains(a.Body, evil) && strings.Contains(evil, "<") {
				t.Errorf("GET %s%s: the answer holds the text as markup", path, value)
			}
		}
	}
}

// TestUnderABasePathEveryLinkStaysBelowIt looks at every page of the table, with the base
// path kept by a proxy or taken off, and at what the service worker is told to keep.
// Looking at all of them changes nothing that is recorded or set.
func TestUnderABasePathEveryLinkStaysBelowIt(t *testing.T) {
	plain := demoSite(t)
	paths := append(everyPage(t, plain, plain.As("amara", "admin")), "/none", "/queue", "/offline", "/trust")
	site := webtest.On(t, plain.DB, func(c *web.Config) {
		c.BasePath, c.Findings, c.Now = "/bc/", webtest.SampleFindings(at), func() time.Time { return at }
	})
	c := site.SignIn("amara")
	before := contents(t, site)
	for i, path := range paths {
		for _, prefix := range []string{"/bc", ""} { // kept and stripped by the proxy
			if prefix == "" && i%8 != 0 {
				continue
			}
			p := c.Do("GET", prefix+path, "", "", func(r *http.Request) {
				if prefix == "" {
					for _, k := range c.All() {
						r.AddCookie(k)
					}
				}
			}).Page(t)
			links := 0
			for n := range p.Root.Descendants() {
				for _, at := range n.Attr {
					address := slices.Contains([]string{"href", "src", "action", "formaction", "poster", "data-src", "data-records", "data-base", "data-live"}, at.Key) || strings.HasPrefix(at.Key, "data-") && strings.HasPrefix(at.Val, "/")
					if !address || at.Val == "" {
						continue
					}
					links++
					if !strings.HasPrefix(at.Val, "/bc/") && at.Val != "/bc" && !strings.HasPrefix(at.Val, "#") && !strings.HasPrefix(at.Val, "?") && !strings.HasPrefix(at.Val, "data:") {
						t.Errorf("%s%s: <%s %s> leads to %q, want it below /bc/", prefix, path, n.Data, at.Key, at.Val)
					}
				}
			}
			if links < 4 {
				t.Errorf("%s%s: %d links were found, the test shows nothing", prefix, path, links)
			}
		}
	}
	if after := contents(t, site); after != before {
		t.Errorf("looking changed what is kept:\n%s\nbefore:\n%s", after, before)
	}
	nobody := site.Nobody()
	for _, r := range web.Routes() {
		if r.Method != http.MethodGet {
			continue
		}
		if a := nobody.Get("/bc" + anyOf(r.Path)); a.Header.Get("Location") != "" && !strings.HasPrefix(a.Header.Get("Location"), "/bc/") {
			t.Errorf("/bc%s leads to %q, want it below /bc/", r.Path, a.Header.Get("Location"))
		}
	}
	for _, k := range c.All() {
		if a := try(site.Nobody(), "amara", webtest.Password); !strings.Contains(a.Header.Get("Set-Cookie"), "; Path=/bc/") {
			t.Errorf("cookie %s: %q, want it below /bc/ alone", k.Name, a.Header.Get("Set-Cookie"))
		}
	}
	if a := site.Nobody().Get("/bc/"); a.Header.Get("Location") != "/bc/floor" {
		t.Errorf("/bc/ leads to %q, want /bc/floor", a.Header.Get("Location"))
	}
}

// contents is how many rows each table has, and the number of the last act: what a look
// at a page must not change. Sessions and what is found out in the background are left out.
func contents(t *testing.T, site *webtest.Site) string {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	rows, err := conn.Query(ctx, `SELECT table_name::text FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'
		AND table_name NOT IN ('sessions', 'sign_in_tries') ORDER BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	for _, table := range tables {
		var n int
		if err := conn.QueryRow(ctx, `SELECT count(*) FROM `+table).Scan(&n); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&out, "%s %d\n", table, n)
	}
	return out.String()
}

func TestOnlyListedProxiesSayWhoTheSenderIs(t *testing.T) {
	for _, x := range []struct {
		name    string
		proxies []string
		header  string
		want    string
	}{
		{"nobody is trusted", nil, "203.0.113.9", `"from":"127.0.0.1"`},
		{"this machine is trusted", []string{"127.0.0.1"}, "203.0.113.9", `"from":"203.0.113.9"`},
		{"the nearest untrusted counts", []string{"127.0.0.0/8", "10.0.0.0/8"}, "198.51.100.1, 203.0.113.9, 10.1.2.3", `"from":"203.0.113.9"`},
		{"nonsense is no address", []string{"127.0.0.1"}, "203.0.113.9, <script>", `"from":"127.0.0.1"`},
	} {
		t.Run(x.name, func(t *testing.T) {
			site := webtest.New(t, func(c *web.Config) { c.TrustedProxies = x.proxies })
			site.Nobody().Do("GET", "/sign-in", "", "", func(r *http.Request) { r.Header.Set("X-Forwarded-For", x.header) })
			if log := site.Log.String(); !strings.Contains(log, x.want) {
				t.Errorf("log: want %s in it:\n%s", x.want, log)
			}
		})
	}
}

func TestWrongSettingsAreNamedAtStart(t *testing.T) {
	site := webtest.New(t)
	for name, change := range map[string]func(*web.Config){
		"BASECOURSE_BASE_PATH":       func(c *web.Config) { c.BasePath = "bc" },
		"BASECOURSE_PUBLIC_URL":      func(c *web.Config) { c.PublicURL = "farm.example" },
		"BASECOURSE_TRUSTED_PROXIES": func(c *web.Config) { c.TrustedProxies = []string{"proxy.example"} },
	} {
		cfg := web.Config{Store: site.Store, Findings: &webtest.Findings{}}
		change(&cfg)
		if _, err := web.New(cfg); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s wrong: got %v, want an error that names it", name, err)
		}
	}
}

func TestWithoutTheDatabase(t *testing.T) {
	site := webtest.New(t)
	c, token := site.As("amara", "admin"), site.WithToken("gateway", "operator")
	site.Store.Close()
	for path, want := range map[string]int{"/healthz": 200, "/readyz": 503, "/floor": 503, "/sign-in": 503, "/api/v1/printers": 503, "/static/none": 404} {
		began := time.Now()
		a := c.Get(path)
		if a.Status != want {
			t.Errorf("GET %s without a database: got status %d, want %d", path, a.Status, want)
		}
		if a.Status == 503 && a.Header.Get("Retry-After") == "" {
			t.Errorf("GET %s: 503 without Retry-After", path)
		}
		if took := time.Since(began); took > 6*time.Second {
			t.Errorf("GET %s took %s, want under 6 s", path, took)
		}
	}
	if h := c.Get("/floor").Page(t).Text("h1"); h != "Not just now" {
		t.Errorf("heading without a database: got %q", h)
	}
	problem(t, token.Get("/api/v1/printers"), 503, "busy")
}

// TestTheDatabaseGoesAndComesBack stops a PostgreSQL of its own under a server and
// starts it again: meanwhile all that needs it is told to come back, soon; afterwards at
// most two requests fail, and within ten seconds it is as before.
func TestTheDatabaseGoesAndComesBack(t *testing.T) {
	ctx := context.Background()
	dir, err := os.MkdirTemp(testdb.MemoryDisk(), "basecourse-gone-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	start := func() *localdb.Cluster {
		t.Helper()
		c, err := localdb.Open(ctx, localdb.Options{Dir: filepath.Join(dir, "db"), BinDir: os.Getenv("BASECOURSE_POSTGRES_BIN"), Fast: true, NoFetch: true})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	cluster := start()
	t.Cleanup(func() { _ = cluster.Close(ctx) })
	if err := cluster.EnsureDatabase(ctx, "farm"); err != nil {
		t.Fatal(err)
	}
	if err := store.Migrate(ctx, cluster.URL("farm")); err != nil {
		t.Fatal(err)
	}
	site := webtest.On(t, cluster.URL("farm"))
	c, token := site.As("amara", "admin"), site.WithToken("gateway", "operator")
	for _, way := range []string{"stopped", "every connection ended"} {
		for range 5 {
			token.Get("/api/v1/printers") // so that there are connections to be lost
		}
		if way == "stopped" {
			if err := cluster.Close(ctx); err != nil {
				t.Fatal(err)
			}
			for path, want := range map[string]int{"/healthz": 200, "/readyz": 503, "/floor": 503, "/sign-in": 503, "/api/v1/printers": 503} {
				as := c
				if strings.HasPrefix(path, "/api/") {
					as = token
				}
				began := time.Now()
				a := as.Get(path)
				if took := time.Since(began); a.Status != want || took > 6*time.Second || path == "/healthz" && took > time.Second || want == 503 && a.Header.Get("Retry-After") == "" {
					t.Errorf("GET %s while it is stopped: got status %d after %s, Retry-After %q, want %d", path, a.Status, took, a.Header.Get("Retry-After"), want)
				}
			}
			problem(t, token.Get("/api/v1/printers"), 503, "busy")
			cluster = start()
		} else {
			conn, err := pgx.Connect(ctx, cluster.URL("farm"))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := conn.Exec(ctx, `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()`); err != nil {
				t.Fatal(err)
			}
			_ = conn.Close(ctx)
		}
		back, failed := time.Now(), 0
		for range 20 {
			if a := token.Get("/api/v1/printers"); a.Status != http.StatusOK {
				failed++
			}
			if a := c.Get("/account"); a.Status != http.StatusOK {
				failed++
			}
		}
		if failed > 2 {
			t.Errorf("%s: %d of 40 requests failed afterwards, want 2 at most", way, failed)
		}
		for c.Get("/readyz").Status != http.StatusOK && time.Since(back) < 10*time.Second {
			time.Sleep(20 * time.Millisecond)
		}
		if a := c.Get("/readyz"); a.Status != http.StatusOK {
			t.Errorf("%s: /readyz is %d after %s", way, a.Status, time.Since(back))
		}
	}
}

func TestWhatBrokeStaysInside(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) {
		c.Findings = &webtest.Findings{Err: errors.New("SELECT secret FROM /etc/passwd")}
	})
	c, token := site.As("amara", "admin"), site.WithToken("gateway", "operator")
	a := c.Get("/findings")
	if a.Status != 500 || strings.Contains(a.Body, "SELECT") || strings.Contains(a.Body, "passwd") {
		t.Errorf("a page that broke: got status %d and %s", a.Status, a.Body)
	}
	id := a.Header.Get("X-Request-Id")
	if id == "" || !strings.Contains(a.Body, id) || !strings.Contains(site.Log.String(), id) {
		t.Errorf("the page and the log lack the request's number %q", id)
	}
	b := token.Get("/api/v1/findings")
	problem(t, b, 500, "internal")
	if strings.Contains(b.Body, "SELECT") {
		t.Errorf("the API shows the inner error: %s", b.Body)
	}
}

// problem checks that an answer is an RFC 9457 problem of a kind.
func problem(t *testing.T, a webtest.Answer, status int, kind string) web.Problem {
	t.Helper()
	var p web.Problem
	if err := json.Unmarshal([]byte(a.Body), &p); err != nil {
		t.Fatalf("not a problem: %v: %s", err, a.Body)
	}
	if a.Status != status || p.Status != status || p.Type != "urn:basecourse:problem:"+kind || p.Title == "" || a.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("got status %d, %q: %+v; want a %d problem of kind %s", a.Status, a.Header.Get("Content-Type"), p, status, kind)
	}
	return p
}

func TestAPanicIsAnswered(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.Now = func() time.Time { panic("planted") } })
	c := site.As("amara", "admin")
	a := c.Get("/floor")
	if a.Status != 500 || strings.Contains(a.Body, "planted") || !strings.Contains(site.Log.String(), "planted") {
		t.Errorf("a panic: got status %d, want 500, the reason in the log and not on the page", a.Status)
	}
	rec := httptest.NewRecorder()
	site.Server.ServeHTTP(rec, httptest.NewRequest("GET", "/healthz", nil))
	if rec.Code != 200 {
		t.Errorf("afterwards: got status %d, want 200", rec.Code)
	}
}
