package web_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// record sends records as a machine does.
func recordAll(t *testing.T, site *webtest.Site, records string) {
	t.Helper()
	a := site.WithToken("machine-"+t.Name(), "manager").Do("POST", "/api/v1/records", "application/json", `{"records":[`+records+`]}`)
	if a.Status != 200 || strings.Contains(a.Body, `"refused"`) {
		t.Fatalf("recording: %d %s", a.Status, a.Body)
	}
}

func stamp(before time.Duration) string { return at.Add(-before).Format(time.RFC3339) }

// advisedSite holds layers that ask for something: one that runs and lifts on a
// greasy plate, one low everywhere on a fresh probe, a good one and an old bad one.
func advisedSite(t *testing.T) *webtest.Site {
	site := handSite(t)
	low := ""
	for _, z := range strings.Fields("A1 B1 C1 A2 B2 C2 A3 B3 C3") {
		low += z + ":nozzle_low:2 "
	}
	recordAll(t, site, `
		{"kind":"first_layer","id":"G-1","printer":"P-1","plate":"L-1","started_at":"`+stamp(20*time.Minute)+`","graded_at":"`+stamp(5*time.Minute)+`","grade":"marginal","material":"PLA","marks":"A1:contamination:2 B1:contamination:2 A1:lifting:2"},
		{"kind":"probe","id":"Q-2","printer":"P-2","probed_at":"`+stamp(3*time.Hour)+`"},
		{"kind":"first_layer","id":"G-2","printer":"P-2","started_at":"`+stamp(170*time.Minute)+`","graded_at":"`+stamp(165*time.Minute)+`","grade":"failed","outcome":"restarted","material":"PLA","marks":"`+strings.TrimSpace(low)+`","readings":"A1=0.14 B1=0.14 C1=0.15 A2=0.14 B2=0.14 C2=0.15 A3=0.14 B3=0.15 C3=0.14"},
		{"kind":"first_layer","id":"G-3","printer":"P-2","started_at":"`+stamp(60*time.Minute)+`","graded_at":"`+stamp(55*time.Minute)+`","grade":"clean","outcome":"finished","material":"PLA"}`)
	return site
}

func TestTheAdviceCard(t *testing.T) {
	site := advisedSite(t)
	amara := site.As("amara", "operator")
	for id, wants := range map[string][]string{
		"G-1": {`data-action="swap_plate"`, "Caution:", "This layer:", "Swap to a washed plate", "Because: ", "How sure: ", "Would change it: ", `data-cause="dirty_plate"`, `data-action="wash"`, "Local rules"},
		"G-2": {`data-action="move_nozzle"`, "Nozzle up 0.0", "clear, nozzle move between up 0.0", "Hands clear", "/done?action=move_nozzle", "move=0.0", "I disagree"},
		"G-3": {`data-action="leave"`, "Leave it."},
	} {
		a := amara.Get("/first-layers/" + startID(t, id))
		for _, want := range wants {
			if a.Status != 200 || !strings.Contains(a.Body, want) {
				t.Errorf("%s lacks %q (status %d)", id, want, a.Status)
			}
		}
		card := a.Body[strings.Index(a.Body, "layer-advice"):]
		if id != "G-1" && strings.Contains(card, "This layer:") {
			t.Errorf("%s is told to run on", id)
		}
		if i, j := strings.Index(card, "Caution"), strings.Index(card, `class="do"`); i > j {
			t.Errorf("%s: the caution comes after what to do", id)
		}
	}
}

func TestAnUngradedLayerAsksForNoAdvice(t *testing.T) {
	site := gradeSite(t)
	a := site.As("amara", "operator").Get("/first-layers/" + startID(t, "S-1"))
	if a.Status != 200 || strings.Contains(a.Body, "layer-advice") {
		t.Errorf("status %d", a.Status)
	}
}

func TestAdviceInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := advisedSite(t)
	startOn(t, site, "P-2", "S-9", "", at.Add(-10*time.Minute))
	amara := site.As("amara", "operator")
	tab := site.Tab(t, amara, webtest.View{Name: "tablet", Width: 820, Height: 1180})
	tab.Open("/grade/P-2")
	tap := func(selector string) { t.Helper(); tab.Do(chromedp.Click(chromedp.CSS(selector))) }
	tap("input[name=brush][value=nozzle_high]")
	for _, zone := range strings.Fields("A1 B1 C1 A2 B2 C2 A3 B3 C3") {
		tap("button[data-zone=" + zone + "]")
		tab.Do(chromedp.WaitReady(chromedp.CSS("button[data-zone=" + zone + "][data-mark=nozzle_high]")))
	}
	tap("input[name=grade][value=marginal]")
	tap("button[value=save]")
	tab.Do(chromedp.WaitReady(chromedp.CSS(".saved")))
	if got := webtest.Eval[string](tab, `(document.querySelector(".layer-advice .do") || {}).textContent || ""`); !strings.Contains(got, "This layer:") {
		t.Errorf("after grading the card says %q", got)
	}
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for id, more := range map[string]string{"G-1": "", "G-2": "?patch_mass_g=0.09", "G-3": ""} {
				tab.Open("/first-layers/" + startID(t, id) + more)
				tab.Accessible()
				tab.Fits()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "advice-"+id+"-"+v.Name+".png"), false)
				}
			}
		})
	}
}
