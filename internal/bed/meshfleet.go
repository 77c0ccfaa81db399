package bed

import "math"

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
	// What may be the case is a grid: of the growth the fleet's mean with the sd between
	// printers, and the sd between a printer's modes; of the probe its mean and spread. All of
	// logarithms of variances, and how likely each point of the grid is by all printers' data.
	logWeight [len(growthMeans) * len(growthSpreads)][len(modeSpreads)][len(probeMeans) * len(probeSpreads)]float64
	ofPrinter [len(growthMeans) * len(growthSpreads)][]float64           // normals of a printer's own growth, on printerGrid
	ofModes   [len(modeSpreads)][driftModes][][]float64                  // of its modes' about each point of printerGrid, on growGrid
	ofProbe   [len(probeMeans) * len(probeSpreads)][driftModes][]float64 // of its probe's, on probeGrid
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

// The grids of logarithms of factors; the steps of growGrid and probeGrid are whole
// tenths, which tables goes by.
var (
	growthMeans   = [...]float64{-1, -0.6, -0.3, 0, 0.3, 0.6}
	growthSpreads = [...]float64{0.2, 0.5, 0.9, 1.4}
	modeSpreads   = [...]float64{0.15, 0.4, 0.8}
	probeMeans    = [...]float64{-0.6, -0.3, 0, 0.3}
	probeSpreads  = [...]float64{0.3, 0.6, 1.1}
	growGrid      = evenGrid(-4.5, 3.9, 0.3)
	probeGrid     = evenGrid(-3.6, 3.2, 0.4)
	printerGrid   = evenGrid(-3.6, 3.6, 0.3)
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
// is nil, and Horizon takes each printer alone. It takes the first MostLearned: give
// many in an order that has nothing to do with what they are.
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
	f := &Fleet{Printers: len(all)}
	for j := range driftModes {
		f.learnTypical(all, j)
	}
	f.layGrids()
	for _, d := range all {
		e := f.evidence(f.view(d))
		for a := range e {
			for m := range e[a] {
				for p := range e[a][m] {
					f.logWeight[a][m][p] += e[a][m][p]
				}
			}
		}
	}
	return f
}

// layGrids makes the normal distributions of the grid, which are the same for every
// printer.
func (f *Fleet) layGrids() {
	for i, mean := range growthMeans {
		for k, apart := range growthSpreads {
			f.ofPrinter[i*len(growthSpreads)+k] = normals(printerGrid, mean, apart)
		}
	}
	for j := range driftModes {
		for m, spread := range modeSpreads {
			f.ofModes[m][j] = make([][]float64, len(printerGrid))
			for a, x := range printerGrid {
				f.ofModes[m][j][a] = normals(growGrid, x-f.growSD[j]*f.growSD[j]/2, math.Hypot(spread, f.growSD[j]))
			}
		}
		for i, mean := range probeMeans {
			for k, spread := range probeSpreads {
				f.ofProbe[i*len(probeSpreads)+k][j] = normals(probeGrid, mean-f.probeSD[j]*f.probeSD[j]/2, math.Hypot(spread, f.probeSD[j]))
			}
		}
	}
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
