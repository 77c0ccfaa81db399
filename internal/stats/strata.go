package stats

import "math"

// MantelHaenszel is the classical analysis of strata of two by two tables.
type MantelHaenszel struct {
	OddsRatio float64  // common odds ratio: Mantel and Haenszel 1959
	Limits    Interval // Robins, Breslow and Greenland 1986
	ChiSq     float64  // without continuity correction
	// ChiSqCorrected takes half a count off the difference (Agresti 1990, as R).
	ChiSqCorrected float64
	// P, PCorrected are two-sided; PGreater is for an odds ratio above 1,
	// without correction.
	P, PCorrected, PGreater float64
}

// MantelHaenszelOf analyses the strata; a stratum with an empty margin
// contributes nothing. Values are NaN where no stratum says anything.
func MantelHaenszelOf(strata []Table, confidence float64) MantelHaenszel {
	var r, s, pr, psqr, qs, diff, variance float64
	for _, t := range strata {
		n := float64(t.total())
		if n < 2 {
			continue
		}
		a, b, c, d := float64(t.A), float64(t.B), float64(t.C), float64(t.D)
		ri, si := a*d/n, b*c/n
		p, q := (a+d)/n, (b+c)/n
		r, s = r+ri, s+si
		pr, psqr, qs = pr+p*ri, psqr+p*si+q*ri, qs+q*si
		diff += a - (a+b)*(a+c)/n
		variance += (a + b) * (c + d) * (a + c) * (b + d) / (n * n * (n - 1))
	}
	z := NormalQuantile(0.5 + confidence/2)
	out := MantelHaenszel{OddsRatio: r / s}
	sd := math.Sqrt(pr/(2*r*r) + psqr/(2*r*s) + qs/(2*s*s))
	out.Limits = Interval{out.OddsRatio * math.Exp(-z*sd), out.OddsRatio * math.Exp(z*sd)}
	out.ChiSq = diff * diff / variance
	corrected := math.Abs(diff) - min(0.5, math.Abs(diff))
	out.ChiSqCorrected = corrected * corrected / variance
	out.P = chiSquareTail(out.ChiSq, 1)
	out.PCorrected = chiSquareTail(out.ChiSqCorrected, 1)
	out.PGreater = upperTail(diff / math.Sqrt(variance))
	return out
}

// BreslowDay tests whether the odds ratio is the same in all strata, against
// the cells expected at the Mantel-Haenszel odds ratio (Breslow and Day 1980),
// with Tarone's correction (1985). P is of the plain statistic, PTarone of the
// corrected one; DF is the number of strata less one.
type BreslowDay struct {
	ChiSq, P, Tarone, PTarone float64
	DF                        int
}

// BreslowDayOf needs at least two strata that say something and a
// Mantel-Haenszel odds ratio neither zero nor infinite; NaN otherwise.
func BreslowDayOf(strata []Table) BreslowDay {
	psi := MantelHaenszelOf(strata, 0.95).OddsRatio
	var chi, diff, variance float64
	k := 0
	for _, t := range strata {
		row, col, n := float64(t.A+t.B), float64(t.A+t.C), float64(t.total())
		if row == 0 || col == 0 || row == n || col == n {
			continue
		}
		k++
		// e(n - row - col + e) = psi (row - e)(col - e), the root within the margins.
		e := row * col / n
		if q := 1 - psi; math.Abs(q) > 1e-12 {
			b := n - row - col + psi*(row+col)
			root := math.Sqrt(b*b + 4*q*psi*row*col)
			e = 2 * psi * row * col / (b + root)
		}
		v := 1 / (1/e + 1/(row-e) + 1/(col-e) + 1/(n-row-col+e))
		d := float64(t.A) - e
		chi += d * d / v
		diff, variance = diff+d, variance+v
	}
	if k < 2 || !(psi > 0) || math.IsInf(psi, 0) {
		nan := math.NaN()
		return BreslowDay{nan, nan, nan, nan, max(0, k-1)}
	}
	out := BreslowDay{ChiSq: chi, Tarone: chi - diff*diff/variance, DF: k - 1}
	out.P, out.PTarone = chiSquareTail(out.ChiSq, out.DF), chiSquareTail(out.Tarone, out.DF)
	return out
}
