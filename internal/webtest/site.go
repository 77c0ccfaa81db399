package webtest

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/web"
)

// Password is what everybody in a test signs in with.
const Password = "correct horse battery"

// Site is a server with a database of its own.
type Site struct {
	URL    string // without a slash at the end
	Store  *store.Store
	Server *web.Server
	DB     string // address of the database
	Log    *Log
	base   string
	t      testing.TB
}

// New starts a server over an empty farm; change alters its configuration.
func New(t testing.TB, change ...func(*web.Config)) *Site {
	t.Helper()
	return On(t, testdb.New(t), change...)
}

// On starts a server over a database of the caller's.
func On(t testing.TB, db string, change ...func(*web.Config)) *Site {
	t.Helper()
	st, err := store.Open(context.Background(), db)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	return Over(t, st, db, change...)
}

// Over starts a server over a store that is open already.
func Over(t testing.TB, st *store.Store, db string, change ...func(*web.Config)) *Site {
	t.Helper()
	site := &Site{Store: st, DB: db, Log: &Log{}, t: t}
	answers := assess.New(st)
	cfg := web.Config{Store: st, Findings: &Findings{}, Heights: answers, Judged: answers, Log: slog.New(slog.NewJSONHandler(site.Log, nil))}
	for _, c := range change {
		c(&cfg)
	}
	site.base = strings.TrimSuffix(cfg.BasePath, "/")
	server, err := web.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	site.Server = server
	h := httptest.NewServer(server)
	t.Cleanup(h.Close)
	site.URL = h.URL
	return site
}

// Client talks to a site as one person, one machine, or nobody.
type Client struct {
	site  *Site
	http  *http.Client
	Token string // sent as bearer when not empty
}

// Nobody is a client that is not signed in. It follows no redirects.
func (s *Site) Nobody() *Client {
	jar, err := cookiejar.New(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	return &Client{site: s, http: &http.Client{Jar: jar, Timeout: 30 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// passwordHash is Password's Argon2id, made once with the parameters of the program.
const passwordHash = "$argon2id$v=19$m=19456,t=2,p=1$xFeYEa4ctt3turu5Q9GN4g$RbvRNJbZvxOTJdt66D/KFLpVcR7Do+jFFnvoHJIEIvc"

// As adds a person with a role and signs in.
func (s *Site) As(handle, role string) *Client {
	s.t.Helper()
	if err := s.Store.AddAccount(context.Background(), store.Act{Via: "command"}, handle, role, passwordHash); err != nil {
		s.t.Fatal(err)
	}
	return s.SignIn(handle)
}

// SignIn signs in somebody who was added.
func (s *Site) SignIn(handle string) *Client {
	s.t.Helper()
	c := s.Nobody()
	a := c.Form("/sign-in", url.Values{"handle": {handle}, "password": {Password}})
	if a.Status != http.StatusSeeOther {
		s.t.Fatalf("signing in %s: got status %d, want 303: %s", handle, a.Status, a.Body)
	}
	return c
}

// WithToken adds a token with a role and gives a client that sends it.
func (s *Site) WithToken(name, role string) *Client {
	s.t.Helper()
	token, err := web.AddToken(context.Background(), s.Store, name, role, time.Time{})
	if err != nil {
		s.t.Fatal(err)
	}
	c := s.Nobody()
	c.Token = token
	return c
}

// Answer is what came back.
type Answer struct {
	Status int
	Header http.Header
	Body   string
}

// Do sends a request with a body of a type; change alters it before it goes.
func (c *Client) Do(method, path, contentType, body string, change ...func(*http.Request)) Answer {
	c.site.t.Helper()
	req, err := http.NewRequest(method, c.site.URL+path, strings.NewReader(body))
	if err != nil {
		c.site.t.Fatal(err)
	}
	if contentType != "" {
		req.Header.Set("Content-Type", contentType)
	}
	if c.Token != "" {
		req.Header.Set("Authorization", "Bearer "+c.Token)
	}
	for _, f := range change {
		f(req)
	}
	res, err := c.http.Do(req)
	if err != nil {
		c.site.t.Fatalf("%s %s: %v", method, path, err)
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		c.site.t.Fatalf("%s %s: %v", method, path, err)
	}
	a := Answer{res.StatusCode, res.Header, string(b)}
	c.site.checkAPI(c.site.t, req, a)
	return a
}

// Get asks for a page.
func (c *Client) Get(path string) Answer { c.site.t.Helper(); return c.Do("GET", path, "", "") }

// Form posts a form.
func (c *Client) Form(path string, form url.Values) Answer {
	c.site.t.Helper()
	return c.Do("POST", path, "application/x-www-form-urlencoded", form.Encode())
}

// Page asks for a page that must be there.
func (c *Client) Page(path string) *Page {
	c.site.t.Helper()
	a := c.Get(path)
	if a.Status != http.StatusOK {
		c.site.t.Fatalf("GET %s: got status %d, want 200: %s", path, a.Status, a.Body)
	}
	return a.Page(c.site.t)
}

// Cookies gives what the client would send.
func (c *Client) Cookies() []*http.Cookie {
	u, err := url.Parse(c.site.URL)
	if err != nil {
		c.site.t.Fatal(err)
	}
	return c.http.Jar.Cookies(u)
}

// Keep gives the client cookies, as somebody who copied them would.
func (c *Client) Keep(cookies []*http.Cookie) *Client {
	u, err := url.Parse(c.site.URL)
	if err != nil {
		c.site.t.Fatal(err)
	}
	c.http.Jar.SetCookies(u, cookies)
	return c
}

// All gives every cookie the client keeps, whatever its path.
func (c *Client) All() []*http.Cookie {
	u, err := url.Parse(c.site.URL + c.site.base + "/")
	if err != nil {
		c.site.t.Fatal(err)
	}
	return c.http.Jar.Cookies(u)
}
