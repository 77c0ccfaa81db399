package stats

import "math"

// RatioTest is a penalised likelihood-ratio test of one coefficient.
type RatioTest struct {
	ChiSq float64 // 2(l* at the maximum − l* with the coefficient held)
	// Root is the signed square root of ChiSq: positive where the estimate
	// lies above the value tested; standard normal under the null.
	Root                       float64
	PGreater, PLess, PTwoSided float64
}

// Test compares a fit with the one whose coefficient is held at a value, with
// the penalty of all columns in both (Heinze and Schemper 2002). NaN unless
// both converged.
func (l *Logit) Test(w *Workspace, fit *Fit, column int, value float64) RatioTest {
	w = l.prepare(w)
	nan := math.NaN()
	out := RatioTest{nan, nan, nan, nan, nan}
	if !fit.Converged {
		return out
	}
	held := l.climb(w, l.along(fit, fit, column, value), column, 1e-12)
	if !held.Converged {
		return out
	}
	out.ChiSq = max(0, 2*(fit.LogLik-held.LogLik))
	out.Root = math.Copysign(math.Sqrt(out.ChiSq), fit.Coef[column]-value)
	out.PGreater, out.PLess = upperTail(out.Root), upperTail(-out.Root)
	out.PTwoSided = math.Erfc(math.Abs(out.Root) / math.Sqrt2)
	return out
}

// Limits is the profile interval of a coefficient: the values the penalised
// likelihood-ratio test does not reject at two-sided 1 − confidence. An end is
// infinite where the profile never falls that far, both are NaN unless the fit
// converged. The profile is followed outwards from the estimate. Firth's
// likelihood is not concave: with a handful of failures (a single exposed print
// that failed) it can have a second ridge far out, which a test at a far value
// may land on and the limits do not look for.
func (l *Logit) Limits(w *Workspace, fit *Fit, column int, confidence float64) Interval {
	w = l.prepare(w)
	if !fit.Converged || !(fit.SE[column] > 0) {
		return undefined()
	}
	z := NormalQuantile(0.5 + confidence/2)
	return Interval{l.limit(w, fit, column, -z), l.limit(w, fit, column, z)}
}

// limit finds the value on one side (the sign of z) at which the root of the
// likelihood ratio is |z|. The root is nearly linear in the value, so a secant
// from the estimate, kept in a bracket, needs few steps.
func (l *Logit) limit(w *Workspace, fit *Fit, column int, z float64) float64 {
	side := math.Copysign(1, z)
	z = math.Abs(z)
	se := fit.SE[column]
	last := *fit
	// root is over the distance from the estimate; it starts each fit from the
	// last one.
	root := func(distance float64) (r float64, ok bool) {
		value := fit.Coef[column] + side*distance
		held := l.climb(w, l.along(&last, fit, column, value), column, 1e-9)
		if !held.Converged {
			return 0, false
		}
		last = held
		return math.Sqrt(max(0, 2*(fit.LogLik-held.LogLik))), true
	}
	low, rlow := 0.0, 0.0
	high, rhigh := z*se, 0.0
	failed := 0
	for tries := 0; ; tries++ {
		r, ok := root(high)
		switch {
		case !ok && failed < 6: // too far for one go
			failed++
			high = low + (high-low)/4
			continue
		case !ok || tries > 60:
			return math.Inf(int(side)) // the profile never falls that far
		}
		rhigh = r
		if r >= z {
			break
		}
		// As far as the secant says, and a little more.
		ahead := 4 * (high - low)
		if r > rlow {
			ahead = min(ahead, max((z-r)*(high-low)/(r-rlow)*1.02, 0.01*(high-low)))
		}
		low, rlow = high, r
		high += ahead
	}
	secant := func() float64 { return low + (z-rlow)/(rhigh-rlow)*(high-low) }
	const near = 1e-4 // from here one more secant is exact to about 1e-8
	moved := 0
	for range 60 {
		if high-low <= 1e-10*se || min(z-rlow, rhigh-z) <= near && rhigh-rlow < 0.1*z {
			break
		}
		d := secant()
		if !(d > low && d < high) || moved > 2 || moved < -2 {
			d, moved = low+(high-low)/2, 0
		}
		r, ok := root(d)
		if !ok {
			break
		}
		if r < z {
			low, rlow = d, r
			moved = max(1, moved+1)
		} else {
			high, rhigh = d, r
			moved = min(-1, moved-1)
		}
	}
	return fit.Coef[column] + side*secant()
}

// along guesses the coefficients with one moved to a value, the others going
// with it as their covariances at the maximum say.
func (l *Logit) along(from, fit *Fit, column int, value float64) Vector {
	out := from.Coef
	d := value - out[column]
	for c := range l.Cols {
		if c != column {
			out[c] += d * fit.Cov[c][column] / fit.Cov[column][column]
		}
	}
	out[column] = value
	return out
}
