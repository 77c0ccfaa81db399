package bed

import (
	"math"

	"basecourse/internal/stats"
)

// censoredFit is the interval-censored log-likelihood of a plane a + b·u + c·v
// with normal priors. It is concave, so Newton's way up finds its one maximum.
type censoredFit struct {
	lines, bounds []observation
	middle        float64 // prior mean of a
	offsetSD      float64
	tiltSD        float64
}

type vec3 [3]float64

// at gives the log-likelihood, its gradient and its negated Hessian (upper
// triangle: aa ab ac bb bc cc).
func (f *censoredFit) at(p vec3) (value float64, grad vec3, info [6]float64) {
	prior := func(k, n int, x, sd float64) {
		value -= x * x / (2 * sd * sd)
		grad[k] -= x / (sd * sd)
		info[n] += 1 / (sd * sd)
	}
	prior(0, 0, p[0]-f.middle, f.offsetSD)
	prior(1, 3, p[1], f.tiltSD)
	prior(2, 5, p[2], f.tiltSD)
	add := func(o *observation, slope, weight float64) {
		grad[0] += slope
		grad[1] += slope * o.u
		grad[2] += slope * o.v
		info[0] += weight
		info[1] += weight * o.u
		info[2] += weight * o.v
		info[3] += weight * o.u * o.u
		info[4] += weight * o.u * o.v
		info[5] += weight * o.v * o.v
	}
	for i := range f.lines {
		o := &f.lines[i]
		r, w := o.mm-(p[0]+p[1]*o.u+p[2]*o.v), 1/(o.sd*o.sd)
		value -= r * r * w / 2
		add(o, r*w, w)
	}
	for i := range f.bounds {
		o := &f.bounds[i]
		z := p[0] + p[1]*o.u + p[2]*o.v
		l, s, w := between((o.low-z)/o.sd, (o.high-z)/o.sd)
		value += l
		add(o, s/o.sd, w/(o.sd*o.sd))
	}
	return value, grad, info
}

// between is log(Φ(high) − Φ(low)) with its first derivative and negated second
// derivative in a shift that lowers both; low < high, either may be infinite.
// Far in a tail it is worked out there, so that nothing cancels.
func between(low, high float64) (value, slope, weight float64) {
	flip := low+high < 0 // work in the upper tail
	if flip {
		low, high = -high, -low
	}
	density := func(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
	p := stats.NormalUpperTail(low) - stats.NormalUpperTail(high)
	if !(p > 1e-280) {
		// log Φ's tail ≈ −x²/2 with slope x: enough to walk back from there.
		return -low*low/2 - math.Log(low) - 0.9189385332046727, flipped(flip, low), 1
	}
	dl, dh := density(low), density(high)
	slope = (dl - dh) / p
	weight = slope * slope
	if !math.IsInf(low, 0) {
		weight -= low * dl / p
	}
	if !math.IsInf(high, 0) {
		weight += high * dh / p
	}
	return math.Log(p), flipped(flip, slope), max(weight, 0)
}

func flipped(flip bool, x float64) float64 {
	if flip {
		return -x
	}
	return x
}

// climb finds the maximum; with held, a stays where it is.
func (f *censoredFit) climb(p vec3, held bool) (vec3, float64, [6]float64) {
	value, grad, info := f.at(p)
	for range 60 {
		step := newton(grad, info, held)
		gain := 0.0
		for k, s := range step {
			gain += s * grad[k]
		}
		if gain < 1e-14 {
			break
		}
		size := 1.0
		for range 40 {
			next := vec3{p[0] + size*step[0], p[1] + size*step[1], p[2] + size*step[2]}
			v, g, i := f.at(next)
			if v >= value+1e-4*size*gain || size*gain < 1e-13 {
				p, value, grad, info = next, v, g, i
				break
			}
			size /= 2
		}
	}
	return p, value, info
}

// newton solves info·step = grad; with held the first coordinate is left out.
func newton(grad vec3, info [6]float64, held bool) vec3 {
	if held {
		det := info[3]*info[5] - info[4]*info[4]
		return vec3{0, (grad[1]*info[5] - grad[2]*info[4]) / det, (grad[2]*info[3] - grad[1]*info[4]) / det}
	}
	c := inverse3(info)
	return vec3{c[0]*grad[0] + c[1]*grad[1] + c[2]*grad[2], c[1]*grad[0] + c[3]*grad[1] + c[4]*grad[2], c[2]*grad[0] + c[4]*grad[1] + c[5]*grad[2]}
}

// inverse3 inverts a symmetric positive definite matrix (upper triangle).
func inverse3(m [6]float64) [6]float64 {
	a, b, c, d, e, g := m[0], m[1], m[2], m[3], m[4], m[5]
	A, B, C := d*g-e*e, c*e-b*g, b*e-c*d
	det := a*A + b*B + c*C
	return [6]float64{A / det, B / det, C / det, (a*g - c*c) / det, (b*c - a*e) / det, (a*d - b*b) / det}
}

// censored fits the plane to whatever there is. Every end of the offset's
// interval is where the profile of the likelihood has fallen by k²/2 = 2, the
// gauge's and the grader's common part joined to it in quadrature.
func (e *Estimate) censored(in *Input, lines, bounds []observation) {
	f := censoredFit{lines: lines, bounds: bounds, middle: in.Profile.Band().MiddleMM(), offsetSD: in.Assume.OffsetMM, tiltSD: in.Assume.TiltMM}
	best, top, info := f.climb(vec3{f.middle}, false)
	cov := inverse3(info)
	common := 0.0
	if len(in.Looks) > 0 {
		common += in.Assume.GraderMM * in.Assume.GraderMM
	}
	if len(in.Readings) > 0 {
		common += in.Gauge.common()
	}
	end := func(sign float64) float64 {
		from, sd := best, math.Sqrt(cov[0])
		near, far := 0.0, 2*sd
		fall := func(by float64) float64 {
			p := vec3{best[0] + sign*by, from[1], from[2]}
			p, v, _ := f.climb(p, true)
			from = p
			return top - v
		}
		for n := 0; n < 8 && fall(far) < 2; n++ {
			near, far = far, far+sd
		}
		for range 14 {
			mid := (near + far) / 2
			if fall(mid) < 2 {
				near = mid
			} else {
				far = mid
			}
		}
		return math.Sqrt(far*far + 4*common)
	}
	hx, hy := in.Grid.half()
	e.Gap = Plane{best[0], best[1] / hx * 1000, best[2] / hy * 1000}
	offset := best[0] - in.Profile.HeightMM
	e.OffsetLowMM, e.OffsetHighMM = offset-end(-1), offset+end(1)
	e.ScatterMM, e.DF, e.Factor = in.Assume.ScatterMM, 0, 2
	tilts := [3]float64{cov[3], cov[4], cov[5]}
	e.tilt(best[1], best[2], tilts, 2)
	// A chi-square of two degrees exceeds 9.21 in 1 % of level beds.
	e.TiltClear = wald(best[1], best[2], tilts) > -2*math.Log(1-tiltLevel)
}
