package exposure

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"testing"
)

// bigFarm draws n starts of a farm of 1,000 printers with their probes, skips, cleanings and a few
// services; in time order as a database gives them, or shuffled.
func bigFarm(n int, shuffled bool) *History {
	r := rand.New(rand.NewPCG(7, uint64(n)))
	const printers = 1000
	h := &History{Farm: Farm{RecordsAll: make([]bool, printers), Plates: 2 * printers, StartWindow: 45 * 60e6}}
	for i := range h.RecordsAll {
		h.RecordsAll[i] = true
	}
	at := int64(1_770_000_000_000_000)
	for i := range n {
		at += 1 + r.Int64N(10_000_000)
		p := int32(r.IntN(printers))
		q := 2*p + int32(r.IntN(2))
		if r.IntN(20) == 0 {
			q = int32(r.IntN(h.Plates)) // plates wander
		}
		if r.IntN(10) < 7 {
			h.Probes = append(h.Probes, Probe{At: at, Printer: p, Plate: q, Ends: true})
		}
		if r.IntN(12) == 0 {
			h.Cleanings = append(h.Cleanings, Cleaning{At: at, Plate: q, Clears: true, Washes: r.IntN(4) == 0})
		}
		if r.IntN(500) == 0 {
			h.Services = append(h.Services, Service{at, p})
		}
		if r.IntN(100) == 0 {
			h.Fittings = append(h.Fittings, Fitting{At: at, Plate: q, Printer: p})
		}
		s := Start{At: at + 1, Printer: p, Plate: q, Failed: r.IntN(20) == 0, Sent: r.IntN(50) == 0}
		binary.BigEndian.PutUint64(s.ID[:], uint64(i))
		h.Starts = append(h.Starts, s)
	}
	if shuffled {
		r.Shuffle(len(h.Starts), func(a, b int) { h.Starts[a], h.Starts[b] = h.Starts[b], h.Starts[a] })
		r.Shuffle(len(h.Probes), func(a, b int) { h.Probes[a], h.Probes[b] = h.Probes[b], h.Probes[a] })
		r.Shuffle(len(h.Cleanings), func(a, b int) { h.Cleanings[a], h.Cleanings[b] = h.Cleanings[b], h.Cleanings[a] })
	}
	return h
}

func BenchmarkOf(b *testing.B) {
	for _, n := range []int{100_000, 1_000_000, 10_000_000} {
		for _, shuffled := range []bool{false, true} {
			if n > 1_000_000 && (testing.Short() || shuffled) {
				continue
			}
			b.Run(fmt.Sprintf("starts=%d/shuffled=%t", n, shuffled), func(b *testing.B) {
				h := bigFarm(n, shuffled)
				b.ReportAllocs()
				for b.Loop() {
					Of(h)
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/start")
			})
		}
	}
}
