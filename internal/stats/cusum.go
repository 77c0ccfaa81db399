package stats

import "math"

// Cusum is a cumulative sum over single layers that looks for a rise of the
// failure rate from P0 to P1 (Bernoulli CUSUM; Reynolds and Stoumbos 1999,
// Journal of Quality Technology 31:87-108). In whole steps: a failure adds
// M - 1, a good layer takes 1 away, never below 0; H or more is a signal.
type Cusum struct {
	P0, P1 float64
	M, H   int
	// RunAtP0 and RunAtP1 are how many layers pass on average until a signal, at
	// either rate, from 0.
	RunAtP0, RunAtP1 float64
}

// CusumWeights are the logarithms of the likelihood ratio of P1 to P0 by which
// a failure and a good layer count, and the step that stands for their ratio,
// before rounding.
func CusumWeights(p0, p1 float64) (failure, good, step float64) {
	failure, good = math.Log(p1/p0), math.Log((1-p1)/(1-p0))
	return failure, good, (failure - good) / -good
}

// CusumFor designs a sum from a rate p0 that signals falsely only once in run
// layers on average or more rarely, and finds a rise to p1 soonest: M is the
// likelihood ratio's step rounded, H the lowest with that run. 0 < p0 < p1 < 1.
func CusumFor(p0, p1, run float64) Cusum {
	_, _, step := CusumWeights(p0, p1)
	c := Cusum{P0: p0, P1: p1, M: max(2, int(math.Round(step)))}
	low, high := 1, c.M
	for CusumRun(p0, c.M, high) < run {
		low, high = high+1, 2*high
	}
	c.H = low + firstTrue(0, high-low, func(k int) bool { return CusumRun(p0, c.M, low+k) >= run })
	c.RunAtP0, c.RunAtP1 = CusumRun(p0, c.M, c.H), CusumRun(p1, c.M, c.H)
	return c
}

// CusumRun is how many layers pass on average until the sum that starts at 0
// and counts m - 1 for a failure and -1 for a good layer reaches h, at rate p:
// the exact solution of its Markov chain on 0..h-1.
func CusumRun(p float64, m, h int) float64 {
	q := 1 - p
	// With E(s) the layers still to come from s: E(s) = 1 + q·E(max(0, s-1)) +
	// p·E(s+m-1), where E is 0 from h on. Eliminated upwards, E(s) = c[s] +
	// Σ w[s][j]·E(s+1+j), j = 0..m-2; then solved downwards.
	if m < 2 || h < 1 || !(p > 0 && p < 1) {
		return math.NaN()
	}
	band := m - 1
	w := make([]float64, h*band)
	c := make([]float64, h)
	for s := range h {
		row := w[s*band : (s+1)*band]
		var divisor float64
		if s == 0 {
			divisor = p // E(0)(1 - q) = 1 + p·E(m-1)
			c[0] = 1 / divisor
		} else {
			before := w[(s-1)*band : s*band]
			divisor = 1 - q*before[0]
			for j := range band - 1 {
				row[j] = q * before[j+1] / divisor
			}
			c[s] = (1 + q*c[s-1]) / divisor
		}
		row[band-1] += p / divisor
	}
	e := make([]float64, h+band)
	for s := h - 1; s >= 0; s-- {
		sum := c[s]
		for j, x := range w[s*band : (s+1)*band] {
			sum += x * e[s+1+j]
		}
		e[s] = sum
	}
	return e[0]
}

// CusumSignal is a signal: layer At brought the sum to the limit, which had last
// been 0 before layer Since: about then the rate rose.
type CusumSignal struct{ At, Since int }

// Run follows layers in their order: the sum after each, and its signals. After
// a signal the sum begins again at 0.
func (c Cusum) Run(failed []bool) (sums []int, found []CusumSignal) {
	sums = make([]int, len(failed))
	s, since := 0, 0
	for i, f := range failed {
		if s == 0 {
			since = i
		}
		if f {
			s += c.M - 1
		} else {
			s = max(0, s-1)
		}
		sums[i] = s
		if s >= c.H {
			found = append(found, CusumSignal{i, since})
			s = 0
		}
	}
	return sums, found
}
