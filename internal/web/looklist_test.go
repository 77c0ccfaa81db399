package web_test

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/sampling"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// listSite is the farm of the round, four more layers that run in bay 1, half of
// whose starts are to be looked at.
func listSite(t *testing.T) *webtest.Site {
	t.Helper()
	site := roundSite(t)
	b := &farm.Bundle{Settings: []farm.Setting{{Key: "look_share", Value: "50"}}}
	for _, tag := range []string{"P-6", "P-7", "P-8", "P-9"} {
		p := little().Printers[0]
		p.Tag, p.Bay = tag, "Bay 1"
		b.Printers = append(b.Printers, p)
		b.FirstLayers = append(b.FirstLayers, start(t, "R-"+tag[2:], tag, at.Add(-7*time.Minute), "O-6"))
	}
	stored(t, site, b)
	return site
}

// The round shows what is on the look list first and says why, whoever opens it draws
// what was not drawn yet, once, and what is graded there keeps reason and chance.
func TestTheRoundGoesByTheLookList(t *testing.T) {
	site := listSite(t)
	// A page waits a few seconds for the first forecast at most; the server draws on.
	if _, err := assess.New(site.Store).DrawLooks(context.Background(), at); err != nil {
		t.Fatal(err)
	}
	c := site.As("amara", "operator")
	p := c.Page("/round")
	if got := p.Text("[data-done]"); !strings.Contains(got, "on the look list graded") || !strings.Contains(got, "layers graded") {
		t.Errorf("what is done: %q", got)
	}
	drawn := map[string]string{}
	secret, err := site.Store.LotSecret(context.Background())
	if err != nil || len(secret) != 32 {
		t.Fatalf("drawn with the secret %x: %v", secret, err)
	}
	for n := 1; n <= 9; n++ {
		id := layerID(t, "R-"+string(rune('0'+n)))
		f, err := site.Store.FirstLayer(context.Background(), id)
		if err != nil {
			t.Fatal(err)
		}
		drawn[f.Printer] = f.LookDrawn
		if n == 5 { // covered
			continue
		}
		if (f.LookDrawn != "no") != (sampling.Number(secret, id.UUID) < f.LookChance) || f.LookChance < 0.25 || f.LookChance > 1 {
			t.Errorf("%s: drawn %q with chance %g and number %g", f.Printer, f.LookDrawn, f.LookChance, sampling.Number(secret, id.UUID))
		}
	}
	var states []string
	for _, list := range []string{"section.next [data-drawn]", "fieldset.row [data-drawn]", ".later [data-drawn]"} {
		for _, x := range p.All(list) {
			states = append(states, webtest.Attr(x, "data-drawn"))
		}
	}
	said := strings.Join(states, " ")
	if len(states) < 6 || strings.Contains(said, "no lot") || strings.Contains(said, "no risk") || !strings.Contains(said, "no") || !strings.Contains(said, "lot") && !strings.Contains(said, "risk") {
		t.Fatalf("in the order of the round: %s (%v)", said, drawn)
	}
	again := c.Page("/round")
	if plain(again.Text("section.next h2")) != plain(p.Text("section.next h2")) {
		t.Error("another look, another list")
	}
	form := webtest.FormValues(p.One("form.round"))
	form.Del("seen")
	one := webtest.Attr(p.One("section.next button[name=one]"), "value")
	if a := c.Form("/round", with(form, "one", one)); a.Status != 303 {
		t.Fatalf("got %d: %.300s", a.Status, a.Body)
	}
	id, printer, _ := strings.Cut(one, " ")
	of, err := farm.NewID(farm.KindFirstLayer, id)
	if err != nil {
		t.Fatal(err)
	}
	f, err := site.Store.FirstLayer(context.Background(), of)
	if err != nil || f.LookedBecause != drawn[printer] || f.LookedBecause == "no" || f.Grade != "clean" {
		t.Errorf("%s: looked at because of %q, drawn %q, %v", printer, f.LookedBecause, drawn[printer], err)
	}
	if got := c.Page("/round").Text("[data-done]"); !strings.Contains(got, ": 1 of ") {
		t.Errorf("after a save: %q", got)
	}
	if got := c.Page("/floor").Text("[data-looked]"); !strings.Contains(got, "1 of ") {
		t.Errorf("the Floor: %q", got)
	}
	if got := c.Page("/handover").Text("main"); !strings.Contains(got, "on the look list graded") {
		t.Error("the handover does not say how far the list is done")
	}
	if n, err := assess.New(site.Store).DrawLooks(context.Background(), at); err != nil || n != 0 {
		t.Errorf("drawn again for %d, %v", n, err)
	}
}

// chosenSite is a farm whose list drew a quarter of 600 starts; besides only bad-looking
// layers are graded.
func chosenSite(t *testing.T) *webtest.Site {
	t.Helper()
	site := webtest.New(t, func(c *web.Config) { c.Now = func() time.Time { return at } })
	b := little()
	for k := range 600 {
		f := start(t, "T-"+string(rune('a'+k%26))+time.Duration(k).String(), []string{"P-1", "P-2"}[k%2], at.Add(-time.Duration(k)*time.Hour), "")
		f.LookChance, f.LookDrawn = 0.25, "no"
		switch {
		case k%4 == 0:
			f.Grade, f.LookDrawn = "clean", "lot"
			if k%40 == 0 {
				f.Grade = "failed"
			}
		case k%11 == 1:
			f.Grade = "failed"
		}
		if f.Grade != "" {
			f.GradedAt = f.StartedAt.Add(10 * time.Minute)
		}
		b.FirstLayers = append(b.FirstLayers, f)
	}
	stored(t, site, b)
	return site
}

// Trends say both what the look list tells and what was graded, and judge by the list.
func TestTrendsByTheLookList(t *testing.T) {
	c := chosenSite(t).As("amara", "manager")
	p := c.Page("/trends?by=printer&weeks=5")
	says := strings.Join(p.Texts("[data-look-list]"), " ")
	for _, want := range []string{"15 of 150 on the list", "10", "the list drew for 600 and put 150 on it; 150 of these are graded, and", "by choice", "graded by choice, too thin to say"} {
		if !strings.Contains(plain(says), want) {
			t.Errorf("lacks %q: %s", want, plain(says))
		}
	}
	if head := p.Text("#table thead"); !strings.Contains(head, "By the look list") || !strings.Contains(head, "Failed of graded") {
		t.Errorf("the table's head: %s", head)
	}
	if usual := strings.Join(p.Texts("section[data-chart]"), " "); !strings.Contains(plain(usual), "10") || !strings.Contains(usual, "look list") {
		t.Errorf("the chart: %s", usual)
	}
	rows := rowsOf(t, c.Get("/trends.csv?by=printer&weeks=5&part=groups").Body)
	if head := strings.Join(rows[0], ","); !strings.Contains(head, "list_rate,list_rate_low") || len(rows) != 3 {
		t.Errorf("the table: %v", rows)
	}
	// P-1 has every even layer: all of the list.
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, head := range rows[0] {
			m[head] = row[i]
		}
		if row[0] == "P-1" && (m["list_rate"] != "0.1" || m["list_graded"] != "150") || row[0] == "P-2" && m["list_graded"] != "0" {
			t.Errorf("got %v", m)
		}
	}
	if plainly := c.Page("/trends?by=printer&weeks=5&layers=graded"); strings.Contains(strings.Join(plainly.Texts("section[data-chart] .sub"), " "), "Judged by the look list") {
		t.Error("judged by the list though asked otherwise")
	}
}

func TestTheLookListInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	looks := []webtest.View{{Name: "narrow dark", Width: 360, Height: 780, Dark: true}}
	if *shots != "" {
		looks = append(looks, webtest.View{Name: "tablet", Width: 820, Height: 1180}, webtest.View{Name: "desk", Width: 1440, Height: 900})
	}
	round, trends := listSite(t), chosenSite(t)
	if _, err := assess.New(round.Store).DrawLooks(context.Background(), at); err != nil {
		t.Fatal(err)
	}
	operator, manager := round.As("amara", "operator"), trends.As("amara", "manager")
	for _, v := range looks {
		for name, tab := range map[string]*webtest.Tab{"round": round.Tab(t, operator, v), "trends": trends.Tab(t, manager, v)} {
			tab.Open(map[string]string{"round": "/round", "trends": "/trends?by=printer&weeks=5"}[name])
			if *shots != "" {
				tab.Shot(filepath.Join(*shots, "looklist-"+name+"-"+strings.ReplaceAll(v.Name, " ", "-")+".png"), true)
			}
			tab.Fits()
			tab.Accessible()
		}
	}
}
