package web_test

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"

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
	wrong := site.Nobody()
	wrong.Token = "bct_nosuchtokennosuchtokennosuchtoken"
	for _, r := range web.Routes() {
		path := strings.NewReplacer(":file", "none.css", ":kind", "printer", ":tag", "NONE", ":cause", "skipped_probing", ":id", "NONE").Replace(r.Path)
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
		if open := r.Path == "/" || r.Path == "/healthz" || r.Path == "/readyz" || r.Path == "/favicon.ico" || r.Path == "/sw.js" || r.Path == "/offline" || r.Path == "/queue" || strings.HasPrefix(r.Path, "/trust") || strings.HasPrefix(r.Path, "/static/"); !open {
			if a := wrong.Do(r.Method, path, "", "", from(99)); a.Status != http.StatusUnauthorized || a.Header.Get("WWW-Authenticate") == "" {
				t.Errorf("%s %s with a token nobody made: got status %d, WWW-Authenticate %q, want 401 with a challenge", r.Method, path, a.Status, a.Header.Get("WWW-Authenticate"))
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
