package web

import (
	"math"
	"strings"
	"testing"
)

// What the lot shows stands beside what was observed, in the words of its counts.
func TestTheLotStandsBesideWhatWasObserved(t *testing.T) {
	e := &Evidence{Plain: 6, PlainLow: 2, PlainHigh: 10}
	e.Subject, e.Cause, e.State, e.N, e.NExposed, e.Avoidable, e.AvoidableLow, e.AvoidableHigh, e.OddsRatio = "P-014", "skipped_probing", "raised", 200, 80, 2, 1, 3, math.NaN()
	if plain := estimateTable(e); len(plain.Columns) != 3 || lotFacts(e) != nil || !strings.Contains(findingTitle(e), "go with") {
		t.Errorf("without a lot: %+v, %s", plain, findingTitle(e))
	}
	e.Lot = &LotShown{Draws: 120, Graded: 100, Do: 40, DoFailed: 2, Leave: 60, LeaveFailed: 12, Spared: 15, Low: 3.2, High: 27, Followed: 70, Done: 21, DoneLow: 4, DoneHigh: 38, Alone: true}
	table := estimateTable(e)
	for _, r := range table.Rows {
		if len(r.Cells) != len(table.Columns) {
			t.Errorf("a row of %d cells under %d columns", len(r.Cells), len(table.Columns))
		}
	}
	if got := table.Rows[0].Cells[3].Text; got != "15.0 (3.2 to 27.0)" {
		t.Errorf("beside the plain figure: %s", got)
	}
	facts := lotFacts(e)
	if len(facts) != 2 || !strings.Contains(facts[0].Note, "2 of 40 failed where the lot said probe, 12 of 60 where it said leave") || !strings.Contains(facts[1].Value, "21.0 (4.0 to 38.0)") {
		t.Errorf("%+v", facts)
	}
	if title := findingTitle(e); title != "P-014: failures caused by skipped probing" {
		t.Error(title)
	}
	e.Lot.Low, e.Lot.Alone, e.Lot.DoneLow = -1, false, math.NaN()
	if facts := lotFacts(e); len(facts) != 1 || !strings.Contains(facts[0].Note, "the farm's other draws") || !strings.Contains(findingTitle(e), "go with") {
		t.Errorf("%+v, %s", facts, findingTitle(e))
	}
}
