package web_test

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"os"
	"path/filepath"
	"testing"
	"time"

	"basecourse/internal/webtest"

	"github.com/chromedp/chromedp"
	qr "github.com/piglig/go-qr"
)

// A label held before the camera fills a field of tags, read by the library as this
// browser has no reader of its own; a scanner that types opens what it reads on any page.
func TestALabelIsScanned(t *testing.T) {
	if !webtest.BrowserTests() {
		t.Log("set BASECOURSE_BROWSER_TESTS=1 to run this in a browser")
		return
	}
	t.Parallel()
	site := webtest.New(t)
	stored(t, site, little())
	film := filepath.Join(t.TempDir(), "label.mjpeg")
	if err := os.WriteFile(film, frameOf(t, "https://farm.example/s/L-2"), 0o600); err != nil {
		t.Fatal(err)
	}
	device := site.Device(t, chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.Flag("use-fake-ui-for-media-stream", true), chromedp.Flag("use-file-for-fake-video-capture", film))
	tab := device.Tab(site.As("amara", "operator"), webtest.View{Name: "tablet", Width: 820, Height: 1180}, 60*time.Second)
	until := func(what, js string) {
		t.Helper()
		for range 300 {
			if webtest.Eval[bool](tab, js) {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
		t.Errorf("%s: not after 6 s", what)
	}
	tab.Open("/upkeep/clean")
	tab.Do(chromedp.Click(chromedp.CSS(".scan-it")))
	until("the camera is open", `!!document.querySelector("dialog.scan[open]")`)
	until("a list takes what is read", `document.querySelector("textarea[data-scan]").value === "L-2"`)
	tab.Accessible()
	if *shots != "" {
		tab.Shot(filepath.Join(*shots, "scan.png"), false)
	}
	tab.Do(chromedp.Click(chromedp.CSS("dialog.scan button")))
	until("it closes and gives the camera back", `!document.querySelector("dialog.scan") && document.activeElement.matches("textarea[data-scan]")`)
	tab.Open("/search")
	tab.Do(chromedp.Click(chromedp.CSS(".scan-it")))
	until("one tag is enough for one field", `document.querySelector("#search-page").value === "L-2" && !document.querySelector("dialog.scan")`)

	tab.Open("/upkeep")
	webtest.Eval[any](tab, `for (const key of [..."https://farm.example/s/L-1", "Enter"]) document.body.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true})), null`)
	until("a scanner that types opens the plate", `location.pathname === "/plates/L-1"`)
}

// frameOf is one picture of a film: a label as a camera sees it.
func frameOf(t *testing.T, text string) []byte {
	code, err := qr.EncodeText(text, qr.Medium)
	if err != nil {
		t.Fatal(err)
	}
	m := image.NewRGBA(image.Rect(0, 0, 640, 480))
	draw.Draw(m, m.Bounds(), image.NewUniform(color.Gray{Y: 235}), image.Point{}, draw.Src)
	const module = 8
	for y := range code.Size() {
		for x := range code.Size() {
			if code.Module(x, y) {
				at := image.Pt(180+x*module, 100+y*module)
				draw.Draw(m, image.Rectangle{Min: at, Max: at.Add(image.Pt(module, module))}, image.NewUniform(color.Gray{Y: 25}), image.Point{}, draw.Src)
			}
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}
