package assess

import (
	"cmp"
	"context"
	"slices"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// lived is how far before now a question is still one of now.
const lived = 10 * time.Second

// live answers for one printer as of now by its own records and the model that is
// kept; nil where that cannot be done.
func (a *Assessor) live(ctx context.Context, q AsOf, printer string) (*Upkeep, error) {
	q, err := a.normal(q)
	if err != nil {
		return nil, err
	}
	if !a.current(q) {
		return nil, nil
	}
	a.mu.Lock()
	v := a.latest
	a.mu.Unlock()
	if v == nil || !v.midnight.Equal(lastMidnight(q.At, v.settings.Zone())) {
		return nil, nil
	}
	n, err := a.lookAhead(ctx, v, q.At, printer)
	if n == nil || err != nil {
		return nil, err
	}
	p, err := a.policing(ctx, q, printer)
	if err != nil {
		return nil, err
	}
	_, plate := v.tags(n)
	st, err := a.store.Standing(ctx, q.At, q.KnownAt, printer, plate)
	if err != nil {
		return nil, err
	}
	l, err := a.lots(ctx, v.settings, q, st, printer)
	if err != nil {
		return nil, err
	}
	items, drawn, _ := v.due(v.adviser(), p, l, n, q.At)
	u := &Upkeep{AsOf: q.At, Items: v.settled(st, n, items)}
	upkeep.Arrange(u.Items)
	return u, a.record(ctx, v.fresh(l, st, n, drawn, q.At))
}

// current tells whether a question is one of now.
func (a *Assessor) current(q AsOf) bool {
	now := a.store.Now()
	return q.KnownAt.IsZero() && q.From.IsZero() && q.To.IsZero() && !q.At.Before(now.Add(-lived)) && !q.At.After(now.Add(lived))
}

// numbered finds a tag in a list in the order of tags; -1 none.
func numbered(list []store.AnalysisThing, tag string) int32 {
	i, found := slices.BinarySearchFunc(list, tag, func(t store.AnalysisThing, tag string) int { return cmp.Compare(t.Tag, tag) })
	if !found {
		return -1
	}
	return int32(i)
}

// lookAhead reads what is known of one printer's next start, in the numbers of a
// view; nil where the printer or its plate is newer than the view.
func (a *Assessor) lookAhead(ctx context.Context, v *view, at time.Time, printer string) (*ahead, error) {
	i := numbered(v.printers, printer)
	if i < 0 {
		return nil, nil
	}
	if _, err := v.printer(printer, at); err != nil {
		return nil, err
	}
	l, err := a.lone(ctx, printer, at, time.Duration(v.settings.Number("start_window_minutes")*float64(time.Minute)))
	if l == nil || err != nil {
		return nil, err
	}
	material := func(name string) int32 {
		if name == "" {
			return -1
		}
		return int32(slices.Index(v.materials, name))
	}
	n := &ahead{last: -1}
	plate := int32(-1)
	if j := l.next.Plate; j >= 0 {
		if plate = numbered(v.plates, l.h.Tags[j]); plate < 0 {
			return nil, nil // new since
		}
	}
	n.set(i, plate, &l.coming)
	open := upkeep.NewOpen(1)
	for k := range l.h.Starts {
		x := &l.h.Starts[k]
		if x.Printer == 0 {
			n.lastStart = x.At
			n.next.PrinterFailed = x.Failed
			said := l.h.Told[x.ID] // none: so long ago that nobody looks at it
			past := upkeep.PastOf(x, &l.ex[k], material(said.Material), said.Graded)
			if past.Plate >= 0 {
				past.Plate = numbered(v.plates, l.h.Tags[past.Plate])
			}
			open.Add(&past)
		}
		if j := l.next.Plate; j >= 0 && x.Plate == j {
			n.plateSeen = x.At
		}
		if j := l.next.Plate; j >= 0 && l.ex[k].Plate == j {
			n.next.PlateFailed = x.Failed
		}
	}
	for k := range l.h.Fittings {
		if f := &l.h.Fittings[k]; f.Plate == l.next.Plate {
			n.plateSeen = max(n.plateSeen, f.At)
		}
	}
	n.remember(open.Since(0))
	for k := range n.since {
		n.since[k].Printer = i
	}
	if plate >= 0 && v.retired(&v.plates[plate], at) {
		n.noPlate()
	}
	if k := material(l.h.Material); k >= 0 && l.h.At.After(v.from) {
		n.last = k
	}
	return n, nil
}

// lone is the history of one printer, back to where nothing earlier matters, with the
// start to come.
type lone struct {
	h      *store.NextHistory
	ex     []exposure.Exposure // of its starts, in the order of time
	next   exposure.Start
	coming exposure.Exposure
}

// lone reads it; nil where there is no such printer.
func (a *Assessor) lone(ctx context.Context, printer string, at time.Time, window time.Duration) (*lone, error) {
	h, err := a.store.NextHistory(ctx, printer, at, window, upkeep.Remembered)
	if h == nil || err != nil {
		return nil, err
	}
	slices.SortFunc(h.Starts, func(x, y exposure.Start) int {
		return cmp.Or(cmp.Compare(x.At, y.At), exposure.CompareIDs(&x.ID, &y.ID))
	})
	l := &lone{h: h}
	next := nextStarts(&h.History, at.UnixMicro(), nil)[:1]
	var coming []exposure.Exposure
	l.ex, coming = exposure.With(&h.History, next)
	l.next, l.coming = next[0], coming[0]
	return l, nil
}
