package web_test

import (
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/gofrs/uuid/v5"
)

func TestEveryPageHasOneHeadingAndSaysWhereItIs(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "admin")
	layer := webtest.Attr(c.Page("/printers/P-001").All(".history a")[0], "href")
	for _, path := range []string{
		"/floor", "/floor?order=walking", "/floor?state=hold", "/findings", "/findings?state=raised&kind=plate", "/findings/printer/P-001/skipped_probing",
		"/findings/plate/L-002/cleaning_gap", "/findings/printer/P-003/skipped_probing", "/findings/printer/P-004/skipped_probing", "/printers/P-001", "/plates/L-107", layer, "/setup", "/help", "/help/api", "/heights", "/heights?part=printers&printer=P-001&plate=L-107", "/bead", "/bead?layer_height_mm=21", "/printers/P-001/coupon", "/printers/P-001/coupon?line_width_mm=x", "/printers/NONE/coupon",
		"/none", "/printers/NONE", "/plates/NONE", "/first-layers/NONE", "/findings/plate/L-002/skipped_probing", "/findings/printer/NONE/cleaning_gap",
	} {
		p := c.Get(path).Page(t)
		if n := len(p.All("h1")); n != 1 {
			t.Errorf("%s: %d headings h1, want one", path, n)
		}
		if title := p.Text("title"); title != p.Text("h1")+" – Basecourse" {
			t.Errorf("%s: title %q, want the heading and the program's name", path, title)
		}
		if n := len(p.All("[style]")); n != 0 {
			t.Errorf("%s: %d style attributes, which the policy blocks", path, n)
		}
		if len(p.All("main#main")) != 1 || webtest.Attr(p.One("html"), "lang") != "en" {
			t.Errorf("%s: lacks its landmark or its language", path)
		}
	}
}

func TestFloorShowsEveryPrinterAndWhatNeedsSomeoneFirst(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/floor")
	rows := p.All("main [data-printer]")
	if len(rows) != 61 {
		t.Fatalf("got %d printers, want all 61", len(rows))
	}
	order := []string{"hold", "watch", "due", "no_record", "ready", "retired"}
	last := 0
	for _, r := range rows {
		at := slices.Index(order, webtest.Attr(r, "data-state"))
		if at < last {
			t.Errorf("printer %s (%s) stands behind one that needs less", webtest.Attr(r, "data-printer"), webtest.Attr(r, "data-state"))
		}
		last = at
	}
	for _, need := range p.All("tr[data-state=watch]") {
		if text := webtest.Text(need); !strings.Contains(text, "Watch") {
			t.Errorf("a row to watch does not say so: %s", text)
		}
	}
	if len(p.All("tr[data-state=hold] svg")) == 0 || len(p.All("li[data-state=ready] svg")) != 0 {
		t.Error("signs: want one on a hold and none on what is ready")
	}
	watch := webtest.Text(p.One("tr[data-printer=P-001]"))
	for _, want := range []string{"Watch", "Failures go with skipped probing: about 4.2 of 100 avoidable.", "Probe", "3 of 29 failed; 29 of 34 graded", "Grade"} {
		if !strings.Contains(watch, want) {
			t.Errorf("P-001: %q lacks %q", watch, want)
		}
	}
}

func TestFloorFiltersAreAddresses(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	all := c.Page("/floor")
	bays := map[string]string{}
	for _, x := range recent().Printers {
		bays[x.Tag] = x.Bay
	}
	for _, link := range all.All(".filters a") {
		href := webtest.Attr(link, "href")
		p := c.Page(href)
		u, err := url.Parse(href)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range p.All("main [data-printer]") {
			if state := u.Query().Get("state"); state != "" && webtest.Attr(r, "data-state") != state {
				t.Errorf("%s shows %s, which is %s", href, webtest.Attr(r, "data-printer"), webtest.Attr(r, "data-state"))
			}
			if bay := u.Query().Get("bay"); bay != "" && bays[webtest.Attr(r, "data-printer")] != bay {
				t.Errorf("%s shows %s, which is not in %s", href, webtest.Attr(r, "data-printer"), bay)
			}
		}
		if n := len(p.All(".filters a[aria-current=true]")); n != 3 {
			t.Errorf("%s: %d filters are marked as in force, want one a line", href, n)
		}
	}
	walk := c.Page("/floor?order=walking&bay=Loft")
	stops, rest := tags(walk.All("tr[data-printer]")), tags(walk.All("li[data-printer]"))
	if len(stops)+len(rest) != 12 || !slices.IsSorted(stops) || !slices.IsSorted(rest) {
		t.Errorf("walking the Loft: got %v, then %v, want its 12 printers, the stops in order", stops, rest)
	}
	if got := walk.Text(".showing"); got != "12 printers, in Loft, in walking order — clear" {
		t.Errorf("the filters as a sentence: got %q", got)
	}
	for _, bad := range []string{"order=zigzag", "page=0", "page=x", "state=sparkling", "colour=red"} {
		if a := c.Get("/floor?" + bad); a.Status != 400 {
			t.Errorf("/floor?%s: got status %d, want 400", bad, a.Status)
		}
	}
	if p := c.Page("/floor?bay=Cellar"); !strings.Contains(p.Text(".empty"), "No printer fits") {
		t.Error("a bay without printers: the page does not say so")
	}
}

func TestAnEmptyFarmSaysTheFirstStep(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "admin")
	for path, want := range map[string]string{"/floor": "Add printers or import a bundle", "/findings": "once first layers"} {
		if got := c.Page(path).Text(".empty"); !strings.Contains(got, want) {
			t.Errorf("%s: %q does not say %q", path, got, want)
		}
	}
	stored(t, site, little())
	if got := c.Page("/floor").Texts("li[data-state=no_record]"); len(got) != 2 || !strings.Contains(got[0], "No first layer recorded yet") {
		t.Errorf("printers without records: got %v", got)
	}
	if got := c.Page("/printers/P-1").Text("section[aria-labelledby=history] .empty"); !strings.Contains(got, "begins with") {
		t.Errorf("a printer without history: got %q", got)
	}
}

func TestRecordsThatEndedLongAgoAreSaidToHaveEnded(t *testing.T) {
	site := demoSite(t)
	later := webtest.Over(t, site.Store, site.DB, func(c *web.Config) {
		c.Now = func() time.Time { return at.Add(200 * 24 * time.Hour) }
		c.Findings = webtest.SampleFindings(at)
	})
	site.As("amara", "operator")
	c := later.SignIn("amara")
	if lead := c.Page("/floor").Text(".head"); !strings.Contains(lead, "Records end 2026-03-09") {
		t.Errorf("the Floor 200 days later: %q does not say where the records end", lead)
	}
	if n := len(c.Page("/floor?state=no_record").All("main [data-printer]")); n > 5 {
		t.Errorf("200 days later %d printers have no record; counts must end with the records", n)
	}
	placed := at.Add(190 * 24 * time.Hour)
	stored(t, site, &farm.Bundle{Holds: []farm.Hold{{ID: farm.ID{UUID: uuid.Must(uuid.NewV7AtTime(placed))}, SubjectKind: "printer", Subject: "P-002", PlacedAt: placed, Reason: "belt worn"}}})
	for _, path := range []string{"/floor?state=hold", "/printers/P-002"} {
		if text := plain(c.Page(path).Text("main")); !strings.Contains(text, "n hold for 10 days: belt worn") {
			t.Errorf("%s does not tell of a hold placed after the records ended: %s", path, text)
		}
	}
}

func TestFindingsAreListedWorstFirstInCarefulWords(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/findings")
	var got []string
	for _, r := range p.All("tr[data-subject]") {
		got = append(got, webtest.Attr(r, "data-subject")+" "+webtest.Attr(r, "data-state"))
	}
	want := []string{"L-002 raised", "P-001 raised", "P-002 watching", "L-001 quiet", "P-004 quiet", "P-003 too_little_data"}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	for _, path := range []string{"/findings", "/findings/printer/P-001/skipped_probing", "/findings/plate/L-002/cleaning_gap"} {
		text := strings.ToLower(c.Page(path).Text("main"))
		for _, word := range []string{"caused by", "because of skipping", "p-value", "nan", "+inf"} {
			if strings.Contains(text, word) {
				t.Errorf("%s says %q", path, word)
			}
		}
		if !strings.Contains(text, "go with") && !strings.Contains(text, "goes with") {
			t.Errorf("%s does not say what goes with what", path)
		}
	}
}

func TestEvidenceShowsCountsBothEstimatesAndMarks(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/findings/printer/P-001/skipped_probing")
	for _, want := range []string{
		"Probe P-001 before every start.", "9 of 41 layers failed without a probe, 3 of 82 with one.", "clear. Avoidable: 4.2 (1.6 to 7.1) of 100 layers.",
		"No probe since the last start 9 32 9 of 41 (22 %, likely 12 to 37 %) 41 of 52", "Probed, nothing since 3 79 3 of 82 (4 %, likely 1 to 10 %) 82 of 98", "Probed, then swapped or serviced",
		"By themselves", "enter neither side", "Nobody has said so", "Difference, without a probe minus with a valid one 18.3 (5.9 to 33.1) –", "Avoidable of all its layers 5.8 4.2 (1.6 to 7.1)", "night crew",
		"Over-squished (nozzle low) 6 of 12 4 of 117", "131 of 160 layers graded",
	} {
		if text := plain(p.Text("main")); !strings.Contains(text, want) {
			t.Errorf("the evidence lacks %q:\n%s", want, text)
		}
	}
	gap := plain(c.Page("/findings/plate/L-002/cleaning_gap").Text("main"))
	for _, want := range []string{"Wash plate L-002 before it reaches 12 prints.", "24 and more 8 20 8 of 28 (29 %, likely 15 to 47 %)", "12 to 23", "No record", "Failures rise with prints since cleaning: from 1.4 of 100 at 0", "likely 8 to 31 %) 42 of 50 12.8 (6.4 to 19.9)"} {
		if !strings.Contains(gap, want) {
			t.Errorf("the gap's evidence lacks %q:\n%s", want, gap)
		}
	}
	little := plain(c.Page("/findings/printer/P-003/skipped_probing").Text("main"))
	if !strings.Contains(little, "about 60 more graded layers") || !strings.Contains(little, "cannot tell") || strings.Contains(little, "Plain and adjusted") {
		t.Errorf("too little data: %s", little)
	}
	reverse := plain(c.Page("/findings/printer/P-004/skipped_probing").Text("main"))
	if !strings.Contains(reverse, "failures go with probing") || !strings.Contains(reverse, "Look at the probe and the nozzle tip") || !strings.Contains(reverse, "Because: 10 of 80 layers failed with one, 1 of 40 without a probe.") || strings.Contains(reverse, "cannot tell") {
		t.Errorf("the reverse: %s", reverse)
	}
}

// plain makes thin spaces ordinary ones.
func plain(s string) string { return strings.ReplaceAll(s, "\u202f", " ") }

func TestAPrintersHistoryIsWholeAndPaged(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	path, seen, last := "/printers/P-001", 0, "9999"
	kinds := map[string]bool{}
	for path != "" && seen < 3000 {
		p := c.Page(strings.TrimSuffix(path, "#history"))
		for _, e := range p.All("li[data-event]") {
			seen++
			kinds[webtest.Attr(e, "data-event")] = true
		}
		for _, n := range p.All(".history time") {
			when := webtest.Attr(n, "datetime")
			if when > last {
				t.Fatalf("%s stands after %s, want newest first", when, last)
			}
			last = when
		}
		path = ""
		if older := p.All(".pager a[rel=next]"); len(older) == 1 {
			path = webtest.Attr(older[0], "href")
		}
	}
	if seen < 300 || !kinds["first_layer"] || !kinds["probe"] || !kinds["fitting"] {
		t.Errorf("walked through %d events of kinds %v, want the whole history", seen, kinds)
	}
	plate := c.Page("/plates/L-107")
	if len(plate.All("li[data-event]")) != 50 || plate.Text("h1[data-plate]") != "Plate L-107" {
		t.Errorf("the plate's page: got %d events", len(plate.All("li[data-event]")))
	}
}

func TestSetupSaysWhenTheLastCopyWasWritten(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "manager")
	text := plain(c.Page("/setup").Text("main"))
	for _, want := range []string{"Last written 11 h ago", "Read back 81 234 records", "60 in service"} {
		if !strings.Contains(text, want) {
			t.Errorf("Setup lacks %q: %s", want, text)
		}
	}
	for name, x := range map[string]struct {
		copy web.Copy
		want string
	}{
		"failed": {web.Copy{WrittenAt: at.Add(-30 * time.Hour), Problem: "the disk is full"}, "The last daily copy failed: the disk is full."},
		"old":    {web.Copy{WrittenAt: at.Add(-72 * time.Hour)}, "The last daily copy is 3 days old."},
		"none":   {web.Copy{}, "none yet"},
	} {
		over := webtest.Over(t, site.Store, site.DB, func(c *web.Config) { c.Copies = copies{x.copy}; c.Now = func() time.Time { return at } })
		if got := over.SignIn("amara").Page("/setup").Text("main"); !strings.Contains(got, x.want) {
			t.Errorf("a copy that %s: Setup lacks %q", name, x.want)
		}
	}
}

func TestTheFloorStandsWithoutFindings(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) {
		c.Findings = &webtest.Findings{Err: fault.New(fault.Busy, "the farm is being weighed")}
	})
	stored(t, site, little())
	c := site.As("amara", "operator")
	if lead := c.Page("/floor").Text(".head"); !strings.Contains(lead, "Findings could not be read just now") {
		t.Errorf("the Floor: %q does not say that findings are missing", lead)
	}
	c.Page("/printers/P-1")
	c.Page("/plates/L-1")
	if a := c.Get("/findings"); a.Status != 503 {
		t.Errorf("the findings themselves: got status %d, want 503", a.Status)
	}
}

func TestADeviceRemembersItsColours(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "operator")
	if got := webtest.Attr(c.Page("/floor").One("html"), "data-theme"); got != "" {
		t.Errorf("at first: got theme %q, want what the device has", got)
	}
	a := c.Form("/theme", url.Values{"theme": {"dark"}, "next": {"/findings?state=raised"}})
	if a.Status != 303 || a.Header.Get("Location") != "/findings?state=raised" {
		t.Errorf("choosing dark: got %d to %q, want 303 back to the page", a.Status, a.Header.Get("Location"))
	}
	p := c.Page("/floor?order=walking")
	if got := webtest.Attr(p.One("html"), "data-theme"); got != "dark" {
		t.Errorf("afterwards: got theme %q, want dark", got)
	}
	if got := p.Text("button[name=theme][aria-pressed=true]"); got != "Dark" {
		t.Errorf("the menu marks %q as chosen, want Dark", got)
	}
	if got := webtest.Attr(p.All("input[name=next]")[0], "value"); got != "/floor?order=walking" {
		t.Errorf("the menu leads back to %q", got)
	}
	c.Form("/sign-out", nil)
	if got := webtest.Attr(c.Page("/sign-in").One("html"), "data-theme"); got != "dark" {
		t.Errorf("signed out: got theme %q, want the device's own choice to stay", got)
	}
	c.Form("/theme", url.Values{"theme": {""}})
	if got := webtest.Attr(c.Page("/sign-in").One("html"), "data-theme"); got != "" {
		t.Errorf("back to the device's: got %q", got)
	}
	if a := c.Form("/theme", url.Values{"theme": {"neon"}}); a.Status != 400 {
		t.Errorf("a theme nobody knows: got status %d, want 400", a.Status)
	}
}

func TestADeviceRemembersHowItIsUsed(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "operator")
	for _, x := range []struct{ path, field, choice string }{{"/keys", "keys", "off"}, {"/size", "size", "glove"}, {"/hand", "hand", "left"}} {
		if a := c.Form(x.path, url.Values{x.field: {x.choice}, "next": {"/help"}}); a.Status != 303 || a.Header.Get("Location") != "/help" {
			t.Errorf("%s: got %d to %q, want 303 back to the page", x.path, a.Status, a.Header.Get("Location"))
		}
		if got := webtest.Attr(c.Page("/floor").One("html"), "data-"+x.field); got != x.choice {
			t.Errorf("%s afterwards: got %q, want %q", x.path, got, x.choice)
		}
		c.Form(x.path, url.Values{x.field: {""}})
		if got := webtest.Attr(c.Page("/floor").One("html"), "data-"+x.field); got != "" {
			t.Errorf("%s taken back: got %q", x.path, got)
		}
		if a := c.Form(x.path, url.Values{x.field: {"some"}}); a.Status != 400 {
			t.Errorf("%s, a choice nobody knows: got status %d, want 400", x.path, a.Status)
		}
	}
}

func TestAreasShowToWhoMayEnter(t *testing.T) {
	site := webtest.New(t)
	for role, want := range map[string]bool{"operator": false, "manager": true} {
		words := site.As(role, role).Page("/floor").Texts("nav.areas a")
		if slices.Contains(words, "Setup") != want || !slices.Contains(words, "Floor") || !slices.Contains(words, "Findings") {
			t.Errorf("%s: got areas %v, want Setup %v", role, words, want)
		}
	}
}
