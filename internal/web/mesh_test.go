package web_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
	"github.com/gofrs/uuid/v5"
)

// meshFarm is a printer whose bed drifts over n probes, another that was probed
// once, and one never probed.
func meshFarm(n int) *farm.Bundle {
	r := rand.New(rand.NewPCG(1, 9))
	nan := farm.Unknown()
	b := &farm.Bundle{}
	for _, tag := range []string{"P-001", "P-002", "P-003"} {
		b.Printers = append(b.Printers, farm.Printer{Tag: tag, BedXMM: 250, BedYMM: 250, ZoneCols: 3, ZoneRows: 3, ZStepMM: 0.01, ProbingRecorded: "all"})
	}
	start := at.Add(-time.Duration(n) * 8 * time.Hour)
	tilt := 0.0
	probe := func(printer, id string, when time.Time, tilt float64) {
		p := farm.Probe{Printer: printer, ProbedAt: when, BedTempC: 60, SoakMinutes: 15, XMinMM: 15, XMaxMM: 235, YMinMM: 15, YMaxMM: 235, Columns: 5, Rows: 5}
		p.ID, _ = farm.NewID(farm.KindProbe, id)
		for i := range 25 {
			u, v := float64(i%5)/2-1, float64(i/5)/2-1
			p.HeightsMM = append(p.HeightsMM, math.Round((0.03*u*u-0.05*v+tilt*u+0.002*r.NormFloat64())*1e4)/1e4)
		}
		p.HeightsMM[24] = nan
		p.Meta.NotedAt, p.Meta.ArrivedAt = when, when
		b.Probes = append(b.Probes, p)
	}
	for i := range n {
		when := start.Add(time.Duration(i) * 8 * time.Hour)
		probe("P-001", fmt.Sprintf("M-%03d", i), when, tilt)
		if i == n-2 {
			again := b.Probes[len(b.Probes)-1]
			again.ID, _ = farm.NewID(farm.KindProbe, "M-again")
			again.ProbedAt = when.Add(time.Hour)
			again.Meta.NotedAt, again.Meta.ArrivedAt = again.ProbedAt, again.ProbedAt
			b.Probes = append(b.Probes, again)
		}
		for k := range 1 + r.IntN(4) {
			f := farm.FirstLayer{Printer: "P-001", StartedAt: when.Add(time.Duration(k+2) * time.Hour), Grade: "clean", GradedAt: when.Add(time.Duration(k+2)*time.Hour + time.Minute),
				NozzleMM: nan, LayerHeightMM: 0.2, LineWidthMM: 0.45, LinePitchMM: nan, NudgeMM: nan, LookChance: nan}
			f.ID = farm.ID{UUID: uuid.Must(uuid.NewV7AtTime(f.StartedAt))}
			f.Meta.NotedAt, f.Meta.ArrivedAt = f.StartedAt, f.StartedAt
			b.FirstLayers = append(b.FirstLayers, f)
			tilt += 0.004 * r.NormFloat64()
		}
	}
	probe("P-002", "M-only", at.Add(-time.Hour), 0.3)
	return b
}

func probePath(id string) string {
	x, _ := farm.NewID(farm.KindProbe, id)
	return "/probes/" + x.UUID.String()
}

func meshSite(t testing.TB, n int) *webtest.Site {
	t.Helper()
	site := webtest.New(t, func(c *web.Config) {
		c.Now = func() time.Time { return at }
		c.Findings = webtest.SampleFindings(at)
	})
	stored(t, site, meshFarm(n))
	return site
}

func TestTheMeshPageShowsAProbe(t *testing.T) {
	site := meshSite(t, 60)
	c := site.As("amara", "operator")
	p := c.Page(probePath("M-059"))
	text := plain(p.Text("main"))
	for _, want := range []string{"Probe of P-001", "5 × 5", "1 of 25 points missing", "front higher", "middle lower", "What changed since an earlier probe", "24 of 24 points", "A mesh stays true for about", "1 mesh repeats the one before", "5 % of starts", "No probing policy is set"} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	if n := len(p.All("table.mesh td")); n != 50 {
		t.Errorf("%d cells in two maps, want 50", n)
	}
	if first := webtest.Text(p.All("table.mesh td")[4]); !strings.Contains(first, "back right") || !strings.Contains(first, "–") {
		t.Errorf("the back right is missing: %q", first)
	}
	// The first row on the page is the back, and the front lies higher.
	if front := webtest.Text(p.All("table.mesh td")[22]); !strings.Contains(front, "▲") {
		t.Errorf("the front's middle: %q", front)
	}
	earlier := plain(c.Page(probePath("M-059") + "?earlier=" + strings.TrimPrefix(probePath("M-000"), "/probes/")).Text("main"))
	if !strings.Contains(earlier, "Change since "+clockOf(at.Add(-480*time.Hour))) {
		t.Errorf("compared with the first: %s", earlier)
	}
	if text := plain(c.Page(probePath("M-again")).Text("main")); !strings.Contains(text, "The same digits in every point as the probe before") {
		t.Errorf("a copy: %s", text)
	}
	if text := plain(c.Page(probePath("M-only")).Text("main")); !strings.Contains(text, "This is the printer’s first mesh") || !strings.Contains(text, "Too few meshes") {
		t.Errorf("a first mesh: %s", text)
	}
	for path, status := range map[string]int{probePath("M-000") + "?earlier=x": 400, probePath("M-000") + "?earlier=" + strings.TrimPrefix(probePath("M-059"), "/probes/"): 404, "/probes/none": 404,
		probePath("M-059") + "?from=-1": 400, probePath("M-059") + "?from=50": 200, probePath("M-059") + "?more=1": 400} {
		if a := c.Get(path); a.Status != status {
			t.Errorf("%s: status %d, want %d", path, a.Status, status)
		}
	}
	for _, x := range []struct{ id, rules, says string }{
		{"Y-1", `"probe_starts":1`, "The policy in force, All Y-1, a probe every 1 start, probes sooner than the bed asks for."},
		{"Y-2", `"printer":"P-001","probe_starts":900`, "The policy in force, All Y-2, a probe every 900 starts, lets the mesh grow too old."},
		{"Y-3", `"printer":"P-001","material":"PLA","probe_starts":2`, "All Y-2"}, // nobody knows what is printed next
	} {
		sent(t, site, `{"kind":"policy","id":"`+x.id+`","name":"All `+x.id+`","in_force_from":"`+stamp(time.Hour)+`",`+x.rules+`,"reason":"to begin with"}`)
		if text := plain(c.Page(probePath("M-059")).Text("main")); !strings.Contains(text, x.says) {
			t.Errorf("with %s: lacks %q:\n%s", x.id, x.says, text)
		}
	}
	csv := c.Get(probePath("M-059") + "/mesh.csv")
	if lines := strings.Split(csv.Body, "\r\n"); csv.Status != 200 || len(lines) != 27 || lines[0] != "column,row,x_mm,y_mm,height_mm" || !strings.HasPrefix(lines[1], "1,1,15,15,") || !strings.HasSuffix(lines[25], ",") {
		t.Errorf("csv: %d %q", csv.Status, csv.Body)
	}
}

func clockOf(t time.Time) string { return t.Format("2006-01-02 15:04") }

func TestThePrinterPageShowsItsMeshes(t *testing.T) {
	c := meshSite(t, 30).As("amara", "operator")
	p := c.Page("/printers/P-001")
	text := plain(p.Text("section.meshes"))
	for _, want := range []string{"Latest mesh, ", "A mesh stays true for about", "by starts between"} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	if text := plain(c.Page("/printers/P-003").Text("section.meshes")); !strings.Contains(text, "No mesh of this printer yet.") {
		t.Errorf("never probed: %s", text)
	}
}

func BenchmarkMeshPage200(b *testing.B) {
	site := meshSite(b, 200)
	c := site.As("amara", "operator")
	path := probePath("M-199")
	for b.Loop() {
		if a := c.Get(path); a.Status != 200 {
			b.Fatal(a.Status)
		}
	}
}

func TestMeshesInTheBrowserAreAccessibleAndFit(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := meshSite(t, 60)
	amara := site.As("amara", "operator")
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for _, p := range []struct{ name, path string }{{"mesh", probePath("M-059")}, {"mesh-first", probePath("M-only")}, {"mesh-printer", "/printers/P-001"}} {
				tab.Open(p.path)
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			// Comparing with another probe is a choice and a button.
			tab.Open(probePath("M-059"))
			tab.Do(chromedp.SetValue(chromedp.CSS("#earlier"), strings.TrimPrefix(probePath("M-000"), "/probes/")), chromedp.Click(chromedp.CSS("form.against button")),
				chromedp.WaitReady(chromedp.CSS(`#earlier option[selected][value="`+strings.TrimPrefix(probePath("M-000"), "/probes/")+`"]`)))
		})
	}
}
