package store

import (
	"slices"
	"sync"

	"basecourse/internal/exposure"
)

// order puts every list in order of time, so that nothing depends on where
// rows lie.
func (r *analysisRows) order() {
	h := &r.h
	if by := exposure.Order(len(h.Starts), func(i int) int64 { return h.Starts[i].At }, func(i, j int) int { return exposure.CompareIDs(&h.Starts[i].ID, &h.Starts[j].ID) }); by != nil {
		var labels sync.WaitGroup
		labels.Go(func() { r.labels = reorder(r.labels, by) })
		h.Starts = reorder(h.Starts, by)
		labels.Wait()
	}
	h.Probes = inOrder(h.Probes, func(p *exposure.Probe) int64 { return p.At }, func(i, j int) int { return exposure.CompareIDs(&h.Probes[i].ID, &h.Probes[j].ID) })
	byID := func(ids [][16]byte) func(i, j int) int {
		return func(i, j int) int { return exposure.CompareIDs(&ids[i], &ids[j]) }
	}
	h.Fittings, r.fittingIDs = inOrderWith(h.Fittings, r.fittingIDs, func(f *exposure.Fitting) int64 { return f.At }, byID(r.fittingIDs))
	h.Cleanings, r.cleaningIDs = inOrderWith(h.Cleanings, r.cleaningIDs, func(c *exposure.Cleaning) int64 { return c.At }, byID(r.cleaningIDs))
	h.Skips, r.skipIDs = inOrderWith(h.Skips, r.skipIDs, func(s *exposure.Skip) int64 { return s.At }, byID(r.skipIDs))
	h.Services, r.serviceIDs = inOrderWith(h.Services, r.serviceIDs, func(s *exposure.Service) int64 { return s.At }, byID(r.serviceIDs))
}

// asOf fills in what had happened by an instant, and the first instant after it
// at which something begins to count. own: nobody else reads the rows.
func (r *analysisReader) asOf(at int64, own bool) {
	rows, h := r.rows, &r.a.History
	things := *h
	*h, r.a.Labels, r.a.Until = rows.h, rows.labels, noLater
	h.RecordsAll, h.Plates, h.StartWindow = things.RecordsAll, things.Plates, things.StartWindow
	if !own {
		r.a.Labels = slices.Clone(rows.labels)
	}
	if rows.latest > at {
		r.cut(at, own)
	}
	r.number()
}

// cut leaves out what happened after an instant, and grades and removals after it.
func (r *analysisReader) cut(at int64, own bool) {
	h, until := &r.a.History, int64(noLater)
	h.Starts = happened(h.Starts, at, &until, startAt)
	h.Probes = happened(h.Probes, at, &until, probeAt)
	h.Cleanings = happened(h.Cleanings, at, &until, cleaningAt)
	h.Skips = happened(h.Skips, at, &until, skipAt)
	h.Services = happened(h.Services, at, &until, serviceAt)
	h.Fittings = slices.Clone(happened(h.Fittings, at, &until, func(f *exposure.Fitting) int64 { return f.At }))
	for i := range h.Fittings {
		if f := &h.Fittings[i]; f.Removed > at {
			until = min(until, f.Removed)
			f.Removed = 0
		}
	}
	r.a.Labels = r.a.Labels[:len(h.Starts):len(h.Starts)]
	for i := range h.Starts {
		// A grade without a time of its own counts with its start.
		if h.Starts[i].GradedAt <= at {
			continue
		}
		if !own {
			h.Starts, own = slices.Clone(h.Starts), true
		}
		s, l := &h.Starts[i], &r.a.Labels[i]
		until = min(until, s.GradedAt)
		s.GradedAt, s.Failed = 0, false
		*l = StartLabel{Material: l.Material, Grader: -1, Look: l.Look}
	}
	r.a.Until = until
}

// happened gives the beginning of a list in order of time that lies not after an instant.
// until becomes the time of what comes next, if that is earlier.
func happened[T any](list []T, at int64, until *int64, when func(*T) int64) []T {
	n := upTo(list, at+1, when)
	if n < len(list) {
		*until = min(*until, when(&list[n]))
	}
	return list[:n:n]
}

// number numbers materials and graders as they first appear.
func (r *analysisReader) number() {
	var materials, graders appearing
	if r.past != nil {
		for _, id := range r.past.materials.ids {
			materials.number(id)
		}
		for _, id := range r.past.graders.ids {
			graders.number(id)
		}
	}
	lastM, lastG, m, g := int32(-1), int32(-1), int32(-1), int32(-1)
	for i := range r.a.Labels {
		l := &r.a.Labels[i]
		if l.Material != lastM {
			lastM, m = l.Material, materials.number(l.Material)
		}
		if l.Grader != lastG {
			lastG, g = l.Grader, graders.number(l.Grader)
		}
		l.Material, l.Grader = m, g
	}
	r.a.Materials, r.a.Graders = len(materials.ids), len(graders.ids)
	r.a.GraderIDs = append([]int32{}, graders.ids...)
	r.a.MaterialNames = make([]string, len(materials.ids))
	for n, id := range materials.ids {
		r.a.MaterialNames[n] = r.materialNames[id]
	}
}

// appearing numbers ids as they first appear.
type appearing struct {
	ids  []int32         // in order
	near []int32         // 1 + number of small ids; 0: none yet
	far  map[int32]int32 // the same of others
}

// nearIDs is below which ids are looked up in a list: nearly all starts are of another
// material than the one before.
const nearIDs = 1 << 16

func (a *appearing) number(id int32) int32 {
	if id < 0 {
		return -1
	}
	if int(id) < len(a.near) && a.near[id] > 0 {
		return a.near[id] - 1
	}
	if n := a.far[id]; n > 0 {
		return n - 1
	}
	a.ids = append(a.ids, id)
	n := int32(len(a.ids))
	if id < nearIDs {
		if int(id) >= len(a.near) {
			a.near = append(a.near, make([]int32, int(id)+1-len(a.near))...)
		}
		a.near[id] = n
		return n - 1
	}
	if a.far == nil {
		a.far = map[int32]int32{}
	}
	a.far[id] = n
	return n - 1
}

func inOrder[T any](list []T, at func(*T) int64, tie func(i, j int) int) []T {
	list, _ = inOrderWith(list, nil, at, tie)
	return list
}

// inOrderWith puts a list in order, and the ids beside it (nil: there are none).
func inOrderWith[T any](list []T, ids [][16]byte, at func(*T) int64, tie func(i, j int) int) ([]T, [][16]byte) {
	by := exposure.Order(len(list), func(i int) int64 { return at(&list[i]) }, tie)
	switch {
	case by == nil:
		return list, ids
	case ids != nil:
		ids = reorder(ids, by)
	}
	return reorder(list, by), ids
}

func reorder[T any](list []T, by []int32) []T {
	out := make([]T, len(list))
	for k, i := range by {
		out[k] = list[i]
	}
	return out
}
