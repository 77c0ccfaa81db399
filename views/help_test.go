package views

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/stats"
)

// TestEachWordIsExplainedOnce: anchors are unique, every word and every mark
// has its text, and the drawings of a mark differ from slight to strong.
func TestEachWordIsExplainedOnce(t *testing.T) {
	seen := map[string]bool{}
	use := func(id, text string) {
		if id == "" || text == "" || seen[id] {
			t.Errorf("anchor %q: want it once, with a text; got %q", id, text)
		}
		seen[id] = true
	}
	for _, g := range helpGroups {
		use(g.ID, g.Title)
		for _, w := range g.Words {
			use(w.ID, w.Text)
		}
	}
	for _, m := range slices.Concat(CommonMarks, MoreMarks) {
		use(m.Code, m.Seen)
	}
	for _, m := range slices.Concat(CommonMarks, MoreMarks) {
		if !drawn(m.Code) {
			continue
		}
		for severity := 2; severity <= 3; severity++ {
			if slices.Equal(drawing(m.Code, severity), drawing(m.Code, severity-1)) {
				t.Errorf("%s: %s looks like %s", m.Code, severities[severity-1], severities[severity-2])
			}
		}
		if len(drawing(m.Code, 1)) == 0 {
			t.Errorf("%s has no drawing", m.Code)
		}
	}
	for _, word := range []string{"printer", "plate", "fitting", "first-layer", "coverage", "grade", "zone", "reading", "probe", "cleaning", "height-book", "look-list",
		"offset", "nudge", "hold", "service", "exposure", "finding", "handover", "upkeep", "job"} {
		if !seen[word] {
			t.Errorf("the word %s is not explained", word)
		}
	}
}

// The help says how often the charts' two rules raise false alarms.
func TestTheHelpSaysHowOftenChartsRaiseFalseAlarms(t *testing.T) {
	alone, both := stats.RulesRun(stats.NormalChances(0), 0), stats.RulesRun(stats.NormalChances(0), stats.RunLength)
	for _, part := range helpGroups {
		for _, w := range part.Words {
			if w.ID != "limits" {
				continue
			}
			for _, want := range []string{fmt.Sprintf("once in %.0f weeks", alone), fmt.Sprintf("about once in %.0f.", math.Round(both/10)*10)} {
				if !strings.Contains(w.More, want) {
					t.Errorf("the help on limits lacks %q: %s", want, w.More)
				}
			}
			return
		}
	}
	t.Error("no help on limits")
}
