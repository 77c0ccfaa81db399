package assess

import (
	"context"
	"runtime"
	"slices"
	"sync"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// standing is what was said of one printer and the plate on it.
func (v *view) standing(st *store.Standing, n *ahead) *upkeep.Standing {
	printer, plate := v.tags(n)
	s := &upkeep.Standing{}
	s.HeldReason, s.Held = st.Printers[printer]
	if plate != "" {
		s.PlateReason, s.PlateHeld = st.Plates[plate]
		away, is := st.Away[plate]
		s.PlateAway = is && away.UnixMicro() > n.plateSeen
	}
	for _, x := range st.Skipped[printer] {
		if x.At.UnixMicro() > n.lastStart && (x.Plate == "" || x.Plate == plate) {
			s.Skipped = append(s.Skipped, upkeep.Task(x.Task))
		}
	}
	return s
}

func (v *view) tags(n *ahead) (printer, plate string) {
	printer = v.printers[n.next.Printer].Tag
	if n.next.Plate >= 0 {
		plate = v.plates[n.next.Plate].Tag
	}
	return printer, plate
}

// settled takes out of what is due what must not or need not be done as things stand.
func (v *view) settled(st *store.Standing, n *ahead, items []upkeep.Item) []upkeep.Item {
	printer, plate := v.tags(n)
	costs := costsOf(v.settings)
	return v.standing(st, n).Settle(items, printer, plate, costs.Effort)
}

// each asks of every printer in service that started a first layer in the window,
// shared out by number, so that nothing depends on who is done first.
func (v *view) each(at time.Time, ask func(n *ahead) []upkeep.Item) [][]upkeep.Item {
	of := make([][]upkeep.Item, len(v.next))
	onAllCores(len(v.next), func(i int) {
		if v.next[i].last != -2 && v.inService(i, at) {
			of[i] = ask(&v.next[i])
		}
	})
	return of
}

// onAllCores runs work(0) to work(n-1), shared out by number.
func onAllCores(n int, work func(i int)) {
	var wait sync.WaitGroup
	workers := max(1, runtime.GOMAXPROCS(0))
	for w := range workers {
		wait.Go(func() {
			for i := w; i < n; i += workers {
				work(i)
			}
		})
	}
	wait.Wait()
}

// Outlook is what is due by the counts, and what comes next, by printer. Holds, plates
// that are away and what was left out are not looked at: pages know these as of now
// (upkeep.Standing).
type Outlook map[string][]upkeep.Item

// outlook makes a view's once, for pages.
func (a *Assessor) outlook(ctx context.Context, v *view) (Outlook, error) {
	v.looking.Lock()
	defer v.looking.Unlock()
	if v.ahead != nil {
		return v.ahead, nil
	}
	p, err := a.policing(ctx, v.q)
	if err != nil {
		return nil, err
	}
	st, err := a.store.Standing(ctx, v.q.At, v.q.KnownAt, "", "")
	if err != nil {
		return nil, err
	}
	l, err := a.lots(ctx, v.settings, v.q, st)
	if err != nil {
		return nil, err
	}
	adviser := v.adviser()
	draws := make([][]farm.Draw, len(v.printers))
	of := v.each(v.q.At, func(n *ahead) []upkeep.Item {
		items, drawn, soon := v.due(adviser, p, l, n, v.q.At)
		draws[n.next.Printer] = v.fresh(l, st, n, drawn, v.q.At)
		return append(items, v.coming(n, items, soon)...)
	})
	if a.current(v.q) {
		if err := a.record(ctx, slices.Concat(draws...)); err != nil {
			return nil, err
		}
	}
	out := make(Outlook, len(of))
	for i, items := range of {
		if len(items) > 0 {
			out[v.printers[i].Tag] = items
		}
	}
	v.ahead = out
	return out, ctx.Err()
}

// coming are the tasks that become due after some more starts.
func (v *view) coming(n *ahead, due []upkeep.Item, soon upkeep.Soon) (out []upkeep.Item) {
	printer, plate := v.tags(n)
	costs := costsOf(v.settings)
	clean, probe := false, false
	for i := range due {
		clean, probe = clean || due[i].Task.AboutPlate(), probe || due[i].Task == upkeep.Probe
	}
	if soon.Wipe > 0 && !clean && plate != "" {
		out = append(out, upkeep.Item{Due: upkeep.Due{Task: upkeep.Wipe, Effort: costs.Effort[upkeep.Wipe]}, Printer: printer, Plate: plate, In: soon.Wipe})
	}
	if soon.Wash > 0 && !clean && plate != "" {
		out = append(out, upkeep.Item{Due: upkeep.Due{Task: upkeep.Wash, Effort: costs.Effort[upkeep.Wash]}, Printer: printer, Plate: plate, In: soon.Wash})
	}
	if soon.Probe > 0 && !probe {
		out = append(out, upkeep.Item{Due: upkeep.Due{Task: upkeep.Probe, Effort: costs.Effort[upkeep.Probe]}, Printer: printer, Plate: plate, In: soon.Probe})
	}
	return out
}
