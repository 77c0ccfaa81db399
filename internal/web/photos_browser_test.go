package web_test

import (
	"image/color"
	"os"
	"path/filepath"
	"testing"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
)

// TestAGradeWithAPhotoInTheBrowser: a bad layer with three zones and a photo from the
// Floor in 8 taps; the photo is sent after the grade, also when the server could not
// take it at once.
func TestAGradeWithAPhotoInTheBrowser(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := gradeSite(t)
	file := filepath.Join(t.TempDir(), "layer.jpg")
	if err := os.WriteFile(file, []byte(aPhoto(t, 3000, 2000, color.RGBA{180, 120, 40, 255})), 0o644); err != nil {
		t.Fatal(err)
	}
	tab := site.Tab(t, site.As("amara", "operator"), webtest.View{Name: "tablet", Width: 820, Height: 1180})
	taps := 0
	tap := func(selector string) { t.Helper(); taps++; tab.Do(chromedp.Click(chromedp.CSS(selector))) }
	wait := func(selector string) { t.Helper(); tab.Do(chromedp.WaitReady(chromedp.CSS(selector))) }
	tab.Do(chromedp.Navigate(site.URL+"/floor"), chromedp.WaitReady(chromedp.CSS("main")))
	tap(`a[href="/grade/P-1"]`)
	wait("[data-photos-ready]")
	tap("input[name=brush][value=nozzle_low]")
	for _, zone := range []string{"A1", "B1", "C1"} {
		tap("button[data-zone=" + zone + "]")
		wait("button[data-zone=" + zone + "][data-mark=nozzle_low]")
	}
	taps++ // Add a photo; the camera's own button is the device's
	tab.Do(chromedp.SetUploadFiles(chromedp.CSS("#take"), []string{file}))
	wait("[data-taken]")
	tap("input[name=grade][value=failed]")
	tap("button[value=save]")
	wait(".saved")
	wait(".photos .photo img")
	t.Logf("a bad layer with three zones and a photo from the Floor: %d taps", taps)
	if taps > 8 {
		t.Errorf("%d taps, want at most 8", taps)
	}
	tab.Open(tab.Path())
	if src := webtest.Eval[string](tab, `document.querySelector(".photos img").getAttribute("src")`); src == "" {
		t.Error("the photo is not on the layer's page")
	}
	if wide := webtest.Eval[int](tab, `(async () => { const i = document.querySelector(".photos img"); i.loading = "eager"; await i.decode(); return i.naturalWidth })()`); wide != 1600 {
		t.Errorf("the photo is %d pixels wide, want 1600", wide)
	}
	tab.Fits()
	tab.Accessible()
	if *shots != "" {
		tab.Shot(filepath.Join(*shots, "photo-layer.png"), true)
		tab.Open("/printers/P-1")
		tab.Shot(filepath.Join(*shots, "photo-printer.png"), true)
		tab.Open("/grade/P-1")
		tab.Shot(filepath.Join(*shots, "photo-grade.png"), true)
	}
}
