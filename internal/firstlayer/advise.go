package firstlayer

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
)

// inOrder is the order in which things are done: swap, clean, soak, probe, tilt,
// Z, feed, and then what takes longer (common practice, no source).
var inOrder = []Action{SwapPlate, Wipe, Wash, Coat, Soak, Probe, Tram, MoveNozzle, CheckFeed, DryFilament, Investigate, TurnPlate, SetPlateAside, PrintCoupon, Leave}

// instead is what is advised when the same was advised twice before.
var instead = map[Action]Action{SwapPlate: Investigate, Wipe: Wash, Wash: SetPlateAside, Coat: SetPlateAside, Soak: Investigate, Probe: Investigate, Tram: Investigate, MoveNozzle: Investigate,
	CheckFeed: DryFilament, DryFilament: CheckFeed, TurnPlate: SetPlateAside, SetPlateAside: Investigate, Investigate: PrintCoupon, PrintCoupon: Investigate}

// plan is one layer's advice on its way.
type plan struct {
	f       *facts
	a       *Answer
	move    bed.Advice
	moves   bool // the estimate, or the height book, asks for a move
	booked  bool // the height book does
	actions []Action
	again   bool // something was advised twice already
	cause   Cause
}

func advise(f *facts, a *Answer) {
	p := &plan{f: f, a: a}
	if f.est != nil {
		p.move = bed.Move(f.est, f.target, bed.DefaultLimits(or(f.c.ZStepMM, farm.DefaultZStepMM)))
		p.moves = !p.move.Leave
	}
	// Marks only bound the height; what was measured on other layers of printer and
	// plate says it closer.
	if x := f.byBook(); !x.Leave && !f.measured && (!p.moves || x.HighMM-x.LowMM < p.move.HighMM-p.move.LowMM) {
		p.move, p.moves, p.booked = x, true, true
	}
	named := a.Causes
	if named[0].Cause == CannotTell {
		named = named[1:]
	}
	p.cause = named[0].Cause
	a.Sure, a.Because = a.Causes[0].Sure, named[0].Because
	if a.Because == "" {
		a.Because = a.Causes[0].Because
	}
	if a.Because != "" && !strings.Contains(a.Because, ";") {
		if second := f.aside(a.Because); second != "" {
			a.Because += "; " + second
		}
	}
	if x := a.Causes[0].Cause; x == NozzleLow || x == NozzleHigh {
		// Printer's or plate's, the nozzle moves the same way for both together.
		a.Sure = bed.SureWord(a.Causes[0].Chance + chanceOf(a, PlateHeight))
	}
	a.WouldChange = p.change()
	switch {
	case a.Causes[0].Cause == CannotTell:
		p.unsure(named)
	default:
		p.forCause(p.cause)
		// A dirty plate comes before anything that only helps on a clean one.
		if dirt := chanceOf(a, DirtyPlate); dirt >= 0.15 && (p.cause == NozzleHigh && !f.measured || p.cause == BedTemperature) {
			p.add(SwapPlate, Wash)
		}
	}
	p.guard()
	p.repeat()
	p.never()
	p.coatDegreased()
	slices.SortStableFunc(p.actions, func(x, y Action) int { return slices.Index(inOrder, x) - slices.Index(inOrder, y) })
	if f.c.Running {
		a.Advice = append(a.Advice, now(f, a, p.actions))
	}
	for _, x := range p.actions {
		a.Advice = append(a.Advice, p.step(x))
	}
}

// aside is a fact that stands beside the reasons where only one speaks: what the
// layer was started under.
func (f *facts) aside(not string) string {
	x := &f.c.Context
	said := func(s string) bool { return strings.Contains(not, s) }
	switch {
	case x.Skipped == "yes" && !said("probe"):
		return "no probe since the last start"
	case x.stale() && !said("probe"):
		return "swapped or serviced since the probe"
	case x.PrintsSinceClean == 0 && !said("clean"):
		return "first print on a cleaned plate"
	case x.PrintsSinceClean > 0 && !said("clean"):
		n := strconv.Itoa(int(x.PrintsSinceClean))
		if n == "1" {
			return "plate cleaned 1 print ago"
		}
		return "plate cleaned " + n + " prints ago"
	case x.fresh() && !said("probe"):
		return "freshly probed"
	}
	return ""
}

func chanceOf(a *Answer, c Cause) float64 {
	for _, r := range a.Causes {
		if r.Cause == c {
			return r.Chance
		}
	}
	return 0
}

func (p *plan) add(actions ...Action) {
	for _, x := range actions {
		if !slices.Contains(p.actions, x) {
			p.actions = append(p.actions, x)
		}
	}
}

// forCause adds what a cause asks for.
func (p *plan) forCause(c Cause) {
	f, x := p.f, &p.f.c.Context
	switch c {
	case None:
		p.add(Leave)
	case DirtyPlate:
		switch {
		case f.only("contamination") && f.c.Layer.Grade != "failed" && f.c.Layer.Grade != "marginal" && !shown(f.c):
			p.add(Leave)
		case f.only("contamination") && f.worst == 1 && f.c.Layer.Grade != "failed":
			p.add(SwapPlate, Wipe)
		default:
			p.add(SwapPlate, Wash)
		}
	case NozzleLow, NozzleHigh:
		if c == NozzleLow && slight(f) && !f.overBonds && !shown(f.c) {
			p.add(Leave)
			return
		}
		if c == NozzleLow && f.overBonds {
			p.add(Coat)
		}
		if x.stale() {
			p.add(Probe)
		}
		if p.moves && p.move.MoveMM > 0 == (c == NozzleLow) {
			p.add(MoveNozzle)
		} else if !x.stale() {
			p.add(PrintCoupon)
		}
	case BedShape:
		if x.fresh() {
			p.add(Soak)
		}
		p.add(Probe)
	case Tilt:
		if x.stale() {
			p.add(Probe)
		}
		p.add(Tram)
	case PlateHeight:
		// A plate known to be thicker is no fault: the nozzle follows it.
		if t := f.thicker(); t != 0 && p.moves && p.move.MoveMM > 0 == (t > 0) {
			if x.stale() {
				p.add(Probe)
			}
			p.add(MoveNozzle)
			return
		}
		p.add(SwapPlate, Investigate)
	case PlateDamage:
		p.add(SwapPlate, SetPlateAside)
	case OverBonding:
		p.add(Coat)
		if p.moves && p.move.MoveMM > 0 {
			p.add(MoveNozzle)
		}
		if f.has("plate_mark") {
			p.add(SetPlateAside)
		}
	case FeedLow, FeedHigh, NoStart:
		p.add(CheckFeed)
	case Moisture:
		p.add(DryFilament)
	case Striping:
		p.add(Investigate)
	case BedTemperature:
		p.add(Soak, Investigate)
	case LocalSpot:
		p.add(Investigate, TurnPlate)
	}
}

// unsure adds what tells most where no cause is named.
func (p *plan) unsure(named []Ranked) {
	f := p.f
	switch {
	case len(f.marks) == 0 && f.est == nil:
		p.add(Investigate)
	case f.grip() || f.has("contamination"):
		// Grip or height before moisture.
		p.add(SwapPlate)
		if f.has("contamination") && chanceOf(p.a, DirtyPlate) >= 0.25 {
			p.add(Wash)
		}
		if !f.c.Context.fresh() {
			p.add(Probe)
		}
		if f.grip() {
			p.add(CheckFeed)
		}
	default:
		n := 0
		for _, r := range named {
			if n++; n <= 2 && r.Chance >= 0.15 {
				p.forCause(r.Cause)
			}
		}
		p.actions = slices.DeleteFunc(p.actions, func(x Action) bool { return x == MoveNozzle || x == Leave || x == SetPlateAside })
		if len(p.actions) == 0 {
			p.add(PrintCoupon)
		}
	}
}

// slight tells whether a layer is only a little low and passed.
func slight(f *facts) bool {
	g := f.c.Layer.Grade
	return f.worst <= 1 && g != "failed" && g != "marginal" && (f.est == nil || f.est.OffsetMM > -0.06)
}

// guard holds what is advised against the rules that stand above all causes:
// contamination alone is cosmetic, high and low zones together mean probe again,
// the nozzle is never lowered to cure a dirty plate, a plate is only swapped where
// one may be at hand.
func (p *plan) guard() {
	f := p.f
	if f.only("contamination") && f.c.Layer.Grade != "failed" && f.c.Layer.Grade != "marginal" && !shown(f.c) && !f.gauged() {
		p.actions = []Action{Leave}
		return
	}
	if f.height == lowAndHigh && !f.measured {
		p.drop(MoveNozzle)
		p.add(Probe)
	}
	if p.lowersOnDirt() {
		p.drop(MoveNozzle)
		if p.cause == NozzleHigh {
			p.add(SwapPlate, Wash)
		}
	}
	if f.c.Context.WashedPlateAtHand == "no" && slices.Contains(p.actions, SwapPlate) {
		p.drop(SwapPlate)
		if len(p.actions) == 0 || p.cause == DirtyPlate {
			p.add(Wash)
		}
	}
}

// never takes out what must not stand in the end, and leaves something to do.
func (p *plan) never() {
	if p.lowersOnDirt() {
		p.drop(MoveNozzle)
	}
	if len(p.actions) > 1 {
		p.drop(Leave)
	}
	for _, x := range []Action{Investigate, PrintCoupon, CheckFeed, Leave} {
		if len(p.actions) == 0 && !p.twice(x) {
			p.add(x)
		}
	}
}

// lowersOnDirt tells whether the nozzle would be moved down where dirt may be what
// keeps lines from gripping.
func (p *plan) lowersOnDirt() bool {
	if !p.moves || p.move.MoveMM >= 0 {
		return false
	}
	return p.cause == DirtyPlate || p.f.has("contamination") && !p.f.measured || slices.Contains(p.actions, Wash) || slices.Contains(p.actions, Wipe)
}

// coatDegreased asks for a release layer where the advice degreases a plate, or has a
// washed one fitted, on which the material would over-bond.
func (p *plan) coatDegreased() {
	degreases := func(x Action) bool { return x == Wash || x == Wipe || x == SwapPlate }
	if p.f.overBonds && !p.twice(Coat) && slices.ContainsFunc(p.actions, degreases) {
		p.add(Coat)
	}
}

func (p *plan) drop(a Action) {
	p.actions = slices.DeleteFunc(p.actions, func(x Action) bool { return x == a })
}

// gauged tells whether something was measured on the layer.
func (f *facts) gauged() bool { return len(f.c.Layer.Readings) > 0 || !math.IsNaN(f.feed) }

// repeat puts something else in the place of what was advised the last two times.
func (p *plan) repeat() {
	var kept, others []Action
	for _, x := range p.actions {
		if x == Leave || !p.twice(x) {
			kept = append(kept, x)
			continue
		}
		p.again = true
		other := instead[x]
		if x == MoveNozzle && !p.f.c.Context.fresh() {
			other = Probe
		}
		if !p.twice(other) {
			others = append(others, other)
		}
	}
	if !p.again {
		return
	}
	p.actions = kept
	p.add(others...)
}

// twice tells whether an action was advised the last two times that any was.
func (p *plan) twice(x Action) bool {
	n := 0
	for _, e := range slices.Backward(p.f.c.Context.Earlier) {
		if len(e.Advised) == 0 {
			continue
		}
		if !slices.Contains(e.Advised, x) {
			return false
		}
		if n++; n == 2 {
			return true
		}
	}
	return false
}

// step puts one action in words.
func (p *plan) step(x Action) Advice {
	f, c := p.f, p.f.c
	out := Advice{Action: x, MoveMM: math.NaN(), LowMM: math.NaN(), HighMM: math.NaN(), Safety: c.Farm.caution(x)}
	plate, printer := "the plate", "the printer"
	if c.Layer.Plate != "" {
		plate = "plate " + c.Layer.Plate
	}
	if c.Layer.Printer != "" {
		printer = c.Layer.Printer
	}
	step := or(c.ZStepMM, farm.DefaultZStepMM)
	switch x {
	case Leave:
		switch p.cause {
		case DirtyPlate:
			out.Do = "Leave it: the marks are cosmetic. Wash " + plate + " at its next turn."
		case NozzleLow:
			out.Do = "Leave it: slightly low harms little, and rough texture low down usually grows out within a few layers."
		default:
			out.Do = "Leave it."
		}
	case SwapPlate:
		out.Do = "Swap to a washed plate if one is at hand, then probe."
		if p.cause == PlateHeight {
			out.Do = "Swap to another plate on " + printer + ", then probe."
		}
	case Wipe:
		out.Do = "Wipe " + plate + " off the machine, or after cooling."
		if x := &c.Context; x.BedTempC <= 35 && x.MinutesSincePrint >= 30 && !c.Running {
			out.Do = "Wipe " + plate + " with a damp cloth, heaters off and doors open; best off the machine."
		}
	case Wash:
		out.Do = "Wash " + plate + " off the machine with water and dish soap, rinse hot, dry it, and do not touch its face."
	case Coat:
		on := plate
		if slices.Contains(p.actions, SwapPlate) {
			on = "a degreased plate"
		}
		out.Do = "Put a release layer on " + on + " before it is used bare with " + orWord(c.Layer.Material, "this material") + "."
	case Soak:
		out.Do = "Let the bed of " + printer + " rest at its temperature for 15 minutes before the next start."
	case Probe:
		out.Do = "Clean the tip and probe " + printer + " with the plate in place."
		if p.cause == BedShape && f.height == lowAndHigh {
			out.Do = "Probe " + printer + " again: high and low zones together are not the Z offset."
		}
	case Tram:
		out.Do = "Tram the bed of " + printer + ", then probe."
		if f.est != nil && f.leans {
			out.Do = "Tram the bed of " + printer + ": " + f.est.Gap.Lean(f.est.Grid()).Words() + ". Then probe."
		}
	case MoveNozzle:
		out.MoveMM, out.LowMM, out.HighMM = p.move.MoveMM, p.move.LowMM, p.move.HighMM
		out.Do = bed.MoveWords(p.move.MoveMM, step) + "."
		if slices.Contains(p.actions, Probe) {
			out.Do = "If it still shows after probing: n" + out.Do[1:]
		}
		if p.booked {
			out.Do = p.bookWords(plate) + out.Do
		}
		if p.move.Capped {
			out.Do += " More is needed: look again before the next move."
		}
	case CheckFeed:
		switch p.cause {
		case FeedHigh:
			out.Do = "Check the feed: flow setting, filament diameter and steps; weigh a patch again."
		case FeedLow:
			out.Do = "Check the feed: tip, drive and spool; weigh a patch again."
		case NoStart:
			out.Do = "Check spool, tangle and tip before the next start."
		default:
			out.Do = "Extrude in free air: bubbles there cannot be height, uneven flow is the feed."
		}
	case DryFilament:
		out.Do = "Extrude in free air; if it pops or bubbles there too, dry the spool."
	case TurnPlate:
		out.Do = "If it comes back, turn " + plate + " by 180° and look where it shows."
	case SetPlateAside:
		out.Do = "Set " + plate + " aside and look at its face and back."
	case PrintCoupon:
		out.Do = "Print a coupon and measure a single line in each zone."
	case Investigate:
		out.Do = p.investigate(plate, printer)
	}
	if p.again && (x == Investigate || x == SetPlateAside) {
		out.Do += " The last two times the usual advice was given and it came back."
	}
	return out
}

func (p *plan) investigate(plate, printer string) string {
	switch p.cause {
	case Striping:
		return "Look apart: drive gear, belt and spool drag of " + printer + "; a photo helps."
	case PlateHeight:
		return "Measure the thickness of " + plate + " in its corners and middle, and lay it on a flat face."
	case BedTemperature:
		return "Check the bed's temperature at the corners and keep draughts away."
	case LocalSpot:
		return "Look under " + plate + " and on it for debris" + p.where() + "."
	}
	if len(p.f.marks) == 0 && p.f.est == nil {
		return "Look again and mark what is seen, zone by zone."
	}
	return "Look at " + printer + " and " + plate + " together with somebody who knows them; take a photo."
}

// where names the zones of the first placed marks.
func (p *plan) where() string {
	var zones []string
	for _, m := range p.f.c.Layer.Marks {
		if placed[m.Mark] && m.Mark != "contamination" && !slices.Contains(zones, m.Zone.Text()) && len(zones) < 3 {
			zones = append(zones, m.Zone.Text())
		}
	}
	if len(zones) == 0 {
		return ""
	}
	return " at " + strings.Join(zones, ", ")
}

func orWord(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
