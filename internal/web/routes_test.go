package web_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// TestRolesByRoute asks every route of the table as everybody, with an empty
// body: whoever may not enter is told so before anything is read, whoever may
// gets past the guard.
func TestRolesByRoute(t *testing.T) {
	// From an address each, or they would be told to wait together.
	site := webtest.New(t, func(c *web.Config) { c.TrustedProxies = []string{"127.0.0.1"} })
	from := func(i int) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("X-Forwarded-For", "10.0.0."+strconv.Itoa(i)) }
	}
	ranks := []string{"anyone", "tablet", "operator", "manager", "admin"}
	type sender struct {
		name, role string
		client     *webtest.Client
	}
	senders := []sender{{"nobody", "anyone", site.Nobody()}}
	for _, role := range ranks[2:] {
		senders = append(senders, sender{role, role, site.As(role, role)}, sender{"token of " + role, role, site.WithToken("t-"+role, role)})
	}
	admin := site.SignIn("admin")
	alone, withOperator, withAdmin := site.Tablet(admin, "Bay 1"), site.Tablet(admin, "Bay 2"), site.Tablet(admin, "Bay 3")
	site.Pin(withOperator, "operator")
	site.Pin(withAdmin, "admin")
	gone := site.Tablet(admin, "Bay 4")
	site.Revoke("Bay 4")
	senders = append(senders, sender{"a tablet with nobody on it", "tablet", alone}, sender{"an operator on a tablet", "operator", withOperator},
		sender{"an admin on a tablet", "operator", withAdmin}, sender{"a revoked tablet", "anyone", gone})
	// Tokens that are none, and those that were.
	wrong := map[string]*webtest.Client{"a token nobody gave": site.Nobody(), "a revoked token": site.WithToken("gone", "admin"), "a token that has run out": site.Nobody()}
	wrong["a token nobody gave"].Token = "bct_nosuchtokennosuchtokennosuchtoken"
	if err := site.Store.RevokeToken(context.Background(), store.Act{Via: "command"}, "gone"); err != nil {
		t.Fatal(err)
	}
	late, err := web.AddToken(context.Background(), site.Store, "late", "admin", time.Now().Add(-time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	wrong["a token that has run out"].Token = late
	for _, r := range web.Routes() {
		path := anyOf(r.Path)
		for i, s := range senders {
			if r.Path == "/sign-out" && s.role != "anyone" {
				continue // would end the session under test
			}
			a := s.client.Do(r.Method, path, "", "", from(i))
			may := slices.Index(ranks, s.role) >= slices.Index(ranks, r.Role) && (!r.Private() || !strings.HasSuffix(s.name, "on a tablet"))
			refused := a.Status == http.StatusUnauthorized || a.Status == http.StatusForbidden ||
				a.Status == http.StatusSeeOther && (strings.Contains(a.Header.Get("Location"), "/sign-in?next=") || strings.Contains(a.Header.Get("Location"), "/who?next="))
			if may == refused {
				t.Errorf("%s %s as %s: got status %d, want entry %v (least role %s)", r.Method, path, s.name, a.Status, may, r.Role)
			}
			if a.Status >= 500 {
				t.Errorf("%s %s as %s: got status %d", r.Method, path, s.name, a.Status)
			}
		}
		if open(r.Path) {
			continue
		}
		at := 97
		for name, c := range wrong {
			if a := c.Do(r.Method, path, "", "", from(at)); a.Status != http.StatusUnauthorized || a.Header.Get("WWW-Authenticate") == "" {
				t.Errorf("%s %s with %s: got status %d, WWW-Authenticate %q, want 401 with a challenge", r.Method, path, name, a.Status, a.Header.Get("WWW-Authenticate"))
			}
			at++
		}
	}
}

// open tells whether a route asks nobody who they are.
func open(path string) bool {
	return slices.Contains([]string{"/", "/healthz", "/readyz", "/favicon.ico", "/sw.js", "/offline", "/queue"}, path) || strings.HasPrefix(path, "/trust") || strings.HasPrefix(path, "/static/")
}

// anyOf is an address of a route: of things that are not there.
func anyOf(path string) string {
	return strings.NewReplacer(":file", "none.css", ":kind", "printer", ":tag", "NONE", ":cause", "skipped_probing", ":id", "NONE").Replace(path)
}

// TestEveryRouteHasALimitOfItsBody: one byte more than is taken is refused before it
// is read, with the limits there are to be.
func TestEveryRouteHasALimitOfItsBody(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.TrustedProxies = []string{"192.0.2.1"} })
	cookies := site.As("amara", "admin").Cookies()
	limits := map[string]int64{"/upkeep/probe": 512 << 10, "/first-layers/:id/done": 512 << 10, "/api/v1/records": 2 << 20, "/first-layers/:id/photos": 10<<20 + 64<<10, "/api/v1/photos": 10<<20 + 64<<10, "/setup/import": 220 << 20, "/setup/import/logs": 220 << 20}
	for i, r := range web.Routes() {
		limit := limits[r.Path]
		switch {
		case r.Method != http.MethodPost || r.Path == "/sign-out" || r.Path == "/account/sign-out":
			continue
		case limit == 0:
			limit = 64 << 10
		}
		for length, refused := range map[int64]bool{limit: false, limit + 1: true} {
			req := httptest.NewRequest("POST", anyOf(r.Path), strings.NewReader("x"))
			req.ContentLength = length
			req.Header.Set("X-Forwarded-For", "10.0.1."+strconv.Itoa(i%250))
			for _, k := range cookies {
				req.AddCookie(k)
			}
			answer := httptest.NewRecorder()
			site.Server.ServeHTTP(answer, req)
			if refused != (answer.Code == http.StatusRequestEntityTooLarge) {
				t.Errorf("POST %s with %d bytes: got status %d, want it refused as too large: %v", r.Path, length, answer.Code, refused)
			}
		}
	}
}

func TestTheTableIsInOrderAndWhole(t *testing.T) {
	list := web.Routes()
	for i := 1; i < len(list); i++ {
		a, b := list[i-1], list[i]
		if a.Path > b.Path || a.Path == b.Path && a.Method >= b.Method {
			t.Errorf("%s %s stands before %s %s, want order by path, then method", a.Method, a.Path, b.Method, b.Path)
		}
	}
	for _, r := range list {
		if r.Method != http.MethodGet {
			continue
		}
		if !slices.ContainsFunc(list, func(h web.Route) bool { return h.Method == http.MethodHead && h.Path == r.Path && h.Role == r.Role }) {
			t.Errorf("%s: answers GET and not HEAD", r.Path)
		}
	}
}

func TestHeadGivesTheHeadersOfGetAndNoBody(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "manager")
	for _, path := range []string{"/floor", "/findings", "/printers/P-001", "/api/v1/printers", "/healthz", "/sign-out"} {
		if path == "/sign-out" {
			if a := c.Do("HEAD", path, "", ""); a.Status != http.StatusMethodNotAllowed {
				t.Errorf("HEAD %s: got %d, want 405", path, a.Status)
			}
			continue
		}
		get, head := c.Get(path), c.Do("HEAD", path, "", "")
		if head.Status != get.Status || head.Body != "" || head.Header.Get("Content-Type") != get.Header.Get("Content-Type") {
			t.Errorf("HEAD %s: got %d %q with %d bytes, want %d %q with none", path, head.Status, head.Header.Get("Content-Type"), len(head.Body), get.Status, get.Header.Get("Content-Type"))
		}
	}
}
