package findings

import (
	"math"
)

// The fleet model. A ridge (PQL) logistic regression of failure on everything
// that is not the question: every printer, plate, material, grader, hour band
// and day has a shrunken intercept, every printer a shrunken time slope and
// slopes for skipped probing, every plate a shrunken time slope and a slope for
// the cleaning gap, so that bad printers do not leak into plates and materials.
// Variances are learned by EM (Breslow & Clayton 1993, JASA 88:9-25; the
// formulas are from memory). Its parts are the offsets of the questions.

const (
	chunks     = 16 // fixed, so that sums do not depend on the number of cores
	fleetSteps = 8
	dims       = 3 // columns of the widest block
)

// block is one factor of the fleet model: each layer belongs to one level, each
// level has k coefficients on the columns 1, x1, x2.
type block struct {
	name   string
	level  []int32 // by layer, -1: not in the block
	x1, x2 []float32
	k      int
	coef   []([dims]float64)
	vari   [dims]float64 // prior variance of each coefficient
	post   []([dims]float64)
	fixed  bool // not shrunken towards 0 beyond a weak prior
	sums   [chunks][]acc
}

// fleet is the fitted model: eta is the log-odds of every layer.
type fleet struct {
	l       *Layers
	mean    float64
	skip    float64 // fleet mean slopes
	gap     float64
	eta     []float64
	printer *block // 1, skipped, time
	plate   *block // 1, gap dose, time
	other   []*block
	span    []float32 // time in the window, -0.5 to 0.5
	dose    []float32 // gap dose
	skipped []float32
	spared  []float32        // chance that the exposures spare a layer, once known; nil: slopes stand for them
	shared  []float32        // what every layer has from mean and small blocks
	owed    func(lo, hi int) // what eta has yet to be moved by; nil: nothing
	held    float64          // what each layer that held counts for
	part    *fleet           // what is fitted where not all layers are (see thin.go); it has no part of its own
	at      []int32          // which layers those of a part are
}

func levels(n int) []([dims]float64) { return make([]([dims]float64), n) }

func maxLevel(level []int32) int {
	m := int32(-1)
	for _, v := range level {
		m = max(m, v)
	}
	return int(m) + 1
}

// fitFleet fits the fleet model to all layers, or to those of a thinning, going over its
// blocks so many times.
func fitFleet(l *Layers, printers, plates, sweeps int, t *thinning) *fleet {
	n := l.Len()
	f := &fleet{l: l, held: 1, eta: make([]float64, n), span: make([]float32, n), dose: make([]float32, n), skipped: make([]float32, n)}
	lo, hi := int64(math.MaxInt64), int64(math.MinInt64)
	fails := 0
	for i := range n {
		lo, hi = min(lo, l.At[i]), max(hi, l.At[i])
		if l.Failed[i] {
			fails++
		}
	}
	dose := tabled(func(g float64) float64 { return gapDose(int32(g)) })
	for i := range n {
		if hi > lo {
			f.span[i] = float32(float64(l.At[i]-lo)/float64(hi-lo) - 0.5)
		}
		switch g := l.Gap[i]; {
		case g < 0:
		case int(g) < len(dose):
			f.dose[i] = float32(dose[g])
		default:
			f.dose[i] = float32(gapDose(g))
		}
		if l.Probing[i] == ProbingSkipped {
			f.skipped[i] = 1
		}
	}
	hour := make([]int32, n)
	recent := make([]int32, n)
	for i := range n {
		hour[i] = int32(l.Hour[i] / 3)
		recent[i] = int32(l.Recent[i]) - 1
	}
	f.printer = &block{name: "printer", level: l.Printer, x1: f.skipped, x2: f.span, k: 3, coef: levels(printers), vari: [dims]float64{0.2, 0.1, 0.1}}
	f.plate = &block{name: "plate", level: l.Plate, x1: f.dose, x2: f.span, k: 3, coef: levels(plates), vari: [dims]float64{0.2, 0.02, 0.1}}
	one := func(name string, level []int32, v float64) *block {
		return &block{name: name, level: level, k: 1, coef: levels(maxLevel(level)), vari: [dims]float64{v}}
	}
	recents := one("recent", recent, 1)
	recents.fixed = true
	f.other = []*block{one("material", l.Material, 0.2), one("grader", l.Grader, 0.2), one("hour", hour, 0.05), one("day", l.Day, 0.05), recents}
	p := (float64(fails) + 0.5) / (float64(n) + 1)
	f.mean = math.Log(p / (1 - p))
	if t != nil {
		f.part = f.of(t)
		f.part.fit(sweeps)
		f.take()
		return f
	}
	f.fit(sweeps)
	return f
}

// fit fits from the mean alone.
func (f *fleet) fit(sweeps int) {
	for i := range f.eta {
		f.eta[i] = f.mean
	}
	f.sweep(sweeps, 2)
}

// sweep goes over all blocks a number of times, learning variances from the
// given sweep on. The small blocks take their steps together. A step leaves what
// it moves the log-odds by to the pass of the next, which reads them anyway.
func (f *fleet) sweep(times, learn int) {
	for step := range times {
		f.stepMeans()
		for _, together := range [][]*block{{f.printer}, {f.plate}, f.other} {
			f.stepBlocks(together)
			for _, b := range together {
				if step >= learn && !b.fixed {
					b.learnVariance()
				}
			}
		}
	}
	chunked(len(f.eta), func(_, lo, hi int) { f.pay(lo, hi) })
	f.owed = nil
}

// pay moves a range of the log-odds by what the last step left to do.
func (f *fleet) pay(lo, hi int) {
	if f.owed != nil {
		f.owed(lo, hi)
	}
}

// refit fits the rest again with the exposures' hazards known, in place of their slopes.
// spared gives the chance that they spare each of so many layers.
func (f *fleet) refit(spared func(at []int32, n int) []float32) {
	if f.part == nil {
		f.sweepSpared(spared(nil, len(f.eta)))
		return
	}
	f.part.sweepSpared(spared(f.part.at, len(f.part.eta)))
	f.take()
}

func (f *fleet) sweepSpared(spared []float32) {
	first := f.spared == nil
	f.spared = spared
	if first {
		for _, b := range []*block{f.printer, f.plate} {
			b.vari[1] = 1e-12
			for i := range b.coef {
				b.coef[i][1] = 0
			}
		}
		f.skip, f.gap = 0, 0
		f.rebuild()
		f.sweep(3, 0)
		return
	}
	f.sweep(2, 0)
}

// rebuild computes the log-odds from the coefficients.
func (f *fleet) rebuild() {
	chunked(len(f.eta), func(_, lo, hi int) {
		for i := lo; i < hi; i++ {
			e := f.mean + f.printer.part(i) + f.plate.part(i)
			for _, b := range f.other {
				e += b.part(i)
			}
			f.eta[i] = e + f.skip*float64(f.skipped[i]) + f.gap*float64(f.dose[i])
		}
	})
}

// chunked runs work over fixed ranges of the layers, in parallel; the caller
// adds up the parts in the order of the chunks.
func chunked(n int, work func(c, lo, hi int)) {
	parallel(chunks, func(c int) {
		work(c, n*c/chunks, n*(c+1)/chunks)
	})
}

// stepMeans takes one Newton step for the fleet's mean, skip slope and gap
// slope together.
func (f *fleet) stepMeans() {
	type part struct {
		g [3]float64
		h [3][3]float64
	}
	var parts [chunks]part
	chunked(len(f.eta), func(c, lo, hi int) {
		var s acc
		f.pass(lo, hi, func(from int, g, w []float64) {
			s.sum(g, w, f.skipped[from:from+len(g)], f.dose[from:from+len(g)])
		})
		parts[c] = part{[3]float64{s.g0, s.g1, s.g2}, [3][3]float64{{s.h00, s.h01, s.h02}, {0, s.h11, s.h12}, {0, 0, s.h22}}}
	})
	var g [3]float64
	var h [3][3]float64
	for c := range parts {
		for a := range 3 {
			g[a] += parts[c].g[a]
			for b := a; b < 3; b++ {
				h[a][b] += parts[c].h[a][b]
			}
		}
	}
	// A weak prior on the slopes keeps farms without exposures solvable.
	cur := [3]float64{f.mean, f.skip, f.gap}
	for a := 1; a < 3; a++ {
		g[a] -= cur[a]
		h[a][a]++
	}
	h[0][0] += 1e-6
	k := 3
	if f.spared != nil {
		k = 1
	}
	d, _, ok := solve3(&h, &g, k)
	f.owed = nil
	if !ok {
		return
	}
	for a := range d {
		d[a] = clamp(d[a], 2)
	}
	f.mean += d[0]
	f.skip += d[1]
	f.gap += d[2]
	f.owed = func(lo, hi int) {
		for i := lo; i < hi; i++ {
			f.eta[i] += d[0] + d[1]*float64(f.skipped[i]) + d[2]*float64(f.dose[i])
		}
	}
}

func clamp(x, most float64) float64 { return max(-most, min(most, x)) }

// acc sums up the score and the information of one level.
type acc struct{ g0, g1, g2, h00, h01, h02, h11, h12, h22 float64 }

func (s *acc) add(p *acc) {
	s.g0, s.g1, s.g2 = s.g0+p.g0, s.g1+p.g1, s.g2+p.g2
	s.h00, s.h01, s.h02 = s.h00+p.h00, s.h01+p.h01, s.h02+p.h02
	s.h11, s.h12, s.h22 = s.h11+p.h11, s.h12+p.h12, s.h22+p.h22
}

// stepBlocks takes one Newton step for every level of the blocks, all from the
// same log-odds. Several blocks at once must be of intercepts only; their steps
// are freed of what they have in common, which the means' step is there for.
func (f *fleet) stepBlocks(blocks []*block) {
	chunked(len(f.eta), func(c, lo, hi int) {
		for _, b := range blocks {
			if b.sums[c] == nil {
				b.sums[c] = make([]acc, len(b.coef))
			}
			clear(b.sums[c])
		}
		f.pass(lo, hi, func(from int, g, w []float64) {
			for _, b := range blocks {
				b.gather(b.sums[c], from, g, w)
			}
		})
	})
	deltas := make([][][dims]float64, len(blocks))
	for n, b := range blocks {
		deltas[n] = b.step(&b.sums, len(blocks) > 1)
	}
	f.owed = func(lo, hi int) {
		for n, b := range blocks {
			b.move(f.eta, lo, hi, deltas[n])
		}
	}
}

// step moves the coefficients and gives by how much.
func (b *block) step(parts *[chunks][]acc, centred bool) [][dims]float64 {
	if b.post == nil {
		b.post = levels(len(b.coef))
	}
	delta := levels(len(b.coef))
	common, weight := 0.0, 0.0
	for lv := range b.coef {
		var s acc
		for c := range parts {
			s.add(&parts[c][lv])
		}
		g := [3]float64{s.g0, s.g1, s.g2}
		h := [3][3]float64{{s.h00, s.h01, s.h02}, {0, s.h11, s.h12}, {0, 0, s.h22}}
		for a := range b.k {
			g[a] -= b.coef[lv][a] / b.vari[a]
			h[a][a] += 1 / b.vari[a]
		}
		d, v, ok := solve3(&h, &g, b.k)
		if !ok {
			continue
		}
		for a := range b.k {
			d[a] = clamp(d[a], 1)
		}
		delta[lv], b.post[lv] = d, v
		common += s.h00 * d[0]
		weight += s.h00
	}
	for lv := range b.coef {
		if centred && weight > 0 && !b.fixed {
			delta[lv][0] -= common / weight
		}
		for a := range b.k {
			b.coef[lv][a] += delta[lv][a]
		}
	}
	return delta
}

// learnVariance is the EM step for the prior variances, held inside wide
// limits so that a farm with one level stays solvable.
func (b *block) learnVariance() {
	if len(b.coef) == 0 {
		return
	}
	for a := range b.k {
		s := 0.0
		for lv := range b.coef {
			s += b.coef[lv][a]*b.coef[lv][a] + b.post[lv][a]
		}
		if b.vari[a] > 1e-9 {
			b.vari[a] = min(4, max(1e-3, s/float64(len(b.coef))))
		}
	}
}

// solve3 solves the upper-stored symmetric system h·d = g for the first k of
// three unknowns by Cholesky and gives the diagonal of the inverse.
func solve3(h *[3][3]float64, g *[3]float64, k int) (d, diag [3]float64, ok bool) {
	var l [3][3]float64
	for i := range k {
		for j := range i + 1 {
			s := h[j][i]
			for m := range j {
				s -= l[i][m] * l[j][m]
			}
			if i == j {
				if s <= 1e-12 {
					return d, diag, false
				}
				l[i][i] = math.Sqrt(s)
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	solve := func(g [3]float64) (x [3]float64) {
		for i := range k {
			s := g[i]
			for m := range i {
				s -= l[i][m] * x[m]
			}
			x[i] = s / l[i][i]
		}
		for i := k - 1; i >= 0; i-- {
			s := x[i]
			for m := i + 1; m < k; m++ {
				s -= l[m][i] * x[m]
			}
			x[i] = s / l[i][i]
		}
		return x
	}
	d = solve(*g)
	for a := range k {
		var e [3]float64
		e[a] = 1
		diag[a] = solve(e)[a]
	}
	return d, diag, true
}

// part gives what a block adds to the log-odds of layer i.
func (b *block) part(i int) float64 {
	lv := b.level[i]
	if lv < 0 {
		return 0
	}
	c := &b.coef[lv]
	if b.k == 1 {
		return c[0]
	}
	return c[0] + c[1]*float64(b.x1[i]) + c[2]*float64(b.x2[i])
}

// base gives the part of block b without its exposure column.
func (b *block) base(i int) float64 {
	lv := b.level[i]
	if lv < 0 {
		return 0
	}
	return b.coef[lv][0] + b.coef[lv][2]*float64(b.x2[i])
}

// share keeps what every layer's log-odds have from the mean and the small
// blocks, for the questions.
func (f *fleet) share() {
	if f.shared == nil {
		f.shared = make([]float32, len(f.eta))
	}
	chunked(len(f.eta), func(_, lo, hi int) {
		for i := lo; i < hi; i++ {
			e := f.mean
			for _, b := range f.other {
				e += b.part(i)
			}
			f.shared[i] = float32(e)
		}
	})
}
