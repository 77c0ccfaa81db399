package stats

import "math"

// Rated is one thing put into one of k categories twice.
type Rated struct {
	First, Second int     // 0 to k-1
	Weight        float64 // one over the chance with which it was drawn; 0 counts as 1
}

// Weighing says how much two different categories agree.
type Weighing int

// How categories that lie i and j apart agree: not at all; by 1 − |i−j|/(k−1); by
// 1 − (i−j)²/(k−1)² (Fleiss & Cohen 1973, Educ Psychol Meas 33:613-619).
const (
	Plainly Weighing = iota
	ByStep
	BySquare
)

func (w Weighing) at(i, j, k int) float64 {
	if i == j {
		return 1
	}
	d := math.Abs(float64(i-j)) / float64(k-1)
	switch w {
	case ByStep:
		return 1 - d
	case BySquare:
		return 1 - d*d
	}
	return 0
}

// Agreed is an agreement with its standard error and two-sided interval; NaN where it
// is not defined.
type Agreed struct {
	At, SE float64
	Interval
	N int // things rated
}

func unagreed(n int) Agreed { return Agreed{math.NaN(), math.NaN(), undefined(), n} }

// Ratings lists the things of a table of counts, first rater by rows.
func Ratings(table [][]int) (list []Rated, k int) {
	for i, row := range table {
		for j, n := range row {
			for range n {
				list = append(list, Rated{First: i, Second: j})
			}
		}
	}
	return list, len(table)
}

func weightOf(r Rated) float64 {
	if r.Weight > 0 {
		return r.Weight
	}
	return 1
}

// Kappa is Cohen's kappa over k categories, weighted or not (Cohen 1960, 1968). Its
// standard error is the large-sample one of Fleiss, Cohen & Everitt 1969 (Psychol
// Bull 72:323-327), not that under independence; with unequal weights it is the same
// expansion with each thing's own weight. The interval is the asymptotic one, which says
// nothing where all agree (of no width). It holds about 94 of 100 times from Few things
// on; with 15 it holds 89, and a percentile bootstrap no more (TestIntervalsOfKappaHold):
// with fewer say so.
func Kappa(list []Rated, k int, w Weighing, confidence float64) Agreed {
	return KappaWith(list, k, func(i, j int) float64 { return w.at(i, j, k) }, confidence)
}

// Few is the number of things below which intervals of a kappa hold less than they say.
const Few = 25

// KappaWith is Kappa with agreement weights of one's own, 1 where i = j.
func KappaWith(list []Rated, k int, agree func(i, j int) float64, confidence float64) Agreed {
	out := unagreed(len(list))
	if len(list) == 0 || k < 2 {
		return out
	}
	p, row, col := make([]float64, k*k), make([]float64, k), make([]float64, k)
	total := 0.0
	for _, r := range list {
		v := weightOf(r)
		p[r.First*k+r.Second] += v
		row[r.First] += v
		col[r.Second] += v
		total += v
	}
	seen, chance := 0.0, 0.0
	byRow, byCol := make([]float64, k), make([]float64, k) // mean weight beside the other's margin
	for i := range k {
		for j := range k {
			a := agree(i, j)
			seen += a * p[i*k+j] / total
			chance += a * row[i] * col[j] / (total * total)
			byRow[i] += a * col[j] / total
			byCol[j] += a * row[i] / total
		}
	}
	if !(1-chance > 1e-12) {
		return out
	}
	out.At = (seen - chance) / (1 - chance)
	influence := func(r Rated) float64 {
		return (agree(r.First, r.Second)*(1-chance) - (byRow[r.First]+byCol[r.Second])*(1-seen)) / ((1 - chance) * (1 - chance))
	}
	mean := 0.0
	for _, r := range list {
		mean += weightOf(r) / total * influence(r)
	}
	square := 0.0
	for _, r := range list {
		d := weightOf(r) / total * (influence(r) - mean)
		square += d * d
	}
	out.SE = math.Sqrt(square)
	half := NormalQuantile(0.5+confidence/2) * out.SE
	out.Interval = Interval{max(-1, out.At-half), min(1, out.At+half)}
	return out
}

// Alike is the share of things put into the same category both times. The interval is
// Wilson's at the number of equally weighted things that tell as much (Kish 1965).
func Alike(list []Rated, confidence float64) Agreed {
	return share(list, confidence, func(r Rated) (float64, float64) {
		if r.First == r.Second {
			return 1, 1
		}
		return 0, 1
	})
}

// AlikeOn is the agreement on one category: twice the things both put into it over the
// number of times it was given (positive agreement, Cicchetti & Feinstein 1990, J Clin
// Epidemiol 43:551-558; of "not in it" the negative one). The standard error is by the
// delta method (Graham & Bull 1998, J Clin Epidemiol 51:763-771), the interval Wilson's
// at the number of things that gives that standard error.
func AlikeOn(list []Rated, in func(category int) bool, confidence float64) Agreed {
	return share(list, confidence, func(r Rated) (float64, float64) {
		switch a, b := in(r.First), in(r.Second); {
		case a && b:
			return 2, 2
		case a || b:
			return 0, 1
		}
		return 0, 0
	})
}

// share is a ratio of two sums over things, at most 1.
func share(list []Rated, confidence float64, of func(Rated) (got, could float64)) Agreed {
	out := unagreed(len(list))
	got, could, all, allSquare := 0.0, 0.0, 0.0, 0.0
	for _, r := range list {
		g, c := of(r)
		v := weightOf(r)
		got, could = got+v*g, could+v*c
		if c > 0 {
			all, allSquare = all+v, allSquare+v*v
		}
	}
	if could == 0 {
		return out
	}
	out.At = got / could
	square := 0.0
	for _, r := range list {
		g, c := of(r)
		d := weightOf(r) * (g - out.At*c) / could
		square += d * d
	}
	out.SE = math.Sqrt(square)
	n := all * all / allSquare // Kish's: where all or none agree, the delta method says nothing
	if square > 0 {
		n = min(n*2, out.At*(1-out.At)/square)
	}
	out.Interval = wilsonAt(out.At, n, NormalQuantile(0.5+confidence/2))
	return out
}

// wilsonAt is Wilson's interval for a share of n things, n not whole.
func wilsonAt(p, n, z float64) Interval {
	centre := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	return Interval{max(0, centre-half), min(1, centre+half)}
}

// Fleiss is Fleiss' kappa for several raters who need not be the same for each thing.
type Fleiss struct {
	Agreed
	Seen, Chance float64 // mean agreement seen, and by chance
	// NullSE is the standard error were there no agreement beyond chance, for the same
	// number of raters everywhere (Fleiss, Nee & Landis 1979, Psychol Bull 86:974-977);
	// NaN otherwise.
	NullSE float64
}

// FleissOf takes how many raters put each thing into each category (Fleiss 1971, Psychol
// Bull 76:378-382); things with fewer than two ratings are left out. The interval is for
// agreement as it is, by the expansion over things (Gwet 2008, Psychometrika 73:407-430);
// it wants about Few things.
func FleissOf(counts [][]int, confidence float64) Fleiss {
	out := Fleiss{unagreed(0), math.NaN(), math.NaN(), math.NaN()}
	k := 0
	var rows [][]int
	var raters []float64
	same := true
	for _, c := range counts {
		n := 0
		for _, x := range c {
			n += x
		}
		if n < 2 {
			continue
		}
		rows, raters, k = append(rows, c), append(raters, float64(n)), max(k, len(c))
		same = same && raters[0] == float64(n)
	}
	out.N = len(rows)
	if len(rows) == 0 {
		return out
	}
	share := make([]float64, k) // mean over things
	each := make([]float64, len(rows))
	m := float64(len(rows))
	out.Seen, out.Chance = 0, 0
	for i, c := range rows {
		pairs := 0.0
		for j, x := range c {
			share[j] += float64(x) / raters[i] / m
			pairs += float64(x) * float64(x-1)
		}
		each[i] = pairs / (raters[i] * (raters[i] - 1))
		out.Seen += each[i] / m
	}
	cubes := 0.0
	for _, s := range share {
		out.Chance += s * s
		cubes += s * (1 - s) * (1 - 2*s)
	}
	if !(1-out.Chance > 1e-12) {
		return out
	}
	out.At = (out.Seen - out.Chance) / (1 - out.Chance)
	if same {
		n, spread := raters[0], 1-out.Chance
		out.NullSE = math.Sqrt(2*(spread*spread-cubes)/(m*n*(n-1))) / spread
	}
	if len(rows) < 2 {
		return out
	}
	square := 0.0
	for i, c := range rows {
		moved := -out.Chance
		for j, x := range c {
			moved += share[j] * float64(x) / raters[i]
		}
		d := (each[i]-out.Seen)/(1-out.Chance) - 2*(1-out.Seen)*moved/((1-out.Chance)*(1-out.Chance))
		square += d * d
	}
	out.SE = math.Sqrt(square / (m * (m - 1)))
	half := NormalQuantile(0.5+confidence/2) * out.SE
	out.Interval = Interval{max(-1, out.At-half), min(1, out.At+half)}
	return out
}
