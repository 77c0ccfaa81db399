package stats

import (
	"math"

	"basecourse/internal/fault"
)

// MaxColumns is the largest number of columns of a Logit.
const MaxColumns = 8

// Vector and Matrix hold the coefficients of a fit and their covariances; the
// first Cols entries are in use.
type (
	Vector [MaxColumns]float64
	Matrix [MaxColumns][MaxColumns]float64
)

// Penalty says what is added to the log-likelihood.
type Penalty int8

// The penalties.
const (
	// Plain is maximum likelihood. Under separation it has no maximum; the fit
	// then says Converged false.
	Plain Penalty = iota
	// Firth adds half the log determinant of the information (Jeffreys' prior):
	// Firth 1993, Biometrika 80:27-38; Heinze and Schemper 2002, Statistics in
	// Medicine 21:2409-2419. Finite under separation.
	Firth
	// Ridge takes off half the sum of Precision[k]·coef[k]².
	Ridge
)

// Logit is a small logistic regression: rows of Y failures out of M trials
// with log odds Offset + X·coef. It is written for few columns and many fits:
// nothing is allocated in an iteration.
type Logit struct {
	Cols      int       // 1..MaxColumns; an intercept is a column of ones
	X         []float64 // row-major, len(Y)·Cols
	Y         []float64 // failures, 0 ≤ Y ≤ M
	M         []float64 // trials; nil: 1 each
	Offset    []float64 // nil: 0
	Penalty   Penalty
	Precision Vector // with Ridge, ≥ 0 per column
}

// Check tells what is wrong with the shape and the values of a regression.
func (l *Logit) Check() error {
	n := len(l.Y)
	switch {
	case l.Cols < 1 || l.Cols > MaxColumns:
		return fault.New(fault.Invalid, "logistic regression has %d columns, expected 1 to %d", l.Cols, MaxColumns)
	case len(l.X) != n*l.Cols:
		return fault.New(fault.Invalid, "logistic regression has %d cells, expected %d rows of %d", len(l.X), n, l.Cols)
	case l.M != nil && len(l.M) != n:
		return fault.New(fault.Invalid, "logistic regression has %d trial counts, expected %d", len(l.M), n)
	case l.Offset != nil && len(l.Offset) != n:
		return fault.New(fault.Invalid, "logistic regression has %d offsets, expected %d", len(l.Offset), n)
	}
	finite := func(x float64) bool { return x-x == 0 }
	for i, y := range l.Y {
		m := 1.0
		if l.M != nil {
			m = l.M[i]
		}
		if !(y >= 0 && y <= m && finite(m)) {
			return fault.New(fault.Invalid, "row %d has %g failures of %g trials, expected 0 ≤ failures ≤ trials", i+1, y, m)
		}
		if l.Offset != nil && !finite(l.Offset[i]) {
			return fault.New(fault.Invalid, "row %d has the offset %g, expected a finite number", i+1, l.Offset[i])
		}
	}
	for i, x := range l.X {
		if !finite(x) {
			return fault.New(fault.Invalid, "row %d column %d is %g, expected a finite number", i/l.Cols+1, i%l.Cols+1, x)
		}
	}
	return nil
}

// Fit is a fitted Logit.
type Fit struct {
	Coef Vector
	SE   Vector // from the inverse information at Coef, all columns
	Cov  Matrix
	// LogLik is the log-likelihood with its penalty, without binomial
	// coefficients.
	LogLik     float64
	Iterations int
	// Converged: a maximum was found. False under separation without a
	// penalty, and when Singular.
	Converged bool
	// Singular: the columns do not identify the coefficients (one is constant
	// where there is an intercept, or there are too few rows); Coef is NaN.
	Singular bool
}

// Workspace is the scratch memory of fits, to be kept for one fit after the
// other; not for two at once. The zero value is ready.
type Workspace struct {
	prob, weight, hat []float64
	four              [][4]float64 // X padded to four columns, if Cols ≤ 4
	reach             Vector       // largest absolute value of each column
}

// point is the state of an iteration: the penalised log-likelihood and the
// factorised information at some coefficients.
type point struct {
	loglik float64
	info   Matrix // lower triangle, with the ridge
	chol   Matrix
	ok     bool // finite and positive definite
}

// evaluate computes the point at beta and leaves fitted chances and weights of
// the rows in the workspace.
func (l *Logit) evaluate(w *Workspace, beta *Vector) (at point) {
	k := l.Cols
	var loglik float64
	if k <= 4 {
		loglik = l.sweepFour(w, beta, &at.info)
	} else {
		loglik = l.sweepAny(w, beta, &at.info)
	}
	if l.Penalty == Ridge {
		for c := range k {
			at.info[c][c] += l.Precision[c]
			loglik -= l.Precision[c] * beta[c] * beta[c] / 2
		}
	}
	logdet := 0.0
	at.chol, logdet, at.ok = cholesky(&at.info, k)
	if l.Penalty == Firth {
		loglik += logdet / 2
	}
	at.loglik = loglik
	at.ok = at.ok && !math.IsNaN(loglik) && !math.IsInf(loglik, 0)
	return at
}

// score is the gradient of the penalised log-likelihood at the point last
// evaluated. For Firth's penalty each row adds h(1/2 - p), h its hat value
// against the information of all columns; most is the largest hat value of a
// single trial.
func (l *Logit) score(w *Workspace, beta *Vector, inverse *Matrix) (u Vector, most float64) {
	if l.Cols <= 4 {
		most = l.scoreFour(w, inverse, &u)
	} else {
		most = l.scoreAny(w, inverse, &u)
	}
	if l.Penalty == Ridge {
		for c := range l.Cols {
			u[c] -= l.Precision[c] * beta[c]
		}
	}
	return u, most
}

// augmented is the inverse information with each row's trials raised by its
// hat value: Firth's estimate is that of the data with h/2 failures and h/2
// good trials added to each row. Where one row alone determines a coefficient
// (a single exposed print), the step of the plain information is twice too
// long and would swing from side to side for ever.
func (l *Logit) augmented(w *Workspace) (inverse Matrix, ok bool) {
	k := l.Cols
	var info Matrix
	for i := range l.Y {
		x := l.X[i*k : i*k+k : i*k+k]
		m := 1.0
		if l.M != nil {
			m = l.M[i]
		}
		if m == 0 {
			continue
		}
		v := w.weight[i] * (1 + w.hat[i]/m)
		for a, xa := range x {
			for b := 0; b <= a; b++ {
				info[a][b] += v * xa * x[b]
			}
		}
	}
	chol, _, ok := cholesky(&info, k)
	if ok {
		inverse = invert(&chol, k)
	}
	return inverse, ok
}

// newton is the inverse of the negative second derivatives of the penalised
// likelihood, by central differences of the score. Scoring leaves out the
// derivative of the penalty, which slows it to a crawl where a handful of rows
// decide; ok is false where the likelihood is not concave.
func (l *Logit) newton(w *Workspace, beta *Vector, cov *Matrix, held int) (inverse Matrix, ok bool) {
	k := l.Cols
	var second Matrix
	for c := range k {
		if c == held {
			second[c][c] = 1
			continue
		}
		h := 1e-4 * min(1, math.Sqrt(cov[c][c]))
		var ends [2]Vector
		for e, sign := range [2]float64{1, -1} {
			b := *beta
			b[c] += sign * h
			at := l.evaluate(w, &b)
			if !at.ok {
				return inverse, false
			}
			inv := invert(&at.chol, k)
			ends[e], _ = l.score(w, &b, &inv)
		}
		for a := range k {
			if a != held {
				d := (ends[1][a] - ends[0][a]) / (2 * h)
				second[a][c] += d / 2
				second[c][a] += d / 2
			}
		}
	}
	chol, _, ok := cholesky(&second, k)
	if ok {
		inverse = invert(&chol, k)
	}
	return inverse, ok
}

// Fit maximises the penalised likelihood. A nil workspace makes one.
func (l *Logit) Fit(w *Workspace) Fit {
	w = l.prepare(w)
	return l.climb(w, Vector{}, -1, 1e-15)
}

// FitHolding maximises with one coefficient held at a value. Penalty and
// information stay those of all columns, which is what makes penalised
// likelihood ratios comparable (Heinze and Schemper 2002).
func (l *Logit) FitHolding(w *Workspace, column int, value float64) Fit {
	w = l.prepare(w)
	var start Vector
	start[column] = value
	return l.climb(w, start, column, 1e-15)
}

func (l *Logit) prepare(w *Workspace) *Workspace {
	if w == nil {
		w = &Workspace{}
	}
	if n := len(l.Y); cap(w.prob) < n {
		w.prob, w.weight, w.hat = make([]float64, n), make([]float64, n), make([]float64, n)
	} else {
		w.prob, w.weight, w.hat = w.prob[:n], w.weight[:n], w.hat[:n]
	}
	w.reach = Vector{}
	if n := len(l.Y); l.Cols <= 4 && cap(w.four) < n {
		w.four = make([][4]float64, n)
	}
	w.four = w.four[:0]
	for i := range l.Y {
		row := l.X[i*l.Cols : (i+1)*l.Cols]
		for c, x := range row {
			w.reach[c] = max(w.reach[c], math.Abs(x))
		}
		if l.Cols <= 4 {
			var padded [4]float64
			copy(padded[:], row)
			w.four = append(w.four, padded)
		}
	}
	return w
}

const (
	mostSteps = 100
	// scoringSteps is after how many steps the full second derivatives are
	// worth their price.
	scoringSteps = 20
	// farthest is the largest change of any row's log odds that one step may
	// bring through one column.
	farthest = 5.0
	// separated is a standard error on the scale of log odds beyond which a
	// plain fit has run off along a separated column rather than converged.
	separated = 1e4
)

// climb runs Fisher scoring from start with steps halved until the penalised
// likelihood rises, holding one column if held ≥ 0. It ends when the squared
// length of the step, in standard errors, is below tolerance, after a fixed
// number of steps, or when no step along the score raises the likelihood.
func (l *Logit) climb(w *Workspace, start Vector, held int, tolerance float64) (f Fit) {
	k := l.Cols
	beta := start
	at := l.evaluate(w, &beta)
	if !at.ok {
		f.Singular = true
		for c := range k {
			f.Coef[c], f.SE[c] = math.NaN(), math.NaN()
		}
		f.LogLik = math.NaN()
		return f
	}
	var inverse Matrix
	for {
		inverse = invert(&at.chol, k)
		if f.Iterations == mostSteps {
			break
		}
		f.Iterations++
		u, most := l.score(w, &beta, &inverse)
		scaling := &inverse
		var other Matrix
		ok := false
		switch {
		case f.Iterations > scoringSteps:
			other, ok = l.newton(w, &beta, &inverse, held)
		case most > 0.1:
			other, ok = l.augmented(w)
		}
		if ok {
			scaling = &other
		}
		step := direction(scaling, &u, k, held)
		length, far := 0.0, 0.0
		for c := range k {
			length += step[c] * u[c]
			far = max(far, math.Abs(step[c])*w.reach[c])
		}
		if length <= tolerance && far < 1e-3 {
			f.Converged = true
			break
		}
		scale := min(1, farthest/far)
		tried, next := beta, at
		slack := 1e-13 * (1 + math.Abs(at.loglik)) // of rounding
		for half := 0; ; half++ {
			for c := range k {
				tried[c] = beta[c] + scale*step[c]
			}
			next = l.evaluate(w, &tried)
			if next.ok && next.loglik >= at.loglik-slack {
				break
			}
			if half == 40 {
				f.Converged = length < 1e-8 && far < 1e-3
				next = point{}
				break
			}
			scale /= 2
		}
		if !next.ok {
			l.evaluate(w, &beta) // leave the rows as they are at beta
			break
		}
		beta, at = tried, next
	}
	f.Coef, f.Cov, f.LogLik = beta, inverse, at.loglik
	for c := range k {
		f.SE[c] = math.Sqrt(inverse[c][c])
		if l.Penalty == Plain && f.SE[c]*w.reach[c] > separated {
			f.Converged = false
		}
	}
	return f
}

// direction solves information × step = score over the columns not held.
func direction(inverse *Matrix, u *Vector, k, held int) (step Vector) {
	for a := range k {
		if a == held {
			continue
		}
		for b := range k {
			if b == held {
				continue
			}
			v := inverse[a][b]
			if held >= 0 { // inverse of the block without the held column
				v -= inverse[a][held] * inverse[held][b] / inverse[held][held]
			}
			step[a] += v * u[b]
		}
	}
	if held >= 0 {
		u[held] = 0
	}
	return step
}

// cholesky factorises the lower triangle of a symmetric matrix; ok is false
// unless it is positive definite, no column closer to the others than
// 1 − R² = 1e-10.
func cholesky(m *Matrix, k int) (c Matrix, logdet float64, ok bool) {
	product := 1.0
	for a := range k {
		for b := 0; b <= a; b++ {
			s := m[a][b]
			for i := range b {
				s -= c[a][i] * c[b][i]
			}
			if a != b {
				c[a][b] = s / c[b][b]
				continue
			}
			if !(s > 1e-10*m[a][a]) {
				return c, math.Inf(-1), false
			}
			c[a][a] = math.Sqrt(s)
			product *= s
		}
	}
	if product > 1e-290 && product < 1e290 {
		return c, math.Log(product), true
	}
	for a := range k {
		logdet += 2 * math.Log(c[a][a])
	}
	return c, logdet, !math.IsInf(logdet, 0)
}

// invert gives the inverse, both triangles, from a Cholesky factor.
func invert(c *Matrix, k int) (out Matrix) {
	var inv Matrix // of the factor, lower
	for a := range k {
		inv[a][a] = 1 / c[a][a]
		for b := range a {
			s := 0.0
			for i := b; i < a; i++ {
				s += c[a][i] * inv[i][b]
			}
			inv[a][b] = -s / c[a][a]
		}
	}
	for a := range k {
		for b := 0; b <= a; b++ {
			s := 0.0
			for i := a; i < k; i++ {
				s += inv[i][a] * inv[i][b]
			}
			out[a][b], out[b][a] = s, s
		}
	}
	return out
}
