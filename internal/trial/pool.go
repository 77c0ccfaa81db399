package trial

import (
	"math"

	"basecourse/internal/stats"
)

// Shrunk is what a task spares of 100 starts of one printer or plate, its own draws and
// those of the farm's others taken together.
type Shrunk struct{ Spared, Low, High float64 }

// Pool tells what a task spares on the whole farm, and on each printer or plate by its
// own draws drawn towards the farm's, the more the fewer it has: a normal model of effects
// with the variance between them by DerSimonian and Laird (1986, Controlled Clinical Trials
// 7:177-188), the farm's effect being uncertain too. NaN where the farm has too few draws.
func Pool(lists [][]Governed, level float64) (all Effect, each []Shrunk) {
	var whole []Governed
	for _, l := range lists {
		whole = append(whole, l...)
	}
	all = Estimate(whole, level)
	nan := math.NaN()
	each = make([]Shrunk, len(lists))
	for i := range each {
		each[i] = Shrunk{nan, nan, nan}
	}
	if !all.Enough() {
		return all, each
	}
	m, w := 0.0, 0.0
	for _, x := range whole {
		c := x.Chance * (1 - x.Chance)
		w += c
		if x.Failed {
			m += c
		}
	}
	m /= w
	// Each subject's own estimate has a variance of about m(1-m)/W.
	type own struct{ at, v float64 }
	of := make([]own, len(lists))
	var p, pe, pp float64 // sums of precisions, with estimates, squared
	for i, l := range lists {
		u, w := 0.0, 0.0
		for _, x := range l {
			z, y := 0.0, 0.0
			if x.Do {
				z = 1
			}
			if x.Failed {
				y = 1
			}
			u += (z - x.Chance) * (y - m)
			w += x.Chance * (1 - x.Chance)
		}
		of[i] = own{v: math.Inf(1)}
		if w > 0 {
			of[i] = own{-100 * u / w, 1e4 * m * (1 - m) / w}
			p, pe, pp = p+1/of[i].v, pe+of[i].at/of[i].v, pp+1/(of[i].v*of[i].v)
		}
	}
	between := 0.0
	if k := p - pp/p; k > 0 {
		q, n := 0.0, 0.0
		for _, x := range of {
			if !math.IsInf(x.v, 1) {
				q += (x.at - pe/p) * (x.at - pe/p) / x.v
				n++
			}
		}
		between = max(0, (q-(n-1))/k)
	}
	sum, mean := 0.0, 0.0
	for _, x := range of {
		if g := 1 / (between + x.v); g > 0 {
			sum, mean = sum+g, mean+g*x.at
		}
	}
	mean /= sum
	z := stats.NormalQuantile(0.5 + level/2)
	for i, x := range of {
		if math.IsInf(x.v, 1) {
			sd := math.Sqrt(between + 1/sum)
			each[i] = Shrunk{mean, mean - z*sd, mean + z*sd}
			continue
		}
		b := x.v / (between + x.v) // how far towards the farm's
		sd := math.Sqrt(x.v*(1-b) + b*b/sum)
		at := x.at + b*(mean-x.at)
		each[i] = Shrunk{at, at - z*sd, at + z*sd}
	}
	return all, each
}
