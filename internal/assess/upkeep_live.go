package assess

import (
	"cmp"
	"context"
	"slices"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
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
	now := a.store.Now()
	if !q.KnownAt.IsZero() || !q.From.IsZero() || !q.To.IsZero() || q.At.Before(now.Add(-lived)) || q.At.After(now.Add(lived)) {
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
	items, _ := v.due(v.adviser(), p, n, q.At)
	u := &Upkeep{AsOf: q.At, Items: v.settled(st, n, items)}
	upkeep.Arrange(u.Items)
	return u, nil
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
	seen, err := a.store.LastSeen(ctx, printer, at, upkeep.Remembered)
	if err != nil {
		return nil, err
	}
	material := func(name string) int32 {
		if name == "" {
			return -1
		}
		return int32(slices.Index(v.materials, name))
	}
	l := lone{window: time.Duration(v.settings.Number("start_window_minutes") * float64(time.Minute)), f: farm.FirstLayer{Printer: printer, Plate: seen.Plate, StartedAt: at}}
	if err := l.read(ctx, a.store); err != nil {
		return nil, err
	}
	if more := l.others(); len(more) > 0 { // whose gaps the history does not tell
		if err := l.read(ctx, a.store, more...); err != nil {
			return nil, err
		}
	}
	n := &ahead{last: -1}
	plate := int32(-1)
	if j := l.next.Plate; j >= 0 {
		if plate = numbered(v.plates, l.plates[j]); plate < 0 {
			return nil, nil // new since
		}
	}
	n.set(i, plate, &l.coming)
	open := upkeep.NewOpen(1)
	for k := range l.h.Starts {
		x := &l.h.Starts[k]
		if x.Printer == 0 {
			n.starts++
			n.lastStart = x.At
			n.next.PrinterFailed = x.Failed
			said := seen.Starts[x.ID] // none: so long ago that nobody looks at it
			past := upkeep.PastOf(x, &l.ex[k], material(said.Material), said.Graded)
			if past.Plate >= 0 {
				past.Plate = numbered(v.plates, l.plates[past.Plate])
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
	if k := material(seen.Material); k >= 0 && seen.At.After(v.from) {
		n.last = k
	}
	return n, nil
}

// lone is the history of one printer and of the plate on it, with the start to come.
type lone struct {
	f      farm.FirstLayer
	window time.Duration

	h      *exposure.History
	plates []string // tags by number
	ex     []exposure.Exposure
	next   exposure.Start
	coming exposure.Exposure
}

func (l *lone) read(ctx context.Context, s *store.Store, more ...string) (err error) {
	if l.h, l.plates, err = s.LayerHistory(ctx, &l.f, l.window, more...); err != nil {
		return err
	}
	h := l.h
	h.Starts = h.Starts[:len(h.Starts)-1] // the start to come
	slices.SortStableFunc(h.Starts, func(x, y exposure.Start) int {
		return cmp.Or(cmp.Compare(x.At, y.At), exposure.CompareIDs(&x.ID, &y.ID))
	})
	next := nextStarts(h, l.f.StartedAt.UnixMicro())[:1]
	var coming []exposure.Exposure
	l.ex, coming = exposure.With(h, next)
	l.next, l.coming = next[0], coming[0]
	return nil
}

// others are the plates of the starts since the printer's last probe that the whole
// history was not read of.
func (l *lone) others() (tags []string) {
	left := min(int(l.coming.PrintsSinceProbe), upkeep.Remembered)
	for k := len(l.h.Starts) - 1; k >= 0 && left > 0; k-- {
		if l.h.Starts[k].Printer != 0 {
			continue
		}
		left--
		if j := l.ex[k].Plate; j >= 0 && l.plates[j] != l.f.Plate && !slices.Contains(tags, l.plates[j]) {
			tags = append(tags, l.plates[j])
		}
	}
	return tags
}
