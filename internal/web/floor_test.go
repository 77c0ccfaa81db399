package web_test

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"golang.org/x/net/html"
)

func tags(nodes []*html.Node) (out []string) {
	for _, n := range nodes {
		out = append(out, webtest.Attr(n, "data-printer"))
	}
	return out
}

// hall is a farm of printers in bays of twenty, each started once an hour ago.
func hall(printers int) *farm.Bundle {
	b, none := &farm.Bundle{}, farm.Unknown()
	for i := range printers {
		tag := fmt.Sprintf("P-%04d", i+1)
		printer, plate := little().Printers[0], little().Plates[0]
		printer.Tag, printer.Bay, plate.Tag = tag, fmt.Sprintf("Bay %d", i/20+1), fmt.Sprintf("L-%04d", i+1)
		b.Printers, b.Plates = append(b.Printers, printer), append(b.Plates, plate)
		for k := range 3 {
			grade := "clean"
			if k == 2 && i%10 == 0 {
				grade = "failed"
			}
			at := at.Add(time.Duration(k-3) * time.Hour).Add(time.Duration(i) * time.Millisecond)
			id, err := farm.NewID(farm.KindFirstLayer, fmt.Sprintf("F-%d-%d", i, k))
			if err != nil {
				panic(err)
			}
			b.FirstLayers = append(b.FirstLayers, farm.FirstLayer{ID: id, Printer: tag, Plate: plate.Tag, StartedAt: at, Grade: grade, GradedAt: at.Add(time.Minute),
				NozzleMM: none, LayerHeightMM: none, LineWidthMM: none, LinePitchMM: none, NudgeMM: none, LookChance: none})
		}
	}
	return b
}

func hallSite(t testing.TB, printers int) *webtest.Site {
	t.Helper()
	site := webtest.New(t, func(c *web.Config) { c.Now = func() time.Time { return at } })
	stored(t, site, hall(printers))
	return site
}

func TestALargeFloorIsPagedAndChosenByBay(t *testing.T) {
	site := hallSite(t, 450)
	c := site.As("amara", "operator")
	seen := map[string]bool{}
	for n, want := range map[int]int{1: 200, 2: 200, 3: 50} {
		p := c.Page(fmt.Sprintf("/floor?page=%d", n))
		list := tags(p.All("main [data-printer]"))
		if len(list) != want {
			t.Errorf("page %d: got %d printers, want %d", n, len(list), want)
		}
		for _, tag := range list {
			seen[tag] = true
		}
		if got := webtest.Text(p.One(".pager a[aria-current=page]")); got != fmt.Sprintf("Page %d", n) {
			t.Errorf("page %d says it is %q", n, got)
		}
	}
	if len(seen) != 450 {
		t.Errorf("the pages together show %d printers, want all 450", len(seen))
	}
	first := c.Page("/floor")
	if got := len(first.All("tr[data-state=watch]")); got != 45 {
		t.Errorf("the first page: got %d printers whose last layer failed, want all 45 first", got)
	}
	if got := first.Text(".pager .quiet"); got != "1 to 200 of 450 printers" {
		t.Errorf("the first page says it is %q", got)
	}
	// Beyond the end is the end.
	if got := len(c.Page("/floor?page=99").All("main [data-printer]")); got != 50 {
		t.Errorf("page 99: got %d printers, want the last 50", got)
	}
	// 23 bays are a choice, not a wall of links; it keeps the other filters.
	p := c.Page("/floor?order=walking&state=ready")
	if n := len(p.All("#floor-bay option")); n != 24 {
		t.Errorf("got %d choices of a bay, want 23 and all", n)
	}
	if len(p.All("form.chooser input[name=order]")) != 1 || len(p.All("form.chooser input[name=state]")) != 1 {
		t.Error("choosing a bay forgets the other filters")
	}
	if got := tags(c.Page("/floor?bay=Bay+3").All("main [data-printer]")); len(got) != 20 {
		t.Errorf("Bay 3: got %d printers, want its 20", len(got))
	}
}

func TestEveryPrinterInServiceHasItsGradeAction(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/floor")
	links := map[string]bool{}
	for _, a := range p.All("main a.button") {
		if href := webtest.Attr(a, "href"); strings.HasPrefix(href, "/grade/") {
			links[strings.TrimPrefix(href, "/grade/")] = true
			if got := webtest.Text(a); got != "Grade "+strings.TrimPrefix(href, "/grade/") {
				t.Errorf("the link to %s says %q", href, got)
			}
		}
	}
	for _, n := range p.All("main [data-printer]") {
		tag, retired := webtest.Attr(n, "data-printer"), webtest.Attr(n, "data-state") == "retired"
		if links[tag] == retired {
			t.Errorf("%s (retired: %t): has a Grade action: %t", tag, retired, links[tag])
		}
	}
}

func TestPagesArePackedAndCarryNoSecret(t *testing.T) {
	site := hallSite(t, 60)
	c := site.As("amara", "operator")
	a := c.Do("GET", "/floor", "", "", func(r *http.Request) { r.Header.Set("Accept-Encoding", "gzip") })
	if a.Header.Get("Content-Encoding") != "gzip" || !strings.Contains(strings.Join(a.Header.Values("Vary"), ","), "Accept-Encoding") {
		t.Fatalf("got encoding %q, Vary %q, want gzip", a.Header.Get("Content-Encoding"), a.Header.Values("Vary"))
	}
	z, err := gzip.NewReader(strings.NewReader(a.Body))
	if err != nil {
		t.Fatal(err)
	}
	page, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	plain := c.Do("GET", "/floor", "", "", func(r *http.Request) { r.Header.Set("Accept-Encoding", "identity") })
	if string(page) != plain.Body || plain.Header.Get("Content-Encoding") != "" || len(a.Body) > len(page)/4 {
		t.Errorf("%d bytes packed, %d unpacked, %d plain: want the same page, a quarter at most", len(a.Body), len(page), len(plain.Body))
	}
	for _, k := range c.Cookies() {
		if strings.Contains(plain.Body, k.Value) {
			t.Errorf("the page carries the cookie %s", k.Name)
		}
	}
}

// working findings are not there yet.
type working struct{ *webtest.Findings }

func (working) Latest(ctx context.Context, _ time.Time, _ store.DataVersion) (*web.FindingList, error) {
	<-ctx.Done()
	return nil, ctx.Err()
}

func TestTheFloorDoesNotWaitForFindings(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.Findings = working{} })
	stored(t, site, little())
	c := site.As("amara", "operator")
	began := time.Now()
	if head := c.Page("/floor").Text(".head"); !strings.Contains(head, "Findings and counts are being worked out") {
		t.Errorf("the Floor: %q does not say that findings are being worked out", head)
	}
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("the Floor waited %s for findings", took)
	}
}

// BenchmarkFloor is a whole request at 1,000 printers with few first layers:
// what is spent outside the queries shows here first.
func BenchmarkFloor(b *testing.B) {
	site := hallSite(b, 1000)
	c := site.As("amara", "operator")
	for _, path := range []string{"/floor", "/floor?order=walking", "/floor?state=ready"} {
		b.Run(path, func(b *testing.B) {
			for b.Loop() {
				if a := c.Get(path); a.Status != 200 {
					b.Fatalf("got status %d", a.Status)
				}
			}
		})
	}
}
