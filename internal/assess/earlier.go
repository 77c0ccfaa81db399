package assess

import (
	"math"
	"slices"
	"sort"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// reach is how far back from its last start a server keeps a farm start by start: the
// window, and days on which nothing was started before the last ones.
const reach = Window + 7*24*time.Hour

// earlier is what came of the starts that a reading leaves out (store.Past), as far as the
// window's starts go by it. It is worked out once and kept until one of them changes.
type earlier struct {
	of       *store.Past
	fittings []exposure.Fitting // that it rests on

	point     *exposure.Point
	lay       *lying
	lastStart []int64 // by printer, microseconds since 1970; 0 none
	seen      []int64 // by plate, of the start that named it last
	open      upkeep.Open
}

func (e *earlier) plates() *lying {
	if e == nil {
		return nil
	}
	return e.lay
}

// earlier gives the reading as a view needs it: with what came of the starts it leaves
// out, or with all starts where the view asks for some of them.
func (a *Assessor) earlier(v *view, data *store.Analysis) (*store.Analysis, *earlier) {
	p := data.Past
	if p == nil {
		return data, nil
	}
	if !v.within(data) {
		return data.Whole(), nil
	}
	e := a.had.Load()
	if !e.still(data) {
		e = earlierOf(data)
		a.had.Store(e)
	}
	if !e.point.Parts(data.History.Probes) {
		return data.Whole(), nil
	}
	data.History.From = e.point
	return data, e
}

// within tells whether a view's windows, its fit's too, hold only starts that the reading
// has, and whether those it leaves out were known before the midnight of the fit.
func (v *view) within(data *store.Analysis) bool {
	p, starts := data.Past, data.History.Starts
	if !v.q.From.IsZero() || !v.q.To.IsZero() || p.Latest >= v.midnight.UnixMicro() {
		return false
	}
	last := sort.Search(len(starts), func(i int) bool { return starts[i].At >= v.midnight.UnixMicro() }) - 1
	return last >= 0 && starts[last].At-Window.Microseconds() >= p.At
}

// still tells whether it is that of a reading.
func (e *earlier) still(data *store.Analysis) bool {
	if e == nil || !e.of.Same(data.Past) {
		return false
	}
	was, is := &e.of.History, &data.History
	return slices.Equal(e.of.Moved.Printers, data.Past.Moved.Printers) && slices.Equal(e.of.Moved.Plates, data.Past.Moved.Plates) &&
		slices.Equal(was.RecordsAll, is.RecordsAll) && was.Plates == is.Plates && was.StartWindow == is.StartWindow &&
		slices.Equal(e.fittings, fittedBefore(is.Fittings, e.of.At))
}

// fittedBefore is what fittings say of the time before an instant.
func fittedBefore(list []exposure.Fitting, at int64) []exposure.Fitting {
	list = slices.Clone(cut(list, at, func(f *exposure.Fitting) int64 { return f.At }))
	for i := range list {
		if list[i].Removed >= at {
			list[i].Removed = math.MaxInt64
		}
	}
	return list
}

// earlierOf works it out.
func earlierOf(data *store.Analysis) *earlier {
	p := data.Past
	h, moved := &p.History, p.Moved
	e := &earlier{of: p, fittings: fittedBefore(h.Fittings, p.At), lastStart: make([]int64, len(h.RecordsAll)), seen: make([]int64, h.Plates), open: upkeep.NewOpen(len(h.RecordsAll))}
	beside(func() {
		e.point = exposure.PointAt(h, p.At, moved, func(i int, x *exposure.Exposure) {
			s, l := h.Starts[i], &p.Labels[i]
			s.Printer = moved.Printers[s.Printer]
			past := upkeep.PastOf(&s, x, p.Material(l.Material), l.Graded)
			e.open.Add(&past)
		})
	}, func() {
		var l *lying
		e.lay = l.goOn(h)
		e.lay.follow(h, p.At-1, moved)
		for i := range h.Starts {
			s := &h.Starts[i]
			e.lastStart[moved.Printers[s.Printer]] = s.At
			if s.Plate >= 0 {
				e.seen[moved.Plates[s.Plate]] = s.At
			}
		}
	})
	return e
}
