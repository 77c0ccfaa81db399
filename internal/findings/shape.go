package findings

import "math"

// How an exposure's hazard grows with its dose is not known beforehand: oil may
// build up print by print, all at once, or only after a while; a zero may jump
// or creep. Each cause has a few shapes; the farm's clearest questions choose.

// shapes of the gap (prints since the plate was cleaned).
var gapShapes = []func(g float64) float64{
	func(g float64) float64 { return math.Log2(1 + g) },
	func(g float64) float64 { return 1 - math.Exp(-g/4) },
	func(g float64) float64 { return min(g, 40) },
	func(g float64) float64 { return min(1, max(0, (g-4)/8)) },
}

// shapes of skipped probing (starts since the last probe).
var skipShapes = []func(s float64) float64{
	func(float64) float64 { return 1 },
	func(s float64) float64 { return math.Log2(1 + max(1, s)) },
	func(s float64) float64 { return min(12, max(1, s)) },
}

// tabled gives a shape's values for the counts that nearly all layers have.
func tabled(of func(float64) float64) []float64 {
	t := make([]float64, 256)
	for n := range t {
		t[n] = of(float64(n))
	}
	return t
}

// doses fills in a cause's dose of every layer by a shape, scaled so that its
// mean over the exposed layers is 1, and gives the scale.
func doses(l *Layers, c Cause, shape int, to []float32) (scale float32) {
	counts, of := l.Gap, gapShapes
	if c == SkippedProbing {
		counts, of = l.SinceP, skipShapes
	}
	known := tabled(of[shape])
	at := func(i int) float64 {
		n := counts[i]
		switch {
		case c == SkippedProbing && l.Probing[i] != ProbingSkipped, c == CleaningGap && n < 0:
			return 0
		case uint32(n) < uint32(len(known)):
			return known[n]
		}
		return of[shape](float64(n))
	}
	var sums, exposed [chunks]float64
	chunked(l.Len(), func(k, lo, hi int) {
		sum, n := 0.0, 0.0 // of its own, so that cores do not share a cache line
		for i := lo; i < hi; i++ {
			x := at(i)
			if c == CleaningGap && l.Gap[i] >= 0 || x > 0 {
				n++
				sum += x
			}
		}
		sums[k], exposed[k] = sum, n
	})
	s, n := 0.0, 0.0
	for k := range chunks {
		s += sums[k]
		n += exposed[k]
	}
	scale = 1
	if s > 0 {
		scale = float32(n / s)
	}
	chunked(l.Len(), func(_, lo, hi int) {
		for i := lo; i < hi; i++ {
			to[i] = float32(at(i)) * scale
		}
	})
	return scale
}

const shapeVoters = 40

// chooseShapes lets the questions with the clearest effects choose the shape of
// each cause.
func (e *study) chooseShapes() {
	for _, cause := range []Cause{SkippedProbing, CleaningGap} {
		n := len(skipShapes)
		if cause == CleaningGap {
			n = len(gapShapes)
		}
		voters := e.voters(cause)
		best, top := e.shape[cause], math.Inf(-1)
		for s := range n {
			doses(e.f.l, cause, s, e.x[cause])
			votes := make([]float64, len(voters))
			parallel(len(voters), func(v int) {
				i := voters[v]
				r := e.rows(i, net)
				null := r.fit(theta{}, false, true)
				c := r.curveOver(&null)
				c.addMisses(e.group(i))
				c.withMisses(e.kappa[e.group(i)])
				votes[v] = c.posterior(&e.prior[e.group(i)])
			})
			sum := 0.0
			for _, v := range votes {
				sum += v
			}
			if sum > top+1e-6 {
				best, top = s, sum
			}
		}
		e.shape[cause] = best
		e.scale[cause] = doses(e.f.l, cause, best, e.x[cause])
	}
}

// voters are the questions of a cause most likely to have an effect.
func (e *study) voters(cause Cause) []int {
	var all []int
	for i, c := range e.curves {
		if c != nil && e.qs[i].Cause == cause && e.group(i) != printerGap {
			all = append(all, i)
		}
	}
	sortBy(all, func(i int) float64 { return e.curves[i].none() })
	return all[:min(len(all), shapeVoters)]
}
