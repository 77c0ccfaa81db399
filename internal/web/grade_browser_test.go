package web_test

import (
	"net/http"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

func TestGradingInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	for _, v := range []webtest.View{{Name: "with script", Width: 820, Height: 1180}, {Name: "without script", Width: 820, Height: 1180, NoScript: true}} {
		t.Run(v.Name, func(t *testing.T) {
			site := gradeSite(t)
			amara := site.As("amara", "operator")
			tab := site.Tab(t, amara, v)
			taps := 0
			tap := func(selector string) {
				t.Helper()
				taps++
				tab.Do(chromedp.Click(chromedp.CSS(selector)))
			}
			wait := func(selector string) { t.Helper(); tab.Do(chromedp.WaitReady(chromedp.CSS(selector))) }
			open := func(path string) { tab.Do(chromedp.Navigate(site.URL+path), chromedp.WaitReady(chromedp.CSS("main"))) }

			open("/floor")
			tap(`a[href="/grade/P-1"]`)
			wait("[data-grade-form]")
			tap("button[data-grade=clean]")
			wait(".saved")
			good := layerAt(t, site, tab.Path())
			if good.Grade != "clean" || taps != 2 {
				t.Errorf("a good layer: grade %q after %d taps, want clean after 2", good.Grade, taps)
			}
			t.Logf("%s: a good layer from the Floor: %d taps", v.Name, taps)
			tab.Do(chromedp.Click(chromedp.CSS(".saved button")), chromedp.WaitReady(chromedp.CSS(".waiting li[data-printer='P-1']")))

			open("/floor")
			taps = 0
			tap(`a[href="/grade/P-1"]`)
			wait("[data-grade-form]")
			tap("input[name=brush][value=nozzle_low]")
			for _, zone := range []string{"A1", "B1", "C1"} {
				tap("button[data-zone=" + zone + "]")
				wait("button[data-zone=" + zone + "][data-mark=nozzle_low]")
			}
			tap("input[name=grade][value=failed]")
			tap("button[value=save]")
			wait(".saved")
			bad := layerAt(t, site, tab.Path())
			if got := string(farm.AppendMarks(nil, bad.Marks)); bad.Grade != "failed" || got != "A1:nozzle_low:1 B1:nozzle_low:1 C1:nozzle_low:1" {
				t.Errorf("a bad layer: %s with %s", bad.Grade, got)
			}
			t.Logf("%s: a bad layer with three zones from the Floor: %d taps", v.Name, taps)
			if taps > 7 {
				t.Errorf("%d taps, want at most 7", taps)
			}
		})
	}
}

func TestTheMapByKeyboard(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := gradeSite(t)
	tab := site.Tab(t, site.As("amara", "operator"), webtest.View{Name: "desk", Width: 1440, Height: 900})
	tab.Open("/grade/P-1")
	if got := webtest.Eval[int](tab, `document.querySelectorAll("[data-bed] .zone[tabindex='0']").length`); got != 1 {
		t.Errorf("the map is %d stops of the Tab key, want one", got)
	}
	marks := func() string { return webtest.Eval[string](tab, `document.querySelector("input[name=marks]").value`) }
	keys := func(list string) {
		t.Helper()
		webtest.Eval[any](tab, `[...`+list+`].forEach(k => document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: k, bubbles: true, cancelable: true}))), null`)
	}
	webtest.Eval[any](tab, `document.querySelector("[data-zone=A1]").focus(), null`)
	keys(`["o", "2", "ArrowRight", "3", "ArrowUp", "b", "1", "n", "ArrowUp", "l", "1"]`)
	if got := marks(); got != "A1:nozzle_low:2 B1:nozzle_low:3 B3:lifting:1" {
		t.Errorf("painted by keys: %s", got)
	}
	if got := webtest.Eval[string](tab, `document.querySelector("input[name=bare]").value`); got != "B2" {
		t.Errorf("nothing printed: %q", got)
	}
	if got := webtest.Eval[string](tab, `document.querySelector("[data-said]").textContent`); got != "B3, back centre: Corner lift, slight" {
		t.Errorf("said: %q", got)
	}
	keys(`["0"]`)
	// Seen from below the columns run the other way, and so do the arrows.
	webtest.Eval[any](tab, `document.querySelector("[value=underside]").click(), document.querySelector("[data-zone=A1]").focus(), null`)
	if got := webtest.Eval[bool](tab, `(() => { const at = z => document.querySelector("[data-zone=" + z + "]").getBoundingClientRect(); return at("A1").left > at("C1").left && at("A1").top > at("A3").top })()`); !got {
		t.Error("the map is not mirrored left to right when seen from below")
	}
	keys(`["ArrowLeft"]`)
	if got := webtest.Eval[string](tab, `document.activeElement.dataset.zone`); got != "B1" {
		t.Errorf("left of A1 seen from below: %s, want B1", got)
	}
	webtest.Eval[any](tab, `document.querySelector("[name=grade][value=marginal]").click(), document.querySelector("[data-zone=A1]").focus(), null`)
	keys(`["Enter"]`)
	tab.Do(chromedp.WaitReady(chromedp.CSS(".saved")))
	if f := layerAt(t, site, tab.Path()); f.Grade != "marginal" || string(farm.AppendMarks(nil, f.Marks)) != "A1:nozzle_low:2 B1:nozzle_low:3" || f.SeenFrom != "underside" {
		t.Errorf("saved: %+v", f)
	}
}

// TestGradingByKeyboardAlone finds a printer on the Floor, paints a mark, chooses a grade
// and saves, by keys of the keyboard as the browser gets them and nothing else.
func TestGradingByKeyboardAlone(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := gradeSite(t)
	tab := site.Tab(t, site.As("amara", "operator"), webtest.View{Name: "desk", Width: 1440, Height: 900})
	key := func(keys ...string) {
		t.Helper()
		for _, k := range keys {
			tab.Do(chromedp.KeyEvent(k))
		}
	}
	// to goes on by the Tab key until something has the focus, which must be seen.
	to := func(selector string) {
		t.Helper()
		for range 120 {
			key(kb.Tab)
			if webtest.Eval[bool](tab, `document.activeElement.matches(`+strconv.Quote(selector)+`)`) {
				if !webtest.Eval[bool](tab, `(() => { const s = getComputedStyle(document.activeElement), l = document.activeElement.closest("label, .choice"), o = l && getComputedStyle(l); return [s, o].some(x => x && (x.outlineStyle !== "none" && parseFloat(x.outlineWidth) > 0 || x.boxShadow !== "none")) || document.activeElement.matches(":focus-visible") })()`) {
					t.Errorf("nothing shows that %s has the focus", selector)
				}
				return
			}
		}
		t.Fatalf("%s is not reached by the Tab key on %s", selector, tab.Path())
	}
	tab.Open("/floor")
	to(`a[href="/grade/P-1"]`)
	key("\r")
	tab.Do(chromedp.WaitReady(chromedp.CSS("[data-grade-form]")), chromedp.WaitReady(chromedp.CSS("html[data-ready]")))
	to("[data-zone]")
	key("o", "2", kb.ArrowRight, "3")
	to("input[name=grade]")
	for range 6 {
		if webtest.Eval[bool](tab, `document.activeElement.value === "failed" && document.activeElement.checked`) {
			break
		}
		key(kb.ArrowRight)
	}
	to("button[value=save]")
	key("\r")
	tab.Do(chromedp.WaitReady(chromedp.CSS(".saved")))
	if f := layerAt(t, site, tab.Path()); f.Grade != "failed" || string(farm.AppendMarks(nil, f.Marks)) != "A1:nozzle_low:2 B1:nozzle_low:3" {
		t.Errorf("saved: %s with %s", f.Grade, farm.AppendMarks(nil, f.Marks))
	}
}

func TestPagesOfGradingAreAccessibleAndFit(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "manager")
	a := amara.Form("/grade/P-001", with(opened(t, amara, "/grade/P-001"), "grade", "failed", "marks", "A1:nozzle_low:2 A1:blobs:1 C3:lifting:3", "bare", "B2", "plate_turned", "yes", "r-A1", "0.21"))
	if a.Status != 303 {
		t.Fatalf("grading: %d %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	saved := a.Header.Get("Location")
	layer, _, _ := strings.Cut(saved, "?")
	startOn(t, site, "P-002", "waits", "", at.Add(-10*time.Minute))
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			look := func(name string) {
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, name+"-"+v.Name+".png"), false)
					tab.Shot(filepath.Join(*shots, name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
			for _, p := range []struct{ name, path string }{{"grade-list", "/grade"}, {"grade-none", "/grade?printer=zz"}, {"grade", "/grade/P-002"}, {"layer", layer}, {"layer-saved", saved}, {"layer-correct", layer + "/correct"}, {"layer-void", layer + "/void"}} {
				tab.Open(p.path)
				tab.Expect("422")
				look(p.name)
			}
			tab.Open("/grade/P-002")
			webtest.Eval[any](tab, `document.querySelector("[value=underside]").click(), document.querySelector("[value=blobs]").click(),
				["A1", "A1", "B2"].forEach(z => document.querySelector("[data-zone=" + z + "]").click()), document.querySelectorAll("details").forEach(d => d.closest(".who, .areas") || (d.open = true)), null`)
			look("grade-painted")
			if small := webtest.Eval[string](tab, `[...document.querySelectorAll(".grade button:not(.for-ears), .grade .choice, .grade summary")].filter(e => e.getBoundingClientRect().height < 64).map(e => e.textContent.trim().slice(0, 20)).join(", ")`); small != "" {
				t.Errorf("lower than 64 px: %s", small)
			}
			tab.Do(chromedp.Click(chromedp.CSS("button[value=save]")), chromedp.WaitReady(chromedp.CSS("[data-problems]")), chromedp.WaitReady(chromedp.CSS("html[data-ready]")))
			tab.Expect("422")
			if !webtest.Eval[bool](tab, `document.activeElement.matches("[data-problems]")`) {
				t.Error("the summary of what is wrong does not have the focus")
			}
			look("grade-refused")
		})
	}
}

// TestTheGradePageIsLight: first load with style sheet and scripts, packed.
func TestTheGradePageIsLight(t *testing.T) {
	site := gradeSite(t)
	c := site.As("amara", "operator")
	a := c.Get("/grade/P-1")
	total := 0
	p := a.Page(t)
	paths := []string{"/grade/P-1", webtest.Attr(p.One("link[rel=stylesheet]"), "href")}
	for _, script := range p.All("script") {
		paths = append(paths, webtest.Attr(script, "src"))
	}
	for _, path := range paths {
		n := packedSize(t, c, path)
		t.Logf("%s: %d bytes packed", path, n)
		total += n
	}
	if total > 100<<10 {
		t.Errorf("the first load is %d bytes packed, want at most 100 kB", total)
	}
}

func packedSize(t *testing.T, c *webtest.Client, path string) int {
	t.Helper()
	a := c.Do("GET", path, "", "", func(r *http.Request) { r.Header.Set("Accept-Encoding", "gzip") })
	if a.Status != 200 {
		t.Fatalf("%s: %d", path, a.Status)
	}
	return len(a.Body)
}
