package web_test

import (
	"context"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// noPages are addresses of the table that answer no page: files, and what only
// leads elsewhere.
func noPage(path string) bool {
	return slices.Contains([]string{"/", "/healthz", "/readyz", "/metrics", "/favicon.ico", "/sign-in", "/sign-in/code", web.ProviderBack, "/first-use/:key", "/account/second-factor", "/upkeep/undo", "/upkeep.ics", "/live", "/s/:tag", "/sw.js", "/offline/farm", "/offline/me", "/trust/authority.crt", "/trust/address.svg"}, path) ||
		strings.HasPrefix(path, "/static/") || strings.HasPrefix(path, "/api/") ||
		strings.HasSuffix(path, ".csv") || strings.HasSuffix(path, ".json") || strings.HasSuffix(path, ".zip") || strings.HasSuffix(path, "/file")
}

// everyPage is the address of every page in the table of routes over the demo's
// farm, its parameters filled in, so that a new page is looked at by itself. It
// fails where nobody says what stands for a parameter.
func everyPage(t *testing.T, site *webtest.Site, admin *webtest.Client) []string {
	t.Helper()
	ctx := context.Background()
	layers, err := site.Store.LatestStarts(ctx, "P-001", at, 200)
	if err != nil {
		t.Fatal(err)
	}
	n := slices.IndexFunc(layers, func(f *farm.FirstLayer) bool { return f.Grade != "" && f.Plate != "" && f.VoidedAt.IsZero() })
	if n < 0 {
		t.Fatal("no graded first layer on P-001")
	}
	layer := layers[n]
	if _, err := web.AddToken(ctx, site.Store, "walk", "operator", time.Time{}); err != nil {
		t.Fatal(err)
	}
	if err := site.Store.AddWebhook(ctx, store.Act{Via: "command"}, store.Webhook{Name: "walk", URL: "https://hooks.example/", Kinds: []string{"hold"}}, make([]byte, 32)); err != nil {
		t.Fatal(err)
	}
	tablet, err := site.Store.AddTablet(ctx, store.Act{Via: "command"}, "Bay 2 left", "Bay 2", [32]byte{1}, site.Store.Now().Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	told(t, site, 7)
	account, err := site.Store.AccountByHandle(ctx, "amara")
	if err != nil {
		t.Fatal(err)
	}
	confirm, stop := strings.Repeat("c", 32), strings.Repeat("s", 32)
	if err := site.Store.AskAddress(ctx, account.Person, "amara@farm.example", confirm, stop); err != nil {
		t.Fatal(err)
	}
	added := upload(admin, "", sentFile{"printers.csv", printersCSV}, sentFile{"plates.csv", platesCSV}, sentFile{"first_layers.csv", layersCSV})
	if added.Status != http.StatusSeeOther {
		t.Fatalf("an upload: got %d", added.Status)
	}
	uploaded, _, _ := strings.Cut(added.Header.Get("Location"), "?")
	logged := strings.TrimSuffix(strings.TrimPrefix(sendLog(admin, "book.csv", logCSV, "first_layer", "").Header.Get("Location"), "/setup/import/"), "/mapping")
	if err := site.Store.SaveThings(ctx, store.Act{Via: "page"}, farm.KindMapping, store.ThingEdit{After: &farm.LogMapping{Mapping: "walk", Says: aMapping("walk")}}); err != nil {
		t.Fatal(err)
	}
	b := recent()
	probe := slices.IndexFunc(b.Probes, func(p farm.Probe) bool { return p.Printer == "P-001" && p.Columns > 0 && p.VoidedAt.IsZero() })
	stands := map[string]string{
		"/tests/:id":        b.PlannedTests[slices.IndexFunc(b.PlannedTests, func(t farm.PlannedTest) bool { return t.Subject == demoOnTest })].ID.UUID.String(),
		"/setup/import/:id": strings.TrimPrefix(uploaded, "/setup/import/"), "/setup/import/:id/mapping": logged, "/setup/tokens/:tag": "walk", "/setup/tablets/:id": strconv.Itoa(int(tablet)), "/setup/webhooks/:tag": "walk", "/notices/confirm/:key": confirm, "/notices/stop/:key": stop, "/setup/people/:tag": "amara", "/setup/materials/:tag": b.Materials[0].Name,
		"/setup/shifts/:tag": b.Shifts[0].Shift, "/setup/instruments/:tag": b.Instruments[0].Instrument, "/setup/mappings/:tag": "walk", "/setup/jobs/:tag": layer.Job, "/jobs/:tag": layer.Job,
		"/plates/:tag": layer.Plate, "/plates/:tag/mark": layer.Plate, "/setup/plates/:tag": layer.Plate, "/probes/:id": b.Probes[probe].ID.UUID.String(),
	}
	handed := admin.Form("/handover", url.Values{"id": {"01890000-0000-7000-8000-000000000001"}, "do": {"hand"}, "note": {"The fan of P-001 rattles when cold."}})
	if handed.Status != http.StatusSeeOther {
		t.Fatalf("a handover: got %d", handed.Status)
	}
	stands["/reports/weeks/:week"] = "2026-W10"
	stands["/reports/plates/:tag"] = layer.Plate
	sheet := keepSheet(t, site, admin)
	stands["/findings/sheets/:id"], stands["/findings/sheets/:id/check"] = sheet, sheet
	stands["/handover/:id"] = strings.TrimPrefix(webtest.Attr(admin.Page("/handover/past").One(".ends a"), "href"), "/handover/")
	version := b.Policies[slices.IndexFunc(b.Policies, func(p farm.Policy) bool { return p.Name == "Washing" })].ID.UUID.String()
	stands["/setup/policies/:tag"] = "Washing"
	whole := map[string]string{"/setup/policies/:tag/versions/:id": "/setup/policies/Washing/versions/" + version}
	any := map[string]string{":tag": "P-001", ":id": layer.ID.UUID.String(), ":kind": "printer", ":cause": "skipped_probing"}
	var pages []string
	for _, r := range web.Routes() {
		if r.Method != http.MethodGet || noPage(r.Path) {
			continue
		}
		parts := strings.Split(r.Path, "/")
		for i, part := range parts {
			if !strings.HasPrefix(part, ":") {
				continue
			}
			value := stands[r.Path]
			if value == "" || strings.Count(r.Path, ":") > 1 {
				value = any[part]
			}
			if parts[i] = url.PathEscape(value); value == "" {
				t.Errorf("%s: nobody says what stands for %s", r.Path, part)
			}
		}
		path := strings.Join(parts, "/")
		if w := whole[r.Path]; w != "" {
			path = w
		}
		if r.Path == "/first-layers/:id/done" {
			path += "?action=probe&cause=bed_shape"
		}
		if a := admin.Get(path); a.Status != http.StatusOK {
			t.Errorf("%s: got status %d, want a page", path, a.Status)
			continue
		}
		pages = append(pages, path)
	}
	return append(pages, "/setup/add-policy?name=Glass&clean_prints=5&reason=why", "/floor?order=walking", "/upkeep?list=printers", "/trends?by=printer&chart=gaps", "/trends?by=pair", "/findings/plate/L-002/cleaning_gap", "/printers/NONE", "/grade?printer=zz", "/setup/labels?tags=P-001,L-002", "/search?q=corner+lift", "/search?q=L-00")
}

// wideText gives how many pixels a page is too wide with text of 200 % while the
// sizes at which the layout changes stay (the hardest case), and what sticks out.
const wideText = `(() => {
	const root = document.documentElement
	root.style.fontSize = "200%"
	const over = document.scrollingElement.scrollWidth - root.clientWidth
	let out = ""
	if (over > 0) {
		const hidden = e => { for (let p = e.parentElement; p && p != document.body; p = p.parentElement) if (getComputedStyle(p).overflowX != "visible") return true }
		out = over + " px wider than the screen: " + [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > root.clientWidth + 1 && !hidden(e))
			.slice(-4).map(e => e.tagName + "." + (e.className.baseVal ?? e.className) + " " + e.textContent.trim().slice(0, 30)).join(" | ")
	}
	root.style.fontSize = ""
	return out
})()`

// TestEveryPageOfTheTableInTheBrowser walks the table of routes: no page scrolls
// sideways at any width or with text of 200 %, none breaks a rule of
// accessibility wide or narrow, light or dark, none is empty on paper, and none makes the
// console or the content security policy complain.
func TestEveryPageOfTheTableInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "admin")
	paths := everyPage(t, site, amara)
	// Each page is loaded on a desk and then made narrower: a phone, a tablet, and a
	// desk at 400 %.
	for some := range slices.Chunk(paths, 12) { // a tab has a time limit
		for _, v := range views() {
			t.Run(v.Name+some[0], func(t *testing.T) {
				t.Parallel()
				tab := site.Tab(t, amara, v)
				for _, path := range some {
					tab.Open(path)
					tab.Expect("404")
					tab.Expect("422")
					tab.Fits()
					large(tab, path)
					tab.Accessible()
					if *shots != "" {
						tab.Shot(filepath.Join(*shots, "walk"+strings.NewReplacer("/", "-", "?", "-", "=", "-", "&", "-").Replace(path)+"-"+v.Name+".png"), true)
					}
					for _, width := range []int64{820, 360, 320} {
						tab.Resize(width, v.Height)
						tab.Fits()
						if width >= 360 {
							large(tab, path)
						}
					}
					tab.Resize(v.Width, v.Height)
					if high := tab.Printed(); high < 60 {
						t.Errorf("%s is %.0f pixels high on paper: something hides it", path, high)
					}
				}
			})
		}
	}
}

// large fails the test when a page with text of 200 % is wider than its screen.
func large(tab *webtest.Tab, path string) {
	tab.T().Helper()
	if words := webtest.Eval[string](tab, wideText); words != "" {
		tab.T().Errorf("%s with text of 200 %% is %s", path, words)
	}
}

// alike are pages that look the same without a record.
var alike = regexp.MustCompile(`^/(help|account|bead|setup/(add-|cautions|over-bonding|settings|import|export)|upkeep/)`)

// TestPagesOfAnEmptyFarmInTheBrowser looks at every page without parameters over
// a farm without a record, where tables are empty and nothing can be drawn.
func TestPagesOfAnEmptyFarmInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := webtest.New(t)
	admin := site.As("amara", "admin")
	var paths []string
	for _, r := range web.Routes() {
		if r.Method == http.MethodGet && !strings.Contains(r.Path, ":") && !noPage(r.Path) && !alike.MatchString(r.Path) {
			paths = append(paths, r.Path)
		}
	}
	for some := range slices.Chunk(paths, 16) {
		for _, v := range views() {
			t.Run(v.Name+some[0], func(t *testing.T) {
				t.Parallel()
				tab := site.Tab(t, admin, v)
				for _, path := range some {
					tab.Open(path)
					tab.Fits()
					tab.Accessible()
					if *shots != "" {
						tab.Shot(filepath.Join(*shots, "empty"+strings.ReplaceAll(path, "/", "-")+"-"+v.Name+".png"), true)
					}
				}
			})
		}
	}
}
