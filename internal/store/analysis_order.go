package store

import (
	"cmp"
	"encoding/binary"
	"slices"

	"basecourse/internal/exposure"
)

// order puts every list in order of time, so that nothing depends on where
// rows lie, and numbers materials and graders as they first appear.
func (r *analysisReader) order() {
	h := &r.a.History
	if by := timeOrder(len(h.Starts), func(i int) int64 { return h.Starts[i].At }, func(i int) *[16]byte { return &h.Starts[i].ID }); by != nil {
		h.Starts, r.a.Labels = reorder(h.Starts, by), reorder(r.a.Labels, by)
	}
	if by := timeOrder(len(h.Probes), func(i int) int64 { return h.Probes[i].At }, func(i int) *[16]byte { return &h.Probes[i].ID }); by != nil {
		h.Probes = reorder(h.Probes, by)
	}
	if by := timeOrder(len(h.Fittings), func(i int) int64 { return h.Fittings[i].At }, func(i int) *[16]byte { return &r.fittingIDs[i] }); by != nil {
		h.Fittings = reorder(h.Fittings, by)
	}
	// At one instant these do the same in any order.
	slices.SortFunc(h.Cleanings, func(a, b exposure.Cleaning) int { return cmp.Compare(a.At, b.At) })
	slices.SortFunc(h.Skips, func(a, b exposure.Skip) int { return cmp.Compare(a.At, b.At) })
	slices.SortFunc(h.Services, func(a, b exposure.Service) int { return cmp.Compare(a.At, b.At) })
	materials, graders := map[int32]int32{}, map[int32]int32{}
	lastM, lastG, m, g := int32(-1), int32(-1), int32(-1), int32(-1)
	for i := range r.a.Labels {
		l := &r.a.Labels[i]
		if l.Material != lastM {
			lastM, m = l.Material, appearing(materials, l.Material)
		}
		if l.Grader != lastG {
			lastG, g = l.Grader, appearing(graders, l.Grader)
		}
		l.Material, l.Grader = m, g
	}
	r.a.Materials, r.a.Graders = len(materials), len(graders)
}

func appearing(seen map[int32]int32, id int32) int32 {
	if id < 0 {
		return -1
	}
	n, ok := seen[id]
	if !ok {
		n = int32(len(seen))
		seen[id] = n
	}
	return n
}

func reorder[T any](list []T, by []int32) []T {
	out := make([]T, len(list))
	for k, i := range by {
		out[k] = list[i]
	}
	return out
}

// timeOrder gives the indexes of a list by time, then id; nil when it is in
// that order already.
func timeOrder(n int, at func(int) int64, id func(int) *[16]byte) []int32 {
	compare := func(i, j int) int {
		if c := cmp.Compare(at(i), at(j)); c != 0 {
			return c
		}
		a, b := id(i), id(j)
		return cmp.Or(cmp.Compare(binary.BigEndian.Uint64(a[:8]), binary.BigEndian.Uint64(b[:8])),
			cmp.Compare(binary.BigEndian.Uint64(a[8:]), binary.BigEndian.Uint64(b[8:])))
	}
	sorted := true
	for i := 1; i < n && sorted; i++ {
		sorted = compare(i-1, i) <= 0
	}
	if sorted {
		return nil
	}
	type keyed struct {
		at int64
		i  int32
	}
	list := make([]keyed, n)
	for i := range list {
		list[i] = keyed{at(i), int32(i)}
	}
	slices.SortFunc(list, func(a, b keyed) int {
		if a.at != b.at {
			return cmp.Compare(a.at, b.at)
		}
		return compare(int(a.i), int(b.i))
	})
	out := make([]int32, n)
	for k := range list {
		out[k] = list[k].i
	}
	return out
}
