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
	DaysSinceClean  float64 // NaN unknown
	Swapped         bool    // plate swapped, printer moved or serviced since its last probe
	// LastFailed tells under which counts the printer's last start failed, if nothing
	// was probed since: starts since the probe and prints since the cleaning. Nil if
	// it did not fail, or was probed for since.
	LastFailed *Next
	// Lot is a number from 0 to 1 drawn for this start by the caller's own seeded
	// lot; 1 where nothing may be asked for by lot.
	Lot float64
}

// Limits are what the farm's policies ask for, whatever the counts say; 0 is no limit.
type Limits struct {
	ProbeStarts, CleanPrints, WashPrints int32
	ProbeHours, CleanDays                float64
	ProbeAfterEvent                      bool // swap, move, service
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
	echo      Echo
}

// Echo is what a failure tells of the next start if nothing is done in between: the
// chance that one brought about by a missing probe is followed by another for the
// same reason, and the share of that left from start to start.
type Echo struct{ Probe, Keep float64 }

// NewAdviser makes an adviser ready.
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

// mean gives the expected chance to spare by count.
func mean(table [][horizon]float64, h *findings.Hazard, to *[horizon]float64) {
	*to = [horizon]float64{}
	left := 1.0 // nothing is known of an empty one: no effect
	for s, c := range h.Chances() {
		if c < 1e-9 {
			continue
		}
		left -= c
		for k := range to {
			to[k] += c * table[s][k]
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

// hazards of a start.
func (a *Adviser) hazards(n *Next) (skip, printer, plate findings.Hazard) {
	m := a.cast.m
	return at(m.Skip, n.Printer, m.NewSkip), at(m.PrinterGap, n.Printer, m.NewGap), at(m.PlateGap, n.Plate, m.NewPlateGap)
}

// Answer tells what to do before a start, in the order to do it; empty: start.
func (a *Adviser) Answer(s *State, limits *Limits) []Due {
	eta, sd := a.cast.level(&s.Next)
	holds := a.cast.holds(eta, sd)
	skip, printer, plate := a.hazards(&s.Next)
	var skips, gapsI, gapsJ [horizon]float64
	mean(a.skip, &skip, &skips)
	mean(a.gap, &printer, &gapsI)
	mean(a.gap, &plate, &gapsJ)
	for k := range gapsI {
		gapsI[k] *= gapsJ[k]
	}
	loss := a.costs.Failure() * holds
	var out []Due
	gapNow := 1.0
	if s.Gap >= 0 {
		gapNow = gapsI[min(int(s.Gap), horizon-1)]
	}
	out = a.cleaning(s, limits, &gapsI, &printer, &plate, loss, out)
	if d, ok := a.probing(s, limits, &skips, &skip, loss*gapNow); ok {
		out = append(out, d)
	}
	slices.SortStableFunc(out, func(x, y Due) int { return cmp.Compare(order[x.Task], order[y.Task]) })
	return out
}

// probing tells whether to probe.
func (a *Adviser) probing(s *State, limits *Limits, skips *[horizon]float64, size *findings.Hazard, loss float64) (d Due, ok bool) {
	if s.Probing == findings.ProbingValid || s.Probing == findings.ProbingVoid && !limits.ProbeAfterEvent {
		return d, false
	}
	cost := a.costs.Of(Probe)
	w := wearOf(skips, loss)
	p := w.best(cost)
	d = Due{Task: Probe, Effort: a.costs.Effort[Probe]}
	k := int(s.SinceProbe)
	known := s.SinceProbe > 0
	extra := 0.0
	if s.LastFailed != nil {
		extra = loss * a.echo.Probe * a.guilty(s.LastFailed, size)
	}
	gain := 0.0
	if known {
		gain = w.now(p, k, cost, extra, a.echo.Keep)
	}
	starts := min(max(p.every, 1), 24)
	if p.every == 0 {
		starts = 24
	}
	if known {
		d.Saves, d.Low, d.High = a.saved(a.skip, size, p, k, starts, cost, loss, extra)
	}
	if gain > 0 {
		if extra > 0 && w.now(p, k, cost, 0, 0) <= 0 {
			d.Because = append(d.Because, "its last first layer failed without a probe")
		} else {
			d.Because = append(d.Because, fmt.Sprintf("%d starts since its probe", k), every("cheapest", p.every, "start"))
		}
		return d, true
	}
	switch {
	case limits.ProbeAfterEvent && s.Swapped:
		d.Because = append(d.Because, "plate swapped or printer serviced since its probe")
	case limits.ProbeStarts > 0 && known && s.SinceProbe >= limits.ProbeStarts:
		d.Because = append(d.Because, fmt.Sprintf("%d starts since its probe", k), every("policy: probe before", int(limits.ProbeStarts), "start"))
	case limits.ProbeHours > 0 && s.HoursSinceProbe >= limits.ProbeHours:
		d.Because = append(d.Because, fmt.Sprintf("%.0f hours since its probe", s.HoursSinceProbe), fmt.Sprintf("policy: probe every %.0f hours", limits.ProbeHours))
	default:
		if known && s.Lot < lotShare && a.doubt(a.skip, size, cost, loss) >= lotDoubt {
			d.ByLot = true
			d.Because = append(d.Because, "drawn by lot: a probe now and then shows whether it drifts")
			return d, true
		}
		return d, false
	}
	d.ByPolicy = true
	return d, true
}

// A probe is asked for by lot before this share of the starts, where the chance that
// probing is worth its cost is at least so large.
const (
	lotShare = 0.01
	lotDoubt = 0.05
)

// doubt is the chance that the effect is so large that renewing pays.
func (a *Adviser) doubt(table [][horizon]float64, h *findings.Hazard, cost, loss float64) float64 {
	sum := 0.0
	for s, c := range h.Chances() {
		if c < 1e-9 {
			continue
		}
		if w := wearOf(&table[s], loss); w.best(cost).every > 0 {
			sum += c
		}
	}
	return sum
}

// guilty is how likely a missing probe brought about a failure.
func (a *Adviser) guilty(n *Next, size *findings.Hazard) float64 {
	if n.Probing != findings.ProbingSkipped {
		return 0
	}
	now := a.cast.Chance(*n)
	q := *n
	q.Probing = findings.ProbingValid
	return max(0, now-a.cast.Chance(q)) / max(now, 1e-9)
}

// saved is what renewing saves over the next starts, with its 95 % interval over the
// sizes the effect may have.
func (a *Adviser) saved(table [][horizon]float64, h *findings.Hazard, p plan, k, starts int, cost, loss, extra float64) (mid, low, high float64) {
	var chance, at []float64
	for s, c := range h.Chances() {
		if c < 1e-9 {
			continue
		}
		w := wearOf(&table[s], loss)
		q := plan{p.every, w.rateAt(p.every, cost)}
		v := w.over(q, k, starts, extra, a.echo.Keep)
		if p.every == 0 {
			v = -cost
			e := extra
			for m := range starts {
				v += w.at(k+m) + e - w.at(m)
				e *= a.echo.Keep
			}
		}
		chance, at = append(chance, c), append(at, v)
		mid += c * v
	}
	if len(at) == 0 {
		return -cost, -cost, -cost
	}
	return mid, min(mid, spread(chance, at, 0.025)), max(mid, spread(chance, at, 0.975))
}

// spread is a quantile of numbers with chances; the numbers grow with the size.
func spread(chance, at []float64, p float64) float64 {
	sum := 0.0
	for i, c := range chance {
		if sum += c; sum >= p {
			return at[i]
		}
	}
	return at[len(at)-1]
}

// cleaning tells whether to clean, and how.
func (a *Adviser) cleaning(s *State, limits *Limits, spares *[horizon]float64, printer, plate *findings.Hazard, loss float64, out []Due) []Due {
	if s.Plate < 0 {
		return out
	}
	if limits.WashPrints > 0 && s.SinceWash >= limits.WashPrints {
		d := Due{Task: Wash, Effort: a.costs.Effort[Wash], ByPolicy: true}
		d.Because = []string{fmt.Sprintf("%d prints since its wash", s.SinceWash), every("policy: wash before", int(limits.WashPrints), "print")}
		a.weigh(&d, s, spares, printer, plate, loss, a.costs.Of(Wash))
		return append(out, d)
	}
	d := Due{Task: Wipe, Effort: a.costs.Effort[Wipe]}
	p, gain := a.weigh(&d, s, spares, printer, plate, loss, a.costs.Of(Wipe))
	switch {
	case gain > 0:
		d.Because = []string{fmt.Sprintf("%d prints since it was cleaned", s.Gap), every("cheapest", p.every, "print")}
		return append(out, d)
	case limits.CleanPrints > 0 && s.Gap >= limits.CleanPrints:
		d.Because = []string{fmt.Sprintf("%d prints since it was cleaned", s.Gap), every("policy: clean before", int(limits.CleanPrints), "print")}
	case limits.CleanDays > 0 && s.DaysSinceClean >= limits.CleanDays:
		d.Because = []string{fmt.Sprintf("%.0f days since it was cleaned", s.DaysSinceClean), fmt.Sprintf("policy: clean every %.0f days", limits.CleanDays)}
	default:
		return out
	}
	d.ByPolicy = true
	return append(out, d)
}

// weigh fills in what a cleaning saves, and gives the cheapest plan and what doing
// it now saves against the best later moment.
func (a *Adviser) weigh(d *Due, s *State, spares *[horizon]float64, printer, plate *findings.Hazard, loss, cost float64) (plan, float64) {
	w := wearOf(spares, loss)
	p := w.best(cost)
	if s.Gap < 0 {
		return p, 0
	}
	starts := min(p.every, 24)
	if p.every == 0 {
		starts = 24
	}
	// The larger of the two effects says how sure it is; the other one is taken at
	// its mean.
	h, other := plate, printer
	if printer.Mean() > plate.Mean() {
		h, other = printer, plate
	}
	k := int(s.Gap)
	d.Saves, d.Low, d.High = a.saved(a.gap, h, p, k, starts, cost, loss, 0)
	var m [horizon]float64
	mean(a.gap, other, &m)
	if rest := wearOf(&m, loss); rest[horizon-1] > 0 {
		shift := rest.over(plan{}, k, starts, 0, 0)
		for l := range starts {
			shift -= rest.at(l)
		}
		d.Saves, d.Low, d.High = d.Saves+shift, d.Low+shift, d.High+shift
	}
	return p, w.now(p, k, cost, 0, 0)
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
