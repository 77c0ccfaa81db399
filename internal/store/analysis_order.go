package store

import (
	"sync"

	"basecourse/internal/exposure"
)

// order puts every list in order of time, so that nothing depends on where
// rows lie, and numbers materials and graders as they first appear.
func (r *analysisReader) order() {
	h := &r.a.History
	if by := exposure.Order(len(h.Starts), func(i int) int64 { return h.Starts[i].At }, func(i, j int) int { return exposure.CompareIDs(&h.Starts[i].ID, &h.Starts[j].ID) }); by != nil {
		var labels sync.WaitGroup
		labels.Go(func() { r.a.Labels = reorder(r.a.Labels, by) })
		h.Starts = reorder(h.Starts, by)
		labels.Wait()
	}
	h.Probes = inOrder(h.Probes, func(p *exposure.Probe) int64 { return p.At }, func(i, j int) int { return exposure.CompareIDs(&h.Probes[i].ID, &h.Probes[j].ID) })
	h.Fittings = inOrder(h.Fittings, func(f *exposure.Fitting) int64 { return f.At }, func(i, j int) int { return exposure.CompareIDs(&r.fittingIDs[i], &r.fittingIDs[j]) })
	// At one instant these do the same in any order.
	h.Cleanings = inOrder(h.Cleanings, func(c *exposure.Cleaning) int64 { return c.At }, nil)
	h.Skips = inOrder(h.Skips, func(s *exposure.Skip) int64 { return s.At }, nil)
	h.Services = inOrder(h.Services, func(s *exposure.Service) int64 { return s.At }, nil)
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
	r.a.GraderIDs = make([]int32, len(graders))
	for id, n := range graders {
		r.a.GraderIDs[n] = id
	}
	r.a.MaterialNames = make([]string, len(materials))
	for id, n := range materials {
		r.a.MaterialNames[n] = r.materialNames[id]
	}
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

func inOrder[T any](list []T, at func(*T) int64, tie func(i, j int) int) []T {
	by := exposure.Order(len(list), func(i int) int64 { return at(&list[i]) }, tie)
	if by == nil {
		return list
	}
	return reorder(list, by)
}

func reorder[T any](list []T, by []int32) []T {
	out := make([]T, len(list))
	for k, i := range by {
		out[k] = list[i]
	}
	return out
}
