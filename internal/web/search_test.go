package web_test

import (
	"context"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/webtest"
)

// The answers are counted again from the records themselves.
func TestSearchFindsWhatTheRecordsSay(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	b := recent()
	bay := map[string]string{}
	for _, p := range b.Printers {
		bay[p.Tag] = p.Bay
	}
	settings, err := site.Store.Settings(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	local := at.In(settings.Zone())
	monday := time.Date(local.Year(), local.Month(), local.Day()-(int(local.Weekday())+6)%7, 0, 0, 0, 0, local.Location())
	week := func(f time.Time) bool { return !f.Before(monday.AddDate(0, 0, -7)) && f.Before(monday) }
	count := func(mark, grade, inBay, printer string, in func(time.Time) bool) (n int) {
		for _, f := range b.FirstLayers {
			seen := mark == ""
			for _, m := range f.Marks {
				seen = seen || m.Mark == mark
			}
			if seen && f.VoidedAt.IsZero() && (grade == "" || f.Grade == grade) && (inBay == "" || bay[f.Printer] == inBay) && (printer == "" || f.Printer == printer) && (in == nil || in(f.StartedAt)) {
				n++
			}
		}
		return n
	}
	firstBay := b.Printers[0].Bay
	for asked, want := range map[string]int{
		"corner lift last week":              count("lifting", "", "", "", week),
		"curl P-002":                         count("lifting", "", "", "P-002", nil),
		"too close last week " + firstBay:    count("nozzle_low", "", firstBay, "", week),
		"Gaps P-003":                         count("nozzle_high", "", "", "P-003", nil),
		"failed last week":                   count("", "failed", "", "", week),
		"P-001 last week":                    count("", "", "", "P-001", week),
		"greasy oily spots P001":             count("contamination", "", "", "P-001", nil),
		"marginal blobs in " + firstBay:      count("blobs", "marginal", firstBay, "", nil),
		"corner lift failed P-001 last week": count("lifting", "failed", "", "P-001", week),
	} {
		got, path, pages := 0, "/search?q="+url.QueryEscape(asked), 0
		for path != "" && pages < 60 {
			p := c.Page(path)
			got += len(p.All("table.plain tbody tr"))
			path = ""
			for _, a := range p.All(".pager a") {
				if strings.Contains(webtest.Text(a), "Older") {
					path = webtest.Attr(a, "href")
				}
			}
			pages++
		}
		if got != want {
			t.Errorf("%q: %d first layers, the records have %d", asked, got, want)
		}
	}
	plate := b.Plates[0].Tag
	for asked, want := range map[string]string{
		"P-001": "/printers/P-001", "p1": "/printers/P-001", plate: "/plates/" + plate, farm.ShortTag(plate): "/plates/" + plate, strings.ToLower(farm.LabelTag(plate)): "/plates/" + plate,
		"http://127.0.0.1:8080/s/" + plate: "/plates/" + plate,
	} {
		if a := c.Get("/search?q=" + url.QueryEscape(asked)); a.Status != 303 || a.Header.Get("Location") != want {
			t.Errorf("%q: got %d, %s, want %s", asked, a.Status, a.Header.Get("Location"), want)
		}
	}
	// Several tags: all of them stand there, and where the plate is.
	if text := c.Page("/search?q=" + url.QueryEscape("P-002 "+plate)).Text("main"); !strings.Contains(text, "P-002") || !strings.Contains(text, plate) || !strings.Contains(text, "on P-") {
		t.Errorf("two tags: %s", text)
	}
	job := b.Jobs[0]
	if text := c.Page("/search?q=" + url.QueryEscape(strings.ToUpper(job.Job[:len(job.Job)-1]))).Text("main"); !strings.Contains(text, job.Job) {
		t.Errorf("a job by part of its name: %s", text)
	}
	// Operators find themselves, managers everybody.
	other := b.People[0].Handle
	if other == "amara" {
		other = b.People[1].Handle
	}
	if text := c.Page("/search?q=" + other).Text("main"); strings.Contains(text, "Person") {
		t.Errorf("an operator finds %s: %s", other, text)
	}
	if text := site.As("lena", "manager").Page("/search?q=" + other).Text("main"); !strings.Contains(text, "Person") {
		t.Errorf("a manager does not find %s: %s", other, text)
	}
	if text := c.Page("/search").Text("main"); !strings.Contains(text, "What can be searched") {
		t.Errorf("empty: %s", text)
	}
	if text := c.Page("/search?q=zzzz").Text("main"); !strings.Contains(text, "Nothing found for “zzzz”") {
		t.Errorf("nothing found: %s", text)
	}
	if text := c.Page("/search?q=" + plate + "." + map[bool]string{true: "A", false: "B"}[farm.CheckLetter(plate) == "B"]).Text("main"); !strings.Contains(text, "Did you mean "+plate) {
		t.Errorf("a wrong check letter: %s", text)
	}
	for _, path := range []string{"/search?x=1", "/search?q=a&before=x", "/search?q=" + strings.Repeat("a", 401)} {
		if got := c.Get(path); got.Status != 400 {
			t.Errorf("%s: got status %d", path, got.Status)
		}
	}
}

func TestLabelsAndMarksOfPlates(t *testing.T) {
	site := webtest.New(t)
	stored(t, site, little())
	c := site.As("amara", "operator")
	if text := c.Page("/setup/labels").Text("main"); !strings.Contains(text, "Phones will not reach this address") || !strings.Contains(text, "/s/TAG") || !strings.Contains(text, "never under the plate") {
		t.Errorf("got %s", text)
	}
	p := c.Page("/setup/labels?tags=P-1,+l2&paper=letter-30&copies=2&from=29")
	if text := p.Text("main"); !strings.Contains(text, "4 labels on 2 sheets") || len(p.All("img.sheet")) != 2 {
		t.Errorf("got %s", text)
	}
	pdf := c.Get(webtest.Attr(p.All(".sheets .actions a")[0], "href"))
	if pdf.Status != 200 || !strings.HasPrefix(pdf.Body, "%PDF-") || pdf.Header.Get("Content-Type") != "application/pdf" {
		t.Errorf("PDF: status %d", pdf.Status)
	}
	if svg := c.Get(webtest.Attr(p.All("img.sheet")[1], "src")); svg.Status != 200 || !strings.Contains(svg.Body, "L-2.") {
		t.Errorf("SVG: status %d, %.300s", svg.Status, svg.Body)
	}
	if text := c.Page("/plates/L-1/mark").Text("main"); !strings.Contains(text, "L1") || !strings.Contains(text, "do not last on a heated plate") || !strings.Contains(text, "fumes") {
		t.Errorf("got %s", text)
	}
	if dxf := c.Get("/plates/L-1/mark/dxf/file?letters_mm=15&code_mm=0"); dxf.Status != 200 || !strings.Contains(dxf.Body, "POLYLINE") {
		t.Errorf("DXF: status %d", dxf.Status)
	}
	for path, want := range map[string]int{
		"/setup/labels?tags=NONE": 422, "/setup/labels?tags=": 422, "/setup/labels?tags=P-1&from=25": 422, "/setup/labels?tags=P-1&paper=x": 422, "/setup/labels?x=1": 400,
		"/setup/labels?all=both": 200, "/setup/labels/pdf/file": 400, "/setup/labels/svg/file?tags=P-1&sheet=2": 422, "/setup/labels/svg/file?tags=P-1&sheet=x": 400,
		"/plates/NONE/mark": 404, "/plates/L-1/mark?letters_mm=1": 422, "/plates/L-1/mark?code_mm=3": 422, "/plates/L-1/mark/svg/file?code_mm=3": 400, "/plates/L-1/mark/svg/file": 200,
	} {
		if got := c.Get(path); got.Status != want {
			t.Errorf("%s: got status %d, want %d", path, got.Status, want)
		}
	}
	for asked, want := range map[string]string{"P-1": "/grade/P-1", "L-1": "/plates/L-1", "l1": "/plates/L-1", "NONE": "/search?q=NONE"} {
		if a := c.Get("/s/" + asked); a.Status != 303 || a.Header.Get("Location") != want {
			t.Errorf("/s/%s: got %d, %s, want %s", asked, a.Status, a.Header.Get("Location"), want)
		}
	}
}
