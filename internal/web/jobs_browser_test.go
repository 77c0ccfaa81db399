package web_test

import (
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

func TestAJobInTheBrowserIsAccessibleAndFits(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "manager")
	job := strings.TrimPrefix(openJob(t, amara), site.URL)
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for name, path := range map[string]string{"job": job, "job-wrong": job + "?size_x_mm=much", "jobs": "/jobs"} {
				tab.Open(path)
				tab.Fits()
				tab.Accessible()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, name+"-"+v.Name+".png"), true)
				}
			}
		})
	}
}

// The timeline is drawn where there is room and walked by arrow keys; on a phone the
// list stands alone. The account page shows a calendar address once.
func TestTheTimelineInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := webtest.New(t, func(c *web.Config) { c.Findings = &webtest.Findings{PlanJSON: manyStarts(60)} })
	amara := site.As("amara", "manager")
	for _, v := range append([]webtest.View{{Name: "phone-dark", Width: 360, Height: 780, Dark: true}}, views()...) {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			tab.Open("/jobs/plan/timeline?from=2026-03-09T00")
			tab.Fits()
			tab.Accessible()
			if drawn := webtest.Eval[bool](tab, `document.querySelector(".timeline").getBoundingClientRect().width > 0`); drawn != (v.Width >= 744) {
				t.Errorf("drawn: %v at %d pixels", drawn, v.Width)
			} else if drawn {
				if px := webtest.Eval[float64](tab, `(() => { const s = document.querySelector(".timeline .chart svg"), k = s.getBoundingClientRect().width / s.viewBox.baseVal.width; return Math.min(...[...s.querySelectorAll("text")].map(t => k * parseFloat(getComputedStyle(t).fontSize))) })()`); px < 13 {
					t.Errorf("words of %.1f pixels, want 13 at least", px)
				}
				said := webtest.Eval[string](tab, `(() => { const c = document.querySelector("[data-walk]"); c.focus(); for (const k of ["ArrowRight", "ArrowRight"]) c.dispatchEvent(new KeyboardEvent("keydown", { key: k, bubbles: true })); return document.getElementById("timeline-at").textContent })()`)
				if !strings.HasPrefix(said, "P-000: start J-1, 2026-03-09 14:00") {
					t.Errorf("the second block says %q", said)
				}
			}
			if *shots != "" {
				tab.Shot(filepath.Join(*shots, "timeline-"+v.Name+".png"), true)
				tab.Open("/account")
				tab.Shot(filepath.Join(*shots, "account-"+v.Name+".png"), true)
			}
		})
	}
}
