package findings

import "math"

// curveOver walks the sizes upwards and gives the likelihood there. A few
// subjects are far from the rest for reasons of their own (a worn plate, a rough
// printer), so a and δ are drawn from narrow or from wide normals; the wide ones
// are only looked at where they can matter.
func (r *rows) curveOver(null *fitted) *curve {
	c := &curve{r: r}
	c.walk(r, null.th, near)
	narrowA, narrowD := r.priorA, r.priorD
	r.priorA, r.priorD = wideA, max(narrowD, wideD)
	wide := r.fit(null.th, false, true)
	if wide.th[0]*wide.th[0] > 2*narrowA || wide.th[3]*wide.th[3] > 2*narrowD {
		c.walk(r, wide.th, far)
	} else {
		for k := range sizes {
			c.ll[far][k] = c.ll[near][k] - farUnseen
			c.avoid[far][k], c.resp[far][k] = c.avoid[near][k], c.resp[near][k]
		}
	}
	r.priorA, r.priorD = narrowA, narrowD
	return c
}

// Variances of a and δ among the far subjects, and what an ordinary subject's
// log-likelihood typically loses under them.
const (
	wideA     = 0.8
	wideD     = 1
	farUnseen = 2
)

// tooSmall is the loss of log-likelihood beyond which a size is not looked at.
const tooSmall = 10

// walk fills in one component of the prior of a and δ.
func (c *curve) walk(r *rows, start theta, part int) {
	th := withBeta(start, 0)
	top := math.Inf(-1)
	for k, size := range sizes {
		if k > 0 && c.ll[part][k-1] < top-tooSmall {
			// The likelihood falls from its top: larger sizes are out of the question.
			c.ll[part][k] = math.Inf(-1)
			c.resp[part][k] = c.resp[part][k-1]
			continue
		}
		f := r.fit(withBeta(th, size), false, true)
		th = f.th
		det, va, vd := r.nuisance(&f)
		c.ll[part][k] = f.ll - 0.5*det - 0.5*math.Log(r.priorA*r.priorD)
		top = max(top, c.ll[part][k])
		if part == near {
			c.a2[k], c.d2[k] = f.th[0]*f.th[0]+va, f.th[3]*f.th[3]+vd
		}
		c.avoid[part][k] = 100 * r.avoidable(&f.th, false) / r.n
		c.resp[part][k] = r.shares(&f.th)
	}
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
