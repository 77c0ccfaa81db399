package planning

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// check goes over a plan with none of the solver's own code and lists every rule
// it breaks.
func check(in *Instance, p *Plan) (wrong []string) {
	no := func(form string, a ...any) { wrong = append(wrong, fmt.Sprintf(form, a...)) }
	type piece struct {
		from, to, bay int
		what          string
		joined        bool
		setup         int
	}
	people := make([][]piece, len(in.People))
	machines := make([][]Start, len(in.Printers))
	for _, w := range in.Washes {
		people[w.Person] = append(people[w.Person], piece{w.At, w.At + w.Minutes, w.Bay, "wash", false, 1})
	}
	count := make([]int, len(in.Jobs))
	for _, s := range p.Starts {
		machines[s.Printer] = append(machines[s.Printer], s)
		count[s.Job]++
	}
	for j := range in.Jobs {
		if count[j]+p.Unplaced[j] != in.Jobs[j].Starts {
			no("job %d: %d placed, %d not, of %d", j, count[j], p.Unplaced[j], in.Jobs[j].Starts)
		}
	}
	money := 0.0
	end := make([]int, len(in.Jobs))
	for m, list := range machines {
		slices.SortFunc(list, func(a, b Start) int { return cmp.Compare(a.At, b.At) })
		printer := in.Printers[m]
		free := printer.Free
		for k, s := range list {
			job := in.Jobs[s.Job]
			if printer.Chances[job.Kind] == nil {
				no("%s cannot run %s", printer.Tag, job.Name)
				continue
			}
			var want []Step
			for _, task := range []string{"wash", "swap_plate", "wipe", "soak", "probe", "check"} {
				here := func(list []Step) bool {
					i := slices.IndexFunc(list, func(x Step) bool { return x.Task == task })
					if i >= 0 {
						want = append(want, list[i])
					}
					return i >= 0
				}
				if k > 0 || !here(printer.First) {
					here(in.Recipes[s.Recipe])
				}
			}
			if len(want) != len(s.Tasks) {
				no("%s start %d: %d tasks, want %d", printer.Tag, k, len(s.Tasks), len(want))
				continue
			}
			at := free
			for i, t := range s.Tasks {
				w := want[i]
				if t.Task != w.Task {
					no("%s start %d: %s, want %s", printer.Tag, k, t.Task, w.Task)
				}
				if t.At < at {
					no("%s start %d: %s at %d before %d", printer.Tag, k, t.Task, t.At, at)
				}
				person := w.Person
				if t.Joined {
					person -= w.Setup
				}
				length := max(person, w.Machine)
				if t.Done != t.At+length || t.Minutes != person {
					no("%s start %d: %s lasts %d, person %d; want %d, %d", printer.Tag, k, t.Task, t.Done-t.At, t.Minutes, length, person)
				}
				if w.Stale > 0 && s.At-t.Done > w.Stale {
					no("%s start %d: %s is stale", printer.Tag, k, t.Task)
				}
				money += in.Labour*float64(person) + in.Machine*float64(max(w.Person, w.Machine))
				at = t.Done
				if (t.Person >= 0) != (w.Person > 0) {
					no("%s start %d: %s has person %d", printer.Tag, k, t.Task, t.Person)
				} else if t.Person >= 0 {
					people[t.Person] = append(people[t.Person], piece{t.At, t.At + person, printer.Bay, t.Task, t.Joined, w.Setup})
				}
			}
			if s.At < at || s.At < job.Earliest || s.At >= in.Horizon || s.End != s.At+job.Minutes {
				no("%s start %d at %d to %d: free %d, earliest %d, %d minutes, horizon %d", printer.Tag, k, s.At, s.End, at, job.Earliest, job.Minutes, in.Horizon)
			}
			if in.StartMinutes > 0 {
				if s.Starter < 0 {
					no("%s start %d: nobody starts it", printer.Tag, k)
				} else {
					people[s.Starter] = append(people[s.Starter], piece{s.At, s.At + in.StartMinutes, printer.Bay, "start", false, 0})
				}
			}
			chance := printer.Chances[job.Kind][s.Recipe].Later
			if k == 0 {
				chance = printer.Chances[job.Kind][s.Recipe].First
			}
			if s.PFail != chance {
				no("%s start %d: chance %g, want %g", printer.Tag, k, s.PFail, chance)
			}
			money += chance * job.FailCost
			free = s.End
			end[s.Job] = max(end[s.Job], s.End)
		}
	}
	for j, job := range in.Jobs {
		if late := max(0, end[j]-job.Due); late != p.Late[j] && count[j] > 0 {
			no("job %d: %d late, want %d", j, p.Late[j], late)
		} else if count[j] > 0 {
			money += job.LateFee / 60 * float64(late)
		}
	}
	if math.Abs(money-p.Cost.Total()) > 1e-6 {
		no("costs %g, want %g", p.Cost.Total(), money)
	}
	for q, list := range people {
		slices.SortFunc(list, func(a, b piece) int { return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to)) })
		batch := 0
		for i, x := range list {
			if x.setup != 1 && !slices.ContainsFunc(in.People[q].Turns, func(t Span) bool { return t.From <= x.from && x.to <= t.To }) {
				no("%s does %s from %d to %d, not within a turn", in.People[q].Name, x.what, x.from, x.to)
			}
			if i > 0 && list[i-1].to+in.walks()[list[i-1].bay][x.bay] > x.from {
				no("%s does %s at %d, busy until %d in bay %d", in.People[q].Name, x.what, x.from, list[i-1].to, list[i-1].bay)
			}
			switch {
			case !x.joined && x.setup > 0:
				batch = 1
			case !x.joined:
				batch = 0
			default:
				if batch++; batch == 1 || batch > in.BatchMost || x.setup == 0 || list[i-1].to != x.from || list[i-1].bay != x.bay {
					no("%s joins %s at %d to nothing, or to too much", in.People[q].Name, x.what, x.from)
				}
			}
		}
	}
	return wrong
}

func TestAnyPlanKeepsEveryRule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		z := size{rapid.IntRange(1, 12).Draw(t, "printers"), rapid.IntRange(1, 6).Draw(t, "jobs"), rapid.IntRange(0, 4).Draw(t, "people"), rapid.IntRange(1, 3).Draw(t, "days"), rapid.IntRange(1, 24).Draw(t, "starts")}
		in := draw(rapid.Uint64().Draw(t, "seed"), z)
		in.StartMinutes = rapid.IntRange(0, 2).Draw(t, "start minutes")
		in.BatchMost = rapid.IntRange(1, 3).Draw(t, "batch")
		if rapid.Bool().Draw(t, "must") {
			for i := range in.Printers {
				if i%3 == 0 { // a policy's wash; a proof after a service
					in.Printers[i].First = append(in.Printers[i].First, recipes[4][0], recipes[5][2])
				}
			}
		}
		b := newBoard(in)
		b.construct()
		b.improve(60)
		p := b.finish()
		if err := in.Check(); err != nil {
			t.Fatal(err)
		}
		if w := check(in, p); len(w) > 0 {
			t.Fatal(w)
		}
		// Someone is away, a printer is out, a job is new.
		if len(in.People) > 0 {
			in.People[0].Turns = in.People[0].Turns[:len(in.People[0].Turns)/2]
		}
		in.Printers[0].Free = 600
		in.Jobs[0].Starts++
		q := Replan(in, p, 1)
		if w := check(in, q); len(w) > 0 {
			t.Fatal("replanned: ", w)
		}
	})
}
