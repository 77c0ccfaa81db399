package upkeep

import "math"

// Cycle is what passes between two renewals (probings, cleanings) if they are
// made at one interval: expected cost, the renewal's included, and length.
type Cycle struct{ Cost, Length float64 }

// Cheapest is the cycle with the least cost per length, the first of equals, and
// that cost: by the renewal-reward theorem the long-run cost of repeating it for
// ever (Ross 1996, Stochastic Processes, section 3.6). -1 without any cycle.
func Cheapest(cycles []Cycle) (at int, rate float64) {
	at, rate = -1, math.Inf(1)
	for i, c := range cycles {
		if r := c.Cost / c.Length; r < rate*(1-1e-12) || at < 0 {
			at, rate = i, r
		}
	}
	return at, rate
}

// horizon is how many starts after a renewal costs are followed one by one; after
// them they stay as they are (no dose goes beyond the largest count of the fit).
const horizon = 160

// wear is the expected cost of each start by how many have passed since the last
// renewal, beyond what a start costs that was just renewed for (k = 0).
type wear [horizon]float64

func (w *wear) at(k int) float64 { return w[min(max(k, 0), horizon-1)] }

// plan is the cheapest way to go on renewing: before every n-th start, or never
// (n = 0), and the long-run cost per start beyond that of a start just renewed for.
type plan struct {
	every int
	rate  float64
}

// best finds the plan for a renewal of a cost.
func (w *wear) best(renewal float64) plan {
	p := plan{0, w[horizon-1]}
	sum := renewal
	for n := 1; n <= horizon; n++ {
		sum += w[n-1]
		if r := sum / float64(n); r < p.rate-1e-12 {
			p = plan{n, r}
		}
	}
	return p
}

// rateAt is the long-run cost per start of renewing before every n-th start (0:
// never).
func (w *wear) rateAt(n int, renewal float64) float64 {
	if n == 0 {
		return w[horizon-1]
	}
	sum := renewal
	for k := range n {
		sum += w.at(k)
	}
	return sum / float64(n)
}

// now is what renewing before the coming start, the k-th since the last renewal,
// saves against the best later moment: the least over m of the next m starts' costs
// beyond the plan's long-run rate, by relative values of the renewal process
// (Howard 1960, Dynamic Programming and Markov Processes, ch. 4). extra is what the
// coming start costs besides, fading by keep from start to start unless renewed.
func (w *wear) now(p plan, k int, renewal, extra, keep float64) float64 {
	least := math.Inf(1)
	sum := 0.0
	e := extra
	for m := range horizon {
		sum += w.at(k+m) + e - p.rate
		e *= keep
		least = min(least, sum)
		if p.every > 0 && e < 1e-3 && w.at(k+m) >= p.rate {
			return least // from here on it only grows
		}
	}
	if p.every == 0 { // never: then neither afterwards
		gain := -renewal
		e = extra
		for m := range horizon {
			gain += w.at(k+m) + e - w[m]
			e *= keep
		}
		least = min(least, gain)
	}
	return least
}

// over is what renewing now saves over the next starts if it is then not done in
// them at all.
func (w *wear) over(p plan, k, starts int, extra, keep float64) float64 {
	sum := 0.0
	for m := range starts {
		sum += w.at(k+m) + extra - p.rate
		extra *= keep
	}
	return sum
}
