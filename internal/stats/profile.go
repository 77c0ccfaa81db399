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
	held := l.climb(w, l.along(fit, fit, column, value), column, 1e-13)
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
// converged.
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
		held := l.climb(w, l.along(&last, fit, column, value), column, 1e-11)
		if !held.Converged {
			return 0, false
		}
		last = held
		return math.Sqrt(max(0, 2*(fit.LogLik-held.LogLik))), true
	}
	low, rlow := 0.0, 0.0
	high, rhigh := z*se, 0.0
	for tries := 0; ; tries++ {
		r, ok := root(high)
		if ok && r >= z {
			rhigh = r
			break
		}
		if !ok {
			// The far end of a flat profile: a maximum under separation.
			return math.Inf(int(side))
		}
		if tries == 30 {
			return math.Inf(int(side))
		}
		ahead := 2 * (high - low)
		if r > rlow { // as far as the secant says, and a little more
			ahead = min(ahead*4, max((z-r)*(high-low)/(r-rlow)*1.05, 0.02*(high-low)))
		}
		low, rlow = high, r
		high += ahead
	}
	moved := 0
	for range 60 {
		if rhigh-z <= 1e-9 || high-low <= 1e-9*se {
			return fit.Coef[column] + side*high
		}
		d := low + (z-rlow)/(rhigh-rlow)*(high-low)
		if !(d > low && d < high) || moved > 2 || moved < -2 {
			d, moved = low+(high-low)/2, 0
		}
		r, ok := root(d)
		if !ok {
			break
		}
		if math.Abs(r-z) <= 1e-9 {
			return fit.Coef[column] + side*d
		}
		if r < z {
			low, rlow = d, r
			moved = max(1, moved+1)
		} else {
			high, rhigh = d, r
			moved = min(-1, moved-1)
		}
	}
	return fit.Coef[column] + side*(low+high)/2
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
