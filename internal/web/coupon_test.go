package web_test

import (
	"archive/zip"
	"bytes"
	"strings"
	"testing"

	"basecourse/internal/webtest"
)

func TestTheCouponPageOffersThePrintersCoupon(t *testing.T) {
	site := webtest.New(t)
	stored(t, site, little())
	c := site.As("amara", "operator")
	var link string
	for _, a := range c.Page("/printers/P-1").All(".actions a") {
		if webtest.Text(a) == "Print a coupon" {
			link = webtest.Attr(a, "href")
		}
	}
	p := c.Page(link)
	text := plain(p.Text("main"))
	for _, want := range []string{"Expected mass", "1.76 g", "at 1.24 g/cm³; a patch 0.19 g", "9 zones, 3 × 3", "0.20 × 0.45 mm", "below 40 °C", "Local rules and the maker’s instructions come first."} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %q:\n%s", want, text)
		}
	}
	files := p.All("nav.actions a")
	if len(files) != 2 {
		t.Fatalf("%d files, want 3MF and STL", len(files))
	}
	threeMF := c.Get(webtest.Attr(files[0], "href"))
	if _, err := zip.NewReader(bytes.NewReader([]byte(threeMF.Body)), int64(len(threeMF.Body))); err != nil || threeMF.Status != 200 {
		t.Errorf("3MF: status %d, %v", threeMF.Status, err)
	}
	stl := c.Get(webtest.Attr(files[1], "href"))
	if stl.Status != 200 || len(stl.Body) < 84 || (len(stl.Body)-84)%50 != 0 {
		t.Errorf("STL: status %d, %d bytes", stl.Status, len(stl.Body))
	}
	if got := stl.Header.Get("Content-Disposition"); got != `attachment; filename=coupon-P-1-0.20x0.45.stl` {
		t.Errorf("STL is called %s", got)
	}
	// Another profile and material.
	heavy := plain(c.Page("/printers/P-1/coupon?layer_height_mm=0,3&line_width_mm=0.6+mm&density_g_cm3=1.04").Text("main"))
	if !strings.Contains(heavy, "0.30 × 0.60 mm") || !strings.Contains(heavy, "at 1.04 g/cm³") {
		t.Errorf("another profile: %s", heavy)
	}
	for path, want := range map[string]int{
		"/printers/P-1/coupon?layer_height_mm=21": 422, "/printers/P-1/coupon?line_width_mm=0.11": 422, "/printers/NONE/coupon": 404, "/printers/P-1/coupon/file": 400,
		"/printers/P-1/coupon/file?format=obj": 400, "/printers/P-1/coupon/file?format=stl&density_g_cm3=x": 400, "/printers/NONE/coupon/file?format=stl": 404, "/printers/P-1/coupon?x=1": 400,
	} {
		if got := c.Get(path); got.Status != want {
			t.Errorf("%s: got status %d, want %d", path, got.Status, want)
		}
	}
}
