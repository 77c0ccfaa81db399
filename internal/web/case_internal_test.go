package web

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
)

// What a test may say follows from how it stands: no cause before it is shown, and none
// where it ended otherwise.
func TestWhatATestSays(t *testing.T) {
	begin := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	r := rand.New(rand.NewPCG(4, 4))
	made := func(n int, left, done float64) (list []store.TestStart) {
		for k := range n {
			x := store.TestStart{Do: r.Float64() < 0.5, At: begin.Add(time.Duration(k) * time.Hour), Graded: k%10 != 3, Followed: k%7 != 0}
			p := left
			if x.Do {
				p = done
			}
			x.Failed = x.Graded && r.Float64() < p
			list = append(list, x)
		}
		return list
	}
	plan := farm.PlannedTest{SubjectKind: "printer", Subject: "P-014", Cause: "skipped_probing", Task: "probe", BeginsAt: begin, Starts: 200, Share: 0.5, FailsLeft: 0.3, FailsDone: 0.1, Power: 0.8}
	for _, c := range []struct {
		name        string
		starts      []store.TestStart
		over        bool
		state, says string
		not         string
	}{
		{"nothing yet", nil, false, "running", "0 of 200 graded starts", "caused"},
		{"on the way", made(60, 0.2, 0.2), false, "running", "not honest to stop yet", "caused"},
		{"a large difference", made(120, 0.7, 0.02), false, "running", "leaving it caused", "randomisation"},
		{"a large difference, over", made(120, 0.7, 0.02), true, "shown", "leaving it caused", ""},
		{"its size", made(240, 0.2, 0.2), false, "running", "End it and decide", "caused"},
		{"nothing shown", made(240, 0.2, 0.2), true, "not_shown", "did not show", "caused"},
		{"doing harms", made(240, 0.05, 0.5), true, "shown", "Probing caused failures of P-014", "spares"},
		{"given up", made(60, 0.2, 0.2), true, "too_little", "Too little to tell", "caused"},
	} {
		p := plan
		if c.over {
			p.EndedAt = begin.Add(9000 * time.Hour)
		}
		x := judgeTest(&p, c.starts, 0)
		state, says := x.says()
		all := strings.Join(says, " ")
		if state.Code != c.state || !strings.Contains(all, c.says) || c.not != "" && strings.Contains(all, c.not) && c.not != "randomisation" {
			t.Errorf("%s: %s, %q", c.name, state.Code, all)
		}
		if n := x.graded[0].Starts + x.graded[1].Starts; n > p.Starts || n+x.after > len(c.starts) {
			t.Errorf("%s: %d count of %d", c.name, n, p.Starts)
		}
	}
}
