package graders

import (
	"math"
	"slices"
	"time"

	"basecourse/internal/stats"
)

// Grades is how many grades there are; failed is the last.
const (
	Grades = 4
	failed = Grades - 1
)

// Pair is a layer graded twice.
type Pair struct {
	Layer         string // which layer
	First, Second string // who
	Was, Is       int    // grades, 0 clean to 3 failed
	Failed        [2]bool
	Marks         [2][]string // codes seen, in order, each once
	At            time.Time   // of the second grade
	Chance        float64     // NaN: it was not drawn by lot
}

// Same tells whether one person gave both grades.
func (p *Pair) Same() bool { return p.First == p.Second }

func (p *Pair) rated() stats.Rated {
	return stats.Rated{First: p.Was, Second: p.Is, Weight: 1 / p.Chance}
}

// Agreement is how alike layers were graded twice.
type Agreement struct {
	N                    int
	Alike                stats.Agreed
	Kappa, Linear, Block stats.Agreed // Cohen's; weighted by steps; by squared steps
	OnFailed, OnHeld     stats.Agreed // on failed, on everything else
	Fleiss               stats.Fleiss // over all who graded a layer, unweighted
	Table                [Grades][Grades]int
}

// AgreementOf adds up pairs drawn by lot; others are left out.
func AgreementOf(pairs []Pair) Agreement {
	var a Agreement
	var list []stats.Rated
	layers := map[string]*[Grades]int{}
	var order []string
	for i := range pairs {
		p := &pairs[i]
		if math.IsNaN(p.Chance) {
			continue
		}
		list = append(list, p.rated())
		a.Table[p.Was][p.Is]++
		c := layers[p.Layer]
		if c == nil {
			c = &[Grades]int{}
			layers[p.Layer] = c
			order = append(order, p.Layer)
			c[p.Was]++
		}
		c[p.Is]++
	}
	const sure = 0.95
	isFailed := func(c int) bool { return c == failed }
	a.N = len(list)
	a.Alike = stats.Alike(list, sure)
	a.Kappa, a.Linear, a.Block = stats.Kappa(list, Grades, stats.Plainly, sure), stats.Kappa(list, Grades, stats.ByStep, sure), stats.Kappa(list, Grades, stats.BySquare, sure)
	a.OnFailed, a.OnHeld = stats.AlikeOn(list, isFailed, sure), stats.AlikeOn(list, func(c int) bool { return c != failed }, sure)
	counts := make([][]int, len(order))
	for i, l := range order {
		counts[i] = layers[l][:]
	}
	a.Fleiss = stats.FleissOf(counts, sure)
	return a
}

// MarkAgreement is how alike one mark was seen.
type MarkAgreement struct {
	Mark  string
	Both  int // layers on which both saw it
	One   int // on which one did
	On    stats.Agreed
	Kappa stats.Agreed
}

// ByMark gives the agreement on each mark that anybody saw, in the order asked for.
func ByMark(pairs []Pair, order []string) []MarkAgreement {
	var out []MarkAgreement
	for _, m := range order {
		x := MarkAgreement{Mark: m}
		var list []stats.Rated
		for i := range pairs {
			p := &pairs[i]
			if math.IsNaN(p.Chance) {
				continue
			}
			var seen [2]int
			for k := range seen {
				if slices.Contains(p.Marks[k], m) {
					seen[k] = 1
				}
			}
			switch seen[0] + seen[1] {
			case 2:
				x.Both++
			case 1:
				x.One++
			}
			list = append(list, stats.Rated{First: seen[0], Second: seen[1], Weight: 1 / p.Chance})
		}
		if x.Both+x.One == 0 {
			continue
		}
		x.On = stats.AlikeOn(list, func(c int) bool { return c == 1 }, 0.95)
		x.Kappa = stats.Kappa(list, 2, stats.Plainly, 0.95)
		out = append(out, x)
	}
	return out
}

// Month is the pairs of one calendar month of a zone.
type Month struct {
	Begins time.Time
	Pairs  []Pair
	People int // who gave second grades
}

// ByMonth parts pairs by the month of the second grade, the first first.
func ByMonth(pairs []Pair, zone *time.Location) []Month {
	at := map[time.Time]*Month{}
	for _, p := range pairs {
		y, m, _ := p.At.In(zone).Date()
		b := time.Date(y, m, 1, 0, 0, 0, 0, zone)
		if at[b] == nil {
			at[b] = &Month{Begins: b}
		}
		at[b].Pairs = append(at[b].Pairs, p)
	}
	var out []Month
	for _, m := range at {
		m.People = len(People(m.Pairs))
		out = append(out, *m)
	}
	slices.SortFunc(out, func(a, b Month) int { return a.Begins.Compare(b.Begins) })
	return out
}

// People lists who gave second grades, by handle.
func People(pairs []Pair) []string {
	var out []string
	for i := range pairs {
		out = append(out, pairs[i].Second)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Of gives the pairs in which a person gave one of the grades.
func Of(pairs []Pair, who string) []Pair {
	var out []Pair
	for _, p := range pairs {
		if p.First == who || p.Second == who {
			out = append(out, p)
		}
	}
	return out
}

// Others gives the pairs of two different people; Again those of one.
func Others(pairs []Pair) []Pair {
	return slices.DeleteFunc(slices.Clone(pairs), func(p Pair) bool { return p.Same() })
}

// Again gives the pairs in which one person graded twice.
func Again(pairs []Pair) []Pair {
	return slices.DeleteFunc(slices.Clone(pairs), func(p Pair) bool { return !p.Same() })
}

// Strictness is how much stricter than the rest somebody grades: the log-odds of calling
// a layer failed beside the others', on the same layers. 0 is like the others.
type Strictness struct {
	Who       string
	Pairs     int // with somebody else
	Stricter  int // they called it failed, the other did not
	Milder    int
	At        float64
	Low, High float64 // 95 %
}

// strictPrior is the standard deviation of people's log-odds that is expected before any
// pair is seen; with few pairs somebody is taken to be like the rest.
const strictPrior = 0.7

// StrictnessOf tells people apart by the layers on which two of them differ: given that
// they do, which of them called it failed depends on nothing of the layer (conditional
// logistic regression; Rasch 1960, Andersen 1970, J R Stat Soc B 32:283-301). A term of
// its own takes up that second looks (a photo, a sheet) may all be stricter or milder than
// first ones. Pairs weigh by one over their chance, which the first grade decided; the
// variance is the robust one. Pairs not drawn by lot are left out. By handle.
func StrictnessOf(pairs []Pair) []Strictness {
	var people []string
	for i := range pairs {
		people = append(people, pairs[i].First, pairs[i].Second)
	}
	slices.Sort(people)
	people = slices.Compact(people)
	out := make([]Strictness, len(people))
	n := len(people) + 1 // the last is the second look
	type differing struct {
		a, b int // who called it failed, who did not
		look float64
		w    float64
	}
	var list []differing
	total := 0.0
	for i, who := range people {
		out[i].Who = who
	}
	for i := range pairs {
		p := &pairs[i]
		if p.Same() || math.IsNaN(p.Chance) {
			continue
		}
		first, _ := slices.BinarySearch(people, p.First)
		second, _ := slices.BinarySearch(people, p.Second)
		out[first].Pairs++
		out[second].Pairs++
		if p.Failed[0] == p.Failed[1] {
			continue
		}
		d := differing{first, second, -1, 1 / p.Chance}
		if p.Failed[1] {
			d = differing{second, first, 1, 1 / p.Chance}
		}
		out[d.a].Stricter++
		out[d.b].Milder++
		list = append(list, d)
		total += d.w
	}
	// Weights are of mean 1, so that the expectation before weighs as with plain pairs.
	for i := range list {
		list[i].w *= float64(len(list)) / total
	}
	prior := func(i int) float64 {
		if i == n-1 {
			return 1.0 / 4
		}
		return 1 / (strictPrior * strictPrior)
	}
	x := make([]float64, n)
	var inverse, meat [][]float64
	for range 60 {
		g, h := make([]float64, n), square(n)
		meat = square(n)
		for i := range n {
			g[i] -= prior(i) * x[i]
			h[i][i], meat[i][i] = prior(i), prior(i)
		}
		for _, d := range list {
			at := [3]int{d.a, d.b, n - 1}
			by := [3]float64{1, -1, d.look}
			eta := x[d.a] - x[d.b] + d.look*x[n-1]
			p := 1 / (1 + math.Exp(-eta))
			for j, u := range at {
				g[u] += d.w * (1 - p) * by[j]
				for k, v := range at {
					h[u][v] += d.w * p * (1 - p) * by[j] * by[k]
					meat[u][v] += d.w * d.w * (1 - p) * (1 - p) * by[j] * by[k]
				}
			}
		}
		inverse = invert(h)
		most := 0.0
		for i := range n {
			step := 0.0
			for j := range n {
				step += inverse[i][j] * g[j]
			}
			step = max(-2, min(2, step))
			x[i] += step
			most = max(most, math.Abs(step))
		}
		if most < 1e-9 {
			break
		}
	}
	for i := range people {
		v := 0.0
		for j := range n {
			for k := range n {
				v += inverse[i][j] * meat[j][k] * inverse[k][i]
			}
		}
		// Few pairs make the robust variance small by chance: never below the plain one.
		half := 1.96 * math.Sqrt(max(v, inverse[i][i]))
		out[i].At, out[i].Low, out[i].High = x[i], x[i]-half, x[i]+half
	}
	return slices.DeleteFunc(out, func(s Strictness) bool { return s.Pairs == 0 })
}

func square(n int) [][]float64 {
	m := make([][]float64, n)
	for i := range m {
		m[i] = make([]float64, n)
	}
	return m
}

// invert a positive definite matrix by Gauss-Jordan; it has a prior on its diagonal.
func invert(a [][]float64) [][]float64 {
	n := len(a)
	m, inv := square(n), square(n)
	for i := range n {
		copy(m[i], a[i])
		inv[i][i] = 1
	}
	for i := range n {
		p := m[i][i]
		for j := range n {
			m[i][j] /= p
			inv[i][j] /= p
		}
		for r := range n {
			if f := m[r][i]; r != i && f != 0 {
				for j := range n {
					m[r][j] -= f * m[i][j]
					inv[r][j] -= f * inv[i][j]
				}
			}
		}
	}
	return inv
}
