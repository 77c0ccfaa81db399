package upkeep

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"basecourse/internal/findings"
)

// Task is something to do for a printer or the plate on it.
type Task string

// The tasks, by their stored codes.
const (
	SwapPlate Task = "swap_plate"
	Wipe      Task = "wipe"
	Wash      Task = "wash"
	Deep      Task = "deep"
	Coat      Task = "coat"
	Probe     Task = "probe"
	Soak      Task = "soak"
	Check     Task = "check"
)

// order in which tasks are done before one start.
var order = map[Task]int{SwapPlate: 0, Deep: 1, Wash: 2, Wipe: 3, Coat: 4, Soak: 5, Check: 6, Probe: 7}

// Effort is what a task takes, minutes.
type Effort struct{ Person, Machine float64 }

// Costs are what things cost, in the farm's money.
type Costs struct {
	LabourHour, MachineHour float64
	Effort                  map[Task]Effort
	// A failed first layer: minutes, and money.
	FailureMachine, FailureLabour, FailureMaterial float64
}

// DefaultCosts are those of the settings' defaults.
func DefaultCosts() Costs {
	return Costs{LabourHour: 30, MachineHour: 3, Effort: map[Task]Effort{Wipe: {1, 1}, Wash: {5, 6}, Deep: {15, 16}, Probe: {1, 6}, Soak: {0, 15}, Check: {2, 5}, SwapPlate: {1, 1}},
		FailureMachine: 30, FailureLabour: 6, FailureMaterial: 0.5}
}

// Of is the cost of a task.
func (c *Costs) Of(t Task) float64 {
	e := c.Effort[t]
	return (e.Person*c.LabourHour + e.Machine*c.MachineHour) / 60
}

// Failure is the cost of a failed first layer.
func (c *Costs) Failure() float64 {
	return (c.FailureMachine*c.MachineHour+c.FailureLabour*c.LabourHour)/60 + c.FailureMaterial
}

// State is what is known of a printer's next start.
type State struct {
	Next
	SinceWash       int32   // prints of the plate since it was washed, -1 unknown
	HoursSinceProbe float64 // NaN unknown
	HoursSinceClean float64 // NaN unknown
	Happened        Events  // since its last probe, of those that policies ask about
	// Since holds the starts of the printer since its last probe, oldest first, the
	// last Remembered of them. Nil: not looked at.
	Since []Past
	// Lot is what the lot of this start goes by; nil: nothing is left to the lot.
	Lot *Lot
}

// Due is a task to do before a printer's next start, and why.
type Due struct {
	Task Task
	// Because holds short parts of a sentence, without full stops.
	Because []string
	Effort
	// Saves is what doing it now saves against not doing it over the next starts, as
	// many as the cheapest interval holds (at most 24): expected failures' cost less
	// its own. Low and high hold what is not known of the effect (95 %). It is below
	// 0 where only a policy asks for it.
	Saves, Low, High float64
	ByLot            bool
	ByPolicy         bool // asked for by a policy, whatever it saves
}

// Adviser answers what to do before starts, by one forecast and one set of costs.
// It may be used by many at a time.
type Adviser struct {
	cast  *Forecast
	costs Costs
	sizes []float64
	// Chance that a hazard of each size spares a start, by starts since the probe and
	// by prints since the cleaning.
	skip, gap [][horizon]float64
	learned   *Learned
	echo      Echo
}

// known is what is known of one effect: the chance of each of the forms it may have,
// and for each the chance that it spares a start, by count since the renewal.
type known struct {
	chance []float64
	table  [][horizon]float64
}

// NewAdviser makes an adviser ready that goes by the forecast and an echo, which may
// be none. One that goes by all that was learned: Learned.Adviser.
func NewAdviser(cast *Forecast, costs Costs, echo Echo) *Adviser {
	a := &Adviser{cast: cast, costs: costs, sizes: findings.Sizes(), echo: echo}
	a.skip, a.gap = make([][horizon]float64, len(a.sizes)), make([][horizon]float64, len(a.sizes))
	for s, size := range a.sizes {
		for k := range horizon {
			skipped := 0.0
			if k > 0 {
				skipped = cast.m.SkipDose(int32(k))
			}
			a.skip[s][k] = math.Exp(-size * skipped)
			a.gap[s][k] = math.Exp(-size * cast.m.GapDose(int32(k)))
		}
	}
	return a
}

// unlikely forms of an effect are left out; together they are none.
const unlikely = 1e-5

// mean gives the expected chance to spare by count.
func (e *known) mean(to *[horizon]float64) {
	*to = [horizon]float64{}
	left := 1.0 // nothing is known of an empty one: no effect
	for s, c := range e.chance {
		if c < unlikely {
			continue
		}
		left -= c
		for k := range to {
			to[k] += c * e.table[s][k]
		}
	}
	for k := range to {
		to[k] += left
	}
}

// wearOf turns chances to spare into costs beyond those of a start just renewed for.
func wearOf(spares *[horizon]float64, each float64) (w wear) {
	for k := range w {
		w[k] = each * (spares[0] - spares[k])
	}
	return w
}

// skipping is what is known of the effect of a missing probe on a printer.
func (a *Adviser) skipping(printer int32) known {
	if l := a.learned; l != nil && printer >= 0 && int(printer) < len(l.skips) {
		return known{l.skips[printer], l.table}
	}
	h := at(a.cast.m.Skip, printer, a.cast.m.NewSkip)
	return known{h.Chances(), a.skip}
}

// gaps is what is known of the effects of the cleaning gap, by printer and by plate.
func (a *Adviser) gaps(n *Next) (printer, plate known) {
	i, j := at(a.cast.m.PrinterGap, n.Printer, a.cast.m.NewGap), at(a.cast.m.PlateGap, n.Plate, a.cast.m.NewPlateGap)
	return known{i.Chances(), a.gap}, known{j.Chances(), a.gap}
}

// Answer tells what to do before a start, in the order to do it; empty: start.
func (a *Adviser) Answer(s *State, limits *Limits) []Due {
	due, _, _ := a.Ahead(s, limits)
	return due
}

// Soon is how many starts lie before a printer's next probe and its plate's next wipe
// and wash, if nothing is done meanwhile; 0: it is due, or not in sight.
type Soon struct{ Probe, Wipe, Wash int }

// Ahead is Answer with what the lot decided, whether to do or to leave, and what comes
// next.
func (a *Adviser) Ahead(s *State, limits *Limits) (out []Due, drawn []Drawn, soon Soon) {
	eta, sd := a.cast.level(&s.Next)
	holds := a.cast.holds(eta, sd)
	skip := a.skipping(s.Printer)
	printer, plate := a.gaps(&s.Next)
	var skips, gapsI, gapsJ [horizon]float64
	skip.mean(&skips)
	printer.mean(&gapsI)
	plate.mean(&gapsJ)
	for k := range gapsI {
		gapsI[k] *= gapsJ[k]
	}
	loss := a.costs.Failure() * holds
	gapNow := 1.0
	if s.Gap >= 0 {
		gapNow = gapsI[min(int(s.Gap), horizon-1)]
	}
	out, drawn = a.cleaning(s, limits, &gapsI, &printer, &plate, loss, &soon)
	if d, ok := a.probing(s, limits, &skips, &skip, loss*gapNow, &drawn, &soon.Probe); ok {
		out = append(out, d)
	}
	slices.SortStableFunc(out, func(x, y Due) int { return cmp.Compare(order[x.Task], order[y.Task]) })
	return out, drawn, soon
}

// probing tells whether to probe, and what the lot decided of it.
func (a *Adviser) probing(s *State, limits *Limits, skips *[horizon]float64, effect *known, loss float64, drawn *[]Drawn, soon *int) (d Due, ok bool) {
	cost := a.costs.Of(Probe)
	w := wearOf(skips, loss)
	p := w.best(cost)
	if s.SinceProbe >= 0 {
		*soon = until(int(s.SinceProbe), p.every, int(limits.ProbeStarts))
	}
	// A probe made for this start is asked for again only where a policy has it that it
	// no longer holds: by what happened first, by its age second.
	happened := limits.ProbeAfter & s.Happened
	old := limits.ProbeHours > 0 && s.HoursSinceProbe >= limits.ProbeHours
	if (s.Probing == findings.ProbingValid || s.Probing == findings.ProbingVoid) && happened == 0 && !old {
		return d, false
	}
	d = Due{Task: Probe, Effort: a.costs.Effort[Probe]}
	k := int(s.SinceProbe)
	counted := s.SinceProbe > 0
	extra := 0.0
	if counted {
		_, beyond := a.lost(s.Since, &s.Next, skips)
		extra = loss * a.echo.Hit * beyond
	}
	gain := 0.0
	if counted {
		gain = w.now(p, k, cost, extra, a.echo.Keep)
	}
	weighed := func() Due {
		starts := min(p.every, 24)
		if p.every == 0 {
			starts = 24
		}
		if counted {
			d.Saves, d.Low, d.High = a.saved(effect, p, k, starts, cost, loss, extra)
		}
		return d
	}
	asked := happened != 0 || old || limits.ProbeStarts > 0 && counted && s.SinceProbe >= limits.ProbeStarts
	if counted && !asked {
		if x, ok := a.draw(s, Probe, gain); ok {
			if *drawn = append(*drawn, x); !x.Do {
				return d, false
			}
			d.ByLot = true
			d.Because = append(d.Because, count(k, "start")+" since its probe", x.because())
			return weighed(), true
		}
	}
	if gain > 0 {
		if extra > 0 && w.now(p, k, cost, 0, 0) <= 0 {
			d.Because = append(d.Because, "first layers failed since its probe")
		} else {
			d.Because = append(d.Because, fmt.Sprintf("%d starts since its probe", k), every("cheapest", p.every, "start"))
		}
		return weighed(), true
	}
	switch {
	case happened != 0:
		d.Because = append(d.Because, happened.happened(), limits.said(AsksProbe, "probe "+happened.after()))
	case limits.ProbeStarts > 0 && counted && s.SinceProbe >= limits.ProbeStarts:
		d.Because = append(d.Because, count(k, "start")+" since its probe", limits.said(AsksProbe, every("probe", int(limits.ProbeStarts), "start")))
	case old:
		d.Because = append(d.Because, fmt.Sprintf("%.0f hours since its probe", s.HoursSinceProbe), limits.said(AsksProbe, "probe "+hours(limits.ProbeHours)))
	default:
		return d, false
	}
	d.ByPolicy = true
	return weighed(), true
}

// cleaning tells whether to clean, and how, and what the lot decided of it.
func (a *Adviser) cleaning(s *State, limits *Limits, spares *[horizon]float64, printer, plate *known, loss float64, soon *Soon) (out []Due, drawn []Drawn) {
	if s.Plate < 0 {
		return nil, nil
	}
	if limits.WashPrints > 0 && s.SinceWash >= limits.WashPrints {
		d := Due{Task: Wash, Effort: a.costs.Effort[Wash], ByPolicy: true}
		d.Because = []string{count(int(s.SinceWash), "print") + " since its wash", limits.said(AsksWash, every("wash", int(limits.WashPrints), "print"))}
		w := wearOf(spares, loss)
		a.weigh(&d, s, &w, printer, plate, loss, a.costs.Of(Wash))
		return []Due{d}, nil
	}
	out, drawn = a.wiping(s, limits, spares, printer, plate, loss, soon)
	// A wash goes before what the lot says of wiping, whichever it says: else draws of one
	// arm alone would be left out.
	if d, ok := a.washing(s, loss, len(out)+len(drawn) > 0, &soon.Wash); ok {
		return []Due{d}, nil
	}
	return out, drawn
}

// wiping tells whether to wipe, and what the lot decided of it.
func (a *Adviser) wiping(s *State, limits *Limits, spares *[horizon]float64, printer, plate *known, loss float64, soon *Soon) (out []Due, drawn []Drawn) {
	d := Due{Task: Wipe, Effort: a.costs.Effort[Wipe]}
	w := wearOf(spares, loss)
	p := w.best(a.costs.Of(Wipe))
	if s.Gap >= 0 {
		soon.Wipe = until(int(s.Gap), p.every, int(limits.CleanPrints))
	}
	gain := 0.0
	if s.Gap >= 0 {
		gain = w.now(p, int(s.Gap), a.costs.Of(Wipe), 0, 0)
	}
	asked := limits.CleanPrints > 0 && s.Gap >= limits.CleanPrints || limits.CleanHours > 0 && s.HoursSinceClean >= limits.CleanHours
	if s.Gap > 0 && !asked {
		if x, ok := a.draw(s, Wipe, gain); ok {
			drawn = append(drawn, x)
			if x.Do {
				d.ByLot = true
				d.Because = []string{count(int(s.Gap), "print") + " since it was cleaned", x.because()}
				a.weigh(&d, s, &w, printer, plate, loss, a.costs.Of(Wipe))
				out = append(out, d)
			}
			return out, drawn
		}
	}
	switch {
	case gain > 0:
		d.Because = []string{fmt.Sprintf("%d prints since it was cleaned", s.Gap), every("cheapest", p.every, "print")}
		a.weigh(&d, s, &w, printer, plate, loss, a.costs.Of(Wipe))
		return append(out, d), nil
	case limits.CleanPrints > 0 && s.Gap >= limits.CleanPrints:
		d.Because = []string{count(int(s.Gap), "print") + " since it was cleaned", limits.said(AsksClean, every("wipe", int(limits.CleanPrints), "print"))}
	case limits.CleanHours > 0 && s.HoursSinceClean >= limits.CleanHours:
		d.Because = []string{fmt.Sprintf("%.0f hours since it was cleaned", s.HoursSinceClean), limits.said(AsksClean, "wipe "+hours(limits.CleanHours))}
	default:
		return nil, nil
	}
	d.ByPolicy = true
	a.weigh(&d, s, &w, printer, plate, loss, a.costs.Of(Wipe))
	return append(out, d), nil
}

// weigh fills in what a cleaning saves.
func (a *Adviser) weigh(d *Due, s *State, w *wear, printer, plate *known, loss, cost float64) {
	p := w.best(cost)
	if s.Gap < 0 {
		return
	}
	starts := min(p.every, 24)
	if p.every == 0 {
		starts = 24
	}
	// The larger of the two effects says how sure it is; the other one is taken at
	// its mean.
	h, other := plate, printer
	if printer.harm() > plate.harm() {
		h, other = printer, plate
	}
	k := int(s.Gap)
	d.Saves, d.Low, d.High = a.saved(h, p, k, starts, cost, loss, 0)
	var m [horizon]float64
	other.mean(&m)
	if rest := wearOf(&m, loss); rest[horizon-1] > 0 {
		shift := rest.over(plan{}, k, starts, 0, 0)
		for l := range starts {
			shift -= rest.at(l)
		}
		d.Saves, d.Low, d.High = d.Saves+shift, d.Low+shift, d.High+shift
	}
}

// harm is the expected chance that the effect spoils a start long after a renewal.
func (e *known) harm() (sum float64) {
	for s, c := range e.chance {
		sum += c * (1 - e.table[s][horizon-1])
	}
	return sum
}

// until is how many starts there are from a count to the nearest interval; 0 none.
func until(count int, every ...int) (n int) {
	for _, e := range every {
		if left := e - count; e > 0 && left > 0 && (n == 0 || left < n) {
			n = left
		}
	}
	return n
}

// every words an interval.
func every(what string, n int, unit string) string {
	switch {
	case n <= 0:
		return what + ": never"
	case n == 1:
		return fmt.Sprintf("%s every %s", what, unit)
	}
	return fmt.Sprintf("%s every %d %ss", what, n, unit)
}
