package findings

import (
	"math"
	"slices"
)

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

// spread is how many exposed layers have each count of a cause, from which the scale of
// any of its shapes follows.
type spread struct {
	near  []float64 // by count
	far   map[int32]float64
	total float64
}

// spreadOf counts.
func spreadOf(l *Layers, c Cause) *spread {
	var parts [chunks]*spread
	chunked(l.Len(), func(k, lo, hi int) {
		s := &spread{near: make([]float64, 256)}
		for i := lo; i < hi; i++ {
			switch n := doseCount(l, c, i); {
			case n < 0:
			case int(n) < len(s.near):
				s.near[n]++
			default:
				if s.far == nil {
					s.far = map[int32]float64{}
				}
				s.far[n]++
			}
		}
		parts[k] = s
	})
	all := &spread{near: make([]float64, 256), far: map[int32]float64{}}
	for _, p := range parts {
		for n, m := range p.near {
			all.near[n] += m
			all.total += m
		}
		for n, m := range p.far {
			all.far[n] += m
			all.total += m
		}
	}
	return all
}

// doseCount is what a layer's dose grows with; -1 where it is not exposed. Starts that
// were not probed for count as exposed however long ago the last probe was.
func doseCount(l *Layers, c Cause, i int) int32 {
	if c == CleaningGap {
		return l.Gap[i]
	}
	if l.Probing[i] != ProbingSkipped {
		return -1
	}
	return max(0, l.SinceP[i])
}

// scale makes the mean of a shape over the exposed layers 1.
func (s *spread) scale(of func(float64) float64) float32 {
	sum := 0.0
	for n, m := range s.near {
		sum += m * of(float64(n))
	}
	far := make([]int32, 0, len(s.far))
	for n := range s.far {
		far = append(far, n)
	}
	slices.Sort(far)
	for _, n := range far {
		sum += s.far[n] * of(float64(n))
	}
	if sum <= 0 {
		return 1
	}
	return float32(s.total / sum)
}

// shapesOf are the shapes of a cause.
func shapesOf(c Cause) []func(float64) float64 {
	if c == SkippedProbing {
		return skipShapes
	}
	return gapShapes
}

// doses fills in a cause's dose of every layer by a shape, scaled so that its
// mean over the exposed layers is 1, and gives the scale.
func (e *study) doses(c Cause, shape int) (scale float32) {
	l, to, of := e.f.l, e.x[c], shapesOf(c)[shape]
	scale = e.spread[c].scale(of)
	known := tabled(of)
	chunked(l.Len(), func(_, lo, hi int) {
		for i := lo; i < hi; i++ {
			to[i] = dose(l, c, i, known, of) * scale
		}
	})
	return scale
}

// dose is that of a layer before it is scaled; known are the shape's values for
// small counts.
func dose(l *Layers, c Cause, i int, known []float64, of func(float64) float64) float32 {
	n := doseCount(l, c, i)
	switch {
	case n < 0:
		return 0
	case int(n) < len(known):
		return float32(known[n])
	}
	return float32(of(float64(n)))
}

const shapeVoters = 40

// chooseShapes lets the questions with the clearest effects choose the shape of
// each cause.
func (e *study) chooseShapes() {
	for _, cause := range []Cause{SkippedProbing, CleaningGap} {
		if e.thin != nil && e.clear[cause] {
			continue
		}
		shapes := shapesOf(cause)
		voters := e.voters(cause)
		best, top, second := e.shape[cause], math.Inf(-1), math.Inf(-1)
		firsts, nulls := make([]*curve, len(voters)), make([]fitted, len(voters))
		for s, of := range shapes {
			scale := e.spread[cause].scale(of)
			known := tabled(of)
			for _, v := range voters { // no other question looks at them
				for _, i := range e.layers(v) {
					e.x[cause][i] = dose(e.f.l, cause, int(i), known, of) * scale
				}
			}
			votes := make([]float64, len(voters))
			parallel(len(voters), func(v int) {
				i := voters[v]
				g, r := e.group(i), e.rows(i, net)
				var c *curve
				if s == 0 {
					c, nulls[v] = e.curveFrom(r, e.curves[i])
					c.addMisses(g)
					firsts[v] = c
				} else { // what is there at every dose has no shape
					c = r.curveLike(firsts[v], &nulls[v])
					c.addMissesLike(firsts[v])
				}
				votes[v] = c.vote(&e.prior[g], &e.bears[g])
			})
			sum := 0.0
			for _, v := range votes {
				sum += v
			}
			if sum > top+1e-6 {
				best, top, second = s, sum, top
			} else {
				second = max(second, sum)
			}
		}
		e.shape[cause], e.clear[cause] = best, top-second > clearly
		e.scale[cause] = e.doses(cause, best)
	}
}

// vote is the logarithm of the chance of a curve's data; the curve stays as it is.
func (c *curve) vote(p *prior, b *bearing) float64 {
	v := *c
	v.withMisses(b)
	return v.posterior(p)
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
	if e.thin != nil {
		return all[:min(len(all), votersThinned)]
	}
	return all[:min(len(all), shapeVoters)]
}
