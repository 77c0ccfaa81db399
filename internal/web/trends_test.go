package web_test

import (
	"encoding/csv"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"basecourse/internal/farm"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// trendPages are looked at by the accessibility checker in every view.
var trendPages = []struct{ name, path string }{
	{"trends", "/trends?weeks=4"}, {"trends-printer-gaps", "/trends?by=printer&chart=gaps&weeks=4&material=PETG"}, {"trends-sum", "/trends?by=material&chart=sum&weeks=4"},
	{"trends-hour", "/trends?by=hour&weeks=4"}, {"trends-washed", "/trends?by=washed&weeks=4"}, {"trends-pair", "/trends?by=pair&weeks=4"}, {"trends-days", "/trends?by=week&per=day&weeks=4&printer=P-005"},
	{"trends-nothing", "/trends?plate=NONE"},
}

func rowsOf(t *testing.T, body string) (rows [][]string) {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(body)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// Every grouping's page says the same totals as the records, its CSV sums up to
// them, and every link of it opens.
func TestTrendsPagesAndTheirTablesAgree(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "manager")
	started, graded, failed := 0, 0, 0
	for _, f := range recent().FirstLayers {
		if f.VoidedAt.IsZero() && !f.StartedAt.After(at) {
			started++
			if f.Grade != "" {
				graded++
			}
			if farm.Failed(f.Grade, f.Underside) {
				failed++
			}
		}
	}
	seen := map[string]bool{}
	for _, by := range []string{"plate", "printer", "pair", "surface", "material", "job", "bay", "age", "washed", "week", "hour", "shift"} {
		path := "/trends?weeks=5&by=" + by
		p := c.Page(path)
		rate := plain(p.Text(".head .rate"))
		want := strconv.Itoa(failed) + " of " + thinned(graded)
		if !strings.Contains(rate, want) || !strings.Contains(rate, thinned(graded)+" of "+thinned(started)+" layers graded") {
			t.Errorf("%s: %q, want %s failed and %d of %d graded", path, rate, want, graded, started)
		}
		if len(p.All("section[data-chart] .dot")) == 0 {
			t.Errorf("%s: no points", path)
		}
		for _, link := range p.All(".downloads a") {
			href := webtest.Attr(link, "href")
			a := c.Get(href)
			if a.Status != 200 || !strings.HasPrefix(a.Header.Get("Content-Type"), "text/csv") || !strings.Contains(a.Header.Get("Content-Disposition"), "attachment") {
				t.Fatalf("%s: status %d, %v", href, a.Status, a.Header)
			}
			u, _ := url.Parse(href)
			rows := rowsOf(t, a.Body)
			sum := map[string]int{}
			for _, row := range rows[1:] {
				for i, head := range rows[0] {
					n, _ := strconv.Atoi(row[i])
					sum[head] += n
				}
			}
			if sum["started"] != started || sum["graded"] != graded || sum["failed"] != failed {
				t.Errorf("%s (%s): sums to %d started, %d graded, %d failed; want %d, %d, %d", path, u.Query().Get("part"), sum["started"], sum["graded"], sum["failed"], started, graded, failed)
			}
		}
		for _, link := range p.All("main a[href]") {
			href := webtest.Attr(link, "href")
			if !strings.HasPrefix(href, "/trends?") || seen[href] || len(seen) > 60 {
				continue
			}
			seen[href] = true
			if a := c.Get(href); a.Status != 200 {
				t.Errorf("%s leads to %s: status %d", path, href, a.Status)
			}
		}
	}
}

func thinned(n int) string {
	s := strconv.Itoa(n)
	if n < 10_000 {
		return s
	}
	return s[:len(s)-3] + " " + s[len(s)-3:]
}

func TestTrendsFiltersAreASentenceAndAnAddress(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "manager")
	p := c.Page("/trends?material=PETG&surface=pei_textured&weeks=4&by=printer")
	if got := plain(p.Text(".sentence .now")); !strings.Contains(got, "All printers") || !strings.Contains(got, "PEI, textured") || !strings.Contains(got, "PETG") || !strings.Contains(got, "last 4 weeks") || !strings.Contains(got, "clear") {
		t.Errorf("the sentence: %q", got)
	}
	// Each part's link takes it alone out.
	for _, link := range p.All(".sentence .part a") {
		u, _ := url.Parse(webtest.Attr(link, "href"))
		label := webtest.Attr(link, "aria-label")
		q := u.Query()
		has := map[string]bool{"material": q.Has("material"), "surface": q.Has("surface"), "weeks": q.Has("weeks")}
		gone := map[string]string{"Leave out: PETG": "material", "Leave out: PEI, textured": "surface", "Leave out: last 4 weeks": "weeks"}[label]
		for name, there := range has {
			if there != (name != gone) {
				t.Errorf("%s: %s, parameter %s there: %v", label, u.RawQuery, name, there)
			}
		}
		if q.Get("by") != "printer" {
			t.Errorf("%s forgets the grouping: %s", label, u.RawQuery)
		}
	}
	for _, bad := range []string{"?by=people", "?by=grader", "?weeks=0", "?weeks=x", "?from=2026-03-01", "?from=2026-03-09&to=2026-03-01", "?from=09.03.2026&to=10.03.2026", "?from=1026-03-09&to=2026-03-01", "?per=year",
		"?chart=pie", "?page=-1", "?sort=x", "?by=plate&by=printer", "?plate=a%00b", "?run=5", "?part=chart&part=groups"} {
		if a := c.Get("/trends" + bad); a.Status != 400 {
			t.Errorf("/trends%s: got status %d, want 400", bad, a.Status)
		}
	}
	if a := c.Get("/trends.csv?part=all"); a.Status != 400 {
		t.Errorf("a part nobody knows: got status %d", a.Status)
	}
	if got := c.Page("/trends?plate=NONE&grader=nobody").Text(".empty"); !strings.Contains(got, "There is no plate “NONE”") || !strings.Contains(got, "nobody called “nobody”") {
		t.Errorf("a plate and a grader nobody knows: %q", got)
	}
	if got := c.Page("/trends?from=2020-01-01&to=2020-02-01").Text(".empty"); !strings.Contains(got, "Widen the window") {
		t.Errorf("a window without layers: %q", got)
	}
	if got := c.Page("/trends?from=2026-03-09&to=2026-03-09&printer=P-001").Text("section[data-chart=rate] .empty"); !strings.Contains(got, "A rate needs about 20") && !strings.Contains(got, "a rate needs about 20") {
		t.Errorf("a day of one printer: %q", got)
	}
}

func TestPeopleAreNotComparedInTrends(t *testing.T) {
	site := demoSite(t)
	manager := site.As("amara", "manager")
	grader := ""
	for _, f := range recent().FirstLayers {
		if f.Grader != "" && f.Grader != "amara" {
			grader = f.Grader
			break
		}
	}
	if a := manager.Get("/trends?grader=" + grader); a.Status != 200 {
		t.Errorf("a manager: got status %d", a.Status)
	}
	operator := site.As("otto", "operator")
	if a := operator.Get("/trends?grader=" + grader); a.Status != 403 {
		t.Errorf("an operator asking for somebody else's layers: got status %d, want 403", a.Status)
	}
	if a := operator.Get("/trends?grader=otto"); a.Status != 200 {
		t.Errorf("an operator asking for the own layers: got status %d", a.Status)
	}
	if got := len(operator.Page("/trends").All("#f-grader option")); got > 2 {
		t.Errorf("an operator may choose among %d graders", got)
	}
}

func TestTrendsOfAnEmptyFarm(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "operator")
	if got := c.Page("/trends").Text(".empty"); !strings.Contains(got, "once first layers are recorded") {
		t.Errorf("an empty farm: %q", got)
	}
	if a := c.Get("/trends.csv?part=groups"); a.Status != 200 || len(rowsOf(t, a.Body)) != 1 {
		t.Errorf("an empty farm's CSV: %d %s", a.Status, a.Body)
	}
}

// A cell that a spreadsheet would run gets an apostrophe; the page shows the
// name as it is.
func TestTrendsCSVIsSafeInASpreadsheet(t *testing.T) {
	site := webtest.New(t)
	b := little()
	f := recent().FirstLayers[0]
	f.Printer, f.Plate, f.Job, f.Grader, f.Instrument, f.Marks, f.Readings, f.Covered = "P-1", "", "", "", "", nil, nil, nil
	b.FirstLayers = []farm.FirstLayer{f}
	b.FirstLayers[0].Material = "=HYPERLINK(1)"
	stored(t, site, b)
	c := site.As("amara", "manager")
	day := b.FirstLayers[0].StartedAt.Format("2006-01-02")
	a := c.Get("/trends.csv?part=groups&by=material&from=" + day + "&to=" + day)
	if rows := rowsOf(t, a.Body); len(rows) < 2 || rows[1][0] != "'=HYPERLINK(1)" {
		t.Errorf("got %q", a.Body)
	}
}

func TestTrendsInTheBrowserAreAccessibleAndFit(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "manager")
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for _, p := range trendPages {
				tab.Open(p.path)
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			tab.Open("/trends?weeks=4")
			webtest.Eval[any](tab, `document.querySelectorAll("details").forEach(d => d.open = d.closest(".topline, .areas") === null), null`)
			tab.Fits()
			tab.Accessible()
			if *shots != "" {
				tab.Shot(filepath.Join(*shots, "trends-open-"+v.Name+"-whole.png"), true)
			}
		})
	}
}

// The page's main act: narrow by the form, walk the points by keyboard and by
// tap, open the table, fetch the CSV.
func TestFilteringAndWalkingATrendInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "manager")
	for _, v := range []webtest.View{{Name: "with script", Width: 820, Height: 1180}, {Name: "phone", Width: 360, Height: 780}, {Name: "without script", Width: 820, Height: 1180, NoScript: true}} {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			tab.Do(chromedp.Navigate(site.URL+"/trends?weeks=4"), chromedp.WaitReady(chromedp.CSS(".chart")),
				chromedp.Click(chromedp.CSS(".change > summary")), chromedp.WaitVisible(chromedp.CSS("#f-material")),
				chromedp.SendKeys(chromedp.CSS("#f-material"), "PETG"),
				chromedp.Click(chromedp.CSS(".grid-form button")), chromedp.WaitReady(chromedp.CSS(".sentence .clear")))
			if got := tab.Path(); !strings.Contains(got, "material=PETG") {
				t.Fatalf("after the form: %s", got)
			}
			if v.NoScript {
				tab.Do(chromedp.Click(chromedp.CSS("section[data-chart=rate] .as-table > summary")), chromedp.WaitVisible(chromedp.CSS("section[data-chart=rate] table")))
				return
			}
			tab.Do(chromedp.WaitReady(chromedp.CSS("html[data-ready]")))
			press := func(key string) string {
				return webtest.Eval[string](tab, `(() => { const c = document.querySelector(".chart"); c.focus(); c.dispatchEvent(new KeyboardEvent("keydown", {key: "`+key+`", bubbles: true, cancelable: true})); return document.getElementById("main-at").textContent })()`)
			}
			first, second := press("ArrowRight"), press("ArrowRight")
			if !strings.Contains(first, "The week from") || !strings.Contains(first, "failed") || first == second {
				t.Errorf("walking: %q, then %q", first, second)
			}
			if back := press("ArrowLeft"); back != first {
				t.Errorf("back: %q, want %q", back, first)
			}
			if end, home := press("End"), press("Home"); home != first || end == first {
				t.Errorf("to the end %q and home %q", end, home)
			}
			tapped := webtest.Eval[string](tab, `(() => { const d = [...document.querySelectorAll(".chart .plotted")].find(d => d.getBoundingClientRect().width > 0).querySelectorAll("[data-says]")[1];
				const r = d.getBoundingClientRect(); d.dispatchEvent(new MouseEvent("click", {bubbles: true, clientX: r.x + 3, clientY: r.y + 3})); return document.getElementById("main-at").textContent })()`)
			if tapped != second {
				t.Errorf("a tap: %q, want %q", tapped, second)
			}
			tab.Do(chromedp.Click(chromedp.CSS("section[data-chart=rate] .as-table > summary")), chromedp.WaitVisible(chromedp.CSS("section[data-chart=rate] table")))
			status := webtest.Eval[string](tab, `fetch(document.querySelector("section[data-chart=rate] .downloads a").href).then(r => r.text()).then(t => t.split("\r\n")[0])`)
			if !strings.HasPrefix(status, "week_from,started,graded,failed") {
				t.Errorf("the CSV begins %q", status)
			}
		})
	}
}
