package assess

import (
	"context"
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
// window's starts go by it. Things have the numbers that the rows left out name them by.
// It is worked out once and kept until one of the rows changes.
type earlier struct {
	of      *store.Past
	history exposure.History

	point     *exposure.Point
	lay       *lying
	lastStart []int64 // by printer, microseconds since 1970; 0 none
	seen      []int64 // by plate, of the start that named it last
	open      upkeep.Open
	openAt    [][]int32 // beside open: the places of the starts among those left out
	plate     []int32   // of each start left out
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
	h, known := pastHistory(data)
	if !known {
		return data.Whole(), nil
	}
	e := a.had.Load().still(p, h)
	if e == nil {
		e = earlierOf(p, h)
	}
	a.had.Store(e)
	e = e.moved(p.Moved, &data.History)
	if !e.point.Parts(data.History.Probes) {
		return data.Whole(), nil
	}
	data.History.From = e.point
	return data, e
}

// moveUp keeps more of what lies before the window as what came of it, where much of what
// is kept start by start does by now. That is done once an answer is given: it takes as
// long as the answer, once in a month.
func (a *Assessor) moveUp(ctx context.Context, v *view) {
	k := a.rows.Load()
	if k == nil {
		return
	}
	// What goes wrong here goes wrong again, and is told, when it is asked for.
	if data, err := k.MoveUp(ctx, v.q.At); err == nil && data != nil && data.Past != nil && v.within(data) {
		_, _ = a.earlier(v, data)
	}
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

// pastHistory is the history of the rows left out, with their numbers; known is false where
// a fitting names a thing that none of them does.
func pastHistory(data *store.Analysis) (h *exposure.History, known bool) {
	p, all := data.Past, &data.History
	past := p.History
	h = &past
	h.StartWindow, h.Plates, h.RecordsAll = all.StartWindow, len(p.Moved.Plates), make([]bool, len(p.Moved.Printers))
	printers, plates := slices.Repeat([]int32{-1}, len(all.RecordsAll)), slices.Repeat([]int32{-1}, all.Plates)
	for was, is := range p.Moved.Printers {
		h.RecordsAll[was], printers[is] = all.RecordsAll[is], int32(was)
	}
	for was, is := range p.Moved.Plates {
		plates[is] = int32(was)
	}
	h.Fittings = slices.Clone(cut(all.Fittings, p.At, func(f *exposure.Fitting) int64 { return f.At }))
	for i := range h.Fittings {
		f := &h.Fittings[i]
		if f.Removed >= p.At {
			f.Removed = math.MaxInt64
		}
		if f.Printer, f.Plate = printers[f.Printer], plates[f.Plate]; f.Printer < 0 || f.Plate < 0 {
			return nil, false
		}
	}
	return h, true
}

// still gives what is kept where it is that of a reading, cleanings that changed taken in;
// nil: it must be worked out.
func (e *earlier) still(p *store.Past, h *exposure.History) *earlier {
	if e == nil {
		return nil
	}
	was := &e.history
	same, recleaned := e.of.Same(p)
	if !same || !slices.Equal(was.RecordsAll, h.RecordsAll) || was.StartWindow != h.StartWindow || !slices.Equal(was.Fittings, h.Fittings) {
		return nil
	}
	if recleaned == nil {
		return e
	}
	n := *e
	n.of, n.history, n.open = p, *h, slices.Clone(e.open)
	point, ok := e.point.Recleaned(h, recleaned, e.plate, func(i int, sinceClean, sinceWash int32) {
		printer := h.Starts[i].Printer
		k, open := slices.BinarySearch(e.openAt[printer], int32(i))
		if !open {
			return
		}
		if &n.open[printer][0] == &e.open[printer][0] {
			n.open[printer] = slices.Clone(e.open[printer])
		}
		n.open[printer][k].Gap, n.open[printer][k].SinceWash = sinceClean, sinceWash
	})
	if n.point = point; !ok {
		return nil
	}
	return &n
}

// earlierOf works it out.
func earlierOf(p *store.Past, h *exposure.History) *earlier {
	printers := len(h.RecordsAll)
	e := &earlier{of: p, history: *h, lastStart: make([]int64, printers), seen: make([]int64, h.Plates), open: upkeep.NewOpen(printers), openAt: make([][]int32, printers), plate: make([]int32, len(h.Starts))}
	beside(func() {
		e.point = exposure.PointAt(h, p.At, func(i int, x *exposure.Exposure) {
			s, l := &h.Starts[i], &p.Labels[i]
			past := upkeep.PastOf(s, x, p.Material(l.Material), l.Graded)
			e.open.Add(&past)
			at := append(e.openAt[s.Printer], int32(i))
			if n := len(e.open[s.Printer]); n < len(at) {
				at = append(at[:0], at[len(at)-n:]...)
			}
			e.openAt[s.Printer], e.plate[i] = at, x.Plate
		})
	}, func() {
		var l *lying
		e.lay = l.goOn(h)
		e.lay.follow(h, p.At-1)
		for i := range h.Starts {
			s := &h.Starts[i]
			e.lastStart[s.Printer] = s.At
			if s.Plate >= 0 {
				e.seen[s.Plate] = s.At
			}
		}
	})
	return e
}

// moved is the same with the numbers that things have in a history.
func (e *earlier) moved(m *exposure.Moved, h *exposure.History) *earlier {
	printers := len(h.RecordsAll)
	n := &earlier{of: e.of, point: e.point.Moved(m, printers, h.Plates), lay: (*lying)(nil).goOn(h), lastStart: make([]int64, printers), seen: make([]int64, h.Plates), open: upkeep.NewOpen(printers)}
	n.lay.until = e.lay.until
	for was, is := range m.Printers {
		n.lay.on[is], n.lastStart[is], n.open[is] = m.Plate(e.lay.on[was]), e.lastStart[was], slices.Clone(e.open[was])
		for k := range n.open[is] {
			x := &n.open[is][k]
			x.Printer, x.Plate = is, m.Plate(x.Plate)
		}
	}
	for was, is := range m.Plates {
		n.seen[is] = e.seen[was]
		if i := e.lay.where[was]; i >= 0 {
			n.lay.where[is] = m.Printers[i]
		}
	}
	return n
}
