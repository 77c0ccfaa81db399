package web_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// Every graded layer but one gets its outcome by the taps people make.
func TestOutcomesAreJoinedInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	for _, v := range []webtest.View{{Name: "with script", Width: 820, Height: 1180}, {Name: "without script", Width: 820, Height: 1180, NoScript: true}} {
		t.Run(v.Name, func(t *testing.T) {
			site := handSite(t)
			grades := []string{"clean", "marginal", "clean", "failed", "cosmetic", "clean", "marginal", "clean", "failed", "clean"}
			for i, grade := range grades {
				marks := ""
				if grade != "clean" {
					marks = `,"marks":"A1:blobs:2"`
				}
				sent(t, site, layer(fmt.Sprintf("B-%d", i), 400-30*i, graded(grade)+marks))
			}
			tab := site.Tab(t, site.As("amara", "operator"), v)
			open := func(path string) { tab.Do(chromedp.Navigate(site.URL+path), chromedp.WaitReady(chromedp.CSS("main"))) }
			taps := 0
			tap := func(selector, then string) {
				t.Helper()
				taps++
				tab.Do(chromedp.Click(chromedp.CSS(selector)), chromedp.WaitReady(chromedp.CSS(then)))
			}
			for i, how := range map[int]string{1: "let_run", 3: "stopped", 6: "nudged +0.01", 8: "stopped"} {
				open("/first-layers/" + startID(t, fmt.Sprintf("B-%d", i)))
				tap(`[data-decide] button[value="`+how+`"]`, ".saved")
			}
			for range 7 { // one stays on the printer
				open("/outcomes")
				tap(`.ends li form button[value=finished]`, ".saved")
			}
			list, err := site.Store.LatestStarts(context.Background(), "P-1", at, 50)
			if err != nil {
				t.Fatal(err)
			}
			done, all := 0, 0
			for _, f := range list {
				if f.Grade != "" {
					all++
					if f.Outcome != "" {
						done++
					}
				}
			}
			t.Logf("%d of %d graded layers have their outcome, after %d taps", done, all, taps)
			if 10*done < 9*all || taps > all+4 {
				t.Errorf("%d of %d joined after %d taps", done, all, taps)
			}
		})
	}
}

func TestPagesOfTheLoopAreAccessibleAndFit(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := demoSite(t)
	amara := site.As("amara", "manager")
	record := func(id, printer, plate string, before time.Duration, more string) {
		sent(t, site, fmt.Sprintf(`{"kind":"first_layer","id":"%s","printer":"%s","plate":"%s","started_at":"%s"%s}`, id, printer, plate, at.Add(-before).Format(time.RFC3339), more))
	}
	record("loop-bad", "P-001", "L-101", 5*time.Hour, graded("failed")+`,"marks":"A1:contamination:3 B2:blobs:2"`)
	record("loop-soft", "P-001", "L-101", 10*time.Minute, graded("marginal")+`,"marks":"A1:nozzle_high:2"`)
	path := "/first-layers/" + startID(t, "loop-bad")
	form := opened(t, amara, path+"/done?action=wash&cause=dirty_plate")
	form.Set("when", at.Add(-4*time.Hour).In(demoZone(t, site)).Format("2006-01-02T15:04"))
	form.Set("good_needed", "11")
	form.Del("expected_layers")
	if a := amara.Form(path+"/done", form); a.Status != 303 {
		t.Fatalf("done: %d %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	for k := range 4 {
		record(fmt.Sprintf("loop-good-%d", k), "P-001", "L-101", time.Duration(200-20*k)*time.Minute, graded("clean"))
	}
	if a := amara.Form(path+"/done", with(opened(t, amara, path+"/done?action=probe&answer=disagreed"), "reason_not", "the mesh is of this morning")); a.Status != 303 {
		t.Fatalf("disagreeing: %d", a.Status)
	}
	pages := []struct{ name, path string }{
		{"loop-answered", path}, {"loop-decide", "/first-layers/" + startID(t, "loop-soft")}, {"loop-done", path + "/done?action=move_nozzle&move=0.04"},
		{"loop-disagree", path + "/done?action=probe&answer=disagreed"}, {"loop-soak", path + "/done?action=soak"}, {"loop-outcomes", "/outcomes"}, {"loop-became", "/outcomes/by-mark"}, {"loop-plate", "/plates/L-101"}, {"loop-printer", "/printers/P-001"},
	}
	for _, v := range views() {
		t.Run(v.Name, func(t *testing.T) {
			tab := site.Tab(t, amara, v)
			for _, p := range pages {
				tab.Open(p.path)
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+".png"), false)
					tab.Shot(filepath.Join(*shots, p.name+"-"+v.Name+"-whole.png"), true)
				}
				tab.Fits()
				tab.Accessible()
			}
		})
	}
}

func demoZone(t *testing.T, site *webtest.Site) *time.Location {
	t.Helper()
	frame, err := site.Store.Frame(context.Background(), at)
	if err != nil {
		t.Fatal(err)
	}
	return frame.Settings.Zone()
}
