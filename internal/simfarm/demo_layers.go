package simfarm

import (
	"fmt"
	"math"
	"math/rand/v2"

	"basecourse/internal/farm"
)

// layers fills in what the crew noted with its first layers: how each lay, what
// was done about it, readings, and what became of it.
func (d *demo) layers() {
	f, r := d.f, d.gen(4)
	d.next = make([]int, len(f.starts))
	d.fits = make([]int, len(f.starts))
	after := make([]int, len(f.printers))
	for i := range after {
		after[i] = -1
	}
	for n := len(f.starts) - 1; n >= 0; n-- {
		i := f.starts[n].printer
		d.next[n], after[i] = after[i], n
	}
	// Fittings are in order of time for each printer; a start with a swap
	// begins the next one.
	queue := make([][]int, len(f.printers))
	for k := range f.fittings {
		queue[f.fittings[k].printer] = append(queue[f.fittings[k].printer], k)
	}
	for n := range f.starts {
		s := &f.starts[n]
		if s.swapped {
			queue[s.printer] = queue[s.printer][1:]
		}
		d.fits[n] = queue[s.printer][0]
	}
	for k := range d.b.Fittings {
		x := &d.b.Fittings[k]
		x.PlateSide, x.PlateTurned = "a", "no"
		if r.Float64() < 0.06 {
			x.PlateTurned = "yes"
		}
		x.Person = d.onShift(f.fittings[k].at, r)
	}
	lots := make([]int, len(feedstocks))
	for n := range f.starts {
		s := &f.starts[n]
		l := &d.b.FirstLayers[n]
		if r.Float64() < 1.0/400 {
			lots[s.material]++
		}
		if r.Float64() < 0.9 {
			l.Lot = fmt.Sprintf("%s-%03d", feedstocks[s.material].name, 118+7*lots[s.material]+int(s.material))
		}
		fit := &d.b.Fittings[d.fits[n]]
		l.PlateSide, l.PlateTurned = fit.PlateSide, fit.PlateTurned
		if r.Float64() < 0.01 {
			l.Plate = "" // nobody said; it is the one fitted
		}
		if sent(s.printer) {
			// Sent when all was ready but the probing.
			l.StartIs = "sent"
			l.StartedAt = instant(s.at - int64(0.4*float64(s.prep)*float64(minuteMicros)))
		}
		d.outcome(n, r)
		if s.graded {
			d.noted(n, r)
		}
	}
}

// sent tells which printers only say when a job was sent.
func sent(printer int32) bool { return printer >= 48 && printer < 52 }

// onShift draws one of the people whose turn it is.
func (d *demo) onShift(at int64, r *rand.Rand) string {
	shift := int((d.f.turn(at) + 2) % 3)
	return d.names.people[shift*d.f.Scenario.GradersPerShift+r.IntN(d.f.Scenario.GradersPerShift)]
}

// outcome says what became of a print, where that is known by now.
func (d *demo) outcome(n int, r *rand.Rand) {
	s := &d.f.starts[n]
	l := &d.b.FirstLayers[n]
	u := r.Float64()
	if s.grade == gradeFailed && s.at < d.now-20*minuteMicros {
		switch {
		case d.next[n] >= 0 && d.f.starts[d.next[n]].restart:
			l.Outcome = "restarted"
		case u < 0.6:
			l.Outcome = "stopped"
		default:
			l.Outcome = "scrapped"
		}
		if s.graded {
			l.Decision = "stopped"
		} else if u < 0.3 {
			l.Outcome = ""
		}
		return
	}
	if d.next[n] < 0 || r.Float64() < 0.2 {
		return // still running, or nobody said
	}
	switch bad := s.grade == gradeMarginal; {
	case bad && u < 0.12:
		l.Outcome = "detached"
	case bad && u < 0.2:
		l.Outcome = "scrapped"
	case u < 0.004:
		l.Outcome = "detached"
	default:
		l.Outcome = "finished"
	}
}

// noted fills in what a grader noted beside grade and marks.
func (d *demo) noted(n int, r *rand.Rand) {
	s := &d.f.starts[n]
	l := &d.b.FirstLayers[n]
	l.SeenFrom = "above_printing"
	if s.shown && r.Float64() < 0.5 {
		l.SeenFrom = "underside"
	}
	if off := float64(s.height); math.Abs(off) > 0.017 && s.grade != gradeFailed && r.Float64() < 0.45 {
		l.Decision = "nudged"
		l.NudgeMM = math.Round(math.Max(-0.08, math.Min(0.08, -off))*100) / 100
	} else if s.grade == gradeMarginal || s.grade == gradeCosmetic && r.Float64() < 0.3 {
		l.Decision = "let_run"
	}
	switch u := r.Float64(); {
	case u < 0.04:
		l.LookedBecause, l.LookChance = "lot", 0.2
	case u < 0.09:
		l.LookedBecause = "risk"
	case u < 0.10:
		l.LookedBecause = "asked"
	case s.grade >= gradeMarginal && u < 0.3:
		l.LookedBecause = "looked_bad"
	case u < 0.9:
		l.LookedBecause = "round"
	}
	if len(l.Marks) > 0 && r.Float64() < 0.02 {
		l.Note = demoNotes[r.IntN(len(demoNotes))]
	}
	if r.Float64() < 0.07 {
		d.covered(l, r)
	}
	if s.grade != gradeFailed && r.Float64() < 0.04 && l.Covered == nil {
		d.readings(s, l, r)
	}
}

var demoNotes = []string{"same corner as yesterday", "plate felt greasy", "edge line came up by itself", "looks like the last one on this plate",
	"asked Henrike to look", "brushed the tip before starting again", "door was open", "new spool, first print", "a bit proud at the front"}

// covered leaves out a column or a row of the bed, never one with a mark.
func (d *demo) covered(l *farm.FirstLayer, r *rand.Rand) {
	byRow, edge := r.IntN(2) == 0, uint8(2*r.IntN(2))
	at := func(z farm.Zone) uint8 {
		if byRow {
			return z.Row
		}
		return z.Col
	}
	for _, m := range l.Marks {
		if at(m.Zone) == edge {
			return
		}
	}
	for z := range uint8(zones) {
		if zone := (farm.Zone{Col: z % zoneCols, Row: z / zoneCols}); at(zone) != edge {
			l.Covered = append(l.Covered, zone)
		}
	}
}

// readings measures a peeled layer in every zone: single lines follow the gap,
// a solid patch stays near nominal when the nozzle is low.
func (d *demo) readings(s *start, l *farm.FirstLayer, r *rand.Rand) {
	l.SeenFrom = "above_done"
	l.Instrument = "MIC-1"
	noise, step := 0.003, 1000.0
	switch u := r.Float64(); {
	case u < 0.35:
		l.Instrument, noise = "MIC-2", 0.004
	case u < 0.42:
		l.Instrument, noise, step = "CAL-1", 0.015, 100
	}
	patch := r.Float64() < 0.15
	for z := range zones {
		gap := d.f.band.aim + float64(s.height) + float64(s.tiltX)*float64(z%zoneCols-1) + float64(s.tiltY)*float64(z/zoneCols-1)
		if patch {
			gap = math.Max(gap, 0.195)
		}
		mm := math.Round(math.Max(0.06, math.Min(0.33, gap+noise*r.NormFloat64()))*step) / step
		l.Readings = append(l.Readings, farm.Reading{Zone: farm.Zone{Col: uint8(z % zoneCols), Row: uint8(z / zoneCols)}, MM: mm, Patch: patch})
	}
}
