package web_test

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// TestTheServiceWorkerKeepsTheShellAlone: what it is told to keep is there, holds
// nobody's name, and follows the base path.
func TestTheServiceWorkerKeepsTheShellAlone(t *testing.T) {
	for _, base := range []string{"", "/bc"} {
		site := webtest.New(t, func(c *web.Config) { c.BasePath = base })
		a := site.Nobody().Get(base + "/sw.js")
		if a.Status != 200 || a.Header.Get("Cache-Control") != "no-cache" || !strings.HasPrefix(a.Header.Get("Content-Type"), "text/javascript") {
			t.Fatalf("%s/sw.js: %d, %v", base, a.Status, a.Header)
		}
		head, _, _ := strings.Cut(strings.TrimPrefix(a.Body, "const SHELL = "), ";\n")
		var shell struct {
			Base, Version, Away, IDBFile string
			Files, Pages, Forms          []string
		}
		if err := json.Unmarshal([]byte(head), &shell); err != nil {
			t.Fatal(err)
		}
		if shell.Base != base || shell.Version == "" || !slices.Contains(shell.Pages, shell.Away) || !slices.Contains(shell.Files, shell.IDBFile) || !slices.Contains(shell.Forms, base+"/upkeep/clean") {
			t.Errorf("it is told %+v", shell)
		}
		amara := site.As("amara-in-the-shell", "admin")
		for _, path := range slices.Concat(shell.Files, shell.Pages) {
			a := amara.Get(path)
			if a.Status != 200 || !strings.HasPrefix(path, base+"/") {
				t.Errorf("%s: got status %d", path, a.Status)
			}
			if strings.Contains(a.Body, "amara-in-the-shell") {
				t.Errorf("%s holds somebody's name", path)
			}
		}
		if lines := strings.Count(a.Body, "\n"); lines > 100 {
			t.Errorf("the service worker has %d lines: it is to stay small enough to be read at once", lines)
		}
	}
}

func TestTheSnapshotForWorkWithoutNetwork(t *testing.T) {
	site := offlineSite(t)
	amara := site.As("amara", "operator")
	a := amara.Get("/offline/farm")
	var farm struct {
		Zone     string
		Me       string
		People   []string
		Printers []struct{ Tag, Check, Plate, Held string }
		Plates   []struct{ Tag, Printer, State string }
		Starts   []struct {
			ID     string
			Fields map[string]string
		}
		Holds []struct{ Fields map[string]string }
	}
	if err := json.Unmarshal([]byte(a.Body), &farm); err != nil || a.Status != 200 {
		t.Fatalf("%d %v: %s", a.Status, err, a.Body)
	}
	if farm.Zone != "Africa/Johannesburg" || farm.Me != "amara" || len(farm.People) != 0 || len(farm.Printers) != 3 || len(farm.Holds) != 1 || farm.Holds[0].Fields["subject"] != "P-2" {
		t.Errorf("got %+v", farm)
	}
	if p := farm.Printers[0]; p.Tag != "P-1" || p.Plate != "L-1" || p.Check == "" {
		t.Errorf("P-1: %+v", p)
	}
	if len(farm.Starts) != 1 || farm.Starts[0].Fields["printer"] != "P-1" || farm.Starts[0].Fields["material"] != "PLA" {
		t.Errorf("starts: %+v", farm.Starts)
	}
	again := amara.Do("GET", "/offline/farm", "", "", func(r *http.Request) { r.Header.Set("If-None-Match", a.Header.Get("ETag")) })
	if again.Status != http.StatusNotModified {
		t.Errorf("asked again: %d, want 304", again.Status)
	}
	startOn(t, site, "P-3", "S-later", "L-4", time.Now())
	if again := amara.Do("GET", "/offline/farm", "", "", func(r *http.Request) { r.Header.Set("If-None-Match", a.Header.Get("ETag")) }); again.Status != 200 {
		t.Errorf("asked again after a start: %d, want 200", again.Status)
	}
}

// TestPlainHTTPSaysThatWorkWithoutNetworkIsOff: on every page, and never where
// the address is a secure one or this machine's own.
func TestPlainHTTPSaysThatWorkWithoutNetworkIsOff(t *testing.T) {
	site := webtest.New(t)
	amara := site.As("amara", "admin")
	for _, x := range []struct {
		host string
		off  bool
	}{{"", false}, {"localhost:8080", false}, {"[::1]:8080", false}, {"farm.local:8080", true}, {"192.168.1.20", true}} {
		for _, path := range []string{"/floor", "/grade", "/queue", "/setup", "/none"} {
			a := amara.Do("GET", path, "", "", func(r *http.Request) {
				if x.host != "" {
					r.Host = x.host
					for _, k := range amara.Cookies() {
						r.AddCookie(k)
					}
				}
			})
			line := a.Page(t).All(`[data-off="insecure"]`)
			if len(line) != 1 || (webtest.Attr(line[0], "hidden") == "" && !strings.Contains(a.Body, `data-off="insecure" hidden`)) != x.off {
				t.Errorf("%s at %q: %d lines, want it shown %v", path, x.host, len(line), x.off)
			}
		}
	}
	secure := webtest.New(t, func(c *web.Config) { c.PublicURL = "https://farm.example" })
	if a := secure.Nobody().Do("GET", "/sign-in", "", "", func(r *http.Request) { r.Host = "farm.example" }); !strings.Contains(a.Body, `data-off="insecure" hidden`) {
		t.Error("an https address says that work without network is off")
	}
}
