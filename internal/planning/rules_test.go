package planning

import "testing"

// shop is printers in a bay each, all equal, one person who is always there and one job
// that fails half of the time unless each start is prepared by the steps given.
func shop(printers, starts int, steps ...Step) *Instance {
	in := &Instance{Recipes: [][]Step{{}, steps}, BatchMost: 1, StartMinutes: 1, Horizon: 2880, Labour: 0.5, Machine: 0.05,
		People: []Person{{Name: "ines", Turns: []Span{{0, 2880}}}},
		Jobs:   []Job{{Name: "J", Starts: starts, Minutes: 120, Due: Never, FailCost: 40}}}
	for i := range printers {
		in.Printers = append(in.Printers, Printer{Bay: i, Chances: [][]Chance{{{0.5, 0.5}, {0.01, 0.01}}}})
		in.Travel = append(in.Travel, make([]int, printers))
	}
	return in
}

func solved(t *testing.T, in *Instance) *Plan {
	t.Helper()
	if err := in.Check(); err != nil {
		t.Fatal(err)
	}
	p := Solve(in)
	if w := check(in, p); len(w) > 0 {
		t.Fatal(w)
	}
	for j, n := range p.Unplaced {
		if n > 0 {
			t.Fatalf("%d starts of job %d find no place", n, j)
		}
	}
	return p
}

// Each rule alone decides where something lies: without it the plan would be another,
// which is held too.
func TestEachRuleDecidesAPlan(t *testing.T) {
	probe := Step{Task: "probe", Person: 10, Machine: 10}
	t.Run("break", func(t *testing.T) {
		in := shop(1, 1, probe)
		in.Printers[0].Free = 55
		if p := solved(t, in); p.Starts[0].Tasks[0].At != 55 {
			t.Errorf("without a break at %d, want 55", p.Starts[0].Tasks[0].At)
		}
		in.People[0].Turns = []Span{{0, 60}, {90, 480}}
		if p := solved(t, in); p.Starts[0].Tasks[0].At != 90 {
			t.Errorf("with a break from 60 to 90 at %d, want 90", p.Starts[0].Tasks[0].At)
		}
	})
	t.Run("shift", func(t *testing.T) {
		in := shop(1, 1, probe)
		in.People[0].Turns = []Span{{480, 960}}
		if p := solved(t, in); p.Starts[0].Tasks[0].At != 480 || p.Starts[0].At != 490 {
			t.Errorf("%+v, want the shift's first minutes", p.Starts[0])
		}
	})
	t.Run("person-minutes", func(t *testing.T) { // the machine's minutes are nobody's
		in := shop(2, 2, Step{Task: "probe", Person: 10, Machine: 100})
		in.Jobs[0].Due, in.Jobs[0].LateFee, in.Jobs[0].FailCost = 250, 6, 400
		last := func(p *Plan) int { return max(p.Starts[0].At, p.Starts[1].At) }
		if p := solved(t, in); last(p) > 112 {
			t.Errorf("one person, two probes of 10 minutes on machines of 100: the last start at %d, want about 111", last(p))
		}
		in.Recipes[1][0].Person = 100
		if p := solved(t, in); last(p) < 200 {
			t.Errorf("two probes of 100 person-minutes each, and the last start at %d", last(p))
		}
	})
	t.Run("travel", func(t *testing.T) {
		in := shop(2, 2, probe)
		in.Jobs[0].Due, in.Jobs[0].LateFee = 120, 60
		near := solved(t, in)
		for i := range in.Travel {
			for k := range in.Travel[i] {
				if i != k {
					in.Travel[i][k] = 7
				}
			}
		}
		far := solved(t, in)
		if near.Late[0] >= far.Late[0] {
			t.Errorf("walking takes no time: %d minutes late, with 7 minutes between bays %d", near.Late[0], far.Late[0])
		}
	})
	t.Run("batch", func(t *testing.T) {
		in := shop(3, 3, Step{Task: "wash", Person: 5, Machine: 6, Setup: 3})
		for i := range in.Printers {
			in.Printers[i].Bay = 0
		}
		minutes := func(most int) (sum int) {
			in.BatchMost = most
			for _, s := range solved(t, in).Starts {
				sum += s.Tasks[0].Minutes
			}
			return sum
		}
		for most, want := range map[int]int{1: 15, 2: 12, 3: 9} {
			if got := minutes(most); got != want {
				t.Errorf("three plates in batches of %d take %d minutes, want %d", most, got, want)
			}
		}
		in.Printers[2].Bay = 1 // another bay's plate joins no batch
		if got := minutes(3); got != 12 {
			t.Errorf("two plates of one bay and one of another take %d minutes, want 12", got)
		}
	})
	t.Run("stale again", func(t *testing.T) {
		in := shop(1, 1, probe)
		in.Jobs[0].Earliest = 600
		in.People[0].Turns = []Span{{0, 60}, {600, 700}}
		if p := solved(t, in); p.Starts[0].Tasks[0].At != 0 {
			t.Errorf("prep that keeps is done at %d, want at once", p.Starts[0].Tasks[0].At)
		}
		in.Recipes[1][0].Stale = 120
		if p := solved(t, in); p.Starts[0].Tasks[0].At < 600 {
			t.Errorf("prep that keeps two hours is done at %d for a start at %d", p.Starts[0].Tasks[0].At, p.Starts[0].At)
		}
	})
	t.Run("used up", func(t *testing.T) { // what was done for one print is not done for the next
		in := shop(1, 2, probe)
		for _, s := range solved(t, in).Starts {
			if len(s.Tasks) != 1 || s.PFail != 0.01 {
				t.Errorf("%+v, want a probe of its own", s)
			}
		}
	})
	t.Run("precedence", func(t *testing.T) { // what policies ask for and what pays, once each and in order
		in := shop(1, 1, Step{Task: "wipe", Person: 1, Machine: 1}, Step{Task: "soak", Machine: 15}, Step{Task: "probe", Person: 1, Machine: 6})
		in.Printers[0].First = []Step{{Task: "check", Person: 2, Machine: 5}, {Task: "swap_plate", Person: 1, Machine: 1}, {Task: "probe", Person: 1, Machine: 6}, {Task: "wash", Person: 5, Machine: 6, Setup: 3}}
		s := solved(t, in).Starts[0]
		want, at := []string{"wash", "swap_plate", "wipe", "soak", "probe", "check"}, 0
		if len(s.Tasks) != len(want) {
			t.Fatalf("%+v, want %v", s.Tasks, want)
		}
		for i, x := range s.Tasks {
			if x.Task != want[i] || x.At < at {
				t.Errorf("task %d is %s at %d, want %s from %d on", i, x.Task, x.At, want[i], at)
			}
			at = x.Done
		}
		if s.At < at {
			t.Errorf("starts at %d, prepared at %d", s.At, at)
		}
	})
	t.Run("asked first", func(t *testing.T) { // policies ask before the first start alone
		in := shop(1, 2)
		in.Recipes = in.Recipes[:1]
		in.Printers[0].Chances = [][]Chance{{{0.5, 0.5}}}
		in.Printers[0].First = []Step{{Task: "wash", Person: 5, Machine: 6, Setup: 3}}
		tasks := 0
		for _, s := range solved(t, in).Starts {
			tasks += len(s.Tasks)
		}
		if tasks != 1 {
			t.Errorf("%d washes, want one", tasks)
		}
	})
	t.Run("due dates", func(t *testing.T) {
		in := shop(1, 1, probe)
		in.Jobs[0].Due, in.Jobs[0].LateFee = 600, 5
		in.Jobs = append(in.Jobs, in.Jobs[0])
		in.Jobs[1].Name, in.Jobs[1].Due = "K", 200
		first := func() int {
			p := solved(t, in)
			if p.Late[0]+p.Late[1] > 0 {
				t.Errorf("late: %v", p.Late)
			}
			if p.Starts[0].At < p.Starts[1].At {
				return p.Starts[0].Job
			}
			return p.Starts[1].Job
		}
		if first() != 1 {
			t.Error("the job due later goes first")
		}
		in.Jobs[0].Due, in.Jobs[1].Due = 200, 600
		if first() != 0 {
			t.Error("the job due later goes first")
		}
		// Neither can be in time: the dearer hour goes first.
		in.Jobs[0].Due, in.Jobs[1].Due, in.Jobs[1].LateFee = 100, 100, 50
		if p := solved(t, in); p.Late[1] >= p.Late[0] {
			t.Errorf("late by %v minutes, the second costs ten times as much", p.Late)
		}
	})
}
