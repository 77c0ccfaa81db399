package bed

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Fleet is how the meshes of a farm's printers grow old together. Few meshes tell
// little of one printer, least of all what is growth and what the probe's error; the
// printers of a farm are alike. So the shares of probe, starts, hours, swaps and
// services are learned over all printers (restricted likelihood, see Drift), and
// each printer has factors of its own on growth and on probe. Of the logarithms: the
// growth of a mode is the fleet's + the printer's + the mode's, all three normal, the
// probe's the fleet's + the mode's. Means and spreads are not fixed but weighed by how
// likely they make the data of all (hierarchical model on a grid: Gelman and others,
// Bayesian Data Analysis, 3rd edition, 2013, chapter 5). A printer that differs by
// much and has many meshes keeps what its own say.
type Fleet struct {
	Printers int                             // learned from
	typical  [driftModes][driftTerms]float64 // variances of a printer in the middle
	growSD   [driftModes]float64             // sd of the logarithm of typical growth, as learned
	probeSD  [driftModes]float64             // the same of the probe
	hypers   []hyper
	kernels  map[float64]*[driftModes][][]float64 // normals of the modes' growth about each point of printerGrid, by their spread
}

// hyper is one answer to how the printers differ, in logarithms of variances.
type hyper struct {
	mean, apart, modes     float64 // growth: the fleet's mean, sd between printers, between a printer's modes
	probeMean, probeSpread float64
	logWeight              float64
}

const (
	// LeastFleet is how many printers make a fleet; with fewer each stands alone.
	LeastFleet = 4
	// LeastInFleet is how many pairs of meshes with a start between a horizon needs
	// that leans on a fleet.
	LeastInFleet = 5
	// FleetUntil is from how many steps between meshes on a printer's own say more
	// than a grid can hold: it stands alone.
	FleetUntil = 60

	// MostLearned is how many printers a fleet is learned from; more would not
	// change it.
	MostLearned = 100
	fleetDraws  = 800

	// offTogether is the sd of the logarithm of a horizon, over the root of the steps
	// between a printer's meshes, that comes on top of the draws (found on simulated
	// farms, other seeds than those reported).
	offTogether = 0.9
)

// The grids of logarithms of factors, and how far a printer's modes may differ.
var (
	modeSpreads = []float64{0.15, 0.4, 0.8}
	growGrid    = evenGrid(-4.5, 3.9, 0.3)
	probeGrid   = evenGrid(-3.6, 3.2, 0.4)
	printerGrid = evenGrid(-3.6, 3.6, 0.3)
)

func evenGrid(from, to, step float64) []float64 {
	var out []float64
	for x := from; x < to+step/2; x += step {
		out = append(out, x)
	}
	return out
}

// LearnFleet learns from the printers of a farm for which MeshDrift saw
// LeastInFleet pairs or more; the others are left out. With fewer than LeastFleet it
// is nil, and Horizon takes each printer alone.
func LearnFleet(drifts []Drift) *Fleet {
	var all []*Drift
	for i := range drifts {
		if drifts[i].Between >= LeastInFleet && len(all) < MostLearned {
			all = append(all, &drifts[i])
		}
	}
	if len(all) < LeastFleet {
		return nil
	}
	f := &Fleet{Printers: len(all), kernels: map[float64]*[driftModes][][]float64{}}
	for j := range driftModes {
		f.learnTypical(all, j)
	}
	for _, modes := range modeSpreads {
		f.kernels[modes] = f.kernelsOf(modes)
	}
	for _, mean := range []float64{-1, -0.6, -0.3, 0, 0.3, 0.6} {
		for _, apart := range []float64{0.2, 0.5, 0.9, 1.4} {
			for _, modes := range modeSpreads {
				for _, probeMean := range []float64{-0.6, -0.3, 0, 0.3} {
					for _, probeSpread := range []float64{0.3, 0.6, 1.1} {
						f.hypers = append(f.hypers, hyper{mean, apart, modes, probeMean, probeSpread, 0})
					}
				}
			}
		}
	}
	for _, d := range all {
		for i, e := range f.evidence(f.tables(d)) {
			f.hypers[i].logWeight += e
		}
	}
	return f
}

// learnTypical finds the variances of one mode that are typical of the fleet: each
// printer's series is brought to a mean square change of 1, their shares come from
// all, and the scale is the middle one.
func (f *Fleet) learnTypical(all []*Drift, mode int) {
	var blocks []walkBlock
	var seen [driftTerms]bool
	scale, n := 0.0, 0.0
	for _, d := range all {
		b := walkBlock{steps: d.stepsOf(mode)}
		for _, y := range d.seriesOf(mode) {
			if ms := meanSquare(y); ms > 0 {
				one := make([]float64, len(y))
				for i := range y {
					one[i] = y[i] / math.Sqrt(ms)
				}
				b.series = append(b.series, one)
				scale, n = scale+math.Log(ms), n+1
			}
		}
		if len(b.series) > 0 {
			blocks = append(blocks, b)
			for k := range seen {
				seen[k] = seen[k] || d.Seen[k]
			}
		}
	}
	if n == 0 {
		return
	}
	weight := 1.0
	if mode == surfaceTerms {
		weight = 0.5 // neighbouring points bend together
	}
	share, cov := walkAll(blocks, seen, weight)
	var mean [driftTerms]float64
	steps := 0.0
	for _, b := range blocks {
		for _, s := range b.steps {
			steps++
			mean[ByStart] += s[ByStart]
			mean[ByHour] += s[ByHour]
		}
	}
	mean[ByStart], mean[ByHour] = mean[ByStart]/steps, mean[ByHour]/steps
	grow, growVar := 0.0, 0.0
	for k := range mean {
		grow += mean[k] * share[k]
		for l := range mean {
			growVar += mean[k] * mean[l] * cov[k][l]
		}
	}
	// A share that came out as nothing is little rather than none.
	unsure := func(v, variance float64) (float64, float64) {
		sd := math.Sqrt(max(0, variance))
		v = max(v, sd/2, 1e-3)
		return v, min(1.2, sd/v)
	}
	more, probe := 0.0, 0.0
	more, f.growSD[mode] = unsure(grow, growVar)
	probe, f.probeSD[mode] = unsure(share[ByProbe], cov[ByProbe][ByProbe])
	share[ByProbe] = probe
	if grow > 0 {
		share[ByStart], share[ByHour] = share[ByStart]*more/grow, share[ByHour]*more/grow
	} else {
		share[ByStart] = more / max(1, mean[ByStart])
	}
	for k := range share {
		f.typical[mode][k] = math.Exp(scale/n) * share[k]
	}
}

func meanSquare(y []float64) float64 {
	ms := 0.0
	for i := 1; i < len(y); i++ {
		ms += (y[i] - y[i-1]) * (y[i] - y[i-1]) / float64(len(y)-1)
	}
	return ms
}

// table is the likelihood of one mode of a printer by factors of growth and probe,
// the largest 1; nil where the mode was not seen or does not move.
type table [][]float64

func (f *Fleet) tables(d *Drift) (out [driftModes]table) {
	for j := range driftModes {
		series, steps := d.seriesOf(j), d.stepsOf(j)
		if len(series) == 0 || meanSquare(series[0]) == 0 || f.typical[j] == [driftTerms]float64{} {
			continue
		}
		weight := 1.0
		if j == surfaceTerms {
			weight = min(1, 4/float64(len(series)))
		}
		t := make(table, len(growGrid))
		most := math.Inf(-1)
		for g := range t {
			t[g] = make([]float64, len(probeGrid))
			v := f.typical[j]
			for k := range v {
				v[k] *= math.Exp(growGrid[g])
			}
			for p := range t[g] {
				v[ByProbe] = f.typical[j][ByProbe] * math.Exp(probeGrid[p])
				for _, y := range series {
					t[g][p] += weight * walkLikelihood(y, steps, &v)
				}
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

func (f *Fleet) kernelsOf(modes float64) *[driftModes][][]float64 {
	var out [driftModes][][]float64
	for j := range out {
		out[j] = make([][]float64, len(printerGrid))
		for a, x := range printerGrid {
			out[j][a] = normals(growGrid, x-f.growSD[j]*f.growSD[j]/2, math.Hypot(modes, f.growSD[j]))
		}
	}
	return &out
}

func (f *Fleet) probeNormals(mean, spread float64) (out [driftModes][]float64) {
	for j := range out {
		out[j] = normals(probeGrid, mean-f.probeSD[j]*f.probeSD[j]/2, math.Hypot(spread, f.probeSD[j]))
	}
	return out
}

// evidence is the log likelihood of a printer's data by hypers, in their order.
func (f *Fleet) evidence(tables [driftModes]table) []float64 {
	type at struct{ mean, spread float64 }
	byProbe := map[at]*[driftModes][]float64{}
	type of struct {
		at
		modes float64
	}
	own := map[of][]float64{}
	out := make([]float64, len(f.hypers))
	for i, h := range f.hypers {
		p := at{h.probeMean, h.probeSpread}
		l := byProbe[p]
		if l == nil {
			l = &[driftModes][]float64{}
			w := f.probeNormals(p.mean, p.spread)
			for j, t := range tables {
				if t != nil {
					l[j] = t.byGrowth(w[j])
				}
			}
			byProbe[p] = l
		}
		key := of{p, h.modes}
		if own[key] == nil {
			own[key] = forPrinter(l, f.kernels[h.modes])
		}
		sum := 1e-300
		for a, w := range normals(printerGrid, h.mean, h.apart) {
			sum += w * own[key][a]
		}
		out[i] = math.Log(sum)
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
	var starts []float64
	var grows, probes [9][]float64
	var first [9]int
	// What the printers have in common is learned from the same few meshes, and is
	// off for all of them together.
	off, common := offTogether/math.Sqrt(float64(len(d.stepsOf(0)))), rand.New(rand.NewPCG(2, 2))
	for v := range f.draws(d, among) {
		one := Drift{Var: *v, u2: d.u2, v2: d.v2}
		worst, at := math.Inf(1), 0
		for p := range 9 {
			w := one.weights(float64(p%3-1), float64(p/3-1))
			probe, _ := one.sum(w, [driftTerms]float64{ByProbe: 1})
			grow, _ := one.sum(w, [driftTerms]float64{ByStart: 1, ByHour: d.HoursPerStart})
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
	tables := f.tables(d)
	weight := make([]float64, len(f.hypers))
	if !among { // its data do not count yet
		weight = f.evidence(tables)
	}
	top := math.Inf(-1)
	for i := range weight {
		weight[i] += f.hypers[i].logWeight
		top = max(top, weight[i])
	}
	for i := range weight {
		weight[i] = math.Exp(weight[i] - top)
	}
	return func(yield func(*[driftModes][driftTerms]float64) bool) {
		r := rand.New(rand.NewPCG(1, 1)) // the same draws for everybody
		sum := 0.0
		for _, w := range weight {
			sum += w
		}
		left, reach := 0.0, 0.0
		for i, h := range f.hypers {
			reach += weight[i] / sum * fleetDraws
			n := int(reach - left)
			left += float64(n)
			if n == 0 {
				continue
			}
			probe := f.probeNormals(h.probeMean, h.probeSpread)
			var l [driftModes][]float64
			for j, t := range tables {
				if t != nil {
					l[j] = t.byGrowth(probe[j])
				}
			}
			kernels := f.kernels[h.modes]
			printer := forPrinter(&l, kernels)
			for a, w := range normals(printerGrid, h.mean, h.apart) {
				printer[a] *= w
			}
			for range n {
				v := f.drawOne(r, tables, &l, kernels, pick(r, printer, nil), &probe)
				if !yield(&v) {
					return
				}
			}
		}
	}
}

func (f *Fleet) drawOne(r *rand.Rand, tables [driftModes]table, l *[driftModes][]float64, kernels *[driftModes][][]float64, a int, probe *[driftModes][]float64) (v [driftModes][driftTerms]float64) {
	for j := range v {
		v[j] = f.typical[j]
		grow, noise := 0.0, 0.0
		if t := tables[j]; t != nil {
			g := pick(r, l[j], kernels[j][a])
			grow = growGrid[g] + 0.3*(r.Float64()-0.5)
			noise = probeGrid[pick(r, t[g], probe[j])] + 0.4*(r.Float64()-0.5)
		} else if l[j] == nil {
			v[j] = [driftTerms]float64{}
			continue
		}
		for k := range v[j] {
			v[j][k] *= math.Exp(grow)
		}
		v[j][ByProbe] = f.typical[j][ByProbe] * math.Exp(noise)
	}
	return v
}

// pick draws an index by weights, times others if given.
func pick(r *rand.Rand, w, others []float64) int {
	sum := 0.0
	at := func(i int) float64 {
		if others == nil {
			return w[i]
		}
		return w[i] * others[i]
	}
	for i := range w {
		sum += at(i)
	}
	x := r.Float64() * sum
	for i := range w {
		if x -= at(i); x < 0 {
			return i
		}
	}
	return len(w) - 1
}
