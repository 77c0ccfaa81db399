package findings

import (
	"cmp"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
)

// parallel runs work(0) to work(n-1) on all cores. Each call writes only what
// belongs to its number, so the result does not depend on how they are dealt.
func parallel(n int, work func(i int)) {
	workers := min(runtime.GOMAXPROCS(0), n)
	if workers <= 1 {
		for i := range n {
			work(i)
		}
		return
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				work(i)
			}
		})
	}
	wg.Wait()
}

// beside runs pieces of work at once; none writes what another reads.
func beside(work ...func()) { parallel(len(work), func(i int) { work[i]() }) }

// sortBy sorts numbers by a key, equal keys by the numbers themselves.
func sortBy(at []int, key func(i int) float64) {
	slices.SortFunc(at, func(a, b int) int { return cmp.Or(cmp.Compare(key(a), key(b)), a-b) })
}
