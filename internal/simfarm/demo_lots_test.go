package simfarm

import (
	"math"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/trial"
)

// The demo as everybody gets it (its seed in cmd/basecourse) has a case upheld and one not, by
// what their tests show, a test that runs, and draws as a server makes them.
func TestDemoHasLotsAndTests(t *testing.T) {
	for _, day := range []time.Time{demoDay, demoDay.AddDate(0, 5, 3).Add(9 * time.Hour)} {
		b := Demo(day, 20)
		steps := map[string]string{}
		for _, s := range b.CaseSteps {
			steps[s.Subject] = s.Step
		}
		for tag, want := range map[string]string{"P-047": "upheld", "P-027": "not_upheld", "P-038": "on_test", "P-023": "closed"} {
			if steps[tag] != want {
				t.Errorf("%s: the case of %s stands at %q, want %q", day, tag, steps[tag], want)
			}
		}
		started := map[string][]int64{}
		for k := range b.FirstLayers {
			if l := &b.FirstLayers[k]; l.VoidedAt.IsZero() {
				started[l.Printer] = append(started[l.Printer], l.StartedAt.UnixMicro())
			}
		}
		type lot struct{ printer, task string }
		drawn := map[lot][]int64{}
		lots, tests := 0, map[string]int{}
		for k := range b.Draws {
			d := &b.Draws[k]
			drawn[lot{d.Printer, d.Task}] = append(drawn[lot{d.Printer, d.Task}], d.DrawnAt.UnixMicro())
			if d.Why != farm.DrawnLot {
				tests[d.Why]++
				continue
			}
			lots++
			if limit := demoLotLimit * demoFailureCost; math.Abs(d.Saves) >= limit || math.Abs(d.Chance-trial.Chance(d.Saves, limit)) > 0.011 || d.Chance < trial.Least || d.Chance > trial.Most {
				t.Fatalf("not of the lot's own line: %+v", d)
			}
		}
		for of, at := range drawn {
			for n, start := range trial.Governs(at, started[of.printer]) {
				if start < 0 {
					t.Fatalf("%v: draw %d of %d governs no start", of, n, len(at))
				}
			}
		}
		if lots < 1000 || lots > 6000 {
			t.Errorf("%d draws of the standing lot", lots)
		}
		looks := map[string]int{}
		for k := range b.FirstLayers {
			looks[b.FirstLayers[k].LookDrawn]++
		}
		for _, why := range farm.LookDraws {
			if looks[why] < 100 {
				t.Errorf("the look list drew %v", looks)
			}
		}
		for _, p := range b.PlannedTests {
			t.Logf("%s: %d starts, %s to %s, drawn %d", p.Subject, p.Starts, p.BeginsAt, p.EndedAt, tests[p.ID.UUID.String()])
			if running := p.EndedAt.IsZero(); running != (p.Subject == "P-038") || running && tests[p.ID.UUID.String()] > p.Starts {
				t.Errorf("%+v", p)
			}
		}
		t.Logf("%d draws of the standing lot, the list drew %v", lots, looks)
	}
}
