package stats

import "math"

// The sums over rows of a Logit, for any number of columns and unrolled for up
// to four (padded with zeros), where the unrolled form takes half the time.

// sweepAny adds the information to the lower triangle, leaves fitted chances
// and weights in the workspace and returns the log-likelihood.
func (l *Logit) sweepAny(w *Workspace, beta *Vector, info *Matrix) float64 {
	k := l.Cols
	var sum likelihood
	for i, y := range l.Y {
		x := l.X[i*k : i*k+k : i*k+k]
		eta := 0.0
		if l.Offset != nil {
			eta = l.Offset[i]
		}
		for c, v := range x {
			eta += v * beta[c]
		}
		m := 1.0
		if l.M != nil {
			m = l.M[i]
		}
		p, v := sum.add(y, m, eta)
		w.prob[i], w.weight[i] = p, v
		for a, xa := range x {
			vx := v * xa
			row := &info[a]
			for b := 0; b <= a; b++ {
				row[b] += vx * x[b]
			}
		}
	}
	return sum.value()
}

// likelihood sums binomial log-likelihoods; single trials share one logarithm
// by multiplying up.
type likelihood struct{ log, product float64 }

func (s *likelihood) value() float64 { return s.log - math.Log1p(s.product) }

// add counts y failures of m trials at log odds eta and gives the fitted
// chance and the weight m·p(1 − p), neither of which cancels far out.
func (s *likelihood) add(y, m, eta float64) (p, weight float64) {
	e := expNegative(-math.Abs(eta))
	r := 1 / (1 + e)
	if eta < 0 {
		p = e * r
		s.log += y * eta
	} else {
		p = r
		s.log += (y - m) * eta
	}
	if m == 1 {
		// product is the running product of (1 + e), less 1 to keep small e.
		if s.product += e + s.product*e; s.product > 1e280 {
			s.log -= math.Log(s.product)
			s.product = 0
		}
	} else {
		s.log -= m * math.Log1p(e)
	}
	return p, m * e * r * r
}

// roots holds 2^(j/64).
var roots = func() (t [64]float64) {
	for j := range t {
		t[j] = math.Exp2(float64(j) / 64)
	}
	return t
}()

// expNegative is e^x for x ≤ 0, to about one unit in the last place: a table
// of 64 roots of two and five terms of the series (Tang 1989, ACM TOMS 15:
// 144-157). The library's took half of the time of all fits.
func expNegative(x float64) float64 {
	if !(x > -700) {
		return math.Exp(x)
	}
	const (
		shift  = 0x1.8p52 // adding it rounds to an integer in the low bits
		perLn2 = 64 / math.Ln2
		high   = 0x1.62e42fefa0000p-1 / 64 // ln 2 in two parts, the first short enough for exact products
		low    = 0x1.cf79abc9e3b39p-40 / 64
	)
	t := x*perLn2 + shift
	n := int64(math.Float64bits(t)<<13) >> 13 // shift's own low 51 bits are zero
	k := t - shift
	r := (x - k*high) - k*low
	p := r + r*r*(1.0/2+r*(1.0/6+r*(1.0/24+r*(1.0/120))))
	root := roots[n&63]
	return (root + root*p) * math.Float64frombits(uint64(1023+(n>>6))<<52)
}

// scoreAny adds each row's part of the gradient to u.
func (l *Logit) scoreAny(w *Workspace, inverse *Matrix, u *Vector) (most float64) {
	k := l.Cols
	for i, y := range l.Y {
		x := l.X[i*k : i*k+k : i*k+k]
		m, p := 1.0, w.prob[i]
		if l.M != nil {
			m = l.M[i]
		}
		r := y - m*p
		if l.Penalty == Firth {
			h := 0.0
			for a, xa := range x {
				row := &inverse[a]
				s := row[a] * xa / 2
				for b := 0; b < a; b++ {
					s += row[b] * x[b]
				}
				h += s * xa
			}
			h *= 2 * w.weight[i]
			w.hat[i] = h
			if m > 0 {
				most = max(most, h/m)
			}
			r += h * (0.5 - p)
		}
		for c, v := range x {
			u[c] += r * v
		}
	}
	return most
}

// sweepFour is sweepAny for up to four columns.
func (l *Logit) sweepFour(w *Workspace, beta *Vector, info *Matrix) float64 {
	var sum likelihood
	b0, b1, b2, b3 := beta[0], beta[1], beta[2], beta[3]
	var s00, s10, s11, s20, s21, s22, s30, s31, s32, s33 float64
	n := len(l.Y)
	rows, prob, weight := w.four[:n], w.prob[:n], w.weight[:n]
	for i, y := range l.Y {
		x := &rows[i]
		eta := b0*x[0] + b1*x[1] + b2*x[2] + b3*x[3]
		if l.Offset != nil {
			eta += l.Offset[i]
		}
		m := 1.0
		if l.M != nil {
			m = l.M[i]
		}
		p, v := sum.add(y, m, eta)
		prob[i], weight[i] = p, v
		v0, v1, v2, v3 := v*x[0], v*x[1], v*x[2], v*x[3]
		s00 += v0 * x[0]
		s10 += v1 * x[0]
		s11 += v1 * x[1]
		s20 += v2 * x[0]
		s21 += v2 * x[1]
		s22 += v2 * x[2]
		s30 += v3 * x[0]
		s31 += v3 * x[1]
		s32 += v3 * x[2]
		s33 += v3 * x[3]
	}
	info[0][0] = s00
	info[1][0], info[1][1] = s10, s11
	info[2][0], info[2][1], info[2][2] = s20, s21, s22
	info[3][0], info[3][1], info[3][2], info[3][3] = s30, s31, s32, s33
	return sum.value()
}

// scoreFour is scoreAny for up to four columns.
func (l *Logit) scoreFour(w *Workspace, inverse *Matrix, u *Vector) (most float64) {
	q00, q11, q22, q33 := inverse[0][0], inverse[1][1], inverse[2][2], inverse[3][3]
	q10, q20, q21 := 2*inverse[1][0], 2*inverse[2][0], 2*inverse[2][1]
	q30, q31, q32 := 2*inverse[3][0], 2*inverse[3][1], 2*inverse[3][2]
	var u0, u1, u2, u3 float64
	n := len(l.Y)
	rows, prob, weight, hat := w.four[:n], w.prob[:n], w.weight[:n], w.hat[:n]
	firth := l.Penalty == Firth
	for i, y := range l.Y {
		x := &rows[i]
		m, p := 1.0, prob[i]
		if l.M != nil {
			m = l.M[i]
		}
		r := y - m*p
		if firth {
			h := weight[i] * (x[0]*q00*x[0] +
				x[1]*(q10*x[0]+q11*x[1]) +
				x[2]*(q20*x[0]+q21*x[1]+q22*x[2]) +
				x[3]*(q30*x[0]+q31*x[1]+q32*x[2]+q33*x[3]))
			hat[i] = h
			if h > most*m {
				most = h / m
			}
			r += h * (0.5 - p)
		}
		u0 += r * x[0]
		u1 += r * x[1]
		u2 += r * x[2]
		u3 += r * x[3]
	}
	u[0], u[1], u[2], u[3] = u0, u1, u2, u3
	return most
}
