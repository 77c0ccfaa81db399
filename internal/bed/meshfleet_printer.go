package bed

import (
	"math"
	"math/rand/v2"
	"slices"
)

// table is the likelihood of one mode of a printer by factors of growth and probe,
// the largest 1; nil where the mode was not seen or does not move.
type table [][]float64

// tables run each walk once for every ratio of growth to probe: that all of it is
// larger only changes the scale (walkSums).
func (f *Fleet) tables(d *Drift) (out [driftModes]table) {
	tenths := func(x float64) int { return int(math.Round(10 * x)) }
	first := tenths(growGrid[0] - probeGrid[len(probeGrid)-1])
	type sums struct {
		known         bool
		logs, squares float64
	}
	for j := range driftModes {
		series, steps := d.seriesOf(j), d.stepsOf(j)
		if len(series) == 0 || meanSquare(series[0]) == 0 || f.typical[j] == [driftTerms]float64{} {
			continue
		}
		weight := 1.0
		if j == surfaceTerms {
			weight = min(1, 4/float64(len(series)))
		}
		byRatio := make([]sums, tenths(growGrid[len(growGrid)-1]-probeGrid[0])-first+1)
		t := make(table, len(growGrid))
		most := math.Inf(-1)
		for g := range t {
			t[g] = make([]float64, len(probeGrid))
			for p := range t[g] {
				s := &byRatio[tenths(growGrid[g]-probeGrid[p])-first]
				if !s.known {
					v := f.typical[j]
					for k := range v {
						if k != ByProbe {
							v[k] *= math.Exp(growGrid[g] - probeGrid[p])
						}
					}
					s.known = true
					s.logs, s.squares = walkSums(series, steps, &v)
				}
				t[g][p] = -weight * (float64(len(series))*(s.logs+float64(len(steps))*probeGrid[p]) + s.squares*math.Exp(-probeGrid[p])) / 2
				most = max(most, t[g][p])
			}
		}
		for g := range t {
			for p := range t[g] {
				t[g][p] = math.Exp(t[g][p] - most)
			}
		}
		out[j] = t
	}
	return out
}

// normals are the weights of a normal distribution on a grid.
func normals(grid []float64, mean, sd float64) []float64 {
	out := make([]float64, len(grid))
	sum := 0.0
	for i, x := range grid {
		z := (x - mean) / sd
		out[i] = math.Exp(-z * z / 2)
		sum += out[i]
	}
	for i := range out {
		out[i] /= sum
	}
	return out
}

// byGrowth is a table with the probe's factor weighed out.
func (t table) byGrowth(probe []float64) []float64 {
	out := make([]float64, len(t))
	for g := range t {
		for p, w := range probe {
			out[g] += t[g][p] * w
		}
	}
	return out
}

// forPrinter is the likelihood of the printer's own part of the growth, all modes
// together; kernels are the modes' normals about each point of printerGrid.
func forPrinter(byGrowth *[driftModes][]float64, kernels *[driftModes][][]float64) []float64 {
	out := make([]float64, len(printerGrid))
	for a := range out {
		out[a] = 1
		for j, l := range byGrowth {
			if l == nil {
				continue
			}
			sum := 1e-300
			for g, w := range kernels[j][a] {
				sum += w * l[g]
			}
			out[a] *= sum
		}
	}
	return out
}

// printerView is what a printer's own meshes say: its tables, these with the probe
// weighed out by each of the grid's distributions of the probe, and what they say of
// the printer's own growth for each of those and each spread of its modes.
type printerView struct {
	tables   [driftModes]table
	byGrowth [len(probeMeans) * len(probeSpreads)][driftModes][]float64
	own      [len(probeMeans) * len(probeSpreads)][len(modeSpreads)][]float64
}

func (f *Fleet) view(d *Drift) *printerView {
	v := &printerView{tables: f.tables(d)}
	for p := range v.byGrowth {
		for j, t := range v.tables {
			if t != nil {
				v.byGrowth[p][j] = t.byGrowth(f.ofProbe[p][j])
			}
		}
		for m := range v.own[p] {
			v.own[p][m] = forPrinter(&v.byGrowth[p], &f.ofModes[m])
		}
	}
	return v
}

// evidence is the log likelihood of a printer's data by points of the grid.
func (f *Fleet) evidence(v *printerView) *[len(growthMeans) * len(growthSpreads)][len(modeSpreads)][len(probeMeans) * len(probeSpreads)]float64 {
	out := new([len(growthMeans) * len(growthSpreads)][len(modeSpreads)][len(probeMeans) * len(probeSpreads)]float64)
	for a, printer := range f.ofPrinter {
		for m := range out[a] {
			for p := range out[a][m] {
				sum := 1e-300
				for x, w := range printer {
					sum += w * v.own[p][m][x]
				}
				out[a][m][p] = math.Log(sum)
			}
		}
	}
	return out
}

// Horizon is the freshness horizon of a printer of the fleet, see Drift.Horizon,
// with what the other printers' meshes say; among tells that LearnFleet was given
// this printer too, so that its own data count once. A nil fleet, and a printer with
// FleetUntil steps or more, stand alone. The interval is that of fleetDraws draws of
// what the printer may be, always the same ones.
func (f *Fleet) Horizon(d *Drift, among bool, lowMM, highMM, aimMM float64) Horizon {
	if f == nil || d.Between < LeastInFleet || len(d.stepsOf(0)) >= FleetUntil {
		return d.Horizon(lowMM, highMM, aimMM)
	}
	most := allowed(lowMM-aimMM, highMM-aimMM)
	h := Horizon{AllowedMM: math.Sqrt(most), Fleet: f.Printers}
	// Growth and probe's error of every draw, by place, and the starts of the place that
	// is first to leave.
	starts := make([]float64, 0, fleetDraws)
	var grows, probes [9][]float64
	var weights [9][driftModes]float64
	var first [9]int
	for p := range 9 {
		grows[p], probes[p] = make([]float64, 0, fleetDraws), make([]float64, 0, fleetDraws)
		weights[p] = d.weights(float64(p%3-1), float64(p/3-1))
	}
	// What the printers have in common is learned from the same few meshes, and is
	// off for all of them together.
	off, common := offTogether/math.Sqrt(float64(len(d.stepsOf(0)))), rand.New(rand.NewPCG(2, 2))
	for v := range f.draws(d, among) {
		worst, at := math.Inf(1), 0
		for p := range 9 {
			probe, grow := 0.0, 0.0
			for j, w := range weights[p] {
				probe += w * v[j][ByProbe]
				grow += w * (v[j][ByStart] + v[j][ByHour]*d.HoursPerStart)
			}
			grows[p], probes[p] = append(grows[p], grow), append(probes[p], probe)
			if s := max(0, most-probe) / max(grow, 1e-30); s < worst {
				worst, at = s, p
			}
		}
		first[at]++
		starts = append(starts, worst*math.Exp(off*common.NormFloat64()))
	}
	best := 0
	for p := range first {
		if first[p] > first[best] {
			best = p
		}
	}
	h.Place = Place{best%3 - 1, best/3 - 1}
	h.SwapMM, h.ServiceMM = d.shocks(h.Place)
	h.ProbeMM, h.PerStartMM = math.Sqrt(middle(probes[best], 0.5)), math.Sqrt(middle(grows[best], 0.5))
	h.Low, h.Starts, h.High = middle(starts, 0.05), middle(starts, 0.5), middle(starts, 0.95)
	if h.Starts == 0 {
		h.ProbeFault, h.High = true, 0
	}
	return h
}

func middle(x []float64, q float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return s[int(q*float64(len(s)-1)+0.5)]
}

// draws are sets of variances the printer may have.
func (f *Fleet) draws(d *Drift, among bool) func(yield func(*[driftModes][driftTerms]float64) bool) {
	view := f.view(d)
	weight := f.logWeight
	if !among { // its data do not count yet
		for a, e := range f.evidence(view) {
			for m := range e {
				for p := range e[m] {
					weight[a][m][p] += e[m][p]
				}
			}
		}
	}
	top, sum := math.Inf(-1), 0.0
	for a := range weight {
		for m := range weight[a] {
			top = max(top, slices.Max(weight[a][m][:]))
		}
	}
	for a := range weight {
		for m := range weight[a] {
			for p := range weight[a][m] {
				weight[a][m][p] = math.Exp(weight[a][m][p] - top)
				sum += weight[a][m][p]
			}
		}
	}
	return func(yield func(*[driftModes][driftTerms]float64) bool) {
		r := rand.New(rand.NewPCG(1, 1)) // the same draws for everybody
		left, reach := 0.0, 0.0
		for a := range weight {
			for m := range weight[a] {
				for p := range weight[a][m] {
					reach += weight[a][m][p] / sum * fleetDraws
					n := int(reach - left)
					left += float64(n)
					for range n {
						v := f.drawOne(r, view, a, m, p)
						if !yield(&v) {
							return
						}
					}
				}
			}
		}
	}
}

// drawOne draws a printer's variances at one point of the grid.
func (f *Fleet) drawOne(r *rand.Rand, view *printerView, a, m, p int) (v [driftModes][driftTerms]float64) {
	own := pick(r, view.own[p][m], f.ofPrinter[a])
	for j := range v {
		t := view.tables[j]
		if t == nil {
			continue
		}
		v[j] = f.typical[j]
		g := pick(r, view.byGrowth[p][j], f.ofModes[m][j][own])
		grow := math.Exp(growGrid[g] + 0.3*(r.Float64()-0.5))
		noise := math.Exp(probeGrid[pick(r, t[g], f.ofProbe[p][j])] + 0.4*(r.Float64()-0.5))
		for k := range v[j] {
			v[j][k] *= grow
		}
		v[j][ByProbe] = f.typical[j][ByProbe] * noise
	}
	return v
}

// pick draws an index by the product of two lists of weights.
func pick(r *rand.Rand, w, others []float64) int {
	sum := 0.0
	others = others[:len(w)]
	for i := range w {
		sum += w[i] * others[i]
	}
	x := r.Float64() * sum
	for i := range w {
		if x -= w[i] * others[i]; x < 0 {
			return i
		}
	}
	return len(w) - 1
}
