package planning

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// size of an invented farm.
type size struct{ printers, jobs, people, days, starts int }

var recipes = [][]Step{
	{},
	{{Task: "wipe", Person: 1, Machine: 1, Stale: 720}},
	{{Task: "probe", Person: 1, Machine: 6, Stale: 720}},
	{{Task: "wipe", Person: 1, Machine: 1, Stale: 720}, {Task: "probe", Person: 1, Machine: 6, Stale: 720}},
	{{Task: "wash", Person: 5, Machine: 6, Setup: 3, Stale: 720}},
	{{Task: "wipe", Person: 1, Machine: 1, Stale: 720}, {Task: "probe", Person: 1, Machine: 6, Stale: 720}, {Task: "check", Person: 2, Machine: 5, Stale: 720}},
	{{Task: "wash", Person: 5, Machine: 6, Setup: 3, Stale: 720}, {Task: "soak", Machine: 15, Stale: 120}, {Task: "probe", Person: 1, Machine: 6, Stale: 720}},
}

// draw invents an instance: shops of 8 printers a bay, people in two turns a day
// with a break, chances and prices as the settings have them.
func draw(seed uint64, z size) *Instance {
	r := rand.New(rand.NewPCG(seed, 5))
	in := &Instance{Recipes: recipes, BatchMost: 12, StartMinutes: 1,
		Horizon: z.days * 1440, Labour: 0.5, Machine: 0.05}
	bays := (z.printers + 7) / 8
	for i := range bays {
		in.Travel = append(in.Travel, make([]int, bays))
		for k := range bays {
			in.Travel[i][k] = abs(i - k)
		}
	}
	for i := range z.people {
		p := Person{Name: fmt.Sprint("person ", i)}
		from := 360 + 480*(i%2)
		for d := range z.days {
			if i >= 4 && r.IntN(7) == 0 {
				continue
			}
			p.Turns = append(p.Turns, Span{d*1440 + from, d*1440 + from + 225}, Span{d*1440 + from + 255, d*1440 + from + 480})
		}
		in.People = append(in.People, p)
	}
	const kinds = 4
	for i := range z.printers {
		p := Printer{Tag: fmt.Sprintf("P-%03d", i), Plate: fmt.Sprintf("L-%03d", i), Bay: i / 8}
		if r.IntN(10) == 0 {
			p.First = []Step{{Task: "swap_plate", Person: 1, Machine: 1}}
		}
		if r.IntN(2) == 0 {
			p.Free = 360 + r.IntN(600)
		}
		level, skip, dirt := 0.02*math.Exp(0.7*r.NormFloat64()), 0.0, 0.0
		if r.IntN(3) > 0 {
			skip = 0.05 + 0.3*r.Float64()
		}
		if r.IntN(3) > 0 {
			dirt = 0.05 + 0.3*r.Float64()
		}
		fresh, wiped := r.Float64(), 0.1+0.8*r.Float64()
		for k := range kinds {
			if r.IntN(5) == 0 && i >= 4 {
				p.Chances = append(p.Chances, nil)
				continue
			}
			base := min(level*(0.7+0.3*float64(k)), 0.4)
			var c []Chance
			for _, list := range recipes {
				f, l := 1-base, 1-base
				if n := len(list); n > 0 && list[n-1].Task == "check" {
					f, l = 1-base/2, 1-base/2
				}
				probed, cleaned := false, 0.0
				for _, s := range list {
					probed = probed || s.Task == "probe"
					switch s.Task {
					case "wipe":
						cleaned = wiped
					case "wash":
						cleaned = 1
					}
				}
				if !probed {
					f *= 1 - skip*fresh
					l *= 1 - skip
				}
				f *= 1 - dirt*(1-cleaned)*fresh
				l *= 1 - dirt*(1-cleaned)
				c = append(c, Chance{round(1 - f), round(1 - l)})
			}
			p.Chances = append(p.Chances, c)
		}
		in.Printers = append(in.Printers, p)
	}
	for i := range z.jobs {
		j := Job{Name: fmt.Sprintf("J-%02d", i), Kind: r.IntN(kinds), Minutes: 60 * (2 + r.IntN(9)), Due: (1 + r.IntN(z.days)) * 1440, FailCost: round(5 + 35*r.Float64())}
		j.Starts = 1 + r.IntN(max(1, 2*z.starts/z.jobs))
		if r.IntN(4) == 0 {
			j.Earliest = r.IntN(1440)
		}
		j.Due = max(j.Due, j.Earliest+j.Minutes+1440)
		j.LateFee = float64(3 + r.IntN(20))
		in.Jobs = append(in.Jobs, j)
	}
	return in
}

func round(x float64) float64 { return math.Round(x*1e4) / 1e4 }
