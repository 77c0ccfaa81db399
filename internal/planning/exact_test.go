package planning

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// tiny draws an instance of a few minutes that every plan can be looked at of.
func tiny(seed uint64) *Instance {
	r := rand.New(rand.NewPCG(seed, 6))
	in := &Instance{Recipes: [][]Step{{}, {{Task: "wash", Person: 2, Machine: 2, Setup: 1, Stale: 1 + r.IntN(4)}},
		{{Task: "wash", Person: 2, Machine: 1 + r.IntN(2), Setup: 1, Stale: 5}, {Task: "probe", Person: 1, Machine: 2, Stale: 1 + r.IntN(3)}}},
		Travel: [][]int{{0, 1}, {1, 0}}, BatchMost: 1 + r.IntN(3), StartMinutes: r.IntN(2), Horizon: 10, Labour: 0.1, Machine: 0.02}
	for range 1 + r.IntN(2) {
		in.Printers = append(in.Printers, Printer{Bay: r.IntN(4) / 3, Free: r.IntN(3)})
		swap := r.IntN(4) == 0
		p := &in.Printers[len(in.Printers)-1]
		if swap {
			p.First = []Step{{Task: "swap_plate", Person: 1, Machine: 1}}
		}
		x, y, z := 0.2+0.6*r.Float64(), 0.5*r.Float64(), r.Float64()
		p.Chances = [][]Chance{{{x, x * 1.1}, {x * y, x * y}, {x * y * z, x * y * z}}}
	}
	for range 1 + r.IntN(2) {
		at := r.IntN(3)
		p := Person{Turns: []Span{{at, at + 2 + r.IntN(4)}}}
		if r.IntN(2) == 0 {
			p.Turns = append(p.Turns, Span{at + 6, at + 6 + 1 + r.IntN(4)})
		}
		in.People = append(in.People, p)
	}
	for range 1 + r.IntN(2) {
		in.Jobs = append(in.Jobs, Job{Starts: 1, Minutes: 1 + r.IntN(3), Earliest: r.IntN(4), Due: 3 + r.IntN(8), LateFee: 60 * r.Float64() * 0.5, FailCost: 4})
	}
	return in
}

// brute gives the least cost over every minute, person, printer and recipe;
// +Inf when there is no plan. It goes by the checker alone.
func brute(in *Instance) float64 {
	var ways [][]Start
	for j, job := range in.Jobs {
		var list []Start
		for p := range in.Printers {
			for _, first := range []bool{true, false} {
				for r := range in.Recipes {
					steps := in.Recipes[r]
					if first {
						steps = in.steps(p, r, true)
					}
					c := in.Printers[p].Chances[job.Kind][r]
					s := Start{Job: j, Printer: p, Recipe: r, Starter: -1, PFail: c.Later}
					if first {
						s.PFail = c.First
					}
					var fill func(at int)
					fill = func(at int) {
						if k := len(s.Tasks); k < len(steps) {
							st := steps[k]
							for t := at; t < in.Horizon; t++ {
								for q := range in.People {
									for _, joined := range []bool{false, true} {
										x := Task{Task: st.Task, Person: q, At: t, Minutes: st.Person, Joined: joined, setup: st.Setup}
										if joined {
											if st.Setup == 0 {
												continue
											}
											x.Minutes -= st.Setup
										}
										x.Done = t + max(x.Minutes, st.Machine)
										s.Tasks = append(s.Tasks, x)
										fill(x.Done)
										s.Tasks = s.Tasks[:len(s.Tasks)-1]
									}
								}
							}
							return
						}
						for t := max(at, job.Earliest); t < in.Horizon; t++ {
							for q := range max(1, len(in.People)) {
								c := s
								c.At, c.End, c.Tasks = t, t+job.Minutes, slices.Clone(s.Tasks)
								if in.StartMinutes > 0 {
									c.Starter = q
								} else if q > 0 {
									break
								}
								if alone(in, &c) {
									list = append(list, c)
								}
							}
						}
					}
					fill(in.Printers[p].Free)
				}
			}
		}
		ways = append(ways, list)
	}
	best := math.Inf(1)
	var chosen []Start
	var go1 func(j int, cost float64)
	go1 = func(j int, cost float64) {
		if cost >= best-1e-12 {
			return
		}
		if j == len(ways) {
			p := &Plan{Starts: slices.Clone(chosen), Unplaced: make([]int, len(in.Jobs))}
			p.Cost, p.Late = in.Price(p.Starts)
			if len(check(in, p)) == 0 {
				best = p.Cost.Total()
			}
			return
		}
		for _, s := range ways[j] {
			c, _ := in.Price([]Start{s})
			chosen = append(chosen, s)
			go1(j+1, cost+c.Total())
			chosen = chosen[:len(chosen)-1]
		}
	}
	go1(0, 0)
	return best
}

// alone is a quick look: turns and staleness of one start.
func alone(in *Instance, s *Start) bool {
	within := func(q, from, to int) bool {
		return slices.ContainsFunc(in.People[q].Turns, func(t Span) bool { return t.From <= from && to <= t.To })
	}
	for i := range s.Tasks {
		t := &s.Tasks[i]
		stale := 0
		for _, st := range in.Recipes[s.Recipe] {
			if st.Task == t.Task {
				stale = st.Stale
			}
		}
		if !within(t.Person, t.At, t.At+t.Minutes) || stale > 0 && s.At-t.Done > stale {
			return false
		}
	}
	return s.Starter < 0 || within(s.Starter, s.At, s.At+in.StartMinutes)
}

// The cheapest plan found by branch and bound is that found by looking at every
// minute; the bound of the relaxation is never above it.
func TestExactIsTheBestOfAll(t *testing.T) {
	none, joined := 0, 0
	for seed := uint64(1); seed <= 60; seed++ {
		if seed == 20 {
			continue // looking at every minute takes 10 s
		}
		in := tiny(seed)
		if in.tasks() > exactTasks {
			t.Fatal(in.tasks())
		}
		want := brute(in)
		got, done := Exact(in, nil)
		if !done {
			t.Fatalf("seed %d: given up", seed)
		}
		if math.IsInf(want, 1) {
			if none++; got != nil {
				t.Fatalf("seed %d: a plan where there is none", seed)
			}
			continue
		}
		if got == nil || math.Abs(got.Cost.Total()-want) > 1e-9 {
			t.Fatalf("seed %d: %+v, best %g", seed, got, want)
		}
		if w := check(in, got); len(w) > 0 {
			t.Fatalf("seed %d: %v", seed, w)
		}
		for i := range got.Starts {
			for k := range got.Starts[i].Tasks {
				if got.Starts[i].Tasks[k].Joined {
					joined++
				}
			}
		}
		if b := Bound(in, want); b > want+1e-9 {
			t.Fatalf("seed %d: bound %g above the best plan, %g", seed, b, want)
		}
		p := Solve(in)
		if w := check(in, p); len(w) > 0 {
			t.Fatalf("seed %d: %v", seed, w)
		}
		if slices.Max(p.Unplaced) == 0 && (!p.Exact || math.Abs(p.Cost.Total()-want) > 1e-9) {
			t.Fatalf("seed %d: solved at %g, best %g", seed, p.Cost.Total(), want)
		}
	}
	if none > 30 || joined == 0 {
		t.Fatalf("of 59, %d have no plan; %d washes joined", none, joined)
	}
}
