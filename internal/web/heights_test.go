package web_test

import (
	"encoding/csv"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// heightsSite is a farm of known heights: P-1 stands 0.02 mm too high, P-2 0.03
// mm too low over plate L-1, L-2 is 0.04 mm thicker than L-1 and was only
// measured on P-1, which it lies on now. P-3 and L-3 were only measured
// together, P-4 takes its zero from the plate, of P-5 nobody said it, L-4 was
// never measured.
func heightsSite(t testing.TB) *webtest.Site {
	t.Helper()
	site := webtest.New(t, func(c *web.Config) { c.Now = func() time.Time { return at } })
	b := little()
	p, l := b.Printers[0], b.Plates[0]
	b.Printers, b.Plates = nil, nil
	for i, zero := range []string{"frame", "frame", "frame", "plate", ""} {
		p.Tag, p.ZeroFrom = fmt.Sprintf("P-%d", i+1), zero
		b.Printers = append(b.Printers, p)
	}
	for j := range 4 {
		l.Tag = fmt.Sprintf("L-%d", j+1)
		b.Plates = append(b.Plates, l)
	}
	zero := map[string]float64{"P-1": 0.02, "P-2": -0.03, "P-3": 0.01, "P-4": 0.05}
	thick := map[string]float64{"L-2": 0.04}
	n := 0
	layer := func(printer, plate string, hours int) {
		n++
		id, err := farm.NewID(farm.KindFirstLayer, fmt.Sprintf("F-%d", n))
		if err != nil {
			t.Fatal(err)
		}
		f := farm.FirstLayer{ID: id, Printer: printer, Plate: plate, PlateSide: "a", StartedAt: at.Add(-time.Duration(hours) * time.Hour), Grade: "clean", GradedAt: at.Add(-time.Duration(hours)*time.Hour + 10*time.Minute),
			NozzleMM: farm.Unknown(), LayerHeightMM: farm.Unknown(), LineWidthMM: farm.Unknown(), LinePitchMM: farm.Unknown(), NudgeMM: farm.Unknown(), LookChance: farm.Unknown()}
		for z := range uint8(9) {
			wobble := 0.002 * float64((n*7+int(z)*5)%3-1)
			f.Readings = append(f.Readings, farm.Reading{Zone: farm.Zone{Col: z % 3, Row: z / 3}, MM: float64(int((0.2+zero[printer]-thick[plate]+wobble)*1000+0.5)) / 1000})
		}
		b.FirstLayers = append(b.FirstLayers, f)
	}
	for k := range 6 {
		layer("P-1", "L-1", 200-20*k)
		layer("P-1", "L-2", 190-20*k)
		layer("P-2", "L-1", 195-20*k)
		layer("P-3", "L-3", 150-20*k)
		layer("P-4", "L-4", 150-20*k)
	}
	fit := func(name, plate, printer string) {
		id, err := farm.NewID(farm.KindFitting, name)
		if err != nil {
			t.Fatal(err)
		}
		b.Fittings = append(b.Fittings, farm.Fitting{ID: id, Plate: plate, Printer: printer, FittedAt: at.Add(-48 * time.Hour), PlateSide: "a"})
	}
	fit("X-1", "L-2", "P-1")
	fit("X-2", "L-1", "P-2")
	fit("X-3", "L-4", "P-4")
	stored(t, site, b)
	return site
}

func TestTheHeightBookTellsThickPlatesFromLowPrinters(t *testing.T) {
	site := heightsSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/heights")
	if got := plain(p.Text("main")); !strings.Contains(got, "From 24 layers of the last 180 days, in 2 groups that no plate connects") || !strings.Contains(got, "L-2 A 0.02 mm thicker") ||
		!strings.Contains(got, "L-1 A 0.02 mm thinner") || !strings.Contains(got, "L-3 A – the only one of its group") ||
		!strings.Contains(got, "Not in the book: 1 printer takes its zero from the plate in place, where thickness cancels; of 1 it is not said where the zero is from.") {
		t.Errorf("the plates: %q", got)
	}
	if got := plain(c.Page("/heights?part=printers").Text("main")); !strings.Contains(got, "P-2 0.05 mm low") || !strings.Contains(got, "P-1 0.00 mm") || strings.Contains(got, "P-4 0.") {
		t.Errorf("the printers: %q", got)
	}
	for _, x := range []struct{ printer, plate, want string }{
		{"P-2", "L-2", "L-2 A on P-2: expect nozzle up 0.06 mm (away from the bed), likely 0.0"},
		{"p-1", "l-2", "L-2 A on P-1: expect nozzle up 0.01 mm"},
		{"P-1", "L-3", "No move can be told for L-3 on P-1: both were measured, but no chain"},
		{"P-4", "L-1", "P-4 takes its zero from the plate that lies on it"},
		{"P-5", "L-1", "it is not said where it takes its zero from"},
		{"P-1", "L-4", "No move can be told for L-4: no layer measured on it yet"},
		{"P-9", "L-1", `There is no printer "P-9".`},
		{"P-1", "", "Give a plate."},
	} {
		got := plain(c.Page("/heights?printer=" + x.printer + "&plate=" + x.plate + "&side=a").Text("main"))
		if !strings.Contains(got, x.want) {
			t.Errorf("%s with %s: %q, want %q", x.printer, x.plate, got, x.want)
		}
	}
	if got := plain(c.Page("/heights?printer=P-2&plate=L-2&side=a").Text("[data-answer]")); !strings.HasSuffix(got, "Worked out from other pairs: this one was never measured.") {
		t.Errorf("a pair never tried: %q", got)
	}
	for _, bad := range []string{"?part=beds", "?page=0", "?side=c", "?x=1"} {
		if a := c.Do("GET", "/heights"+bad, "", ""); a.Status != 400 {
			t.Errorf("%s: got %d, want 400", bad, a.Status)
		}
	}
	a := c.Do("GET", "/heights.csv?part=plates", "", "")
	rows, err := csv.NewReader(strings.NewReader(a.Body)).ReadAll()
	if err != nil || len(rows) != 4 || rows[2][0] != "L-2" || !strings.HasPrefix(rows[2][3], "0.0") || rows[3][3] != "" {
		t.Errorf("CSV: %v, %q", err, rows)
	}
}

func TestASwapSaysTheMoveToExpect(t *testing.T) {
	site := heightsSite(t)
	c := site.As("amara", "operator")
	const swap = "L-2 A is 0.04 mm thicker than L-1 A (likely 0.0"
	form := with(opened(t, c, "/upkeep/fit?plate=L-2&printer=P-2"), "plate_side", "a", "do", "look")
	a := c.Form("/upkeep/fit", form)
	if got := plain(a.Body); a.Status != 200 || !strings.Contains(got, swap) || !strings.Contains(got, "Which move to expect") {
		t.Fatalf("looking: %d %s", a.Status, got)
	}
	if a := c.Form("/upkeep/fit", with(form, "plate", "l2", "printer", "p-2")); a.Status != 200 || !strings.Contains(plain(a.Body), swap) {
		t.Errorf("looking with tags typed without care: %d", a.Status)
	}
	if got := plain(c.Page("/upkeep/fit?plate=L-2&printer=P-2").Text("main")); !strings.Contains(got, "L-2 is 0.04 mm thicker than L-1 A") || !strings.Contains(got, "nozzle up 0.04 mm") || !strings.Contains(got, "L-2 on P-2: expect nozzle up 0.06 mm") {
		t.Errorf("the form: %q", got)
	}
	// L-2 lies on P-1: the form asks, then it is moved.
	form.Set("do", "save")
	asked := c.Form("/upkeep/fit", form)
	if asked.Status != 422 {
		t.Fatalf("moving a plate that lies elsewhere: got %d", asked.Status)
	}
	form.Set("sure", "Plate L-2 is on P-1.")
	saved := c.Form("/upkeep/fit", form)
	if saved.Status != 303 {
		t.Fatalf("saving: got %d %s", saved.Status, saved.Body)
	}
	if got := plain(c.Page(saved.Header.Get("Location")).Text(".saved")); !strings.Contains(got, "Saved: fitted L-2.") || !strings.Contains(got, swap) || !strings.Contains(got, "L-2 A on P-2: expect nozzle up 0.06 mm") {
		t.Errorf("after saving: %q", got)
	}
	// On a printer that takes its zero from the plate nothing is claimed.
	other := with(opened(t, c, "/upkeep/fit?plate=L-1&printer=P-4"), "do", "save", "sure", "Plate L-1 is on P-2.")
	saved = c.Form("/upkeep/fit", other)
	if saved.Status == 422 {
		delete(other, "sure")
		saved = c.Form("/upkeep/fit", other)
	}
	if got := plain(c.Page(saved.Header.Get("Location")).Text(".saved")); !strings.Contains(got, "a plate’s thickness makes no difference there") || strings.Contains(got, "thicker") {
		t.Errorf("after fitting where thickness cancels: %q", got)
	}
}

func TestPlateAndPrinterPagesTellTheirHeights(t *testing.T) {
	site := heightsSite(t)
	c := site.As("amara", "operator")
	if got := plain(c.Page("/plates/L-2").Text(".heights")); !strings.Contains(got, "A 0.02 mm thicker 0.0") || !strings.Contains(got, "6 P-1") || !strings.Contains(got, "The mean is that of 2 plate sides") {
		t.Errorf("L-2: %q", got)
	}
	if got := plain(c.Page("/plates/L-4").Text(".heights")); !strings.Contains(got, "Not known: no layer was measured on it yet") {
		t.Errorf("L-4: %q", got)
	}
	if got := plain(c.Page("/printers/P-1").Text(".heights")); !strings.Contains(got, "Over a mean plate the nozzle stands 0.00 mm") || !strings.Contains(got, "L-2 A on P-1: expect nozzle up 0.01 mm") {
		t.Errorf("P-1: %q", got)
	}
	if got := plain(c.Page("/printers/P-4").Text(".heights")); !strings.Contains(got, "P-4 takes its zero from the plate") {
		t.Errorf("P-4: %q", got)
	}
}

func TestAFarmWithoutFrameZerosIsToldSo(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	if got := plain(c.Page("/heights").Text("main")); !strings.Contains(got, "No printer is said to take its zero from the frame.") {
		t.Errorf("got %q", got)
	}
	if n := len(c.Page("/plates/L-1").All(".heights")); n != 0 {
		t.Error("a plate's page speaks of heights")
	}
}

// BenchmarkHeights asks for the book's pages on a farm of 1,000 printers and 2,200
// plates whose book is kept.
func BenchmarkHeights(b *testing.B) {
	site := webtest.New(b, func(c *web.Config) { c.Now = func() time.Time { return at } })
	farmOf := little()
	p, l := farmOf.Printers[0], farmOf.Plates[0]
	p.ZeroFrom = "frame"
	farmOf.Printers, farmOf.Plates = nil, nil
	for i := range 1000 {
		p.Tag = fmt.Sprintf("P-%04d", i+1)
		farmOf.Printers = append(farmOf.Printers, p)
	}
	for j := range 2200 {
		l.Tag = fmt.Sprintf("L-%04d", j+1)
		farmOf.Plates = append(farmOf.Plates, l)
	}
	for n := range 8000 {
		id, err := farm.NewID(farm.KindFirstLayer, fmt.Sprintf("F-%d", n))
		if err != nil {
			b.Fatal(err)
		}
		f := farm.FirstLayer{ID: id, Printer: farmOf.Printers[n%1000].Tag, Plate: farmOf.Plates[n*7%2200].Tag, PlateSide: "a", StartedAt: at.Add(-time.Duration(n) * 10 * time.Minute),
			NozzleMM: farm.Unknown(), LayerHeightMM: farm.Unknown(), LineWidthMM: farm.Unknown(), LinePitchMM: farm.Unknown(), NudgeMM: 0.01 * float64(n%9-4), LookChance: farm.Unknown()}
		farmOf.FirstLayers = append(farmOf.FirstLayers, f)
	}
	stored(b, site, farmOf)
	c := site.As("amara", "operator")
	c.Page("/heights") // made once, then kept
	for _, path := range []string{"/heights", "/heights?part=printers&page=3", "/heights?printer=P-0500&plate=L-1100&side=a", "/heights.csv", "/plates/L-0008", "/upkeep/fit?plate=L-0008&printer=P-0500"} {
		b.Run(path, func(b *testing.B) {
			for b.Loop() {
				if a := c.Do("GET", path, "", ""); a.Status != 200 {
					b.Fatalf("got %d", a.Status)
				}
			}
		})
	}
}

// The book's main acts: look at both parts, ask for a pair, see it at a swap.
func TestTheHeightBookInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := heightsSite(t)
	amara := site.As("amara", "operator")
	for _, v := range append([]webtest.View{{Name: "tablet-noscript", Width: 820, Height: 1180, NoScript: true}}, views()...) {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			look := func(name string) {
				if v.NoScript {
					return
				}
				tab.Fits()
				tab.Accessible()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "heights-"+name+"-"+v.Name+".png"), true)
				}
			}
			tab.Do(chromedp.Navigate(site.URL+"/heights"), chromedp.SetValue(chromedp.CSS("#f-printer"), "P-2"), chromedp.SetValue(chromedp.CSS("#f-plate"), "L-2"), chromedp.Click(chromedp.CSS(".pair button")),
				chromedp.WaitReady(chromedp.CSS("[data-answer]")))
			look("book")
			tab.Do(chromedp.Click(chromedp.CSS(`.filters a[href$="part=printers"]`)), chromedp.WaitReady(chromedp.CSS(`[data-part=printers]`)))
			look("printers")
			tab.Do(chromedp.Navigate(site.URL+"/upkeep/fit?printer=P-2"), chromedp.SetValue(chromedp.CSS("#f-plate"), "L-2"), chromedp.Click(chromedp.CSS(`button[value=look]`)), chromedp.WaitReady(chromedp.CSS(".notice")))
			look("fit")
			tab.Do(chromedp.Navigate(site.URL+"/plates/L-2"), chromedp.WaitReady(chromedp.CSS(".heights")))
			look("plate")
		})
	}
}
