package graders

import (
	"math/rand/v2"
	"slices"
)

// Candidate is a graded first layer that may be drawn.
type Candidate struct {
	Index int // of the caller's own list
	Grade string
}

// Drawn is one of a lot, with the chance it was drawn with.
type Drawn struct {
	Index  int
	Chance float64
}

// kinds of layers that are drawn apart: failed, marked, clean.
const kinds = 3

func kindOf(grade string) int {
	switch grade {
	case "failed":
		return 0
	case "clean":
		return 2
	}
	return 1
}

// Draw takes n of the candidates by lot, in an order drawn too: a third of each kind,
// more of the others where one has fewer. Within a kind all have the same chance, how
// many are taken over how many there are. The same seed draws the same.
func Draw(list []Candidate, n int, seed uint64) []Drawn {
	lot := rand.New(rand.NewPCG(seed, 0x6c6f74))
	var of [kinds][]Candidate
	for _, c := range list {
		k := kindOf(c.Grade)
		of[k] = append(of[k], c)
	}
	var take [kinds]int
	for left := min(n, len(list)); left > 0; {
		for k := range of {
			if left > 0 && take[k] < len(of[k]) {
				take[k]++
				left--
			}
		}
	}
	var out []Drawn
	for k, all := range of {
		lot.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		for _, c := range all[:take[k]] {
			out = append(out, Drawn{c.Index, float64(take[k]) / float64(len(all))})
		}
	}
	lot.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return slices.Clip(out)
}
