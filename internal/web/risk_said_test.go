package web_test

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"basecourse/internal/upkeep"
)

// Days on which twice as many failed as was said: the page names it, and Findings and
// Upkeep lead there.
func TestRisksThatDoNotHoldAreNamed(t *testing.T) {
	site := demoSite(t)
	c := site.As("otto", "operator")
	if got := c.Page("/risk").Text(".empty"); !strings.Contains(got, "Nothing is written down yet") {
		t.Errorf("empty: %q", got)
	}
	if got := c.Get("/findings").Body; strings.Contains(got, "data-risk-off") {
		t.Error("a warning without a record")
	}
	lot := rand.New(rand.NewPCG(1, 2))
	for day := range 21 {
		var list []upkeep.Said
		for i := range 300 {
			p := 0.02 + 0.08*lot.Float64()
			list = append(list, upkeep.Said{P: p, Printer: []string{"P-001", "P-002", "P-003"}[i%3], Material: "PLA", Failed: lot.Float64() < 2*p})
		}
		y, m, d := at.Date()
		x := upkeep.SumDay(time.Date(y, m, d-3-day, 0, 0, 0, 0, time.UTC), 320, list)
		if err := site.Store.KeepRiskDay(context.Background(), "UTC", &x); err != nil {
			t.Fatal(err)
		}
		if err := site.Store.KeepRiskDay(context.Background(), "UTC", &x); err != nil {
			t.Fatal("kept twice:", err)
		}
	}
	p := c.Page("/risk")
	if got := p.Text("[data-said-off]"); !strings.Contains(got, "More first layers failed than was said") {
		t.Errorf("the warning: %q", got)
	}
	if n := len(p.All("section[aria-labelledby=bands] tbody tr")); n < 3 {
		t.Errorf("%d bands", n)
	}
	for _, path := range []string{"/findings", "/upkeep"} {
		if got := c.Get(path).Body; !strings.Contains(got, "data-risk-off") || !strings.Contains(got, `href="/risk"`) {
			t.Errorf("%s does not lead there", path)
		}
	}
	csv := c.Get("/risk.csv").Body
	if !strings.Contains(csv, "printer,P-002,2100,") || !strings.Contains(csv, "slope,") || !strings.Contains(csv, "week,") {
		t.Errorf("the table: %.400s", csv)
	}
}
