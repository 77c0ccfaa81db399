package stats

import "math"

// Table is a two by two table of counts: exposed failed, exposed good;
// unexposed failed, unexposed good. Read by rows or by columns, the odds ratio
// is ad/bc.
type Table struct{ A, B, C, D int }

func (t Table) total() int { return t.A + t.B + t.C + t.D }

// Exact is the distribution of a sum of counts in the first cell given all
// margins, the base of exact tests of one table (Fisher) or of several strata
// (exact Mantel-Haenszel). Strata without information contribute nothing.
//
// Methods take the odds ratio under which the chance is asked for: 1 is no
// association. Sources: Fisher 1935; Mehta, Patel and Gray 1985 for the strata.
type Exact struct {
	low  int       // smallest possible sum
	log  []float64 // log chances of low, low+1, .. at odds ratio 1, up to a constant
	seen int       // the sum observed
}

// NewExact builds the distribution for one table or several strata. Negative
// counts are not allowed.
func NewExact(strata ...Table) *Exact {
	// Convolve at an odds ratio near the estimate, so that nothing near the
	// data underflows, and take that tilt out again in logarithms.
	num, den := 0.5, 0.5
	for _, t := range strata {
		if n := float64(t.total()); n > 0 {
			num += float64(t.A) * float64(t.D) / n
			den += float64(t.B) * float64(t.C) / n
		}
	}
	tilt := math.Log(num / den)
	e := &Exact{}
	sum := []float64{1}
	for _, t := range strata {
		low, p := hypergeometric(t, tilt)
		e.low += low
		e.seen += t.A
		if len(p) == 1 {
			continue
		}
		next := make([]float64, len(sum)+len(p)-1)
		for i, a := range sum {
			if a == 0 {
				continue
			}
			for j, b := range p {
				next[i+j] += a * b
			}
		}
		sum = next
	}
	e.log = sum
	for i, p := range sum {
		e.log[i] = math.Log(p) - float64(e.low+i)*tilt
	}
	return e
}

// hypergeometric gives the smallest possible first cell of a table with these
// margins and the chances from there on, at a log odds ratio.
func hypergeometric(t Table, logOdds float64) (low int, p []float64) {
	row, col, n := t.A+t.B, t.A+t.C, t.total()
	low = max(0, row+col-n)
	high := min(row, col)
	p = make([]float64, high-low+1)
	top := math.Inf(-1)
	for k := range p {
		a := low + k
		p[k] = logChoose(col, a) + logChoose(n-col, row-a) + float64(a)*logOdds
		top = max(top, p[k])
	}
	sum := 0.0
	for k := range p {
		p[k] = math.Exp(p[k] - top)
		sum += p[k]
	}
	for k := range p {
		p[k] /= sum
	}
	return low, p
}

func logFactorial(n int) float64 {
	v, _ := math.Lgamma(float64(n) + 1)
	return v
}

func logChoose(n, k int) float64 { return logFactorial(n) - logFactorial(k) - logFactorial(n-k) }

// tails sums the chances below, at and above the observed sum at a log odds
// ratio.
func (e *Exact) tails(logOdds float64) (below, at, above float64) {
	top := math.Inf(-1)
	for i, l := range e.log {
		top = max(top, l+float64(i)*logOdds)
	}
	for i, l := range e.log {
		p := math.Exp(l + float64(i)*logOdds - top)
		switch k := e.low + i; {
		case k < e.seen:
			below += p
		case k == e.seen:
			at += p
		default:
			above += p
		}
	}
	all := below + at + above
	return below / all, at / all, above / all
}

// Informative tells whether more than one sum is possible at all.
func (e *Exact) Informative() bool { return len(e.log) > 1 }

// PGreater is the chance of the observed sum or more at an odds ratio.
func (e *Exact) PGreater(odds float64) float64 {
	_, at, above := e.tails(math.Log(odds))
	return min(1, at+above)
}

// PLess is the chance of the observed sum or less at an odds ratio.
func (e *Exact) PLess(odds float64) float64 {
	below, at, _ := e.tails(math.Log(odds))
	return min(1, below+at)
}

// MidPGreater counts the observed sum itself by half (Lancaster 1961).
func (e *Exact) MidPGreater(odds float64) float64 {
	_, at, above := e.tails(math.Log(odds))
	return min(1, above+at/2)
}

// PTwoSided sums the chances, at odds ratio 1, of all sums no likelier than
// the observed one (relative slack 1e-7, as R's fisher.test).
func (e *Exact) PTwoSided() float64 {
	top := math.Inf(-1)
	for _, l := range e.log {
		top = max(top, l)
	}
	limit := math.Exp(e.log[e.seen-e.low]-top) * (1 + 1e-7)
	sum, all := 0.0, 0.0
	for _, l := range e.log {
		p := math.Exp(l - top)
		all += p
		if p <= limit {
			sum += p
		}
	}
	return min(1, sum/all)
}

// widest is the largest log odds ratio looked at.
const widest = 200

// OddsRatio is the conditional maximum likelihood estimate: the odds ratio at
// which the expected sum is the observed one; 0 and +Inf at the ends of what is
// possible, NaN without information.
func (e *Exact) OddsRatio() float64 {
	switch {
	case !e.Informative():
		return math.NaN()
	case e.seen == e.low:
		return 0
	case e.seen == e.low+len(e.log)-1:
		return math.Inf(1)
	}
	return math.Exp(bisect(func(logOdds float64) float64 {
		top, sum, mean := math.Inf(-1), 0.0, 0.0
		for i, l := range e.log {
			top = max(top, l+float64(i)*logOdds)
		}
		for i, l := range e.log {
			p := math.Exp(l + float64(i)*logOdds - top)
			sum += p
			mean += p * float64(e.low+i)
		}
		return mean/sum - float64(e.seen)
	}, -widest, widest))
}

// OddsRatioLimits is the two-sided exact interval for the odds ratio: each
// limit gives the observed sum or a more extreme one half of 1 - confidence
// (Cornfield 1956).
func (e *Exact) OddsRatioLimits(confidence float64) Interval {
	if !e.Informative() {
		return undefined()
	}
	logAlpha := math.Log((1 - confidence) / 2)
	out := Interval{0, math.Inf(1)}
	if e.seen > e.low {
		out.Low = math.Exp(bisect(func(l float64) float64 {
			_, at, above := e.tails(l)
			return math.Log(at+above) - logAlpha
		}, -widest, widest))
	}
	if e.seen < e.low+len(e.log)-1 {
		out.High = math.Exp(bisect(func(l float64) float64 {
			below, at, _ := e.tails(l)
			return logAlpha - math.Log(below+at)
		}, -widest, widest))
	}
	return out
}
