package store_test

import (
	"context"
	"testing"
	"time"
)

// The list of jobs and the prep plan must count the same starts as under way:
// those nobody graded, but for the stopped and the lost.
func TestJobsAndPlanCountTheSameStartsAsUnderWay(t *testing.T) {
	s, _ := farmWithThings(t)
	ctx := context.Background()
	mustImport(t, s, small().with("jobs.csv", "job,quantity,hours_per_plate\nJ-1,10,2\n"))
	for i, rest := range []string{
		``, `,"outcome":"finished"`, `,"decision":"let_run"`, // may be good
		`,"decision":"stopped"`, `,"outcome":"scrapped"`, `,"outcome":"restarted"`, `,"outcome":"detached"`, `,"outcome":"stopped"`,
		`,"grade":"clean"`, `,"grade":"failed"`,
	} {
		at := time.Date(2026, 3, 1, 8, i, 0, 0, time.UTC).Format(time.RFC3339)
		body := `{"kind":"first_layer","id":"F-` + string(rune('a'+i)) + `","printer":"R-1","plate":"T-1","job":"J-1","started_at":"` + at + `"` + rest + `}`
		if _, err := send(t, s, body); err != nil {
			t.Fatalf("%s: %v", body, err)
		}
	}
	counts, err := s.JobCounts(ctx, []string{"J-1"})
	if err != nil {
		t.Fatal(err)
	}
	if n := counts["J-1"]; n.Started != 10 || n.Graded != 2 || n.Failures != 1 || n.Open != 3 {
		t.Errorf("got %+v, want 10 started, 2 graded, 1 failure, 3 open", n)
	}
	// Months later: a start does not stop counting because a day has passed.
	rows, err := s.PlanRows(ctx, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	if len(rows.Jobs) != 1 || rows.Jobs[0].Open != 3 || rows.Jobs[0].Good != 1 {
		t.Errorf("got %+v, want one job with 3 open and 1 good", rows.Jobs)
	}
}
