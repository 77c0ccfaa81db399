package web_test

import (
	"os"
	"path/filepath"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

func TestSettingUpInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	dir := t.TempDir()
	write := func(name, content string) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	for _, v := range []webtest.View{{Name: "tablet", Width: 820, Height: 1180}, {Name: "without script", Width: 1440, Height: 900, Dark: true, NoScript: true}} {
		t.Run(v.Name, func(t *testing.T) {
			site, amara, _ := uploadSite(t)
			tab := site.Tab(t, amara, v)
			open := func(path, wait string) {
				tab.Do(chromedp.Navigate(site.URL+path), chromedp.WaitReady(chromedp.CSS(wait)))
			}
			open("/floor", ".first-use")
			tab.Do(chromedp.Click(chromedp.CSS(".first-use .button.main")), chromedp.WaitReady(chromedp.CSS("#f-bed_x_mm")))
			tab.Do(chromedp.SendKeys(chromedp.CSS("#f-printer"), "P-1"), chromedp.SendKeys(chromedp.CSS("#f-bed_x_mm"), "250"),
				chromedp.Click(chromedp.CSS("form.setup button.main")), chromedp.WaitReady(chromedp.CSS("#w-bed_y_mm")))
			tab.Expect("422")
			if !v.NoScript {
				tab.Accessible()
			}
			tab.Do(chromedp.SendKeys(chromedp.CSS("#f-bed_y_mm"), "210"), chromedp.Click(chromedp.CSS("form.setup button.main")), chromedp.WaitReady(chromedp.CSS("section[aria-labelledby=screws]")))
			if got := tab.Path(); got != "/setup/printers/P-1?saved=added" {
				t.Errorf("after adding: at %s", got)
			}
			open("/setup/settings", "#f-wash_minutes")
			tab.Do(chromedp.SendKeys(chromedp.CSS("#f-wash_minutes"), "5"), chromedp.Click(chromedp.CSS("section[aria-labelledby=group-person] button")), chromedp.WaitReady(chromedp.CSS(".notice[role=status]")))
			if values, err := site.Store.Settings(t.Context()); err != nil || values.Text("wash_minutes") != "55" {
				t.Errorf("the setting is %q, %v", values.Text("wash_minutes"), err)
			}
			printers, plates := write("printers.csv", printersCSV), write("plates.csv", platesCSV)
			bring := func(layers string) {
				open("/setup/import", "#f-bundle")
				tab.Do(chromedp.SetUploadFiles(chromedp.CSS("#f-bundle"), []string{printers, plates, write("first_layers.csv", layers)}),
					chromedp.Click(chromedp.CSS("form.setup button.main")), chromedp.WaitReady(chromedp.CSS("[data-stored=nothing]")))
			}
			bring(layersCSV)
			tab.Do(chromedp.WaitReady(chromedp.CSS(`article[data-row="first_layers.csv, line 4"] .wrong-cell`)))
			if !v.NoScript {
				tab.Fits()
				tab.Accessible()
				if *shots != "" {
					tab.Shot(filepath.Join(*shots, "import-problems.png"), true)
				}
			}
			bring("first_layer,printer,started_at\nF-1,P-1,2026-03-01T08:00:00Z\n")
			tab.Do(chromedp.Click(chromedp.CSS("button[value=import]")), chromedp.WaitReady(chromedp.CSS("[data-stored=all]")))
			if !v.NoScript {
				tab.Accessible()
				tab.Do(chromedp.KeyEvent("?"), chromedp.WaitReady(chromedp.CSS("#marks")))
				if got := tab.Path(); got != "/help" {
					t.Errorf("the key ? leads to %s, want /help", got)
				}
			}
		})
	}
}
