package exposure

import (
	"encoding/binary"
	"math"
	"slices"
)

// order is a permutation of the indexes of a list; nil stands for a list that
// is in order already, which is what a database gives.
type order []int32

func (o order) at(k int) int {
	if o == nil {
		return k
	}
	return int(o[k])
}

// keyed is one element under a radix sort.
type keyed struct {
	key   uint64
	index int32
}

// orderOf sorts the indexes 0..n-1 by time, then by the tie comparison, then
// as given. A nil tie keeps equal times as given.
func orderOf(n int, at func(int) int64, tie func(a, b int) int) order {
	sorted := true
	low, high := int64(math.MaxInt64), int64(math.MinInt64)
	for i := range n {
		t := at(i)
		if i > 0 && sorted {
			before := at(i - 1)
			sorted = before < t || before == t && (tie == nil || tie(i-1, i) <= 0)
		}
		low, high = min(low, t), max(high, t)
	}
	if sorted {
		return nil
	}
	a, b := make([]keyed, n), make([]keyed, n)
	for i := range n {
		a[i] = keyed{uint64(at(i)) - uint64(low), int32(i)}
	}
	// Least significant digit first; each pass is stable.
	const bits = 11
	span := uint64(high) - uint64(low)
	for shift := 0; shift < 64 && span>>shift != 0; shift += bits {
		var counts [1 << bits]int
		for i := range a {
			counts[a[i].key>>shift&(1<<bits-1)]++
		}
		sum := 0
		for d, c := range counts {
			counts[d] = sum
			sum += c
		}
		for i := range a {
			d := a[i].key >> shift & (1<<bits - 1)
			b[counts[d]] = a[i]
			counts[d]++
		}
		a, b = b, a
	}
	out := make(order, n)
	for i := range a {
		out[i] = a[i].index
	}
	if tie == nil {
		return out
	}
	for i := 0; i < n; {
		j := i + 1
		for j < n && a[j].key == a[i].key {
			j++
		}
		if j-i > 1 {
			slices.SortStableFunc(out[i:j], func(x, y int32) int { return tie(int(x), int(y)) })
		}
		i = j
	}
	return out
}

// Order gives the indexes 0..n-1 by time, then by the tie comparison, then as
// given: the order in which records count. It is nil when they are in that
// order already. A nil tie keeps equal times as given.
func Order(n int, at func(int) int64, tie func(a, b int) int) []int32 { return orderOf(n, at, tie) }

// CompareIDs orders ids byte by byte, as ties are.
func CompareIDs(a, b *[16]byte) int { return compareIDs(a, b) }

func compareIDs(a, b *[16]byte) int {
	x, y := binary.BigEndian.Uint64(a[:8]), binary.BigEndian.Uint64(b[:8])
	if x == y {
		x, y = binary.BigEndian.Uint64(a[8:]), binary.BigEndian.Uint64(b[8:])
	}
	switch {
	case x < y:
		return -1
	case x > y:
		return 1
	}
	return 0
}

// settledSent gives the instant of each start: that of the last probe in its window for a
// sent one that has such a probe. A start closes the window of the one before it on
// the same printer, at one instant too. nil: all are when they were started.
func settledSent(h *History, probes order) []int64 {
	anySent := slices.ContainsFunc(h.Starts, func(s Start) bool { return s.Sent })
	if !anySent || len(h.Probes) == 0 {
		return nil
	}
	at := make([]int64, len(h.Starts))
	printers := int32(0)
	for i := range h.Starts {
		at[i] = h.Starts[i].At
		printers = max(printers, h.Starts[i].Printer+1)
	}
	starts := orderOf(len(h.Starts), func(i int) int64 { return h.Starts[i].At },
		func(a, b int) int { return compareIDs(&h.Starts[a].ID, &h.Starts[b].ID) })
	last := make([]int32, printers)
	for i := range last {
		last[i] = None
	}
	k := 0
	for j := range h.Probes {
		p := &h.Probes[probes.at(j)]
		for ; k < len(h.Starts); k++ {
			i := starts.at(k)
			if h.Starts[i].At > p.At {
				break
			}
			last[h.Starts[i].Printer] = int32(i)
		}
		if p.Printer >= printers {
			continue
		}
		i := last[p.Printer]
		if i == None || !p.Ends {
			continue
		}
		s := &h.Starts[i]
		if s.Sent && p.At-s.At <= h.StartWindow && (s.GradedAt == 0 || p.At < s.GradedAt || h.GradedBefore != 0 && s.GradedAt >= h.GradedBefore) {
			at[i] = p.At
		}
	}
	return at
}
