package web_test

import (
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

func TestTheBeadPageShowsTheBandDrawn(t *testing.T) {
	c := webtest.New(t).As("amara", "operator")
	if got := webtest.Attr(c.Page("/help").All("main .head a")[0], "href"); got != "/bead" {
		t.Errorf("the help leads to %s", got)
	}
	p := c.Page("/bead?strand_gap_mm=0,03+mm")
	text := plain(p.Text("main"))
	for _, want := range []string{"0.160 to 0.227 mm; aim at 0.194 mm", "A slit of 0.030 mm means a gap of 0.252 mm: the nozzle is 0.06 mm above", "25 % more plastic than room", "0.0814 mm²"} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	if n := len(p.All("figure svg[role=img]")); n != 4 {
		t.Errorf("%d drawings, want the lower edge, the aim, the upper edge and too high", n)
	}
	if n := len(p.All("figure svg rect")); n != 12 {
		t.Errorf("%d lines drawn, want three a drawing", n)
	}
	// A profile whose lines touch until they lose hold, with its own pitch.
	round := plain(c.Page("/bead?layer_height_mm=0.3&line_width_mm=0.35&line_pitch_mm=&overfill_limit=30+%25&strand_gap_mm=").Text("main"))
	if !strings.Contains(round, "lines still touch, and lose hold") {
		t.Errorf("a nearly round line: %s", round)
	}
}

func TestTheBeadPageSaysWhatIsWrong(t *testing.T) {
	c := webtest.New(t).As("amara", "operator")
	for query, want := range map[string]string{
		"layer_height_mm=21":                          "Did you mean 0.21 mm?",
		"line_width_mm=wide":                          "Line width must be between 0.10 and 3.00 mm.",
		"layer_height_mm=0.5":                         "at least the layer height",
		"line_pitch_mm=0.1":                           "with closer lines a strand is thinner",
		"strand_gap_mm=0.5":                           "a missing or thin line, not height",
		"overfill_limit=NaN":                          "Overfill must be between 1 and 200 %.",
		"layer_height_mm=1e300&line_width_mm=-1e-300": "Layer height must be",
	} {
		a := c.Get("/bead?" + query)
		if a.Status != 422 {
			t.Errorf("%s: got status %d, want 422", query, a.Status)
		}
		p := a.Page(t)
		if text := p.Text(".notice.act"); !strings.Contains(plain(text), want) {
			t.Errorf("%s: %q does not say %q", query, text, want)
		}
		if len(p.All("figure")) != 0 || len(p.All("input[aria-invalid]")) == 0 {
			t.Errorf("%s: drawn though wrong, or no field marked", query)
		}
	}
	if a := c.Get("/bead?sparkle=1"); a.Status != 400 {
		t.Errorf("an unknown parameter: got status %d, want 400", a.Status)
	}
}

func TestTheBeadPageInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := webtest.New(t)
	amara := site.As("amara", "operator")
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for _, p := range []struct{ name, path string }{{"bead", "/bead?strand_gap_mm=0.03"}, {"bead-wrong", "/bead?layer_height_mm=21&line_width_mm=x"}} {
				tab.Open(p.path)
				tab.Expect("422")
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
		})
	}
	stored(t, site, little())
	for _, v := range views() {
		t.Run("coupon "+v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for _, p := range []struct{ name, path string }{{"coupon", "/printers/P-1/coupon"}, {"coupon-wrong", "/printers/P-1/coupon?layer_height_mm=21"}} {
				tab.Open(p.path)
				tab.Expect("422")
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
		})
	}
	sheet := site.Tab(t, amara, webtest.View{Name: "desk", Width: 1440, Height: 900, Dark: true})
	for name, path := range map[string]string{"bead": "/bead", "coupon": "/printers/P-1/coupon"} {
		sheet.Open(path)
		file := ""
		if *shots != "" {
			file = filepath.Join(*shots, "print-"+name+".pdf")
		}
		sheet.Paper(chromedp.PaperA4, file)
		sheet.Print(680) // A4 less its margins, in CSS pixels
		sheet.Fits()
		for selector, shown := range map[string]bool{".areas": false, ".asked": false, ".paper": true, "main svg": true} {
			if got := webtest.Eval[bool](sheet, `[...document.querySelectorAll("`+selector+`")].some(e => e.checkVisibility())`); got != shown {
				t.Errorf("%s on paper: %s is shown: %t, want %t", name, selector, got, shown)
			}
		}
		if *shots != "" {
			sheet.Shot(filepath.Join(*shots, "print-"+name+".png"), true)
		}
		sheet.Print(0)
	}
	tab := site.Tab(t, amara, webtest.View{Name: "phone", Width: 360, Height: 780, Dark: true})
	tab.Open("/bead")
	tab.Do(chromedp.SendKeys(chromedp.CSS("#f-strand_gap_mm"), "0,03"), chromedp.Click(chromedp.CSS("main form button")), chromedp.WaitReady(chromedp.CSS("[data-seen]")))
	if got := webtest.Eval[string](tab, `document.querySelector("[data-seen]").textContent`); !strings.Contains(got, "0.252") {
		t.Errorf("a slit of 0,03 means %q", got)
	}
}
