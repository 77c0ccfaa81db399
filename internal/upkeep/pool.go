package upkeep

import (
	"math"
	"slices"
)

// At is what an interval costs; 0 is never. Of pooled ones it has no interval; the
// curve has.
func (s *Suggestion) At(every int) Point {
	chance, wears := s.wears()
	return s.point(every, chance, wears)
}

// wears are the wears of the forms that have a chance, and the chances.
func (s *Suggestion) wears() (chance []float64, wears []wear) {
	if s.pooled {
		return []float64{1}, []wear{s.mean}
	}
	for k, c := range s.known.chance {
		if c >= 1e-9 {
			chance, wears = append(chance, c), append(wears, s.wear(k))
		}
	}
	if len(wears) == 0 { // nothing is known: no effect of its own
		chance, wears = []float64{1}, []wear{wearOf(&s.rest, s.loss)}
	}
	return chance, wears
}

// point works out one interval from wears and their chances.
func (s *Suggestion) point(n int, chance []float64, wears []wear) Point {
	effort, failure := s.a.costs.Effort[s.Task], s.a.costs.Failure()
	p := Point{Every: n}
	rates := make([]float64, len(wears))
	for i := range wears {
		rates[i] = 100 * wears[i].rateAt(n, 0)
		p.Cost += chance[i] * rates[i]
	}
	own := 0.0
	if n > 0 {
		own = 100 * s.a.costs.Of(s.Task) / float64(n)
		p.PersonMinutes, p.MachineMinutes = 100*effort.Person/float64(n), 100*effort.Machine/float64(n)
	}
	list := make([]weighted, len(rates))
	for i, r := range rates {
		list[i] = weighted{r, chance[i]}
	}
	low, high := min(p.Cost, between(list, 0.025)), max(p.Cost, between(list, 0.975))
	if failure > 0 {
		p.Failures, p.FailuresLow, p.FailuresHigh = p.Cost/failure, low/failure, high/failure
	}
	p.Cost, p.Low, p.High = p.Cost+own, low+own, high+own
	return p
}

// Pool gives one interval for several plates (or printers) that are to be treated
// alike, each weighing as many starts: the interval cheapest for their mean. Its
// intervals hold what is not known of each effect, drawn for all of them together.
// Without any, or without weight, Every is 0 and the curve is empty.
func Pool(list []Suggestion, weights []float64) Suggestion {
	total := 0.0
	for _, w := range weights {
		total += w
	}
	if len(list) == 0 || total == 0 {
		return Suggestion{}
	}
	out := Suggestion{Task: list[0].Task, a: list[0].a, pooled: true}
	draws := make([]wear, replayDraws)
	for i := range list {
		s := &list[i]
		share := weights[i] / total
		if share == 0 {
			continue
		}
		chance, wears := s.wears()
		for d := range draws {
			u := uniform(uint64(i)<<20 + uint64(d))
			form := len(chance) - 1
			for f, c := range chance {
				if u -= c; u < 0 {
					form = f
					break
				}
			}
			for k, v := range wears[form] {
				draws[d][k] += share * v
			}
		}
		for f := range wears {
			for k, v := range wears[f] {
				out.mean[k] += share * chance[f] * v
			}
		}
	}
	// The draws' own mean gives way to the mean that is known.
	var drawn wear
	for d := range draws {
		for k, v := range draws[d] {
			drawn[k] += v / replayDraws
		}
	}
	cost := out.a.costs.Of(out.Task)
	best := make([]float64, len(draws))
	chance := make([]float64, len(draws))
	for d := range draws {
		for k := range draws[d] {
			draws[d][k] += out.mean[k] - drawn[k]
		}
		chance[d] = 1.0 / replayDraws
		if best[d] = float64(draws[d].best(cost).every); best[d] == 0 {
			best[d] = math.Inf(1)
		}
	}
	out.drawn = draws
	out.Every = out.mean.best(cost).every
	out.between(chance, best)
	for _, n := range withInterval(out.Every) {
		out.Curve = append(out.Curve, out.point(n, chance, draws))
	}
	return out
}

// Gained is what one interval costs less than another in the long run, of 100 starts, in
// the farm's money: the 95 % interval of what is not known of the effects. Intervals are
// as in At; 0 is never.
func (s *Suggestion) Gained(from, to int) (low, high float64) {
	chance, wears := s.wears()
	if s.pooled {
		wears = s.drawn
		chance = slices.Repeat([]float64{1}, len(wears))
	}
	own := func(n int) float64 {
		if n == 0 {
			return 0
		}
		return 100 * s.a.costs.Of(s.Task) / float64(n)
	}
	list := make([]weighted, len(wears))
	for i := range wears {
		list[i] = weighted{100*(wears[i].rateAt(from, 0)-wears[i].rateAt(to, 0)) + own(from) - own(to), chance[i]}
	}
	if len(list) == 0 {
		return 0, 0
	}
	return between(list, 0.025), between(list, 0.975)
}

// between sets the intervals that would be best at either end of what is not known.
func (s *Suggestion) between(chance, best []float64) {
	for to, q := range map[*int]float64{&s.EveryLow: 0.025, &s.EveryHigh: 0.975} {
		if n := spread(chance, best, q); n <= horizon {
			*to = int(n)
		}
	}
}

// withInterval are the intervals at which a curve is told, with one more in its place.
func withInterval(every int) []int {
	if every == 0 || slices.Contains(intervals, every) {
		return intervals
	}
	i := slices.IndexFunc(intervals, func(n int) bool { return n > every || n == 0 })
	return slices.Insert(slices.Clone(intervals), i, every)
}
