package web_test

import (
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// morning is the one after the clocks went forward in Berlin, at 07:00 there.
var morning = time.Date(2026, 3, 29, 5, 0, 0, 0, time.UTC)

func layerID(t testing.TB, text string) farm.ID {
	t.Helper()
	id, err := farm.NewID(farm.KindFirstLayer, text)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// start is a recorded start of which nothing is known yet.
func start(t testing.TB, id, printer string, at time.Time, job string) farm.FirstLayer {
	x := farm.Unknown()
	return farm.FirstLayer{ID: layerID(t, id), Printer: printer, StartedAt: at, Job: job, NozzleMM: x, LayerHeightMM: x, LineWidthMM: x, LinePitchMM: x, NudgeMM: x, LookChance: x}
}

// sweepSite is a farm after a night: on P-1 a start that was followed by another and
// that other one, on P-2 one that runs on, on P-3 in bay 2 one taken off and one
// that is over.
func sweepSite(t testing.TB, change ...func(*web.Config)) *webtest.Site {
	t.Helper()
	site := webtest.New(t, append([]func(*web.Config){func(c *web.Config) { c.Now = func() time.Time { return morning } }}, change...)...)
	b := little()
	third := b.Printers[0]
	third.Tag, third.Bay = "P-3", "Bay 2"
	b.Printers = append(b.Printers, third)
	b.Settings = []farm.Setting{{Key: "time_zone", Value: "Europe/Berlin"}}
	b.Jobs = []farm.Job{{Job: "O-1", HoursPerPlate: 8, FirstLayerMinutes: farm.Unknown(), Value: farm.Unknown(), LateFeePerHour: farm.Unknown()}}
	graded := start(t, "G-1", "P-1", morning.Add(-11*time.Hour), "")
	graded.Grade, graded.GradedAt, graded.SeenFrom = "failed", graded.StartedAt.Add(10*time.Minute), "above_printing"
	b.FirstLayers = []farm.FirstLayer{graded, start(t, "U-1", "P-1", morning.Add(-9*time.Hour), ""), start(t, "U-2", "P-1", morning.Add(-390*time.Minute), ""),
		start(t, "U-3", "P-2", morning.Add(-6*time.Hour), "O-1"), start(t, "U-5", "P-3", morning.Add(-11*time.Hour), "O-1"), start(t, "U-4", "P-3", morning.Add(-10*time.Hour), "O-1")}
	b.Holds = []farm.Hold{{ID: layerID(t, "H-9"), SubjectKind: "printer", Subject: "P-1", PlacedAt: morning.Add(-2 * time.Hour), Reason: "fan rattles"}}
	stored(t, site, b)
	return site
}

// tap sends one of the list's buttons.
func tap(t *testing.T, c *webtest.Client, p *webtest.Page, button string) *webtest.Page {
	t.Helper()
	form := url.Values{"do": {webtest.Attr(p.One(button), "value")}}
	for _, n := range p.All("form.sweep input[type=hidden]") {
		form.Set(webtest.Attr(n, "name"), webtest.Attr(n, "value"))
	}
	a := c.Form("/sweep", form)
	if a.Status != 303 {
		t.Fatalf("%s: got %d: %.300s", button, a.Status, a.Body)
	}
	return c.Page(a.Header.Get("Location"))
}

func TestTheMorningSweepClosesWhatNobodySaw(t *testing.T) {
	site := sweepSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/sweep")
	rows := p.Texts("form.sweep li")
	if len(rows) != 2 || !strings.Contains(rows[0], "P-1") || !strings.Contains(rows[0], "23:30") || !strings.Contains(rows[0], "may still run") || !strings.Contains(rows[0], "21:00") ||
		!strings.Contains(rows[1], "P-3") || !strings.Contains(rows[1], "over by its job’s hours") {
		t.Fatalf("rows %q, want P-1 then P-3, in walking order, P-2 runs on", rows)
	}
	if lead := p.Text(".head"); !strings.Contains(lead, "4 starts on 2 printers") {
		t.Errorf("it says %q", lead)
	}
	old := p
	u2, u1 := "/first-layers/"+layerID(t, "U-2").UUID.String(), "/first-layers/"+layerID(t, "U-1").UUID.String()
	p = tap(t, c, p, `li[data-printer=P-1] button[data-do=held]`)
	if got := p.Text(".saved"); !strings.Contains(got, "Saved: clean layer P-1.") {
		t.Errorf("after the tap: %q", got)
	}
	layer := c.Page(u2).Text("main")
	for _, want := range []string{"Clean layer", "finished", "from its underside", "amara"} {
		if !strings.Contains(layer, want) {
			t.Errorf("the record lacks %q: %s", want, layer)
		}
	}
	// Another tablet taps the same of the older list: nothing twice, and it is told.
	if got := tap(t, c, old, `li[data-printer=P-1] button[data-do=unseen]`).Text(".notice"); !strings.Contains(got, "Said already") || !strings.Contains(got, "P-1") {
		t.Errorf("it says %q", got)
	}
	p = tap(t, c, c.Page("/sweep"), `li[data-printer=P-1] button[data-do=close]`)
	if got := p.Text(".saved"); !strings.Contains(got, "not seen, taken off P-1") {
		t.Errorf("after closing: %q", got)
	}
	layer = c.Page(u1).Text("main")
	if !strings.Contains(layer, "taken off, not seen") || strings.Contains(layer, "Clean layer") {
		t.Errorf("closed as not seen: %s", layer)
	}
	if rows := c.Page("/sweep").Texts("form.sweep li"); len(rows) != 1 || strings.Contains(rows[0], "P-1") {
		t.Errorf("left: %q", rows)
	}
	// It waits for no grade and no outcome any more.
	for _, path := range []string{"/grade", "/outcomes"} {
		if text := c.Page(path).Text("main"); strings.Contains(text, "21:00") {
			t.Errorf("%s asks for it: %s", path, text)
		}
	}
	// By night: what was not seen stands apart and in no rate.
	night := c.Page("/sweep/nights").Texts("tbody tr")
	if len(night) != 7 || !strings.Contains(plain(night[0]), "2026-03-28") || !strings.Contains(plain(night[0]), "22:00 to 06:00, 7 h") || !strings.Contains(plain(night[0]), "1 of 2") || !strings.Contains(plain(night[0]), "0 of 1") {
		t.Errorf("nights: %q", night)
	}
	// The undo lets it stand open again.
	saved := p.One(".saved form")
	if a := c.Form("/upkeep/undo", webtest.FormValues(saved)); a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/sweep?saved=") {
		t.Fatalf("undo: %d to %s", a.Status, a.Header.Get("Location"))
	}
	if rows := c.Page("/sweep").Texts("form.sweep li"); len(rows) != 2 {
		t.Errorf("after the undo: %q", rows)
	}
}

func TestMarksOfTheSweepAreAskedOnTheMirroredMap(t *testing.T) {
	c := sweepSite(t).As("amara", "operator")
	p := c.Page("/sweep")
	href := webtest.Attr(p.One(`li[data-printer=P-3] a[data-do=other]`), "href")
	form := opened(t, c, href)
	if form.Get("seen_from") != "underside" || form.Get("next") != "/sweep" {
		t.Fatalf("the form comes with %v", form)
	}
	// A1 of the record is the front left seen from above, wherever it stood on the screen.
	a := c.Form("/grade/P-3", with(form, "grade", "failed", "marks", "A1:lifting:2", "outcome", "detached", "do", "save"))
	if a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/sweep?saved=") {
		t.Fatalf("got %d to %s: %.500s", a.Status, a.Header.Get("Location"), a.Body)
	}
	p = c.Page(a.Header.Get("Location"))
	if row := p.Text("li[data-printer=P-3]"); strings.Contains(row, "over by") {
		t.Errorf("the start stands there still: %s", row)
	}
	if text := c.Page("/first-layers/" + layerID(t, "U-4").UUID.String()).Text("td[data-zone=A1]"); !strings.Contains(strings.ToLower(text), "lift") {
		t.Errorf("zone A1 says %q", text)
	}
}

func TestTheSweepRefusesWhatItsFormDoesNotSend(t *testing.T) {
	c := sweepSite(t).As("amara", "operator")
	id := layerID(t, "U-2").UUID.String()
	for _, do := range []string{"", "held", "held " + id, "held x P-1", "good " + id + " P-1", "held " + id + "," + id + " P-1", "taken-off "} {
		if a := c.Form("/sweep", url.Values{"id": {id}, "do": {do}}); a.Status != 400 {
			t.Errorf("%q: got %d, want 400", do, a.Status)
		}
	}
	if got := c.Get("/sweep?page=0"); got.Status != 400 {
		t.Errorf("page 0: %d", got.Status)
	}
	if got := c.Get("/sweep/nights?before=soon"); got.Status != 400 {
		t.Errorf("before=soon: %d", got.Status)
	}
	// A start that is graded cannot be closed as not seen.
	if r := send(t, sweepSite(t).WithToken("gateway", "manager"), `{"kind":"first_layer","id":"G-1","printer":"P-1","started_at":"2026-03-28T18:00:00Z","unseen":"yes"}`); r[0].Result != "refused" {
		t.Errorf("a graded layer was taken as not seen: %+v", r)
	}
}

func TestNothingToSweep(t *testing.T) {
	c := handSite(t).As("amara", "operator")
	if text := c.Page("/sweep").Text(".empty"); !strings.Contains(text, "no start ended unseen") {
		t.Errorf("it says %q", text)
	}
	if text := c.Page("/sweep/nights").Text(".empty"); !strings.Contains(text, "No start recorded yet") {
		t.Errorf("it says %q", text)
	}
}

// A release says what proof there is, or is named as one without.
func TestAReleaseShowsItsProofOrNamesTheOverride(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/upkeep/release?printer=P-2")
	if text := p.Text("main"); !strings.Contains(text, "No fix of P-2 has held up since") || !strings.Contains(text, "Release P-2 without proof") {
		t.Fatalf("it says %s", text)
	}
	form := opened(t, c, "/upkeep/service?printer=P-2")
	if a := c.Form("/upkeep/service", with(form, "work", "bed")); a.Status != 303 {
		t.Fatalf("service: %d", a.Status)
	}
	if text := c.Page("/upkeep/release?printer=P-2").Text("section.text"); !strings.Contains(text, "Service: bed work") {
		t.Errorf("what was recorded since: %s", text)
	}
	form = opened(t, c, "/upkeep/release?printer=P-2")
	a := c.Form("/upkeep/release", with(form, "reason", "heater cable replaced"))
	if a.Status != 303 {
		t.Fatalf("release: %d %.300s", a.Status, a.Body)
	}
	if text := c.Page("/printers/P-2").Text("main"); !strings.Contains(text, "without proof") {
		t.Errorf("the printer's page does not say so: %s", text)
	}
	if text := c.Page("/upkeep/recent").Text("main"); !strings.Contains(text, "without proof") {
		t.Errorf("the entry does not say so: %s", text)
	}
}

func TestHoldsStandOnTheListOfGrades(t *testing.T) {
	c := sweepSite(t).As("amara", "operator")
	if text := c.Page("/grade").Text("li[data-printer=P-1]"); !strings.Contains(text, "Hold") || !strings.Contains(text, "fan rattles") {
		t.Errorf("the row says %q", text)
	}
}

// The sweep by hand, wide and narrow: one tap a machine.
func TestTheSweepInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	looks := []webtest.View{{Name: "narrow dark", Width: 360, Height: 780, Dark: true}}
	if *shots != "" {
		looks = append(looks, webtest.View{Name: "tablet", Width: 820, Height: 1180}, webtest.View{Name: "desk", Width: 1440, Height: 900})
	}
	for _, v := range looks {
		t.Run(v.Name, func(t *testing.T) {
			site := sweepSite(t)
			tab := site.Tab(t, site.As("amara", "operator"), v)
			look := func(name string) {
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "sweep-"+name+"-"+strings.ReplaceAll(v.Name, " ", "-")+".png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			tab.Open("/sweep")
			look("list")
			taps := 0
			click := func(selector string) {
				taps++
				tab.Do(chromedp.Click(chromedp.CSS(selector)), chromedp.WaitNotPresent(chromedp.CSS(selector)), chromedp.WaitReady(chromedp.CSS(".saved")), chromedp.WaitReady(chromedp.CSS("html[data-ready]")))
			}
			click(`li[data-printer=P-1] button[data-do=held]`)
			click(`li[data-printer=P-3] button[data-do=held]`)
			look("saved")
			if taps != 2 {
				t.Errorf("%d taps for two machines, want one each", taps)
			}
			if *shots != "" {
				tab.Open("/sweep/nights")
				look("nights")
				tab.Open("/grade/P-3?start=" + layerID(t, "U-5").UUID.String() + "&seen=underside&next=%2Fsweep")
				look("mirrored")
				tab.Open("/upkeep/release?printer=P-1")
				look("release")
				tab.Open("/grade")
				look("grades")
			}
		})
	}
}
