package firstlayer

import (
	"math"
	"slices"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
)

// holds is the chance that a layer that shows a mark in most zones holds when it
// is let run, by severity (common practice, no source; priors for what a farm
// learns, worth holdsWorth layers each).
var holds = map[string][3]float64{
	"nozzle_low": {0.97, 0.93, 0.80}, "nozzle_high": {0.88, 0.65, 0.30}, "blobs": {0.80, 0.55, 0.25}, "dragged": {0.75, 0.45, 0.15}, "contamination": {0.95, 0.85, 0.60},
	"lifting": {0.70, 0.40, 0.15}, "no_start": {0.50, 0.25, 0.10}, "under_fed": {0.88, 0.65, 0.35}, "over_fed": {0.95, 0.88, 0.65}, "striping": {0.97, 0.93, 0.85},
	"moisture": {0.92, 0.80, 0.60}, "plate_mark": {0.95, 0.88, 0.75}, "debris": {0.85, 0.65, 0.40}, "other": {0.85, 0.65, 0.45},
}

const holdsWorth = 4

// lateLoss is what a print lost later costs against stopping it now (common
// practice, no source).
const lateLoss = 3.0

// holdChance is the chance that the layer holds, from its worst mark; a mark in
// few zones counts less. With it, wide, come its ends: two standard deviations of
// what so few layers can tell.
func holdChance(f *facts) (p, low, high float64) {
	p, worth := 0.99, 50.0
	for _, mark := range farm.Marks {
		s, ok := f.marks[mark]
		if !ok || s.worst < 1 {
			continue
		}
		prior := holds[mark][min(3, s.worst)-1]
		held, lost := holdsWorth*prior, holdsWorth*(1-prior)
		// Counts are of layers that somebody looked at and let run; of one that nobody
		// graded yet they promise too much.
		for _, h := range f.c.Farm.Held {
			if f.c.Layer.Grade != "" && h.Mark == mark && h.Severity == s.worst {
				held, lost = held+float64(max(0, h.Held)), lost+float64(max(0, h.Lost))
			}
		}
		one := 1 - lost/(held+lost)*(0.6+0.4*min(1, 1.5*f.share(mark)))
		if one < p {
			p, worth = one, held+lost
		}
	}
	sd := math.Sqrt(p * (1 - p) / (worth + 1))
	return p, max(0, p-2*sd), min(1, p+2*sd)
}

// nudgeChance is the chance that the layer holds when it is nudged up (up > 0) or
// down: halfway between p and certain before a farm's nudges tell (common practice,
// no source).
func nudgeChance(f *facts, p, up float64) float64 {
	mark := "nozzle_low"
	if up < 0 {
		mark = "nozzle_high"
	}
	prior := (1 + p) / 2
	held, lost := holdsWorth*prior, holdsWorth*(1-prior)
	for _, h := range f.c.Farm.Held {
		if f.c.Layer.Grade != "" && h.Mark == mark && h.Severity == f.marks[mark].worst { // as in holdChance
			held, lost = held+float64(max(0, h.NudgedHeld)), lost+float64(max(0, h.NudgedLost))
		}
	}
	return held / (held + lost)
}

// now says what to do about the layer that prints; then is what is advised for
// the next one.
func now(f *facts, a *Answer, then []Action) Advice {
	c := f.c
	p, _, _ := holdChance(f)
	a.Holds = holdWords(p)
	x := Advice{MoveMM: math.NaN(), LowMM: math.NaN(), HighMM: math.NaN()}
	loss := c.Farm.LateLoss
	if !(loss > 0) {
		loss = lateLoss
	}
	up := 0.0
	if top := a.Causes[0]; top.Chance >= nameAt && f.worst < 3 {
		switch top.Cause {
		case NozzleLow:
			up = 1
		case NozzleHigh:
			up = -1
		}
	}
	// Never down where dirt may be what keeps it from gripping, or where the
	// material over-bonds; neither way where zones disagree.
	if up < 0 && (f.has("contamination") || slices.Contains(then, Wash) || slices.Contains(then, Wipe) || f.overBonds && !f.measured) || f.height == lowAndHigh {
		up = 0
	}
	nudged := nudgeChance(f, p, up)
	if nudged < p { // this farm's nudges did more harm than good
		up = 0
	}
	refused := shown(c) && f.worst >= 2 && (f.height != plain || f.has("contamination"))
	why := " What would be lost later is more than a new start costs."
	switch {
	case c.Layer.Grade == "failed" || f.has("no_start") || (1-p)*loss > 1 && (up == 0 || nudged < 0.7):
		x.Action, x.Do = Stop, "Stop this print. "+holdWords(p)+why
		if c.Layer.Grade == "failed" {
			x.Do = "Stop this print. It is graded failed."
		}
	case up != 0 && (f.worst >= 2 || (1-p)*loss > 0.5):
		step := or(c.ZStepMM, farm.DefaultZStepMM)
		x.Action, x.MoveMM = Nudge, up*step
		x.LowMM, x.HighMM = x.MoveMM, x.MoveMM
		x.Do = "Nudge one step: n" + bed.MoveWords(x.MoveMM, step)[1:] + ". Look again after the next lines."
	case refused:
		x.Action, x.Do = LetRun, "Let it run. "+holdWords(p)+" Its underside shows: have it looked at before it ships."
	default:
		x.Action, x.Do = LetRun, "Let it run. "+holdWords(p)
	}
	x.Safety = c.Farm.caution(x.Action)
	return x
}

func holdWords(p float64) string {
	switch {
	case p >= 0.8:
		return "It likely holds."
	case p >= 0.5:
		return "It may hold."
	}
	return "It likely does not hold."
}

func shown(c *Case) bool {
	return c.Context.Underside == "shown" || c.Context.Underside == "" && c.Layer.Underside == "shown"
}
