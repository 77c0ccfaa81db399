package bed

import (
	"math"
)

// MeshRecord is one mesh of a printer and what had happened by then, counted
// from any beginning.
type MeshRecord struct {
	Mesh
	Hours    float64 // time
	Starts   int     // first layers begun
	Swaps    int     // plates swapped, turned or laid anew
	Services int
}

// The causes a mesh's growing old is put down to, and the probe's own noise.
const (
	ByStart = iota
	ByHour
	BySwap
	ByService
	ByProbe
	driftTerms
)

// driftModes are the ways a bed moves as a whole: height, tilt to the right and
// to the back, bow, twist, bow; and one for what is left over at a point.
const driftModes = surfaceTerms + 1

// Drift is how a printer's meshes grow old. The model (own): each coefficient of
// the surface 1, u, v, u² − ū², uv, v² − v̄² over the bed, and what is left over
// at each point, walks at random: between two probes its variance grows by so
// much a start, an hour, a swap and a service; and every probe measures it with
// an error of its own. All variances come from the likelihood of the walk seen
// with noise, with nothing assumed of where it began (restricted likelihood;
// Kalman filter with a diffuse beginning: Harvey, Forecasting, Structural Time
// Series Models and the Kalman Filter, 1989, chapter 3), found by scoring.
type Drift struct {
	Probes  int // used
	Copied  []int
	Between int // pairs of neighbours in time with a start, a swap or an hour between
	// Var holds mm² a start, an hour, a swap, a service, and of one probe, by mode.
	Var [driftModes][driftTerms]float64
	// Seen tells which causes occur between probes; the others are not known.
	Seen          [driftTerms]bool
	HoursPerStart float64
	u2, v2        float64 // mean of u², v²
	groups        []driftGroup
	// The series themselves, for a fleet: each mode's, and what is left over at some
	// points with the steps between the meshes on the last one's grid.
	modes, left          [][]float64
	modeSteps, leftSteps [][driftTerms]float64
}

// driftGroup is modes whose variances are put down to the causes in the same
// proportions, so that few meshes do for them: height and tilts, bends, what is
// left over. Each has a scale of its own.
type driftGroup struct {
	modes []int
	cov   [driftTerms][driftTerms]float64 // of the group's variances at scale 1
	share [driftTerms]float64             // the group's variances at scale 1
	scale []float64                       // by mode
	rel   float64                         // relative variance of a scale
}

// LeastBetween is how many pairs of meshes with a start between a horizon needs.
const LeastBetween = 12

// manySteps is from how many steps on each mode has shares of its own.
const manySteps = 100

// MeshDrift learns from a printer's meshes, oldest first. Meshes that repeat the
// one before bit by bit are left out and named; so are meshes on which no
// surface can be fitted. Positions are needed; without them all meshes must
// have the same grid. It is false where fewer than LeastBetween pairs tell
// anything; from LeastInFleet pairs on the drift may be told with a fleet's help.
func MeshDrift(records []MeshRecord) (Drift, bool) {
	var d Drift
	var kept []MeshRecord
	for i, r := range records {
		switch {
		case i > 0 && r.CopyOf(records[i-1].Mesh):
			d.Copied = append(d.Copied, i)
		case len(kept) > 0 && !(r.Located() && kept[0].Located()) && !r.SameGrid(kept[0].Mesh):
		case r.Columns < 3 || r.Rows < 3:
		default:
			kept = append(kept, r)
		}
	}
	if len(kept) < 3 {
		d.Probes = len(kept)
		return d, false
	}
	last := kept[len(kept)-1].Mesh
	x, y := last.axes()
	u, v := scaled(x), scaled(y)
	for _, c := range u {
		d.u2 += c * c / float64(len(u))
	}
	for _, r := range v {
		d.v2 += r * r / float64(len(v))
	}
	series := make([][]float64, surfaceTerms)
	var used []MeshRecord
	var left [][]float64 // what is left over at some points, of the meshes on the last one's grid
	var leftUsed []MeshRecord
	var spots []int
	for _, k := range kept {
		uk, vk := u, v
		if k.Located() {
			uk, vk = along(k.XMM, x), along(k.YMM, y)
		}
		c, _, ok := k.fit(uk, vk, surfaceTerms)
		if !ok {
			continue
		}
		used = append(used, k)
		centred := c
		centred[0] += c[3]*d.u2 + c[5]*d.v2
		for j := range series {
			series[j] = append(series[j], centred[j])
		}
		if !k.SameGrid(last) {
			continue
		}
		if spots == nil {
			spots = someSpots(k.Mesh)
		}
		var row []float64
		for _, s := range spots {
			row = append(row, k.HeightsMM[s]-surface(&c, u[s%k.Columns], v[s/k.Columns]))
		}
		left, leftUsed = append(left, row), append(leftUsed, k)
	}
	d.Probes = len(used)
	steps := stepsOf(used)
	for _, s := range steps {
		if s[ByStart] > 0 {
			d.Between++
		}
		for k := range s {
			d.Seen[k] = d.Seen[k] || s[k] > 0
		}
	}
	d.Seen[ByProbe] = true
	if d.Between < LeastInFleet {
		return d, false
	}
	d.modes, d.modeSteps = series, steps
	first, end := used[0], used[len(used)-1]
	d.HoursPerStart = (end.Hours - first.Hours) / float64(max(1, end.Starts-first.Starts))
	if len(steps) >= manySteps {
		for j := range series {
			d.learn([]int{j}, series[j:j+1], steps)
		}
	} else {
		d.learn([]int{0, 1, 2}, series[:3], steps)
		d.learn([]int{3, 4, 5}, series[3:], steps)
	}
	if len(left) > LeastInFleet {
		columns := make([][]float64, 0, len(spots))
		for s := range spots {
			y := make([]float64, len(left))
			whole := true
			for i := range left {
				y[i] = left[i][s]
				whole = whole && !math.IsNaN(y[i])
			}
			if whole {
				columns = append(columns, y)
			}
		}
		if len(columns) > 0 {
			d.left, d.leftSteps = columns, stepsOf(leftUsed)
			// Neighbouring points bend together: they count as few.
			g := driftGroup{modes: []int{surfaceTerms}, scale: []float64{1}}
			g.share, g.cov = walk(columns, d.leftSteps, d.Seen, min(1, 4/float64(len(columns))))
			d.Var[surfaceTerms] = g.share
			d.groups = append(d.groups, g)
		}
	}
	return d, d.Between >= LeastBetween
}

// learn finds the variances of a group of modes: each series is brought to a
// mean square change of 1, the shares of the causes come from all of them, and
// each one's scale from the likelihood again.
func (d *Drift) learn(modes []int, series [][]float64, steps [][driftTerms]float64) {
	g := driftGroup{rel: 2 / float64(len(steps))}
	var even [][]float64
	for j, y := range series {
		ms := 0.0
		for i := 1; i < len(y); i++ {
			ms += (y[i] - y[i-1]) * (y[i] - y[i-1]) / float64(len(steps))
		}
		if ms == 0 {
			continue // it never moved, not even by noise: a mesh made level
		}
		g.modes, g.scale = append(g.modes, modes[j]), append(g.scale, ms)
		one := make([]float64, len(y))
		for i := range y {
			one[i] = y[i] / math.Sqrt(ms)
		}
		even = append(even, one)
	}
	if len(even) == 0 {
		return
	}
	g.share, g.cov = walk(even, steps, d.Seen, 1)
	if len(even) == 1 {
		g.rel = 0 // its scale is in the shares
	}
	for j, y := range even {
		if len(even) > 1 {
			g.scale[j] *= meanInnovation(y, steps, &g.share)
		}
		for k := range g.share {
			d.Var[g.modes[j]][k] = g.scale[j] * g.share[k]
		}
	}
	d.groups = append(d.groups, g)
}

// meanInnovation is the mean of e²/f along a series: 1 where the variances are
// those of the series.
func meanInnovation(y []float64, steps [][driftTerms]float64, v *[driftTerms]float64) float64 {
	a, p, sum := y[0], v[ByProbe], 0.0
	for t, s := range steps {
		ahead := p
		for k := range s {
			ahead += v[k] * s[k]
		}
		f, e := ahead+v[ByProbe], y[t+1]-a
		if f == 0 {
			continue
		}
		sum += e * e / f
		a += ahead / f * e
		p = ahead * (1 - ahead/f)
	}
	return sum / float64(len(steps))
}

// along gives positions on the scale on which the axis of the last mesh goes
// from -1 to 1.
func along(at, axis []float64) []float64 {
	out := make([]float64, len(at))
	h, mid := half(axis), (axis[0]+axis[len(axis)-1])/2
	for i := range at {
		out[i] = (at[i] - mid) / h
	}
	return out
}

// someSpots are up to 6 points spread over a mesh.
func someSpots(m Mesh) []int {
	var out []int
	n := len(m.HeightsMM)
	step := max(1, n/6)
	for i := step / 2; i < n; i += step {
		out = append(out, i)
	}
	return out
}

func stepsOf(r []MeshRecord) [][driftTerms]float64 {
	out := make([][driftTerms]float64, len(r)-1)
	for i := range out {
		a, b := &r[i], &r[i+1]
		out[i] = [driftTerms]float64{float64(b.Starts - a.Starts), max(0, b.Hours-a.Hours), float64(b.Swaps - a.Swaps), float64(b.Services - a.Services), 0}
	}
	return out
}
