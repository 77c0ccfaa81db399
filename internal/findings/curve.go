package findings

import "math"

// curveOver walks the sizes upwards and gives the likelihood there, for a hazard
// that grows with the dose and for one that is there at every dose: a few
// subjects are bad for reasons of their own (a worn plate, a rough printer). The
// latter is only looked at where the level lies above what was expected. before is a curve
// of much the same layers, from whose ends the fits begin; nil: there is none.
func (r *rows) curveOver(null *fitted, before *curve) *curve {
	c := &curve{r: r}
	c.walk(r, null.th, byDose, before)
	w := r.chronicRows()
	if _, g, _ := w.eval(&null.th, false, true); g[2] > 0 {
		c.walk(w, null.th, always, before)
	} else {
		for k := range sizes {
			c.ll[always][k] = math.Inf(-1)
		}
	}
	c.ll[always][0] = math.Inf(-1)
	return c
}

// curveLike is curveOver where only doses are others than in a curve of the same layers.
func (r *rows) curveLike(other *curve, null *fitted) *curve {
	c := &curve{r: r}
	c.ll[always] = other.ll[always]
	c.walk(r, null.th, byDose, nil)
	return c
}

// chronicRows gives the same question about a hazard that is there at every dose.
func (r *rows) chronicRows() *rows {
	w := *r
	w.fails.x, w.holds.x = ones(len(r.fails.x)), ones(len(r.holds.x))
	w.sumX = 0
	for _, m := range r.holds.count {
		w.sumX += m
	}
	w.signs = r.chronic
	return &w
}

func ones(n int) []float64 {
	o := make([]float64, n)
	for i := range o {
		o[i] = 1
	}
	return o
}

// tooSmall is the loss of log-likelihood beyond which a size is not looked at.
const tooSmall = 7

// walk fills in one component.
func (c *curve) walk(r *rows, start theta, part int, before *curve) {
	th := withBeta(start, 0)
	top := math.Inf(-1)
	var ends ends
	for k, size := range sizes {
		if k > 0 && c.ll[part][k-1] < top-tooSmall {
			// The likelihood falls from its top: larger sizes are out of the question.
			c.ll[part][k] = math.Inf(-1)
			continue
		}
		if r.quick {
			th = ends.next(th, k, part, before)
		}
		f := r.fit(withBeta(th, size), false, true)
		th = f.th
		ends.add(th)
		det, va, vd := r.nuisance(&f)
		c.ll[part][k] = f.ll - 0.5*det - 0.5*math.Log(r.priorA*r.priorD)
		top = max(top, c.ll[part][k])
		if part == byDose {
			c.a2[k], c.d2[k] = f.th[0]*f.th[0]+va, f.th[3]*f.th[3]+vd
		}
		c.at[part][k] = f.th
	}
}

// ends are where the fits of the two sizes before ended: from these, or from where those
// of a curve of much the same layers did, the next one's end is nearly known.
type ends struct {
	at [2]theta // the one before, and the one before that
	n  int
}

func (e *ends) add(th theta) { e.at, e.n = [2]theta{th, e.at[0]}, e.n+1 }

// next is where the fit of a size begins.
func (e *ends) next(th theta, k, part int, before *curve) theta {
	switch {
	case before != nil && !math.IsInf(before.ll[part][k], -1):
		th = before.at[part][k]
		if e.n > 0 && e.n == k {
			for a := range th {
				th[a] += e.at[0][a] - before.at[part][k-1][a]
			}
		}
	case e.n > 1 && e.n == k:
		far := (sizes[k] - sizes[k-1]) / (sizes[k-1] - sizes[k-2])
		for a := range th {
			th[a] = e.at[0][a] + far*(e.at[0][a]-e.at[1][a])
		}
	}
	return th
}

// nuisance gives the logarithm of the determinant of the information of a, c
// and δ, and the variances of a and δ.
func (r *rows) nuisance(f *fitted) (det, va, vd float64) {
	h := [3][3]float64{{f.info[0][0], f.info[0][1], f.info[0][3]}, {0, f.info[1][1], f.info[1][3]}, {0, 0, f.info[3][3]}}
	var g [3]float64
	_, diag, ok := solve3(&h, &g, 3)
	if !ok {
		return 0, r.priorA, r.priorD
	}
	// Determinant by expansion.
	d := h[0][0]*(h[1][1]*h[2][2]-h[1][2]*h[1][2]) - h[0][1]*(h[0][1]*h[2][2]-h[1][2]*h[0][2]) + h[0][2]*(h[0][1]*h[1][2]-h[1][1]*h[0][2])
	return math.Log(max(d, 1e-300)), diag[0], diag[2]
}
