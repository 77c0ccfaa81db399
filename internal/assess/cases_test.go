package assess

import (
	"testing"
	"time"
)

// What was decided stands whatever the evidence says since, from its own time on; a
// raised finding nobody decided on is suspected.
func TestWhereACaseStands(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2026, 3, n, 8, 0, 0, 0, time.UTC) }
	v := &view{q: AsOf{At: day(5)}, cases: map[caseKey][]caseMark{
		{"printer", "P-1", "skipped_probing"}: {{day(2), "on_test"}, {day(4), "upheld"}, {day(6), "closed"}},
		{"printer", "P-1", "cleaning_gap"}:    {{day(6), "on_test"}},
	}}
	items := []Finding{{Kind: "printer", Subject: "P-1", Cause: "cleaning_gap", State: "raised"}, {Kind: "printer", Subject: "P-1", Cause: "skipped_probing", State: "quiet"},
		{Kind: "plate", Subject: "P-1", Cause: "cleaning_gap", State: "watching"}}
	for _, c := range []struct {
		at   int
		want [3]string
	}{{1, [3]string{"suspected", "", ""}}, {2, [3]string{"suspected", "on_test", ""}}, {5, [3]string{"suspected", "upheld", ""}}, {6, [3]string{"on_test", "closed", ""}}} {
		v.settleCases(items, day(c.at))
		if got := [3]string{items[0].Case, items[1].Case, items[2].Case}; got != c.want {
			t.Errorf("on day %d: %q, want %q", c.at, got, c.want)
		}
	}
	if v.movedSince(day(4), day(5)) || !v.movedSince(day(5), day(6)) {
		t.Error("a step on day 6 comes after day 5")
	}
}
