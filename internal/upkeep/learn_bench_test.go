package upkeep

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"basecourse/internal/findings"
)

// BenchmarkLearn learns from the starts of farms of 1,000 first layers a printer.
func BenchmarkLearn(b *testing.B) {
	for _, n := range []int{100_000, 1_000_000} {
		b.Run(fmt.Sprintf("starts=%d", n), func(b *testing.B) {
			rng := rand.New(rand.NewPCG(1, 1))
			m := &findings.Model{Mix: []findings.Weighted{{At: 0, Share: 1}}, Mean: findings.Level{At: -3}}
			for range n / 1000 {
				m.Printers = append(m.Printers, findings.Level{At: rng.NormFloat64() * 0.3, Var: 0.05})
				m.Skip = append(m.Skip, findings.HazardOf(0.8, 0, 0, 0, 0.1, 0.1))
			}
			m.NewSkip = findings.HazardOf(0.9, 0, 0, 0, 0.05, 0.05)
			cast := NewForecast(m)
			since := make([]int32, n/1000)
			starts := make([]Past, n)
			for k := range starts {
				i := int32(rng.IntN(n / 1000))
				since[i]++
				state := findings.ProbingSkipped
				if rng.IntN(3) > 0 {
					since[i], state = 0, findings.ProbingValid
				}
				starts[k] = Past{Next: Next{Printer: i, Plate: -1, Material: -1, Probing: state, SinceProbe: since[i], Gap: int32(rng.IntN(20))}, Graded: rng.IntN(10) > 0, Failed: rng.IntN(20) == 0}
			}
			for b.Loop() {
				Learn(cast, starts)
			}
		})
	}
}
