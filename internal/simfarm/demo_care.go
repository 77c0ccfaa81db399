package simfarm

import (
	"math"

	"basecourse/internal/farm"
)

// probing fills in the probes and says of some skipped ones why. Two kinds of
// printers keep no proper record: their starts say themselves whether they were
// probed.
func (d *demo) probing() {
	b, f, r := d.b, d.f, d.gen(5)
	kept, keptOf := b.Probes[:0], d.probeOf[:0]
	for k := range b.Probes {
		p, n := b.Probes[k], d.probeOf[k]
		recorded := b.Printers[f.starts[n].printer].ProbingRecorded
		if recorded == "none" || recorded == "some" && r.Float64() < 0.7 {
			continue
		}
		fit := d.fits[n]
		if f.starts[n].probePlate != f.starts[n].plate {
			fit = d.fitBefore(n)
		}
		p.PlateSide, p.PlateTurned = b.Fittings[fit].PlateSide, b.Fittings[fit].PlateTurned
		p.SoakMinutes = float64(5 * r.IntN(3))
		p.Person = d.names.people[f.starts[n].grader]
		switch u := r.Float64(); {
		case u < 0.06:
			p.Extent = "part"
			for h := range p.HeightsMM {
				if h%meshSide == 0 {
					p.HeightsMM[h] = math.NaN()
				}
			}
		case u < 0.9:
			p.Extent = "full"
		}
		if r.Float64() < 0.85 {
			p.InUse = "yes"
		}
		kept, keptOf = append(kept, p), append(keptOf, n)
	}
	b.Probes, d.probeOf = kept, keptOf
	for n := range f.starts {
		s := &f.starts[n]
		l := &b.FirstLayers[n]
		i := &b.Printers[s.printer]
		if i.ProbingRecorded != "all" {
			if r.Float64() < 0.85 {
				l.Probed = "no"
				if s.probed {
					l.Probed = "yes"
				}
			}
			continue
		}
		if s.k > 0 && !s.probed && r.Float64() < 0.3 {
			at := s.when(atProbe)
			reason := farm.SkipReasons[[...]int{0, 0, 0, 1, 1, 1, 2, 2, 4, 6}[r.IntN(10)]]
			if do, drawn := d.told[lotOf{n, "probe"}]; drawn && !do {
				reason = "drawn_by_lot"
			}
			b.ProbesSkipped = append(b.ProbesSkipped, farm.ProbeSkipped{ID: f.newID(at, f.drawOf(s), idSkip), Printer: l.Printer,
				At: instant(at), Reason: reason, Person: d.names.people[s.grader]})
		}
		if s.k%97 == 5 { // homed without a mesh: no probing
			at := s.when(atProbe) - minuteMicros/2
			b.Probes = append(b.Probes, farm.Probe{ID: f.newID(at, f.drawOf(s), idOther), Printer: l.Printer, ProbedAt: instant(at), Extent: "zero",
				BedTempC: feedstocks[s.material].bedTempC, SoakMinutes: farm.Unknown(), XMinMM: farm.Unknown(), XMaxMM: farm.Unknown(),
				YMinMM: farm.Unknown(), YMaxMM: farm.Unknown()})
			d.probeOf = append(d.probeOf, n)
		}
	}
}

// fitBefore is the fitting of a printer before that of a start.
func (d *demo) fitBefore(n int) int {
	for k := d.fits[n] - 1; k >= 0; k-- {
		if d.f.fittings[k].printer == d.f.starts[n].printer {
			return k
		}
	}
	return d.fits[n]
}

// plateCare says what cleanings were done with, which plates got a release
// layer, and where plates were when they lay on no printer.
func (d *demo) plateCare() {
	b, f, r := d.b, d.f, d.gen(6)
	state := func(plate string, at int64, code, who, why string) {
		b.PlateStates = append(b.PlateStates, farm.PlateState{ID: f.newID(at, draw(r.Uint64()), idOther), Plate: plate, At: instant(at), State: code, Person: who, Reason: why})
	}
	left := make([]int64, len(f.plates)) // when each plate's last print was started
	for n := range f.starts {
		s := &f.starts[n]
		who := d.names.people[s.grader]
		if s.swapped && s.method >= wash && s.cleanLogged && left[s.plate] > 0 {
			if at := s.when(atCleaning) - 18*minuteMicros; at > left[s.plate]+15*minuteMicros && r.Float64() < 0.6 {
				state(d.names.plates[s.plate], at, "in_wash", who, "")
				state(d.names.plates[s.plate], s.when(atCleaning)+minuteMicros/4, "in_use", who, "")
			}
		} else if s.swapped && left[s.plate] > 0 && s.at-left[s.plate] > 20*hourMicros && r.Float64() < 0.15 {
			state(d.names.plates[s.plate], left[s.plate]+3*hourMicros, "set_aside", d.onShift(left[s.plate], r), "to be looked at")
			state(d.names.plates[s.plate], s.at-20*minuteMicros, "in_use", who, "flat and clean, back to work")
		}
		left[s.plate] = s.at
		// A release layer for what over-bonds to smooth plates.
		if s.cleanLogged && feedstocks[s.material].overBond > 1 && f.plates[s.plate].surface != 0 && r.Float64() < 0.5 {
			at := s.when(atCleaning) + minuteMicros/3
			b.Cleanings = append(b.Cleanings, farm.Cleaning{ID: f.newID(at, f.drawOf(s), idOther), Plate: d.names.plates[s.plate], CleanedAt: instant(at),
				Method: "coat", PlateSide: "a", Agent: "glue_stick", Person: who})
			d.cleaningOf = append(d.cleaningOf, n)
		}
	}
	for k := range b.Cleanings {
		c, s := &b.Cleanings[k], &f.starts[d.cleaningOf[k]]
		if r.Float64() < 0.8 {
			c.PlateSide = "a"
		}
		if c.Method == "wipe" && r.Float64() < 0.08 {
			c.Agent = "dry"
		}
		if s.reactive && r.Float64() < 0.5 {
			c.Note = "after a failed layer"
		}
	}
	idle := d.now - 9*dayMicros
	state("L-229", idle, "set_aside", "marit", "deep scratch at the front edge")
	state("L-228", f.begin+33*dayMicros, "retired", "henrike", "lost its grip, film worn through")
	state("L-230", d.now-2*dayMicros, "in_use", "dawid", "new")
}

// troubles adds offset changes where the gap was seen to be off, and what was
// done at services.
func (d *demo) troubles() {
	b, f, r := d.b, d.f, d.gen(7)
	offset := make([]float64, len(f.printers))
	changed := make([]int64, len(f.printers))
	for i := range offset {
		offset[i] = math.Round(r.NormFloat64()*6) / 100
	}
	for n := range f.starts {
		s := &f.starts[n]
		off := float64(s.height)
		bold := 0.002
		if math.Abs(off) > 0.02 {
			bold = 0.04
		}
		if !s.graded || s.at-changed[s.printer] < 20*hourMicros || r.Float64() > bold {
			continue
		}
		to := math.Round((offset[s.printer]-off/2)*100) / 100
		if to == offset[s.printer] {
			to += 0.01 * float64(1-2*r.IntN(2))
		}
		to = math.Round(math.Max(-0.6, math.Min(0.6, to))*100) / 100
		at := s.gradedAt + 2*minuteMicros
		if at >= d.now {
			continue
		}
		reason := "lines do not touch"
		if off < 0 {
			reason = "over-squished"
		}
		b.OffsetChanges = append(b.OffsetChanges, farm.OffsetChange{ID: f.newID(at, f.drawOf(s), idOther+1), Printer: d.names.printers[s.printer],
			ChangedAt: instant(at), FromMM: offset[s.printer], ToMM: to, Person: d.names.people[s.grader], Reason: reason})
		offset[s.printer], changed[s.printer] = to, at
	}
	notes := map[string][]string{"nozzle": {"worn", "clogged", "routine change"}, "moved": {"moved to make room"}, "bed": {"springs seated", "magnet sheet replaced"}, "other": {"belt tightened", "fan replaced"}}
	for k := range b.Services {
		list := notes[b.Services[k].Work]
		b.Services[k].Note = list[r.IntN(len(list))]
	}
}
