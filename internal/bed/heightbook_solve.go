package bed

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// heightGroup is one connected piece of the graph of printers and plates.
type heightGroup struct {
	chains []*heightChain
	sides  []PlateSide
	plates [][]int // columns of each plate's sides
	layers int

	beta []float64     // mean, thicknesses
	cov  *mat.SymDense // of their errors of prediction
	log  float64       // restricted log-likelihood
}

// heightChain is one printer's zero over time: a state for each instant with
// layers.
type heightChain struct {
	printer, layers int
	days            []float64
	events          []HeightEvent
	steps           []walkStep   // between days, and from the last day to now
	obs             [][]chainObs // by state
	columns         []int        // of the group's equations that occur, the mean first

	last      []float64 // the last zero as a combination of mean and thicknesses, the mean's own among them
	lastAlone float64   // and a part of its own
	lastVar   float64   // its variance, mean and thicknesses given
}

type chainObs struct {
	y, sqr float64 // error minus the offset set; own variance
	column int     // of the side
	local  int     // place of column in columns
}

// heightGroups sorts layers into connected groups, printers' chains and sides.
// Order of layers plays no part.
func heightGroups(in *HeightInput) []*heightGroup {
	layers := slices.Clone(in.Layers)
	slices.SortFunc(layers, func(a, b HeightLayer) int {
		return cmp.Or(cmp.Compare(a.Printer, b.Printer), cmp.Compare(a.Day, b.Day), cmp.Compare(a.Plate, b.Plate), cmp.Compare(a.Side, b.Side), cmp.Compare(a.ErrorMM, b.ErrorMM), cmp.Compare(a.SDMM, b.SDMM))
	})
	events := make([][]HeightEvent, in.Printers)
	for _, e := range in.Events {
		events[e.Printer] = append(events[e.Printer], e)
	}
	root := make([]int, in.Printers+in.Plates)
	for i := range root {
		root[i] = i
	}
	find := func(i int) int {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	for _, l := range layers {
		a, b := find(l.Printer), find(in.Printers+l.Plate)
		root[max(a, b)] = min(a, b)
	}
	var groups []*heightGroup
	groupOf, sideOf := map[int]*heightGroup{}, map[[2]int]int{}
	// Sides first, in order of plate, so that columns do not follow printers.
	keys := make([]PlateSide, 0, len(layers))
	for _, l := range layers {
		keys = append(keys, PlateSide{Plate: l.Plate, Side: l.Side})
	}
	slices.SortFunc(keys, func(a, b PlateSide) int { return cmp.Or(cmp.Compare(a.Plate, b.Plate), cmp.Compare(a.Side, b.Side)) })
	keys = slices.CompactFunc(keys, func(a, b PlateSide) bool { return a.Plate == b.Plate && a.Side == b.Side })
	for k, s := range keys {
		at := find(in.Printers + s.Plate)
		g := groupOf[at]
		if g == nil {
			g = &heightGroup{}
			groupOf[at] = g
			groups = append(groups, g)
		}
		g.sides = append(g.sides, s)
		column := len(g.sides)
		sideOf[[2]int{s.Plate, int(s.Side)}] = column
		if k > 0 && keys[k-1].Plate == s.Plate {
			g.plates[len(g.plates)-1] = append(g.plates[len(g.plates)-1], column)
		} else {
			g.plates = append(g.plates, []int{column})
		}
	}
	var c *heightChain
	for i, l := range layers {
		g := groupOf[find(l.Printer)]
		if i == 0 || layers[i-1].Printer != l.Printer {
			c = &heightChain{printer: l.Printer, events: events[l.Printer], columns: []int{0}}
			slices.SortStableFunc(c.events, func(a, b HeightEvent) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Kind, b.Kind)) })
			g.chains = append(g.chains, c)
		}
		if n := len(c.days); n == 0 || c.days[n-1] != l.Day {
			c.days, c.obs = append(c.days, l.Day), append(c.obs, nil)
		}
		column := sideOf[[2]int{l.Plate, int(l.Side)}]
		local := slices.Index(c.columns, column)
		if local < 0 {
			local = len(c.columns)
			c.columns = append(c.columns, column)
		}
		last := len(c.obs) - 1
		c.obs[last] = append(c.obs[last], chainObs{l.ErrorMM - heightSetting(c.events, l.Day), sqr(l.SDMM), column, local})
		c.layers++
		g.layers++
		s := &g.sides[column-1]
		s.Layers++
		if !slices.Contains(s.Printers, l.Printer) {
			s.Printers = append(s.Printers, l.Printer)
		}
	}
	for _, g := range groups {
		for _, c := range g.chains {
			c.steps = walkSteps(c.events, append(slices.Clone(c.days), max(in.Day, c.days[len(c.days)-1])))
		}
	}
	return groups
}

// heightSetting is the Z offset in force at an instant: what the last change up
// to it set, else what the first one found, else 0.
func heightSetting(events []HeightEvent, day float64) float64 {
	setting, seen := 0.0, false
	for _, e := range events {
		if e.Kind != HeightOffset {
			continue
		}
		switch {
		case e.Day <= day:
			setting, seen = e.ToMM, true
		case !seen && !math.IsNaN(e.FromMM):
			return e.FromMM
		default:
			return setting
		}
	}
	return setting
}

// walkStep is what happened to a zero between two instants.
type walkStep struct {
	days                   float64
	services, probes, lost int
}

// variance is how much the zero may have moved, mm².
func (w walkStep) variance(p HeightParts) float64 {
	return sqr(p.DriftMM)*w.days + float64(w.services)*sqr(p.ServiceMM) + float64(w.probes)*sqr(p.ProbeMM) + float64(w.lost)*sqr(offsetLostMM)
}

// walkSteps are the steps from each instant to the next. Events at the later
// one came before its layer.
func walkSteps(events []HeightEvent, instants []float64) []walkStep {
	steps := make([]walkStep, len(instants)-1)
	at, set := 0, false
	for i := range instants {
		for ; at < len(events) && events[at].Day <= instants[i]; at++ {
			e := events[at]
			first := e.Kind == HeightOffset && !set
			set = set || first
			if i == 0 {
				continue
			}
			s := &steps[i-1]
			switch {
			case e.Kind == HeightService:
				s.services++
			case e.Kind == HeightProbe:
				s.probes++
			case first && math.IsNaN(e.FromMM):
				s.lost++
			}
		}
		if i > 0 {
			steps[i-1].days = max(0, instants[i]-instants[i-1])
		}
	}
	return steps
}

// tridiagonal holds the Cholesky factor of a symmetric tridiagonal matrix: L has
// diagonal d and subdiagonal e.
type tridiagonal struct{ d, e []float64 }

func factorTridiagonal(diagonal, beside []float64) tridiagonal {
	t := tridiagonal{make([]float64, len(diagonal)), make([]float64, len(diagonal))}
	for i, x := range diagonal {
		if i > 0 {
			t.e[i] = beside[i] / t.d[i-1]
			x -= t.e[i] * t.e[i]
		}
		t.d[i] = math.Sqrt(x)
	}
	return t
}

func (t tridiagonal) logDet() (sum float64) {
	for _, d := range t.d {
		sum += 2 * math.Log(d)
	}
	return sum
}

// solve replaces b by the matrix's inverse times b.
func (t tridiagonal) solve(b []float64) {
	for i := range b {
		if i > 0 {
			b[i] -= t.e[i] * b[i-1]
		}
		b[i] /= t.d[i]
	}
	for i := len(b) - 1; i >= 0; i-- {
		if i < len(b)-1 {
			b[i] -= t.e[i+1] * b[i+1]
		}
		b[i] /= t.d[i]
	}
}

// reduce eliminates a printer's walk: it adds its part to the group's equations
// and returns its part of −2 × the log-likelihood. The walk's equations are
// A·zero = Sᵀ W (y − X·beta) with A the walk's own precision plus the layers'
// weights.
func (c *heightChain) reduce(p HeightParts, h *mat.SymDense, rhs []float64) (minus2 float64) {
	n, m := len(c.days), len(c.columns)
	diagonal, beside := make([]float64, n), make([]float64, n)
	// Columns of X: 1 for the mean, −1 for the side. swx[j] is SᵀWX's column.
	swx, swy := make([][]float64, m), make([]float64, n)
	for j := range swx {
		swx[j] = make([]float64, n)
	}
	v := sqr(p.ZeroMM)
	for i := range n {
		if i > 0 {
			v = max(sqr(leastStepMM), c.steps[i-1].variance(p))
			diagonal[i-1] += 1 / v
			beside[i] = -1 / v
		}
		diagonal[i] += 1 / v
		minus2 += math.Log(v)
	}
	noise := sqr(p.NoiseMM)
	for i, at := range c.obs {
		for _, o := range at {
			w := 1 / (noise + o.sqr)
			minus2 += math.Log(noise+o.sqr) + w*o.y*o.y
			diagonal[i] += w
			swy[i] += w * o.y
			swx[0][i] += w
			swx[o.local][i] -= w
			h.SetSym(0, 0, h.At(0, 0)+w)
			h.SetSym(0, o.column, h.At(0, o.column)-w)
			h.SetSym(o.column, o.column, h.At(o.column, o.column)+w)
			rhs[0] += w * o.y
			rhs[o.column] -= w * o.y
		}
	}
	t := factorTridiagonal(diagonal, beside)
	minus2 += t.logDet()
	ay := slices.Clone(swy)
	t.solve(ay)
	for i := range swy {
		minus2 -= swy[i] * ay[i]
	}
	e := make([]float64, n)
	e[n-1] = 1
	t.solve(e)
	c.lastVar, c.lastAlone = e[n-1], ay[n-1]
	c.last = make([]float64, len(rhs))
	c.last[0] = 1
	for j, column := range c.columns {
		ax := slices.Clone(swx[j])
		t.solve(ax)
		c.last[column] -= ax[n-1]
		for i := range ay {
			rhs[column] -= swx[j][i] * ay[i]
		}
		for k := range j + 1 {
			s := 0.0
			for i := range ax {
				s += swx[k][i] * ax[i]
			}
			other := c.columns[k]
			h.SetSym(column, other, h.At(column, other)-s)
		}
	}
	return minus2
}

// likelihood sets up the group's equations and gives the restricted
// log-likelihood, without its constant (Patterson and Thompson 1971, Biometrika
// 58:545; the mean is integrated out).
func (g *heightGroup) likelihood(p HeightParts) (chol *mat.Cholesky, rhs []float64) {
	k := len(g.sides)
	h := mat.NewSymDense(1+k, nil)
	rhs = make([]float64, 1+k)
	minus2 := 0.0
	for _, c := range g.chains {
		minus2 += c.reduce(p, h, rhs)
	}
	plateSqr, sideSqr := sqr(p.PlateMM), sqr(sideShare*p.PlateMM)
	for _, columns := range g.plates {
		// Inverse and determinant of sideSqr·I + plateSqr·J.
		n := float64(len(columns))
		off := plateSqr / (sideSqr * (sideSqr + n*plateSqr))
		minus2 += (n-1)*math.Log(sideSqr) + math.Log(sideSqr+n*plateSqr)
		for i, a := range columns {
			h.SetSym(a, a, h.At(a, a)+1/sideSqr)
			for _, b := range columns[:i+1] {
				h.SetSym(a, b, h.At(a, b)-off)
			}
		}
	}
	chol = &mat.Cholesky{}
	if !chol.Factorize(h) {
		g.log = math.Inf(-1)
		return nil, rhs
	}
	beta := mat.NewVecDense(1+k, nil)
	if err := chol.SolveVecTo(beta, mat.NewVecDense(1+k, rhs)); err != nil {
		g.log = math.Inf(-1)
		return nil, rhs
	}
	g.beta = beta.RawVector().Data
	minus2 += chol.LogDet()
	for i, b := range g.beta {
		minus2 -= rhs[i] * b
	}
	g.log = -minus2 / 2
	return chol, rhs
}

func (g *heightGroup) solve(p HeightParts) {
	chol, _ := g.likelihood(p)
	g.cov = mat.NewSymDense(1+len(g.sides), nil)
	if chol == nil {
		return
	}
	if err := chol.InverseTo(g.cov); err != nil {
		g.cov.Zero()
	}
}

// dot is a combination of the solution.
func (g *heightGroup) dot(a []float64) (s float64) {
	for i, x := range a {
		s += x * g.beta[i]
	}
	return s
}

// variance is the prediction variance of a combination.
func (g *heightGroup) variance(a []float64) (v float64) {
	for i, x := range a {
		if x == 0 {
			continue
		}
		row := 0.0
		for j, y := range a {
			if y != 0 {
				row += y * g.cov.At(i, j)
			}
		}
		v += x * row
	}
	return max(0, v)
}

// factor is the coverage factor of the group's intervals.
func (g *heightGroup) factor() float64 {
	return heightFactor(g.layers - 1 - len(g.chains) - len(g.sides))
}
