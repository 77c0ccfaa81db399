package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Dose is one group of a trend test: x failures of n at a score.
type Dose struct {
	X, N  int
	Score float64
}

// Trend is the Cochran-Armitage test for a trend of proportions.
type Trend struct {
	Z                       float64 // positive: failures rise with the score
	ChiSq                   float64
	P, PIncreasing, PFallen float64 // two-sided; one-sided for rising and for falling
}

// CochranArmitage tests for a linear trend of proportions over scores:
// Cochran 1954, Armitage 1955, with the variance of the binomial (divisor N).
// NaN where scores or outcomes do not vary.
func CochranArmitage(groups []Dose) Trend {
	var n, x, sx, ns, nss float64
	for _, g := range groups {
		n, x = n+float64(g.N), x+float64(g.X)
		sx += float64(g.X) * g.Score
		ns += float64(g.N) * g.Score
	}
	p, mean := x/n, ns/n
	for _, g := range groups {
		nss += float64(g.N) * (g.Score - mean) * (g.Score - mean)
	}
	z := (sx - p*ns) / math.Sqrt(p*(1-p)*nss)
	return Trend{z, z * z, math.Erfc(math.Abs(z) / math.Sqrt2), upperTail(z), upperTail(-z)}
}

// ExactTrend is the exact conditional trend test, over one or more strata.
type ExactTrend struct {
	PIncreasing, MidPIncreasing float64 // chance of the observed sum of scores or more
	// PByDistance is two-sided: sums at least as far from the expected one.
	PByDistance float64
}

// ExactTrendOf computes the chances of the sum of the scores of the failures,
// given each stratum's number of failures and group sizes (Cochran-Armitage
// exact test; the permutation distribution of Mehta, Patel and Senchaudhuri
// 1992), by dynamic programming. Scores must be multiples of step, which makes
// the sums a grid; others are rounded to the nearest. The work grows with
// failures × failures × (largest score − smallest) / step: meant for subjects
// with few failures.
func ExactTrendOf(strata [][]Dose, step float64) ExactTrend {
	all := []float64{1} // chances of the sums 0, 1, .. in steps above the least
	seen := 0
	for _, groups := range strata {
		d, s := stratumTrend(groups, step)
		seen += s
		next := make([]float64, len(all)+len(d)-1)
		for i, a := range all {
			if a == 0 {
				continue
			}
			for j, b := range d {
				next[i+j] += a * b
			}
		}
		all = next
	}
	mean := 0.0
	for k, p := range all {
		mean += float64(k) * p
	}
	var out ExactTrend
	far := math.Abs(float64(seen)-mean) * (1 - 1e-9)
	for k, p := range all {
		if k >= seen {
			out.PIncreasing += p
		}
		if k > seen {
			out.MidPIncreasing += p
		}
		if math.Abs(float64(k)-mean) >= far {
			out.PByDistance += p
		}
	}
	out.MidPIncreasing = min(1, out.MidPIncreasing+all[seen]/2)
	out.PIncreasing, out.PByDistance = min(1, out.PIncreasing), min(1, out.PByDistance)
	return out
}

// stratumTrend gives the conditional chances of the sums of scores of one
// stratum, in steps above the lowest score, and the sum observed.
func stratumTrend(groups []Dose, step float64) (chances []float64, seen int) {
	lowest, n, failures := math.Inf(1), 0, 0
	for _, g := range groups {
		if g.N > 0 {
			lowest = min(lowest, g.Score)
		}
		n, failures = n+g.N, failures+g.X
	}
	if failures == 0 || failures == n {
		// One outcome only: the sum is certain and adds the same to every case.
		return []float64{1}, 0
	}
	// Equal scores are one group.
	sizes, highest := map[int]int{}, 0
	for _, g := range groups {
		if g.N > 0 {
			s := int(math.Round((g.Score - lowest) / step))
			sizes[s] += g.N
			seen += s * g.X
			highest = max(highest, s)
		}
	}
	// counts[c][s]: weight of c failures with a sum of s so far. Binomial
	// weights at the common rate stay representable where bare binomial
	// coefficients would not; conditioning takes the rate out again.
	rate := float64(failures) / float64(n)
	width := failures*highest + 1
	counts := make([][]float64, failures+1)
	for c := range counts {
		counts[c] = make([]float64, width)
	}
	counts[0][0] = 1
	done := 0 // units so far
	for s := 0; s <= highest; s++ {
		m, ok := sizes[s]
		if !ok {
			continue
		}
		most := min(m, failures)
		weights := make([]float64, most+1)
		for x := range weights {
			weights[x] = distuv.Binomial{N: float64(m), P: rate}.Prob(float64(x))
		}
		for c := failures; c >= 0; c-- {
			row := counts[c]
			for t := range row {
				row[t] *= weights[0]
			}
			for x := 1; x <= min(most, c); x++ {
				if c-x > done {
					continue
				}
				from := counts[c-x]
				for t := s * x; t < width; t++ {
					row[t] += weights[x] * from[t-s*x]
				}
			}
		}
		done += m
	}
	chances = counts[failures]
	sum := 0.0
	for _, p := range chances {
		sum += p
	}
	for t := range chances {
		chances[t] /= sum
	}
	return chances, seen
}
