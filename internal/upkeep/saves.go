package upkeep

import (
	"cmp"
	"slices"
)

// saved is what renewing saves over the next starts, with its 95 % interval over the
// sizes the effect may have.
func (a *Adviser) saved(effect *known, p plan, k, starts int, cost, loss, extra float64) (mid, low, high float64) {
	value := func(s int) float64 {
		w := wearOf(&effect.table[s], loss)
		if p.every > 0 {
			return w.over(plan{p.every, w.rateAt(p.every, cost)}, k, starts, extra, a.echo.Keep)
		}
		v, e := -cost, extra
		for m := range starts {
			v += w.at(k+m) + e - w.at(m)
			e *= a.echo.Keep
		}
		return v
	}
	var list []weighted
	for s, c := range effect.chance {
		// A size that is unlikely itself still says how far a likely one beside it reaches.
		if c >= unlikely || s > 0 && effect.chance[s-1] >= unlikely || s+1 < len(effect.chance) && effect.chance[s+1] >= unlikely {
			v := value(s)
			list = append(list, weighted{v, c})
			if c >= unlikely {
				mid += c * v
			}
		}
	}
	if len(list) == 0 {
		return -cost, -cost, -cost
	}
	return mid, min(mid, between(list, 0.025)), max(mid, between(list, 0.975))
}

// spread is a quantile of numbers with chances, one of the numbers.
func spread(chance, at []float64, p float64) float64 {
	by := make([]int, len(at))
	for i := range by {
		by[i] = i
	}
	slices.SortFunc(by, func(x, y int) int { return cmp.Compare(at[x], at[y]) })
	sum := 0.0
	for _, i := range by {
		if sum += chance[i]; sum >= p {
			return at[i]
		}
	}
	return at[by[len(by)-1]]
}

// weighted is a number with its chance.
type weighted struct{ at, chance float64 }

// between is a quantile of a quantity of which chances are known at a few points of a
// grid. The quantity lies anywhere, so each point stands for all that is nearer to it
// than to its neighbours, evenly: where one point holds nearly all of the chance, the
// quantiles still lie as far apart as the grid leaves open. It reorders the list.
func between(list []weighted, p float64) float64 {
	slices.SortFunc(list, func(a, b weighted) int { return cmp.Compare(a.at, b.at) })
	all := 0.0
	for _, x := range list {
		all += x.chance
	}
	left := p * all
	for i, x := range list {
		if x.chance <= 0 || left > x.chance && i+1 < len(list) {
			left -= x.chance
			continue
		}
		from, to := x.at, x.at
		if i > 0 {
			from = (list[i-1].at + x.at) / 2
		}
		if i+1 < len(list) {
			to = (x.at + list[i+1].at) / 2
		}
		return from + min(max(left/x.chance, 0), 1)*(to-from)
	}
	return list[len(list)-1].at
}
