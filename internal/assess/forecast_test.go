package assess_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/store"
)

func outcomeOf(t *testing.T, s *store.Store, at time.Time, job string) store.JobOutcome {
	t.Helper()
	list, err := s.JobOutcomesOf(context.Background(), at, job)
	if err != nil || len(list) != 1 {
		t.Fatalf("%d forecasts of %s: %v", len(list), job, err)
	}
	return list[0]
}

// What a job's first plan expects is written down once; what comes after changes
// nothing of it and stands beside it.
func TestWhatIsExpectedOfAJobIsFrozen(t *testing.T) {
	s := open(t)
	forceFarm().into(t, s)
	a := assess.New(s)
	at := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	plan := keep(t, a, at)
	first := map[string]store.JobOutcome{}
	for _, j := range plan.Jobs {
		o := outcomeOf(t, s, at, j.Job)
		first[j.Job] = o
		sum := 0.0
		for _, x := range j.Starts {
			sum += x.PFail
			if !(x.PLow < x.PFail && x.PFail < x.PHigh) {
				t.Errorf("%s on %s: fails %g (%g to %g)", j.Job, x.Printer, x.PFail, x.PLow, x.PHigh)
			}
		}
		e := &j.Expected
		if o.Starts != len(j.Starts) || math.Abs(o.Failures-sum) > 1e-2*sum || *o.FailuresLow > o.Failures || *o.FailuresHigh < o.Failures || o.Came != "" || o.Needed != j.Needed || len(strings.Fields(o.Chances)) != o.Starts {
			t.Errorf("%s: %+v, planned %d starts of %g", j.Job, o, len(j.Starts), sum)
		}
		if !(e.CostLow <= e.Cost && e.Cost < e.CostHigh) || math.Abs(*o.ExpectedCost-e.Cost) > 0.01 || !(e.EnoughLow <= e.Enough && e.Enough <= e.EnoughHigh) || *o.Doubt <= 0 {
			t.Errorf("%s: cost %g (%g to %g), enough %g (%g to %g), doubt %g", j.Job, e.Cost, e.CostLow, e.CostHigh, e.Enough, e.EnoughLow, e.EnoughHigh, *o.Doubt)
		}
	}
	if len(first) != 3 || !(plan.CostLow <= plan.Cost && plan.Cost < plan.CostHigh) {
		t.Errorf("%d jobs, cost %g (%g to %g)", len(first), plan.Cost, plan.CostLow, plan.CostHigh)
	}
	// A good start, one that failed, one that nobody graded.
	for i, grade := range []string{"clean", "failed", ""} {
		more := ""
		when := at.Add(time.Duration(20+i) * time.Minute)
		if grade != "" {
			more = fmt.Sprintf(`,"grade":%q,"graded_at":%q`, grade, when.Add(15*time.Minute).Format(time.RFC3339))
		}
		send(t, s, when, fmt.Sprintf(`{"kind":"first_layer","id":"N-%d","printer":"P-%d","plate":"L-%d","started_at":%q,"job":"J-1"%s}`, i, i, i, when.Format(time.RFC3339), more))
	}
	later := at.Add(time.Hour)
	keep(t, a, later)
	for job, was := range first {
		o := outcomeOf(t, s, later, job)
		want := ""
		if job == "J-1" {
			want = "gf."
		}
		if o.ID != was.ID || !o.At.Equal(was.At) || o.Chances != was.Chances || o.Came != want {
			t.Errorf("%s: %+v, was %+v", job, o, was)
		}
	}
	if o := outcomeOf(t, s, later, "J-1"); o.Good != 1 || o.More != 0 {
		t.Errorf("J-1: %+v", o)
	}
}

// Prices that change show in the plan, in what is due and in suggestions.
func TestCostInputsAreFollowed(t *testing.T) {
	s := open(t)
	forceFarm().into(t, s)
	a := assess.New(s)
	ctx := context.Background()
	at := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	type told struct{ plan, due, gains float64 }
	ask := func(at time.Time) (x told) {
		plan, err := a.Plan(ctx, assess.AsOf{At: at}, assess.Confidence)
		if err != nil {
			t.Fatal(err)
		}
		x.plan = plan.Cost
		up, err := a.Upkeep(ctx, assess.AsOf{At: at}, "")
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range up.Items {
			x.due += d.Saves
		}
		care, err := a.Care(ctx, at)
		if err != nil {
			t.Fatal(err)
		}
		for _, g := range care.Suggestions() {
			x.gains += max(g.Gains, 0)
			if g.State == "suggest" && !(g.GainsLow < g.GainsHigh && g.GainsLow <= g.Gains && g.Gains <= g.GainsHigh) {
				t.Errorf("%s %s gains %g (%g to %g)", g.Kind, g.Subject, g.Gains, g.GainsLow, g.GainsHigh)
			}
		}
		return x
	}
	set := func(key, from, to string) {
		t.Helper()
		if err := s.SaveThings(ctx, store.Act{Via: "page", Why: "new prices"}, farm.KindSetting, store.ThingEdit{Before: &farm.Setting{Key: key, Value: from}, After: &farm.Setting{Key: key, Value: to}}); err != nil {
			t.Fatal(err)
		}
	}
	before := ask(at)
	set("failure_material", "40", "80")
	dear := ask(at)
	if dear.plan <= before.plan || dear.due <= before.due || dear.gains <= before.gains {
		t.Errorf("material twice as dear: %+v, before %+v", dear, before)
	}
	set("labour_per_hour", "30", "300")
	if work := ask(at); work.due == dear.due || work.gains == dear.gains || work.plan <= dear.plan {
		t.Errorf("work ten times as dear: %+v, before %+v", work, dear)
	}
	set("labour_per_hour", "300", "30")
	set("machine_per_hour", "3", "60")
	if idle := ask(at); idle.due == dear.due || idle.plan <= dear.plan {
		t.Errorf("machines dearer: %+v, before %+v", idle, dear)
	}
}
