package stats

import (
	"cmp"
	"math"
	"slices"
)

// BenjaminiHochberg gives the adjusted p-values (q-values) of a family of
// tests: the smallest false discovery rate at which each would be raised,
// Benjamini and Hochberg 1995. NaN stands for a question that was not asked: it
// stays NaN and is not counted.
func BenjaminiHochberg(p []float64) []float64 {
	q := make([]float64, len(p))
	order := make([]int, 0, len(p))
	for i, v := range p {
		q[i] = math.NaN()
		if !math.IsNaN(v) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	least := 1.0
	for k := len(order) - 1; k >= 0; k-- {
		i := order[k]
		least = min(least, p[i]*(float64(len(order))/float64(k+1)))
		q[i] = least
	}
	return q
}

// Isotonic fits the non-decreasing sequence nearest to y in weighted least
// squares by pooling adjacent violators (Ayer and others 1955). Weights must
// be positive; nil weighs all alike.
func Isotonic(y, weights []float64) []float64 {
	type block struct {
		mean, weight float64
		n            int
	}
	var blocks []block
	for i, v := range y {
		b := block{v, 1, 1}
		if weights != nil {
			b.weight = weights[i]
		}
		for len(blocks) > 0 && blocks[len(blocks)-1].mean >= b.mean {
			a := blocks[len(blocks)-1]
			blocks = blocks[:len(blocks)-1]
			w := a.weight + b.weight
			b = block{(a.mean*a.weight + b.mean*b.weight) / w, w, a.n + b.n}
		}
		blocks = append(blocks, b)
	}
	out := make([]float64, 0, len(y))
	for _, b := range blocks {
		for range b.n {
			out = append(out, b.mean)
		}
	}
	return out
}
