package simfarm

import (
	"encoding/binary"

	"basecourse/internal/exposure"
)

// Columns is a farm as the findings read it, without any text.
type Columns struct {
	// History holds everything recorded; its Starts are in order of time.
	History exposure.History
	// Labels stand beside History.Starts.
	Labels []Label
	// Surface of each plate, an index into farm.Surfaces.
	Surface            []uint8
	Materials, Graders int // how many there are
	From, To           int64
}

// Label is what was recorded of a start beside its exposures. The grade, the
// marks and what failed are what its grader said; without a grade they are 0.
type Label struct {
	Graded, Shown bool
	Grade         uint8 // index into farm.Grades
	Material      uint8
	Grader        uint8
	// Severity is the highest of each mark, 0 for none, and Zones in how many
	// of the nine it was seen; in the order of farm.Marks.
	Severity [markKinds]uint8
	Zones    [markKinds]uint8
}

// recordID is a version 7 UUID made from the time and the stream of the start.
func (f *Farm) recordID(at int64, d draw, which uint64) (id [16]byte) {
	binary.BigEndian.PutUint64(id[:8], uint64(at/1000)<<16|0x7000|mix(uint64(d)+which)&0xfff)
	binary.BigEndian.PutUint64(id[8:], 0x8000000000000000|mix(uint64(d)^mix(which))>>2)
	return id
}

// draw of a start, for what decides nothing about its layer.
func (f *Farm) drawOf(s *start) draw { return newDraw(f.Seed, 0, uint64(s.printer), uint64(s.k)) }

// Which record of a start an id belongs to.
const (
	idFirstLayer = 1 + iota
	idProbe
	idCleaning
	idFitting
	idService
	idSkip
	idVoided
	idOther
)

// Columns gives what was recorded.
func (f *Farm) Columns() *Columns {
	sc := &f.Scenario
	c := &Columns{Labels: make([]Label, len(f.starts)), Surface: make([]uint8, len(f.plates)),
		Materials: len(feedstocks), Graders: len(f.graders), From: f.begin, To: f.end}
	h := &c.History
	h.RecordsAll = make([]bool, len(f.printers))
	for i := range h.RecordsAll {
		h.RecordsAll[i] = true
	}
	h.Plates = len(f.plates)
	h.StartWindow = 45 * minuteMicros
	for j := range f.plates {
		c.Surface[j] = f.plates[j].surface
	}
	h.Starts = make([]exposure.Start, len(f.starts))
	for n := range f.starts {
		s := &f.starts[n]
		d := f.drawOf(s)
		e := &h.Starts[n]
		*e = exposure.Start{ID: f.recordID(s.at, d, idFirstLayer), At: s.at, Printer: s.printer, Plate: s.plate}
		if s.graded {
			e.GradedAt, e.Failed = s.gradedAt, s.failed
		}
		if s.probeLogged {
			at := s.when(atProbe)
			h.Probes = append(h.Probes, exposure.Probe{ID: f.recordID(at, d, idProbe), At: at, Printer: s.printer, Plate: s.probePlate, Ends: true})
		}
		if s.cleanLogged {
			h.Cleanings = append(h.Cleanings, exposure.Cleaning{At: s.when(atCleaning), Plate: s.plate, Clears: true, Washes: s.method != wipe})
		}
		if s.service {
			h.Services = append(h.Services, exposure.Service{At: s.when(atService), Printer: s.printer})
		}
		l := &c.Labels[n]
		*l = Label{Graded: s.graded, Shown: s.shown, Material: s.material, Grader: s.grader}
		if !s.graded {
			continue
		}
		l.Grade = s.grade
		if s.grade == gradeClean {
			continue
		}
		seen := f.marks(s)
		for m := range seen {
			for _, severity := range seen[m] {
				if severity > 0 {
					l.Zones[m]++
					l.Severity[m] = max(l.Severity[m], severity)
				}
			}
		}
	}
	if sc.FittingsRecorded {
		for _, x := range f.fittings {
			h.Fittings = append(h.Fittings, exposure.Fitting{At: x.at, Removed: x.removed, Plate: x.plate, Printer: x.printer})
		}
	}
	return c
}

// Starts is how many starts happened, Graded how many were graded and Failures
// how many of these were failures.
func (f *Farm) Starts() (starts, graded, failures int) {
	for n := range f.starts {
		if f.starts[n].graded {
			graded++
			if f.starts[n].failed {
				failures++
			}
		}
	}
	return len(f.starts), graded, failures
}
