package assess

import (
	"context"
	"math"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// Upkeep is what is due before the next starts, in the order to do it.
type Upkeep struct {
	AsOf  time.Time
	Items []upkeep.Item
}

// Upkeep answers for every printer in service that started a first layer in the
// window, or, given its tag, for one printer; nothing is due: start.
//
// An answer for one printer as of now reads only its own records, and its
// plate's, and goes by the model of last midnight that is kept.
func (a *Assessor) Upkeep(ctx context.Context, q AsOf, printer string) (*Upkeep, error) {
	if printer != "" {
		u, err := a.live(ctx, q, printer)
		if u != nil || err != nil {
			return u, err
		}
	}
	v, q, err := a.view(ctx, q)
	if err != nil {
		return nil, err
	}
	policing, err := a.policing(ctx, q)
	if err != nil {
		return nil, err
	}
	plate := ""
	if i := numbered(v.printers, printer); i >= 0 {
		_, plate = v.tags(&v.next[i])
	}
	st, err := a.store.Standing(ctx, q.At, q.KnownAt, printer, plate)
	if err != nil {
		return nil, err
	}
	l, err := a.lots(ctx, v.settings, q, st, alone(printer)...)
	if err != nil {
		return nil, err
	}
	u, draws, err := v.upkeep(q.At, policing, l, st, printer)
	if err != nil || !a.current(q) {
		return u, err
	}
	return u, a.record(ctx, draws)
}

func alone(printer string) []string {
	if printer == "" {
		return nil
	}
	return []string{printer}
}

// upkeep is the answer, with the draws in it that are not recorded yet.
func (v *view) upkeep(at time.Time, p *policing, l *lots, st *store.Standing, printer string) (*Upkeep, []farm.Draw, error) {
	u := &Upkeep{AsOf: at}
	adviser := v.adviser()
	if printer != "" {
		i, err := v.printer(printer, at)
		if err != nil {
			return nil, nil, err
		}
		items, drawn, _ := v.due(adviser, p, l, &v.next[i], at)
		u.Items = v.settled(st, &v.next[i], items)
		upkeep.Arrange(u.Items)
		return u, v.fresh(l, st, &v.next[i], drawn, at), nil
	}
	draws := make([][]farm.Draw, len(v.printers))
	u.Items = slices.Concat(v.each(at, func(n *ahead) []upkeep.Item {
		if _, held := st.Printers[v.printers[n.next.Printer].Tag]; held {
			return nil // left out of a list, and told when it is asked for
		}
		items, drawn, _ := v.due(adviser, p, l, n, at)
		draws[n.next.Printer] = v.fresh(l, st, n, drawn, at)
		return v.settled(st, n, items)
	})...)
	upkeep.Arrange(u.Items)
	return u, slices.Concat(draws...), nil
}

// printer finds a printer in service.
func (v *view) printer(tag string, at time.Time) (int, error) {
	for i := range v.printers {
		if v.printers[i].Tag != tag {
			continue
		}
		if !v.inService(i, at) {
			return i, fault.New(fault.NotFound, "%s is not in service", tag)
		}
		return i, nil
	}
	return 0, fault.New(fault.NotFound, "there is no printer %s", fault.Quote(tag))
}

func (v *view) inService(i int, at time.Time) bool {
	return !v.printers[i].InServiceFrom.After(at) && !v.retired(&v.printers[i], at)
}

// adviser goes by the view's model, what runs of starts told beyond it, and the farm's
// costs. It is made when it is first asked for.
func (v *view) adviser() *upkeep.Adviser {
	v.advises.Do(func() { v.advice = v.fit.learn().Adviser(v.fit.ahead, costsOf(v.settings)) })
	return v.advice
}

// costsOf are the farm's costs by its settings.
func costsOf(set farm.SettingValues) upkeep.Costs {
	c := upkeep.Costs{LabourHour: set.Number("labour_per_hour"), MachineHour: set.Number("machine_per_hour"), Effort: map[upkeep.Task]upkeep.Effort{},
		FailureMachine: set.Number("failure_minutes"), FailureLabour: set.Number("failure_labour_minutes"), FailureMaterial: set.Number("failure_material")}
	for task, key := range map[upkeep.Task]string{upkeep.Wipe: "wipe", upkeep.Wash: "wash", upkeep.Deep: "deep", upkeep.Probe: "probe", upkeep.Soak: "soak",
		upkeep.Check: "check", upkeep.SwapPlate: "swap"} {
		c.Effort[task] = upkeep.Effort{Person: set.Number(key + "_minutes"), Machine: set.Number(key + "_machine_minutes")}
	}
	return c
}

// due is what to do before one printer's next start, and what the lot decided of it; l
// nil: nothing is left to the lot.
func (v *view) due(adviser *upkeep.Adviser, p *policing, l *lots, n *ahead, at time.Time) (out []upkeep.Item, drawn []upkeep.Drawn, soon upkeep.Soon) {
	tag, plate := v.tags(n)
	since := func(t int64, unit time.Duration) float64 {
		if t == 0 {
			return math.NaN()
		}
		return float64(at.UnixMicro()-t) / float64(unit.Microseconds())
	}
	s := upkeep.State{Next: n.next, SinceWash: n.sinceWash, HoursSinceProbe: since(n.probedAt, time.Hour), HoursSinceClean: since(n.cleanAt, time.Hour),
		Since: n.since, Lot: l.of(tag, plate, n.lastStart)}
	s.Material = max(n.last, -1)
	limits := p.ask(&s, upkeep.Place{Plate: plate, Printer: tag, Material: v.material(n.last)}, n.swapped)
	due, drawn, soon := adviser.Ahead(&s, &limits)
	for _, d := range due {
		out = append(out, upkeep.Item{Due: d, Printer: tag, Plate: plate})
	}
	return out, drawn, soon
}

// JSON writes the answer as the command and the API give it, in the form of
// Findings.JSON.
func (u *Upkeep) JSON() []byte {
	b := make([]byte, 0, 64+320*len(u.Items))
	b = append(b, `{"as_of":`...)
	b = putClock(b, u.AsOf)
	b = append(b, `,"items":[`...)
	for i := range u.Items {
		x := &u.Items[i]
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, "\n{\"task\":"...)
		b = putString(b, string(x.Task))
		kind, subject := x.Subject()
		b = putText(b, "subject_kind", kind)
		b = putText(b, "subject", subject)
		b = putText(b, "printer", x.Printer)
		b = putName(b, "plate", x.Plate)
		b = append(b, `,"due_at":`...)
		b = putClock(b, u.AsOf)
		b = putText(b, "because", x.Sentence())
		b = putNumber(b, "person_minutes", x.Person)
		b = putNumber(b, "machine_minutes", x.Machine)
		b = putNumber(b, "saves", x.Saves)
		b = putNumber(b, "saves_low", x.Low)
		b = putNumber(b, "saves_high", x.High)
		b = strconv.AppendBool(append(b, `,"by_lot":`...), x.ByLot)
		b = append(b, '}')
	}
	if len(u.Items) > 0 {
		b = append(b, '\n')
	}
	return append(b, "]}\n"...)
}
