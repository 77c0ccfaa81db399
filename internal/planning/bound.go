package planning

import (
	"math"
	"runtime"
	"sync"
)

// Bound is a proven lower bound of the cost of every plan of an instance that
// places all starts; 0 where it proves nothing. known is the cost of some plan:
// it steers the search for a good bound and never enters one.
//
// Proof. Take any such plan. A start of job j on printer p costs at least
// a(j,p) = min over recipes of chance · loss + person and machine minutes, with
// the chances of a first or of a later start as it is one. Of a batch of n washes
// one pays for setting up; no printer is in it twice (it prints in between), so n
// is at most m, the batch's limit or the printers of the bay if they are fewer,
// and each wash may be charged 1/m of it. A job of S starts pays fee · max of their latenesses, which is at least
// the mean, so each start may be charged fee/S · its own. Let g be a grid of
// minutes and t = ⌊begin/g⌋ for each start. On one printer consecutive starts
// have t' ≥ t + ⌊minutes/g⌋; the first t is at least ⌊free/g⌋, none is before the
// job's earliest, a start is late by at least g·t + minutes - due, and where
// starts need hands somebody has a turn that meets the cell. Hence the plan
// costs at least the minimum of Σ charges over all choices of one such sequence
// for each printer that together hold S_j starts of each job. Putting the last
// condition into the objective with prices v ≥ 0 lowers the minimum (weak
// duality): for every v
//
//	Σ_j v_j S_j - Σ_p max over sequences of Σ (v_j - charge)
//
// is a bound. The inner maximum is found exactly, by dynamic programming over
// time. v follows a subgradient (Held and Karp 1971, Math. Program. 1:6, with
// Polyak's step); the best value met is given.
func Bound(in *Instance, known float64) float64 {
	r := relax(in)
	if r == nil {
		return 0
	}
	v := make([]float64, len(in.Jobs))
	taken, mean := make([]float64, len(v)), make([]float64, len(v))
	for j := range v {
		v[j] = r.typical[j]
	}
	best, scale, since := 0.0, 1.0, 0
	at := append([]float64(nil), v...)
	for range r.rounds {
		clear(taken)
		total := 0.0
		for j := range v {
			total += v[j] * float64(in.Jobs[j].Starts)
		}
		for _, worth := range r.all(v, taken) { // in their order: no sum depends on who was done first
			total -= worth
		}
		if total > best {
			best, since = total, 0
			copy(at, v)
		} else if since++; since > 12 {
			scale, since = scale*0.6, 0
			copy(v, at)
			clear(mean)
			continue
		}
		norm := 0.0
		for j := range v {
			mean[j] = float64(in.Jobs[j].Starts) - taken[j] + 0.5*mean[j]
			norm += mean[j] * mean[j]
		}
		if norm == 0 || known-total <= 1e-9*known {
			break
		}
		step := scale * (known - total) / norm
		for j := range v {
			v[j] = max(0, v[j]+step*mean[j])
		}
	}
	return best
}

// all is what each printer's best sequence is worth at prices v; the starts in them are
// added to taken. Printers are shared out among as many workers as there are cores.
func (r *relaxed) all(v, taken []float64) []float64 {
	if r.rooms == nil {
		r.rooms = make([]room, max(1, min(runtime.GOMAXPROCS(0), len(r.printers))))
		for w := range r.rooms {
			r.rooms[w].taken = make([]float64, len(v))
			for i := range r.rooms[w].value {
				r.rooms[w].value[i], r.rooms[w].choice[i] = make([]float64, r.cells+1), make([]int32, r.cells+1)
			}
		}
		r.worth = make([]float64, len(r.printers))
	}
	var wait sync.WaitGroup
	for w := range r.rooms {
		wait.Go(func() {
			clear(r.rooms[w].taken)
			for p := w; p < len(r.printers); p += len(r.rooms) {
				r.worth[p] = r.printers[p].most(r, &r.rooms[w], v)
			}
		})
	}
	wait.Wait()
	for w := range r.rooms {
		for j, n := range r.rooms[w].taken {
			taken[j] += n
		}
	}
	return r.worth
}

// room is what one worker writes in.
type room struct {
	value  [2][]float64
	choice [2][]int32
	taken  []float64
}

// relaxed is an instance as the bound sees it.
type relaxed struct {
	cells    int       // of the grid, to the horizon
	length   []int     // of each job, in cells, down
	early    []int     // cell of its earliest start
	late     []float64 // of each job and cell: what a start there pays
	hands    []bool    // somebody can begin a start in the cell
	typical  []float64 // charge of each job
	printers []relaxedPrinter
	rounds   int
	rooms    []room    // of the workers
	worth    []float64 // of each printer, in the round that runs
}

type relaxedPrinter struct {
	from  int
	jobs  []int32
	price [2][]float64 // first and later, beside jobs
}

// relax makes the bound's instance; nil if some job cannot be made at all.
func relax(in *Instance) *relaxed {
	pairs := 0
	for p := range in.Printers {
		for j := range in.Jobs {
			if in.Jobs[j].Starts > 0 && in.eligible(j, p) {
				pairs++
			}
		}
	}
	shortest := Never
	for j := range in.Jobs {
		if in.Jobs[j].Starts > 0 {
			shortest = min(shortest, in.Jobs[j].Minutes)
		}
	}
	grid := min(15, shortest) // a print fills a cell at least, or a sequence could go on for ever
	for grid < 60 && 2*grid <= shortest && pairs*(in.Horizon/grid) > 300_000 {
		grid *= 2
	}
	r := &relaxed{cells: (in.Horizon + grid - 1) / grid, typical: make([]float64, len(in.Jobs))}
	if pairs == 0 || r.cells <= 0 {
		return nil
	}
	r.rounds = min(250, max(8, 250_000_000/(pairs*r.cells)))
	for t := range r.cells {
		r.hands = append(r.hands, in.StartMinutes == 0 || in.hands(t*grid) < min((t+1)*grid, in.Horizon))
	}
	r.late = make([]float64, len(in.Jobs)*r.cells)
	for j := range in.Jobs {
		job := &in.Jobs[j]
		r.length = append(r.length, job.Minutes/grid)
		r.early = append(r.early, max(job.Earliest, 0)/grid)
		for t := range r.cells {
			r.late[j*r.cells+t] = job.LateFee / 60 / float64(max(job.Starts, 1)) * float64(max(0, t*grid+job.Minutes-job.Due))
		}
	}
	count := make([]float64, len(in.Jobs))
	share := in.shares()
	for p := range in.Printers {
		x := relaxedPrinter{from: max(in.Printers[p].Free, 0) / grid}
		for j := range in.Jobs {
			if in.Jobs[j].Starts == 0 || !in.eligible(j, p) {
				continue
			}
			first, later := math.Inf(1), math.Inf(1)
			for i := range in.Recipes {
				if c := in.base(j, p, i, true) + share[p][i][0]; c < first {
					first = c
				}
				if c := in.base(j, p, i, false) + share[p][i][1]; c < later {
					later = c
				}
			}
			x.jobs = append(x.jobs, int32(j))
			x.price[0], x.price[1] = append(x.price[0], first), append(x.price[1], later)
			r.typical[j] += later
			count[j]++
		}
		if len(x.jobs) > 0 {
			r.printers = append(r.printers, x)
		}
	}
	for j := range in.Jobs {
		if in.Jobs[j].Starts > 0 && count[j] == 0 {
			return nil
		}
		r.typical[j] /= max(count[j], 1)
	}
	return r
}

// shares is what each printer and recipe pays at least of setting up washes, before its
// first start and before a later one.
func (in *Instance) shares() [][][2]float64 {
	bays := make([]int, len(in.Travel))
	for i := range in.Printers {
		bays[in.Printers[i].Bay]++
	}
	out := make([][][2]float64, len(in.Printers))
	for p := range out {
		most := max(1, min(in.BatchMost, bays[in.Printers[p].Bay]))
		for r := range in.Recipes {
			var c [2]float64
			for k, first := range []bool{true, false} {
				for _, s := range in.steps(p, r, first) {
					c[k] += in.Labour * float64(s.Setup) / float64(most)
				}
			}
			out[p] = append(out[p], c)
		}
	}
	return out
}

// most is the most that a printer's sequence is worth at prices v; the starts in
// it are added to those taken in the room.
func (p *relaxedPrinter) most(r *relaxed, in *room, v []float64) float64 {
	first, later := in.value[0], in.value[1]
	first[r.cells], later[r.cells] = 0, 0
	for t := r.cells - 1; t >= p.from; t-- {
		first[t], later[t] = first[t+1], later[t+1]
		in.choice[0][t], in.choice[1][t] = -1, -1
		if !r.hands[t] {
			continue
		}
		for i, j := range p.jobs {
			if t < r.early[j] {
				continue
			}
			gain := v[j] - r.late[int(j)*r.cells+t] + later[min(t+r.length[j], r.cells)]
			if x := gain - p.price[1][i]; x > later[t] {
				later[t], in.choice[1][t] = x, int32(i)
			}
			if x := gain - p.price[0][i]; x > first[t] {
				first[t], in.choice[0][t] = x, int32(i)
			}
		}
	}
	if p.from >= r.cells {
		return 0
	}
	state := 0
	for t := p.from; t < r.cells; {
		i := in.choice[state][t]
		if i < 0 {
			t++
			continue
		}
		j := p.jobs[i]
		in.taken[j]++
		state = 1
		t += r.length[j]
	}
	return first[p.from]
}

// hands is the first time from which somebody can begin a start.
func (in *Instance) hands(from int) int {
	if in.StartMinutes == 0 {
		return from
	}
	best := Never
	for i := range in.People {
		for _, t := range in.People[i].Turns {
			if at := max(from, t.From); at+in.StartMinutes <= t.To {
				best = min(best, at)
			}
		}
	}
	return best
}
