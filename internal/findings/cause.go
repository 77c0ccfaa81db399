package findings

import (
	"math"
	"slices"
)

// One question: does failure on this subject go with this exposure?
//
// Causes compete: a layer holds only if every cause spares it. With q the
// chance of failure from everything else,
//
//	P(holds) = (1 − q) · exp(−z) · exp(−β·x)     β ≥ 0
//
// where x is the dose of the exposure asked about and z the hazard of the other
// exposures, known from their own questions. log-odds of q = offset from the
// fleet + a + c·time, a and c shrunken with the fleet's own variances. For the
// opposite sign the exposure scales q itself, q·exp(β·x/q̄) with q̄ the
// subject's mean chance, which has the same slope at β = 0 for an average layer.
// A failed layer's class of marks (see signs) has its own chance under q and
// under the exposure; δ lets the subject lean towards the exposure's classes
// without it.

// rows are the layers of one question. Failed layers stand one by one; layers
// that held are gathered in bins of like offset, time and dose, which changes
// the likelihood by far less than its curvature (their log-likelihood is
// linear in β and γ, and smooth in the rest). Where the dose adds to their
// log-likelihood by its sum alone, the bins are of all doses together (even).
type rows struct {
	quick        bool // fits end a step earlier
	swift        bool // and answers are begun nearer to where they end
	fails, holds obs
	even         obs       // off, t and count only
	uneven       float64   // log-likelihood of holds less that of even, at no effect
	class, band  []uint8   // by failed layer
	bands        int       // above all of band
	layer        []int32   // by failed layer: which it is
	spared       []float64 // by failed layer: chance that the known hazards spare it
	signs        *signs
	chronic      *signs       // of a hazard that is there at every dose
	n            float64      // layers
	missOdds     []float64    // of a near miss, by bin; none where the question is about probing
	missed       [2][]float64 // near misses without and with contamination, by bin
	missRatio    [2][]float64 // how much likelier the kind is under the exposure, mean over them
	sumX         float64      // over the layers that held
	priorA       float64      // variance of a
	priorC       float64      // variance of c
	priorD       float64      // variance of δ
	meanQ        float64      // q̄
}

const params = 4 // a, c, β, δ

type theta [params]float64

type matrix [params][params]float64

// fitted is a maximum of the penalised likelihood with β held or free.
type fitted struct {
	th   theta
	ll   float64
	info matrix
}

// eval gives the penalised log-likelihood at th, and with slope its gradient
// and a positive semidefinite information.
func (r *rows) eval(th *theta, neg, slope bool) (ll float64, g theta, h matrix) {
	return r.evalWith(th, neg, slope, nil, nil)
}

// evalWith is eval, where β is held and not below 0 without what belongs to β: adds is
// what the exposure adds to the chance of each failed layer (see adds), nil: β is free.
// Where it is wanted, less is filled with what the information has more than the curvature.
func (r *rows) evalWith(th *theta, neg, slope bool, adds []float64, less *matrix) (ll float64, g theta, h matrix) {
	ll = r.evalHolds(th, neg, slope, &g, &h)
	if adds != nil {
		ll += r.evalHeld(th, adds, &g, &h, less)
	} else {
		ll += r.evalFails(th, neg, slope, &g, &h, less)
	}
	ll -= th[0]*th[0]/(2*r.priorA) + th[1]*th[1]/(2*r.priorC)
	g[0] -= th[0] / r.priorA
	g[1] -= th[1] / r.priorC
	ll -= th[3] * th[3] / (2 * r.priorD)
	g[3] -= th[3] / r.priorD
	h[0][0] += 1 / r.priorA
	h[1][1] += 1 / r.priorC
	h[3][3] += 1 / r.priorD
	return ll, g, h
}

func (r *rows) evalHolds(th *theta, neg, slope bool, g *theta, h *matrix) (ll float64) {
	if neg {
		return r.evalHelped(th, slope, g, h) - r.uneven
	}
	o := &r.even
	var g0, g1, h00, h01, h11 float64
	off, time := o.off[:len(o.count)], o.t[:len(o.count)]
	for i, m := range o.count {
		t := time[i]
		q := expit(off[i] + th[0] + th[1]*t)
		ll += m * log1m(q)
		d := m * q
		g0 -= d
		g1 -= d * t
		w := d * (1 - q)
		h00 += w
		h01 += w * t
		h11 += w * t * t
	}
	ll -= th[2] * r.sumX
	g[0] += g0
	g[1] += g1
	g[2] -= r.sumX
	h[0][0] += h00
	h[0][1] += h01
	h[1][1] += h11
	return ll
}

// evalHelped is evalHolds for an exposure that scales q.
func (r *rows) evalHelped(th *theta, slope bool, g *theta, h *matrix) (ll float64) {
	o := &r.holds
	k := th[2] / r.meanQ
	for i, m := range o.count {
		t, x := o.t[i], o.x[i]/r.meanQ
		q := expit(o.off[i] + th[0] + th[1]*t)
		u := min(q*exp(k*o.x[i]), 1-1e-9)
		ll += m * log1m(u)
		if !slope {
			continue
		}
		d := m * u * (1 - q) / (1 - u)
		g[0] -= d
		g[1] -= d * t
		g[2] -= m * u * x / (1 - u)
		w := m * u * (1 - u)
		h[0][0] += w
		h[0][1] += w * t
		h[1][1] += w * t * t
		h[0][2] += w * x
		h[1][2] += w * x * t
		h[2][2] += w * x * x
	}
	return ll
}

// leaning is how much commoner each class is without the exposure for a subject that
// leans by δ, and the slope of its logarithm in δ, by band and class.
type leaning struct{ tilt, pull [bands * classes]float64 }

func (r *rows) leaning(delta float64) (l leaning) {
	if !r.signs.seen {
		for k := range l.tilt {
			l.tilt[k] = 1
		}
		return l
	}
	var lean [classes]float64
	for c := range classes {
		lean[c] = exp(delta * r.signs.lean[c])
	}
	for b := range r.bands {
		var n, m float64
		for c, base := range r.signs.base[b] {
			e := base * lean[c]
			n += e
			m += e * r.signs.lean[c]
		}
		mid := m / n
		for c := range classes {
			l.tilt[b*classes+c], l.pull[b*classes+c] = 1, r.signs.lean[c]-mid
			if delta != 0 {
				l.tilt[b*classes+c] = lean[c] / n
			}
		}
	}
	return l
}

// overdone is how much the outer product of a failed layer's slopes is larger than its
// curvature in the level, over its slope d0 there: for the chance 1 − (1−q)·s the one is d0²
// and the other d0² − (1−2q)·d0, which is taken for none where it is below.
func overdone(d0, q float64) float64 { return max(0, min(d0, 1-2*q)) }

// level adds that of a failed layer, for its level, its slope in time and its leaning.
func (m *matrix) level(d0, t, q, d3 float64) {
	k := overdone(d0, q)
	o := k * d0
	m[0][0], m[0][1], m[1][1] = m[0][0]+o, m[0][1]+o*t, m[1][1]+o*t*t
	m[0][3], m[1][3] = m[0][3]+k*d3, m[1][3]+k*d3*t
}

// evalHeld is evalFails with β held. Most of a fit's time goes here.
func (r *rows) evalHeld(th *theta, adds []float64, g *theta, h, less *matrix) (ll float64) {
	o, l := &r.fails, r.leaning(th[3])
	n := len(o.off)
	off, time, spared, adds, class, band := o.off[:n], o.t[:n], r.spared[:n], adds[:n], r.class[:n], r.band[:n]
	level, slope := th[0], th[1]
	prod := 1.0
	var g0, g1, g3, h00, h01, h03, h11, h13, h33 float64
	for i := range n {
		t := time[i]
		q := expit(off[i] + level + slope*t)
		k := int(band[i])*classes + int(class[i])
		tilt := l.tilt[k]
		s0 := (1 - q) * spared[i]
		u := s0 * (tilt - adds[i])
		p := max(tilt-u, 1e-12)
		prod *= p
		if prod < 1e-250 {
			ll += math.Log(prod)
			prod = 1
		}
		inv := 1 / p
		d0, d3 := q*u*inv, (1-s0)*tilt*l.pull[k]*inv
		d1 := d0 * t
		if less != nil {
			less.level(d0, t, q, d3)
		}
		g0, g1, g3 = g0+d0, g1+d1, g3+d3
		h00, h01, h03 = h00+d0*d0, h01+d0*d1, h03+d0*d3
		h11, h13, h33 = h11+d1*d1, h13+d1*d3, h33+d3*d3
	}
	g[0], g[1], g[3] = g[0]+g0, g[1]+g1, g[3]+g3
	h[0][0], h[0][1], h[0][3] = h[0][0]+h00, h[0][1]+h01, h[0][3]+h03
	h[1][1], h[1][3], h[3][3] = h[1][1]+h11, h[1][3]+h13, h[3][3]+h33
	return ll + math.Log(prod)
}

func (r *rows) evalFails(th *theta, neg, slope bool, g *theta, h, less *matrix) (ll float64) {
	o, lean := &r.fails, r.leaning(th[3])
	prod := 1.0
	lastX, lastE := 0.0, 1.0
	var g0, g1, g2, g3, h00, h01, h02, h03, h11, h12, h13, h22, h23, h33 float64
	for i := range o.off {
		q := expit(o.off[i] + th[0] + th[1]*o.t[i])
		x, t := o.x[i], o.t[i]
		s2 := r.spared[i]
		b, c := r.band[i], r.class[i]
		w, tilt, pull := r.signs.ratio[b][c], lean.tilt[int(b)*classes+int(c)], lean.pull[int(b)*classes+int(c)]
		var p float64
		var d theta
		if neg {
			m := exp(th[2] * x / r.meanQ)
			u := min(q*m, 1-1e-9)
			k := (1 - (1-u)*s2) * tilt
			p = k
			d[0] = s2 * u * (1 - q) * tilt
			d[2] = s2 * u * x / r.meanQ * tilt
			d[3] = k * pull
		} else {
			if x != lastX { // many layers share a dose
				lastX, lastE = x, exp(-th[2]*x)
			}
			e := lastE
			s0 := (1 - q) * s2
			k := (1 - s0) * tilt
			p = k + w*s0*(1-e)
			d[0] = q * s0 * (tilt - w*(1-e))
			d[2] = w * s0 * e * x
			d[3] = k * pull
		}
		p = max(p, 1e-12)
		prod *= p
		if prod < 1e-250 {
			ll += math.Log(prod)
			prod = 1
		}
		if !slope {
			continue
		}
		// By hand: the compiler leaves loops as they are, and time goes here.
		inv := 1 / p
		d0, d2, d3 := d[0]*inv, d[2]*inv, d[3]*inv
		d1 := d0 * t
		if less != nil {
			less.level(d0, t, q, d3)
		}
		g0, g1, g2, g3 = g0+d0, g1+d1, g2+d2, g3+d3
		h00, h01, h02, h03 = h00+d0*d0, h01+d0*d1, h02+d0*d2, h03+d0*d3
		h11, h12, h13 = h11+d1*d1, h12+d1*d2, h13+d1*d3
		h22, h23, h33 = h22+d2*d2, h23+d2*d3, h33+d3*d3
	}
	g[0], g[1], g[2], g[3] = g[0]+g0, g[1]+g1, g[2]+g2, g[3]+g3
	for a, row := range [params][params]float64{{h00, h01, h02, h03}, {0, h11, h12, h13}, {0, 0, h22, h23}, {0, 0, 0, h33}} {
		for b := a; b < params; b++ {
			h[a][b] += row[b]
		}
	}
	return ll + math.Log(prod)
}

// shares gives the exposure's part in the chance of each failed layer at th; everywhere
// means that its hazard is there at every dose.
func (r *rows) shares(th *theta, everywhere bool) []float32 {
	o, signs := &r.fails, r.signs
	if everywhere {
		signs = r.chronic
	}
	n := len(o.off)
	out := make([]float32, n)
	if th[2] <= 0 {
		return out
	}
	var norm [bands]float64
	var lean [classes]float64
	for c := range classes {
		lean[c] = exp(th[3] * signs.lean[c])
	}
	for b := range bands {
		norm[b] = 1
		if signs.seen {
			norm[b] = 0
			for c := range classes {
				norm[b] += signs.base[b][c] * lean[c]
			}
		}
	}
	off, time, dose, spared, class, band := o.off[:n], o.t[:n], o.x[:n], r.spared[:n], r.class[:n], r.band[:n]
	lastX, left := 1.0, exp(-th[2])
	for i := range out {
		s0 := (1 - expit(off[i]+th[0]+th[1]*time[i])) * spared[i]
		b, c := band[i], class[i]
		if x := dose[i]; !everywhere && x != lastX { // many layers share a dose
			lastX, left = x, exp(-th[2]*x)
		}
		e := signs.ratio[b][c] * s0 * (1 - left)
		k := (1 - s0) * lean[c] / norm[b]
		out[i] = float32(e / (e + k))
	}
	return out
}

// nearly is twice the log-likelihood that a step should gain below which a quick fit takes
// it, and what it should gain, unseen: what Newton's step leaves is of a higher order.
const nearly = 0.05

// fit maximises from th. hold keeps β where it is, and where that is not below 0 leaves it
// out of the information; otherwise β stays on its side of 0 (neg: below).
func (r *rows) fit(th theta, neg, hold bool) fitted {
	var adds []float64
	if hold && !neg {
		var near [128]float64
		adds = r.adds(th[2], near[:0])
	}
	var less, less2 *matrix // quick fits go by the curvature and end sooner; with β free it is no help
	if r.quick && hold {
		less, less2 = new(matrix), new(matrix)
	}
	ll, g, h := r.evalWith(&th, neg, true, adds, less)
	for range 25 {
		var free [params]bool
		free[0], free[1] = true, true
		free[2] = !hold && (th[2] != 0 || (neg && g[2] < 0) || (!neg && g[2] > 0))
		free[3] = r.signs.seen
		curve := h
		if less != nil {
			for a := range params {
				for b := a; b < params; b++ {
					curve[a][b] -= less[a][b]
				}
			}
		}
		d := newton(&curve, &g, &free)
		promise := 0.0
		for a := range params {
			promise += d[a] * g[a]
		}
		if promise < 5e-4 {
			break
		}
		if r.quick && hold && promise < nearly {
			for a := range params {
				th[a] += d[a]
			}
			ll += promise / 2
			break
		}
		step, better := 1.0, false
		for range 12 {
			nt := th
			for a := range params {
				nt[a] += step * clamp(d[a], 2)
			}
			if !hold && ((neg && nt[2] > 0) || (!neg && nt[2] < 0)) {
				nt[2] = 0
			}
			if less2 != nil {
				*less2 = matrix{}
			}
			l2, g2, h2 := r.evalWith(&nt, neg, true, adds, less2)
			if l2 >= ll-1e-9 {
				better = l2-ll > 1e-5
				th, ll, g, h = nt, l2, g2, h2
				less, less2 = less2, less
				break
			}
			step /= 3
		}
		if !better {
			break
		}
	}
	return fitted{th: th, ll: ll, info: h}
}

// adds is the chance that a hazard of size β spoils each failed layer, times how much
// likelier its class is then.
func (r *rows) adds(beta float64, to []float64) []float64 {
	to = slices.Grow(to, len(r.fails.x))
	lastX, lastE := 0.0, 1.0
	for i, x := range r.fails.x {
		if x != lastX { // many layers share a dose
			lastX, lastE = x, exp(-beta*x)
		}
		to = append(to, r.signs.ratio[r.band[i]][r.class[i]]*(1-lastE))
	}
	return to
}

// newton solves h·d = g over the free parameters by Cholesky.
func newton(h *matrix, g *theta, free *[params]bool) (d theta) {
	var idx [params]int
	k := 0
	for a := range params {
		if free[a] {
			idx[k] = a
			k++
		}
	}
	var l matrix
	var y theta
	for i := range k {
		for j := range i + 1 {
			s := h[idx[j]][idx[i]]
			if i == j {
				s += 1e-9
			}
			for m := range j {
				s -= l[i][m] * l[j][m]
			}
			if i == j {
				l[i][i] = math.Sqrt(max(s, 1e-9))
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	for i := range k {
		s := g[idx[i]]
		for m := range i {
			s -= l[i][m] * y[m]
		}
		y[i] = s / l[i][i]
	}
	for i := k - 1; i >= 0; i-- {
		s := y[i]
		for m := i + 1; m < k; m++ {
			s -= l[m][i] * d[idx[m]]
		}
		d[idx[i]] = s / l[i][i]
	}
	return d
}
