package assess

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/findings"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// Risks are the chances that the next first layers fail, as of a time.
type Risks struct {
	AsOf  time.Time
	Items []Risk
}

// Risk is the chance that the next first layer of a printer fails, with the
// plate on it ("" none) and a material ("" no material noted).
type Risk struct {
	Printer, Plate, Material string
	Last                     bool // the material is that of the printer's last start
	upkeep.Risk

	inService, retired time.Time
}

// Risks answers for every printer in service, with the plate fitted now and each
// material it ran in the window. A plate is where it was seen last: fitted, or
// named by a first layer. The next start is taken to be made as things are: if
// the printer was probed since its last start, probed for; if not, not.
func (a *Assessor) Risks(ctx context.Context, q AsOf) (*Risks, error) {
	v, q, err := a.view(ctx, q)
	if err != nil {
		return nil, err
	}
	return &Risks{q.At, v.findings(q).Risks}, nil
}

// ahead is what is known of a printer's next start.
type ahead struct {
	next      upkeep.Next // without the material
	materials []int32     // that it ran in the window; -1 not noted
	last      int32       // of its last start; -2 none

	sinceWash         int32 // prints of the plate, -1 unknown
	probedAt, cleanAt int64 // microseconds since 1970; 0 unknown
	swapped           bool  // plate swapped, printer serviced since its probe
	lastStart         int64 // of the printer, microseconds since 1970; 0 none
	plateSeen         int64 // when the plate was last fitted there or named by a start

	since []upkeep.Past // starts since its last probe, as State.Since asks for
}

// set takes in the exposure of the start to come. plate is its number in the view.
func (n *ahead) set(printer, plate int32, e *exposure.Exposure) {
	n.next = upkeep.Next{Printer: printer, Plate: plate, Probing: findings.Probing(e.State), SinceProbe: e.PrintsSinceProbe, Gap: e.PrintsSinceClean}
	n.sinceWash, n.swapped = e.PrintsSinceWash, e.PlateSwapped == exposure.Yes
	n.probedAt, n.cleanAt = 0, 0
	if e.SinceProbe >= 0 {
		n.probedAt = e.At - e.SinceProbe
	}
	if e.SinceClean >= 0 {
		n.cleanAt = e.At - e.SinceClean
	}
}

// remember keeps the starts since the printer's last probe, where there was one.
func (n *ahead) remember(since []upkeep.Past) {
	if n.next.SinceProbe > 0 {
		n.since = since
	}
}

// noPlate takes the plate off.
func (n *ahead) noPlate() {
	n.next.Plate, n.next.Gap, n.next.PlateFailed, n.sinceWash, n.cleanAt = -1, -1, false, -1, 0
}

// nextStarts are the starts that the printers of a history would make next, as
// exposures want them: each with the plate that is on the printer. before is where the
// plates lay when the history's lists begin; nil: they are all there is.
func nextStarts(h *exposure.History, at int64, before *lying) []exposure.Start {
	l := before.goOn(h)
	l.follow(h, at)
	next := make([]exposure.Start, len(h.RecordsAll))
	for i := range next {
		next[i] = exposure.Start{At: at, Printer: int32(i), Plate: l.on[i]}
	}
	return next
}

// lying is where plates lie: where they were seen last, fitted or named by a start.
type lying struct {
	until int64   // what happened up to then is taken in
	on    []int32 // plate of each printer; -1 none
	where []int32 // printer of each plate
}

// goOn gives a copy to go on with; of none, what there is at first.
func (l *lying) goOn(h *exposure.History) *lying {
	if l != nil {
		return &lying{l.until, slices.Clone(l.on), slices.Clone(l.where)}
	}
	return &lying{math.MinInt64, slices.Repeat([]int32{exposure.None}, len(h.RecordsAll)), slices.Repeat([]int32{exposure.None}, h.Plates)}
}

func (l *lying) put(plate, printer int32) {
	if i := l.where[plate]; i >= 0 {
		l.on[i] = exposure.None
	}
	if j := l.on[printer]; j >= 0 {
		l.where[j] = exposure.None
	}
	l.where[plate], l.on[printer] = printer, plate
}

// follow takes in what a history's starts, and its fittings up to an instant, say.
func (l *lying) follow(h *exposure.History, at int64) {
	type removal struct {
		at             int64
		printer, plate int32
	}
	var gone []removal
	for i := range h.Fittings {
		if f := &h.Fittings[i]; f.Removed != 0 {
			gone = append(gone, removal{max(f.Removed, f.At), f.Printer, f.Plate})
		}
	}
	slices.SortStableFunc(gone, func(a, b removal) int { return cmp.Compare(a.at, b.at) })
	// At one instant: fittings, what was taken off, starts.
	f, g := 0, 0
	for f < len(h.Fittings) && h.Fittings[f].At <= l.until {
		f++
	}
	for g < len(gone) && gone[g].at <= l.until {
		g++
	}
	until := func(t int64) {
		for {
			fits := f < len(h.Fittings) && h.Fittings[f].At <= t
			goes := g < len(gone) && gone[g].at <= t
			switch {
			case fits && (!goes || h.Fittings[f].At <= gone[g].at):
				l.put(h.Fittings[f].Plate, h.Fittings[f].Printer)
				f++
			case goes:
				if l.where[gone[g].plate] == gone[g].printer {
					l.where[gone[g].plate], l.on[gone[g].printer] = exposure.None, exposure.None
				}
				g++
			default:
				return
			}
		}
	}
	for i := range h.Starts {
		printer, plate := h.Starts[i].Printer, h.Starts[i].Plate
		if plate < 0 {
			continue
		}
		until(h.Starts[i].At)
		if l.where[plate] != printer {
			l.put(plate, printer)
		}
	}
	until(at)
	l.until = at
}

// lookAhead keeps what is known of the printers' next starts. had is what came of those
// that the reading leaves out.
func (v *view) lookAhead(data *store.Analysis, had *earlier, ex []exposure.Exposure, next []exposure.Start, coming []exposure.Exposure) {
	starts := data.History.Starts
	v.materials = data.MaterialNames
	v.next = make([]ahead, len(next))
	printerFailed, plateFailed := data.History.FailedBefore()
	open := upkeep.NewOpen(len(next))
	seen := make([]int64, len(v.plates)) // of the start that named a plate last
	for i := range v.next {
		v.next[i].last = -2
		if had != nil {
			v.next[i].lastStart, open[i] = had.lastStart[i], had.open[i] // its own: moved made it
		}
	}
	if had != nil {
		copy(seen, had.seen)
	}
	first, end := span(starts, v.from.UnixMicro(), v.to.UnixMicro())
	for i := range starts {
		n := &v.next[starts[i].Printer]
		material := data.Labels[i].Material
		n.lastStart = starts[i].At
		if j := starts[i].Plate; j >= 0 {
			seen[j] = starts[i].At
		}
		past := upkeep.PastOf(&starts[i], &ex[i], material, data.Labels[i].Graded)
		open.Add(&past)
		printerFailed[starts[i].Printer] = starts[i].Failed
		if j := ex[i].Plate; j >= 0 {
			plateFailed[j] = starts[i].Failed
		}
		if i < first || i >= end || n.last == material {
			continue
		}
		n.last = material
		if !slices.Contains(n.materials, material) {
			n.materials = append(n.materials, material)
		}
	}
	fitted := make([]int64, len(v.plates))
	for i := range data.History.Fittings {
		f := &data.History.Fittings[i]
		fitted[f.Plate] = max(fitted[f.Plate], f.At)
	}
	for i := range v.next {
		n, e := &v.next[i], &coming[i]
		n.set(int32(i), next[i].Plate, e)
		n.next.PrinterFailed = printerFailed[i]
		n.remember(slices.Clone(open.Since(int32(i))))
		if j := next[i].Plate; j >= 0 {
			n.next.PlateFailed = plateFailed[j]
			n.plateSeen = max(seen[j], fitted[j])
			if v.retired(&v.plates[j], v.q.At) {
				n.noPlate()
			}
		}
		if len(n.materials) > 1 { // what was not noted says nothing beside what was
			n.materials = slices.DeleteFunc(n.materials, func(m int32) bool { return m < 0 })
		}
		slices.SortFunc(n.materials, func(a, b int32) int { return cmp.Compare(v.material(a), v.material(b)) })
	}
}

// retired tells whether a thing was taken out of service by a time.
func (v *view) retired(t *store.AnalysisThing, at time.Time) bool {
	return !t.RetiredAt.IsZero() && !t.RetiredAt.After(at)
}

func (v *view) material(m int32) string {
	if m < 0 {
		return ""
	}
	return v.materials[m]
}

// forecast gives the risks of all printers, in service or not.
func (v *view) forecast() []Risk {
	of := make([][]Risk, len(v.next)) // by printer
	onAllCores(len(of), func(i int) {
		n, p := &v.next[i], &v.printers[i]
		for _, m := range n.materials {
			next := n.next
			next.Material = m
			r := Risk{Printer: p.Tag, Material: v.material(m), Last: m == n.last, Risk: v.fit.ahead.Risk(next), inService: p.InServiceFrom, retired: p.RetiredAt}
			if next.Plate >= 0 {
				r.Plate = v.plates[next.Plate].Tag
			}
			of[i] = append(of[i], r)
		}
	})
	return slices.Concat(of...)
}

// risksAt gives the risks of the printers in service at a time.
func (v *view) risksAt(at time.Time) []Risk {
	out := func(r *Risk) bool {
		return r.inService.After(at) || !r.retired.IsZero() && !r.retired.After(at)
	}
	if !slices.ContainsFunc(v.risks, func(r Risk) bool { return out(&r) }) {
		return v.risks
	}
	return slices.DeleteFunc(slices.Clone(v.risks), func(r Risk) bool { return out(&r) })
}

// JSON writes the answer as the command and the API give it, in the form of
// Findings.JSON.
func (r *Risks) JSON() []byte {
	b := make([]byte, 0, 64+400*len(r.Items))
	b = append(b, `{"as_of":`...)
	b = putClock(b, r.AsOf)
	b = append(b, `,"items":[`...)
	for i := range r.Items {
		x := &r.Items[i]
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, "\n{\"printer\":"...)
		b = putString(b, x.Printer)
		b = putName(b, "plate", x.Plate)
		b = putName(b, "material", x.Material)
		for _, c := range [...]struct {
			key string
			upkeep.Chance
		}{{"p_now", x.Now}, {"p_after_cleaning", x.Cleaned}, {"p_after_probing", x.Probed}, {"p_after_both", x.Both}} {
			b = putNumber(b, c.key, c.P)
			b = putNumber(b, c.key+"_low", c.Low)
			b = putNumber(b, c.key+"_high", c.High)
		}
		b = append(b, '}')
	}
	if len(r.Items) > 0 {
		b = append(b, '\n')
	}
	return append(b, "]}\n"...)
}

// putName writes a name that may be missing.
func putName(b []byte, key, name string) []byte {
	if name == "" {
		return append(append(append(b, `,"`...), key...), `":null`...)
	}
	return putText(b, key, name)
}
