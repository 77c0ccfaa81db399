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

// roundSite is a farm at 14:00 with layers that run: in bay 1 one that is down and one
// that will be in 4 min; in bay 2 one whose time is learned, one of which nothing is
// known, and one that is covered.
func roundSite(t testing.TB) *webtest.Site {
	t.Helper()
	site := webtest.New(t, func(c *web.Config) { c.Now = func() time.Time { return at } })
	b := little()
	for _, tag := range []string{"P-3", "P-4", "P-5"} {
		p := b.Printers[0]
		p.Tag, p.Bay = tag, "Bay 2"
		b.Printers = append(b.Printers, p)
	}
	x := farm.Unknown()
	b.Jobs = []farm.Job{{Job: "O-6", HoursPerPlate: 8, FirstLayerMinutes: 6, Value: x, LateFeePerHour: x}, {Job: "O-L", HoursPerPlate: 8, FirstLayerMinutes: x, Value: x, LateFeePerHour: x}}
	back := func(minutes float64) time.Time { return at.Add(-time.Duration(minutes * 60e9)) }
	b.FirstLayers = []farm.FirstLayer{start(t, "R-1", "P-1", back(8), "O-6"), start(t, "R-2", "P-2", back(2), "O-6"), start(t, "R-3", "P-3", back(5), "O-L"), start(t, "R-4", "P-4", back(10), ""), start(t, "R-5", "P-5", back(20), "O-6")}
	for i, minutes := range []float64{8, 9, 30} {
		f := start(t, "E-"+string(rune('1'+i)), "P-3", back(600+float64(i)*600), "O-L")
		f.Grade, f.SeenFrom, f.GradedAt = "clean", "above_printing", f.StartedAt.Add(time.Duration(minutes*60e9))
		b.FirstLayers = append(b.FirstLayers, f)
	}
	b.Holds = []farm.Hold{{ID: layerID(t, "H-9"), SubjectKind: "printer", Subject: "P-4", PlacedAt: back(5), Reason: "fan rattles"}}
	stored(t, site, b)
	return site
}

func TestARoundGoesByWhatIsDownAndByWalking(t *testing.T) {
	c := roundSite(t).As("amara", "operator")
	p := c.Page("/round")
	if got := plain(p.Text("[data-lead]")); got != "2 layers down in Bay 1 in 4 min; 1 layer down in Bay 2 in 4 min." {
		t.Errorf("the lead says %q", got)
	}
	next := plain(p.Text("section.next"))
	for _, want := range []string{"Next: P-1 , Bay 1", "down since 13:58; covered in 4 min, at 14:04", "O-6"} {
		if !strings.Contains(next, want) {
			t.Errorf("the next lacks %q: %s", want, next)
		}
	}
	later := p.Texts(".later li")
	if len(later) != 3 || !strings.Contains(later[0], "P-2") || !strings.Contains(later[1], "P-3") || !strings.Contains(plain(later[1]), "down in 4 min, at 14:04; covered at 14:13") ||
		!strings.Contains(later[1], "learned from 3 earlier starts") || !strings.Contains(later[2], "P-4") || !strings.Contains(later[2], "not known when it is down") || !strings.Contains(later[2], "fan rattles") {
		t.Errorf("later: %q", later)
	}
	// One tap: saved, and the next comes up.
	form := webtest.FormValues(p.One("form.round"))
	form.Del("seen")
	first := webtest.Attr(p.One("section.next button[name=one]"), "value")
	a := c.Form("/round", with(form, "one", first))
	if a.Status != 303 {
		t.Fatalf("got %d: %.300s", a.Status, a.Body)
	}
	p = c.Page(a.Header.Get("Location"))
	if text := p.Text(".saved"); !strings.Contains(text, "clean layer P-1") {
		t.Errorf("saved: %q", text)
	}
	if text := p.Text("section.next"); !strings.Contains(text, "P-2") {
		t.Errorf("after the save: %s", text)
	}
	layer := c.Page("/first-layers/" + layerID(t, "R-1").UUID.String()).Text("main")
	if !strings.Contains(layer, "Clean layer") || !strings.Contains(layer, "above") {
		t.Errorf("the record: %s", layer)
	}
	// Another tablet's older page: nothing twice.
	if got := c.Page(c.Form("/round", with(form, "one", first, "id", "01890000-0000-7000-8000-000000000001")).Header.Get("Location")).Text(".notice"); !strings.Contains(got, "P-1") || !strings.Contains(got, "Nothing was recorded twice") {
		t.Errorf("it says %q", got)
	}
	// Passing one over asks for nothing; marks come back to the round and say why one looked.
	if text := c.Page(webtest.Attr(p.One("section.next a.button.low"), "href")).Text("section.next"); !strings.Contains(text, "P-3") {
		t.Errorf("the one after: %s", text)
	}
	grade := opened(t, c, webtest.Attr(p.One("section.next a[data-do=grade]"), "href"))
	a = c.Form("/grade/P-2", with(grade, "grade", "marginal", "marks", "B2:blobs:1", "do", "save"))
	if a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/round?saved=") {
		t.Fatalf("marks: %d to %s", a.Status, a.Header.Get("Location"))
	}
	if text := c.Page("/first-layers/" + layerID(t, "R-2").UUID.String()).Text("main"); !strings.Contains(text, "round") {
		t.Errorf("it does not say why it was looked at: %s", text)
	}
	if a := c.Form("/upkeep/undo", webtest.FormValues(c.Page(a.Header.Get("Location")).One(".saved form"))); a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/round?saved=") {
		t.Errorf("undo: %d to %s", a.Status, a.Header.Get("Location"))
	}
}

// Good ones of a row are graded in one act with a record each; only those ticked.
func TestARowIsGradedInOneActExceptWhatIsNotTicked(t *testing.T) {
	site := roundSite(t)
	b := &farm.Bundle{FirstLayers: []farm.FirstLayer{start(t, "R-6", "P-5", at.Add(-7*time.Minute), "O-6"), start(t, "R-7", "P-4", at.Add(-9*time.Minute), "O-6"), start(t, "R-8", "P-3", at.Add(-4*time.Minute), "O-6")}}
	b.FirstLayers[2].StartedAt = at.Add(-8 * time.Minute).Add(3*time.Minute + time.Second)
	b.FirstLayers[2].StartIs = "sent"
	stored(t, site, b)
	c := site.As("amara", "operator")
	p := c.Page("/round?bay=Bay+2")
	if text := p.Text("section.next"); !strings.Contains(text, "P-4") {
		t.Fatalf("next in bay 2: %s", text)
	}
	ticks := p.All(".row input[name=seen]")
	if len(ticks) != 1 || webtest.Attr(ticks[0], "value") != layerID(t, "R-6").UUID.String()+" P-5" {
		t.Fatalf("%d to tick", len(ticks))
	}
	for _, n := range ticks {
		for _, a := range n.Attr {
			if a.Key == "checked" {
				t.Error("ticked before anybody saw it")
			}
		}
	}
	if text := plain(p.Text(".later")); !strings.Contains(text, "at the earliest") || !strings.Contains(text, "the start is when the job was sent") {
		t.Errorf("a start that only says when it was sent: %s", text)
	}
	form := url.Values{"id": {"01890000-0000-7000-8000-000000000002"}, "bay": {"Bay 2"}, "ticked": {"1"}}
	if got := c.Page(c.Form("/round", form).Header.Get("Location")).Text(".notice"); !strings.Contains(got, "Nothing was ticked") {
		t.Errorf("nothing ticked: %q", got)
	}
	form["seen"] = []string{layerID(t, "R-6").UUID.String() + " P-5", layerID(t, "R-7").UUID.String() + " P-4"}
	a := c.Form("/round", form)
	if a.Status != 303 || !strings.HasPrefix(a.Header.Get("Location"), "/round?bay=Bay+2&saved=") {
		t.Fatalf("got %d to %s: %.300s", a.Status, a.Header.Get("Location"), a.Body)
	}
	p = c.Page(a.Header.Get("Location"))
	if text := p.Text(".saved"); !strings.Contains(text, "P-4, P-5") {
		t.Errorf("saved: %q", text)
	}
	for id, want := range map[string]bool{"R-6": true, "R-7": true, "R-8": false} {
		if got := strings.Contains(c.Page("/first-layers/"+layerID(t, id).UUID.String()).Text(".line"), "Clean layer"); got != want {
			t.Errorf("%s graded: %v, want %v", id, got, want)
		}
	}
	for body, status := range map[string]int{"id=x": 400, "id=01890000-0000-7000-8000-000000000002&one=x": 400, "id=01890000-0000-7000-8000-000000000002&other=x": 400} {
		values, err := url.ParseQuery(body)
		if err != nil {
			t.Fatal(err)
		}
		if a := c.Form("/round", values); a.Status != status {
			t.Errorf("%s: got %d, want %d", body, a.Status, status)
		}
	}
}

func TestNothingToLookAt(t *testing.T) {
	if text := webtest.New(t).As("amara", "operator").Page("/round").Text(".empty"); !strings.Contains(text, "No first layer runs") {
		t.Errorf("it says %q", text)
	}
}

// The round by hand: one tap a good layer, three for two ticked.
func TestTheRoundInTheBrowser(t *testing.T) {
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
			site := roundSite(t)
			stored(t, site, &farm.Bundle{FirstLayers: []farm.FirstLayer{start(t, "R-6", "P-2", at.Add(-7*time.Minute), "O-6"), start(t, "R-9", "P-2", at.Add(-6*time.Minute-time.Second), "O-6")}})
			tab := site.Tab(t, site.As("amara", "operator"), v)
			look := func(name string) {
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "round-"+name+"-"+strings.ReplaceAll(v.Name, " ", "-")+".png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			tab.Open("/round")
			look("first")
			taps := 0
			for range 2 {
				taps++
				printer := webtest.Eval[string](tab, `document.querySelector("section.next").dataset.printer`)
				tab.Do(chromedp.Click(chromedp.CSS("section.next button[name=one]")), chromedp.WaitNotPresent(chromedp.CSS("section.next[data-printer="+printer+"]")), chromedp.WaitReady(chromedp.CSS(".saved")), chromedp.WaitReady(chromedp.CSS("html[data-ready]")))
			}
			look("saved")
			if taps != 2 {
				t.Errorf("%d taps for two good layers", taps)
			}
		})
	}
}
