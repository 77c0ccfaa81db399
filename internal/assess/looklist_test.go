package assess_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
)

// Where a look list drew, findings rest on what it drew; what is graded besides, by
// choice, stands beside them, and where the two disagree nothing is raised. Here
// only layers graded by choice fail after a skip of P-014's, whose probing is skipped
// at real harm in the demo: of the list none does.
func TestFindingsRestOnTheLookList(t *testing.T) {
	s := open(t)
	today := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return today })
	b := simfarm.Demo(today, 1)
	keep := map[string]bool{}
	for _, p := range b.Printers[:16] {
		keep[p.Tag] = true
	}
	list := b.FirstLayers[:0]
	for _, f := range b.FirstLayers {
		if !keep[f.Printer] || f.StartedAt.Before(today.Add(-45*24*time.Hour)) {
			continue
		}
		f.LookChance, f.LookDrawn, f.LookedBecause = 0.6, "lot", ""
		if trial.Number(nil, f.Printer, f.StartedAt.UnixMicro(), "look") > 0.6 || f.Printer == "P-014" && f.Grade == "failed" {
			f.LookDrawn = "no"
		}
		list = append(list, f)
	}
	b.FirstLayers = list
	report, err := s.ImportFarm(context.Background(), byImport, b, store.ImportOptions{})
	if err != nil || !report.Stored {
		t.Fatalf("%v\n%s", err, report.Text())
	}
	a := assess.New(s)
	f := ask(t, a, assess.AsOf{At: today})
	checkAnswer(t, f.JSON())
	x := question(t, f, "P-014", "skipped_probing")
	c := x.Chosen
	if c == nil || c.State != "raised" || !c.Disagree || x.State == "raised" || !strings.Contains(x.Summary, "graded by choice, too thin to say") {
		t.Fatalf("%s: %s, %+v", x.State, x.Summary, c)
	}
	if c.ListedFailures != 0 || c.Listed == 0 || c.Listed >= x.N || x.Failures == 0 {
		t.Errorf("of the list %d of %d failed, of all graded %d of %d", c.ListedFailures, c.Listed, x.Failures, x.N)
	}
	e, err := a.Evidence(context.Background(), "printer", "P-014", "skipped_probing", today)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"rest on the look list", "All that was graded", "They disagree"} {
		if !strings.Contains(e.Differ, want) {
			t.Errorf("the evidence lacks %q: %s", want, e.Differ)
		}
	}
}
