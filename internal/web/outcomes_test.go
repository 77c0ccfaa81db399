package web_test

import (
	"fmt"
	"strings"
	"testing"

	"basecourse/internal/webtest"
)

// Pages of the prints without an outcome, one after another, hold each of them
// once, and printers do not come back once left: the walk goes on over pages.
func TestPagesOfOpenEndsHoldEachOnce(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	seen, left := map[string]bool{}, map[string]bool{}
	said, last := "", ""
	for page := 1; ; page++ {
		p := c.Page(fmt.Sprintf("/outcomes?page=%d", page))
		rows := p.All("li[data-first-layer]")
		if page == 1 {
			said = strings.ReplaceAll(p.Text("main"), "\u202f", "")
		}
		if len(rows) == 0 {
			break
		}
		if len(rows) > 60 {
			t.Errorf("page %d holds %d", page, len(rows))
		}
		for _, r := range rows {
			id, printer := webtest.Attr(r, "data-first-layer"), webtest.Attr(r, "data-printer")
			if seen[id] {
				t.Errorf("%s stands twice", id)
			}
			seen[id] = true
			if printer != last {
				if left[printer] {
					t.Errorf("%s comes again on page %d", printer, page)
				}
				left[last], last = true, printer
			}
		}
	}
	if len(seen) <= 60 {
		t.Fatalf("%d prints do not fill two pages", len(seen))
	}
	if want := fmt.Sprintf("of %d, in walking order", len(seen)); !strings.Contains(said, want) {
		t.Errorf("the pages hold %d; the first says %.300s", len(seen), said)
	}
}
