package web_test

import (
	"context"
	"io/fs"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/jackc/pgx/v5"
)

// TestBehindAProxyThatEndsTLS signs in and saves a form through a proxy of its own,
// under a base path that the proxy keeps or takes off.
func TestBehindAProxyThatEndsTLS(t *testing.T) {
	for name, strips := range map[string]bool{"kept": false, "stripped": true} {
		t.Run(name, func(t *testing.T) {
			var behind *url.URL
			proxy := httptest.NewTLSServer(&httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
				r.SetURL(behind)
				r.SetXForwarded()
				if strips {
					r.Out.URL.Path = strings.TrimPrefix(r.In.URL.Path, "/bc")
					r.Out.URL.RawPath = ""
				}
			}})
			defer proxy.Close()
			site := webtest.New(t, func(c *web.Config) {
				c.BasePath, c.PublicURL, c.TrustedProxies = "/bc", proxy.URL, []string{"127.0.0.1"}
			})
			var err error
			if behind, err = url.Parse(site.URL); err != nil {
				t.Fatal(err)
			}
			if err := web.AddUser(context.Background(), site.Store, "amara", "operator", webtest.Password); err != nil {
				t.Fatal(err)
			}
			jar, err := cookiejar.New(nil)
			if err != nil {
				t.Fatal(err)
			}
			client := proxy.Client()
			client.Jar = jar
			client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
			send := func(method, path, origin string, form url.Values) *http.Response {
				t.Helper()
				req, err := http.NewRequest(method, proxy.URL+path, strings.NewReader(form.Encode()))
				if err != nil {
					t.Fatal(err)
				}
				if method == "POST" {
					req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
					req.Header.Set("Origin", origin)
				}
				res, err := client.Do(req)
				if err != nil {
					t.Fatal(err)
				}
				_ = res.Body.Close()
				return res
			}
			if res := send("GET", "/bc/floor", "", nil); res.StatusCode != http.StatusSeeOther || !strings.HasPrefix(res.Header.Get("Location"), "/bc/sign-in") {
				t.Errorf("before: got %d to %q", res.StatusCode, res.Header.Get("Location"))
			}
			form := url.Values{"handle": {"amara"}, "password": {webtest.Password}}
			if res := send("POST", "/bc/sign-in", "https://evil.example", form); res.StatusCode != http.StatusForbidden {
				t.Errorf("signing in from another site's page: got %d, want 403", res.StatusCode)
			}
			res := send("POST", "/bc/sign-in", proxy.URL, form)
			if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != "/bc/floor" {
				t.Fatalf("signing in: got %d to %q", res.StatusCode, res.Header.Get("Location"))
			}
			for _, c := range res.Cookies() {
				if !c.Secure || !c.HttpOnly || c.Path != "/bc/" || c.Domain != "" || !strings.HasPrefix(c.Name, "__Secure-") {
					t.Errorf("cookie %s", c)
				}
			}
			if res := send("GET", "/bc/floor", "", nil); res.StatusCode != http.StatusOK || res.Header.Get("Strict-Transport-Security") == "" {
				t.Errorf("signed in: got %d, HSTS %q", res.StatusCode, res.Header.Get("Strict-Transport-Security"))
			}
			if res := send("POST", "/bc/theme", proxy.URL, url.Values{"theme": {"dark"}, "next": {"/bc/floor"}}); res.StatusCode != http.StatusSeeOther || !strings.HasPrefix(res.Header.Get("Location"), "/bc/") {
				t.Errorf("a form: got %d to %q", res.StatusCode, res.Header.Get("Location"))
			}
		})
	}
}

// TestNoFormTakesFieldsItDoesNotName sends every form of the table one field more.
func TestNoFormTakesFieldsItDoesNotName(t *testing.T) {
	site, _ := provided(t) // so that its forms are there
	c := site.As("amara", "admin")
	tried := 0
	for _, r := range web.Routes() {
		if r.Method != http.MethodPost || strings.Contains(r.Path, ":") || strings.HasPrefix(r.Path, "/api/") || r.Path == "/setup/import" || r.Path == "/setup/import/logs" || r.Path == "/sign-out" || r.Path == "/sign-in/code" {
			continue
		}
		tried++
		if a := c.Form(r.Path, url.Values{"arrived_at": {"2026-01-01T00:00:00Z"}}); a.Status != http.StatusBadRequest {
			t.Errorf("POST %s with a field nobody named: got status %d, want 400", r.Path, a.Status)
		}
	}
	if tried < 15 {
		t.Errorf("%d forms were tried, the test shows nothing", tried)
	}
	token := site.WithToken("gateway", "operator")
	for _, field := range []string{"role", "digest", "id_", "void_arrived_at"} {
		a := token.Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"cleaning","id":"C-1","plate":"L-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe","`+field+`":"x"}]}`)
		if a.Status != http.StatusOK || !strings.Contains(a.Body, `"refused"`) || !strings.Contains(a.Body, field) {
			t.Errorf("a record with %s: got %d %s", field, a.Status, a.Body)
		}
	}
}

// TestNoSecretIsInADump looks for secrets in every row of every table. Only the key
// of a second factor is there in clear: without it no code can be checked.
func TestNoSecretIsInADump(t *testing.T) {
	ctx := context.Background()
	site := webtest.New(t)
	first, err := web.OfferFirstUse(ctx, site.Store)
	if err != nil {
		t.Fatal(err)
	}
	c := site.As("amara", "admin")
	token := site.WithToken("gateway", "operator").Token
	c.Form("/account/second-factor", nil)
	key := strings.ReplaceAll(keyOnPage.FindStringSubmatch(c.Get("/account/second-factor").Body)[1], " ", "")
	codes := c.Form("/account/second-factor/confirm", url.Values{"code": {codeAt(t, key, site.Store.Now())}}).Body
	try(site.Nobody(), "typed into the wrong field", "x")
	at := strings.Index(codes, "<li><code>")
	if at < 0 {
		t.Fatal("no recovery codes")
	}
	code := codes[at+10 : at+29]
	conn, err := pgx.Connect(ctx, site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	rows, err := conn.Query(ctx, `SELECT table_name::text FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'`)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(tables) < 20 {
		t.Fatalf("tables %v, %v", tables, err)
	}
	tablet := site.Tablet(c, "Bay 1")
	site.Pin(tablet, "amara")
	secrets := map[string]string{"a password": webtest.Password, "a tablet's secret": tablet.Cookies()[0].Value, "another tablet's secret or session": tablet.Cookies()[1].Value, "a token": token, "a session": c.Cookies()[0].Value, "a recovery code": strings.ReplaceAll(code, "-", ""),
		"the first address": strings.TrimPrefix(first, "/first-use/"), "what was typed as a handle": "typed into the wrong field"}
	for _, table := range tables {
		for what, secret := range secrets {
			var n int
			if err := conn.QueryRow(ctx, `SELECT count(*) FROM `+table+` t WHERE position($1 IN t::text) > 0`, secret).Scan(&n); err != nil {
				t.Fatal(err)
			}
			if n > 0 {
				t.Errorf("table %s holds %s in clear", table, what)
			}
		}
	}
}

// TestWhatIsThereIsClosedToLesserRoles asks for every page of things that are there
// by their names and ids, uploads and tokens of an admin among them.
func TestWhatIsThereIsClosedToLesserRoles(t *testing.T) {
	site := demoSite(t)
	paths := everyPage(t, site, site.As("amara", "admin"))
	ranks := []string{"anyone", "tablet", "operator", "manager", "admin"}
	least := func(path string) string {
		path, _, _ = strings.Cut(path, "?")
		found, score := "", -1
		for _, r := range web.Routes() {
			want, got := strings.Split(r.Path, "/"), strings.Split(path, "/")
			if r.Method != http.MethodGet || len(want) != len(got) {
				continue
			}
			same, fits := 0, true
			for i := range want {
				if want[i] == got[i] {
					same++
				} else if !strings.HasPrefix(want[i], ":") {
					fits = false
				}
			}
			if fits && same > score {
				found, score = r.Role, same
			}
		}
		return found
	}
	closed := 0
	for role, c := range map[string]*webtest.Client{"anyone": site.Nobody(), "operator": site.As("kofi", "operator"), "manager": site.As("mara", "manager"), "token of operator": site.WithToken("t-operator", "operator")} {
		rank := slices.Index(ranks, strings.TrimPrefix(role, "token of "))
		for _, path := range paths {
			if rank >= slices.Index(ranks, least(path)) {
				continue
			}
			closed++
			a := c.Get(path)
			if a.Status != http.StatusForbidden && (role != "anyone" || a.Status != http.StatusSeeOther || !strings.Contains(a.Header.Get("Location"), "/sign-in")) {
				t.Errorf("%s as %s: got status %d, want to be refused", path, role, a.Status)
			}
		}
	}
	if closed < 60 {
		t.Errorf("%d pages were closed to somebody, the test shows little", closed)
	}
}

// TestMarkupIsMadeByTemplatesAlone: nothing in views goes round the escaping.
func TestMarkupIsMadeByTemplatesAlone(t *testing.T) {
	err := filepath.WalkDir("../../views", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".templ") {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for _, round := range []string{"templ.Raw", "templ.JSFuncCall", "templ.ComponentScript", "@templ.JSUnsafeFuncCall", "style=", "onclick="} {
			if strings.Contains(string(b), round) {
				t.Errorf("%s has %s", path, round)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestWithEveryTableLocked: each request is told to come back, soon; health does
// not wait; afterwards all is as before.
func TestWithEveryTableLocked(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	site := webtest.New(t)
	c, token := site.As("amara", "admin"), site.WithToken("gateway", "operator")
	conn, err := pgx.Connect(ctx, site.DB)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	tx, err := conn.Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(ctx, `DO $$ DECLARE t text; BEGIN FOR t IN SELECT table_name FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'
		LOOP EXECUTE format('LOCK TABLE %I IN ACCESS EXCLUSIVE MODE', t); END LOOP; END $$`); err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	ask := func(c *webtest.Client, method, path string, want int, within time.Duration) {
		wait.Go(func() {
			began := time.Now()
			a := c.Do(method, path, "", "")
			if took := time.Since(began); a.Status != want || took > within || want == 503 && a.Header.Get("Retry-After") == "" {
				t.Errorf("%s %s: got status %d after %s with Retry-After %q, want %d within %s", method, path, a.Status, took, a.Header.Get("Retry-After"), want, within)
			}
		})
	}
	tried := 0
	for _, r := range web.Routes() {
		if r.Method == http.MethodHead || open(r.Path) {
			continue
		}
		tried++
		path := anyOf(r.Path)
		if strings.HasPrefix(path, "/api/") {
			ask(token, r.Method, path, 503, 6*time.Second)
		} else {
			ask(c, r.Method, path, 503, 6*time.Second)
		}
	}
	if tried < 250 {
		t.Errorf("%d routes were asked, the test shows little", tried)
	}
	ask(c, "GET", "/readyz", 503, 6*time.Second)
	ask(c, "GET", "/healthz", 200, time.Second)
	wait.Wait()
	if err := tx.Rollback(ctx); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if a := c.Get("/floor"); a.Status != http.StatusOK || time.Since(began) > 2*time.Second {
		t.Errorf("afterwards: got status %d after %s", a.Status, time.Since(began))
	}
}
