package simfarm

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"basecourse/internal/farm"

	"github.com/gofrs/uuid/v5"
)

// Bundle gives what was recorded as a whole farm, the way the CSV bundle holds
// it: printers P-001.., plates L-001.., meshes with their probes.
func (f *Farm) Bundle() *farm.Bundle {
	return f.write(f.plainNames()).b
}

// names are the texts that stand for the farm's numbers.
type names struct {
	printers, plates, people []string
	bays                     []string
}

func (f *Farm) plainNames() names {
	var n names
	for i := range f.printers {
		n.printers = append(n.printers, fmt.Sprintf("P-%03d", i+1))
	}
	for j := range f.plates {
		n.plates = append(n.plates, fmt.Sprintf("L-%03d", j+1))
	}
	for g := range f.graders {
		n.people = append(n.people, fmt.Sprintf("%s-%d", [...]string{"early", "late", "night"}[f.graders[g].shift], g%f.Scenario.GradersPerShift+1))
	}
	for b := range f.Scenario.Bays {
		n.bays = append(n.bays, fmt.Sprintf("Bay %d", b+1))
	}
	return n
}

// written is a bundle with the starts its records belong to: first layer n is
// that of start n.
type written struct {
	b                            *farm.Bundle
	probeOf, cleaningOf, serveOf []int
}

func instant(micros int64) time.Time { return time.UnixMicro(micros).UTC() }

func (f *Farm) newID(at int64, d draw, which uint64) farm.ID {
	return farm.ID{UUID: uuid.UUID(f.recordID(at, d, which))}
}

// beds are the bed sizes of the bays, mm, in turn.
var beds = [...]float64{220, 250, 300, 220, 350}

// write turns what happened into records.
func (f *Farm) write(n names) written {
	w := written{b: &farm.Bundle{}}
	b := w.b
	for i := range f.printers {
		p := &f.printers[i]
		bed := beds[p.bay%len(beds)]
		zero := "plate"
		if p.frame {
			zero = "frame"
		}
		b.Printers = append(b.Printers, farm.Printer{Tag: n.printers[i], Name: "Printer " + n.printers[i][2:], Bay: n.bays[p.bay],
			BedXMM: bed, BedYMM: bed, ZoneCols: zoneCols, ZoneRows: zones / zoneCols, ZStepMM: 0.01, ZeroFrom: zero, ProbingRecorded: "all"})
	}
	for j := range f.plates {
		bed := beds[f.plates[j].bay%len(beds)]
		b.Plates = append(b.Plates, farm.Plate{Tag: n.plates[j], Surface: farm.Surfaces[f.plates[j].surface], SizeXMM: bed, SizeYMM: bed})
	}
	for _, m := range feedstocks {
		b.Materials = append(b.Materials, farm.Material{Name: m.name, Polymer: m.polymer, BedTempC: m.bedTempC})
	}
	for _, p := range n.people {
		b.People = append(b.People, farm.Person{Handle: p, Name: p, Role: "operator"})
	}
	mesh := f.newMeshes()
	b.FirstLayers = make([]farm.FirstLayer, 0, len(f.starts))
	for k := range f.starts {
		s := &f.starts[k]
		d := f.drawOf(s)
		b.FirstLayers = append(b.FirstLayers, f.firstLayer(s, d, n))
		heights := mesh.step(s)
		who := n.people[s.grader]
		if s.probeLogged {
			bed := beds[f.printers[s.printer].bay%len(beds)]
			at := s.when(atProbe)
			w.probeOf = append(w.probeOf, k)
			b.Probes = append(b.Probes, farm.Probe{ID: f.newID(at, d, idProbe), Printer: n.printers[s.printer], ProbedAt: instant(at),
				Plate: n.plates[s.probePlate], BedTempC: feedstocks[s.material].bedTempC, SoakMinutes: farm.Unknown(),
				XMinMM: 15, XMaxMM: bed - 15, YMinMM: 15, YMaxMM: bed - 15, Columns: meshSide, Rows: meshSide, HeightsMM: heights})
		}
		if s.cleanLogged {
			at := s.when(atCleaning)
			w.cleaningOf = append(w.cleaningOf, k)
			agent := [...]string{wipe: "ipa", wash: "dish_soap", deep: "soap_and_pad"}[s.method]
			b.Cleanings = append(b.Cleanings, farm.Cleaning{ID: f.newID(at, d, idCleaning), Plate: n.plates[s.plate], CleanedAt: instant(at),
				Method: farm.Methods[s.method-1], Agent: agent, Person: who})
		}
		if s.service {
			at := s.when(atService)
			w.serveOf = append(w.serveOf, k)
			work := farm.Works[[...]int{0, 0, 0, 2, 2, 1, 3}[d.bits(forServiceNow+1)%7]]
			b.Services = append(b.Services, farm.Service{ID: f.newID(at, d, idService), Printer: n.printers[s.printer], DoneAt: instant(at), Work: work, Person: who})
		}
	}
	if f.Scenario.FittingsRecorded {
		f.writeFittings(b, n)
	}
	return w
}

// writeFittings says where the plates lay; a plate leaves a printer before it
// lies on the next.
func (f *Farm) writeFittings(b *farm.Bundle, n names) {
	last := make([]int, len(f.plates))
	for j := range last {
		last[j] = -1
	}
	for k := range f.fittings {
		x := f.fittings[k]
		r := farm.Fitting{ID: f.newID(x.at, newDraw(f.Seed, 0, uint64(x.printer), uint64(x.at)), idFitting), Plate: n.plates[x.plate],
			Printer: n.printers[x.printer], FittedAt: instant(x.at)}
		if x.removed > 0 {
			r.RemovedAt = instant(max(x.at, x.removed))
		}
		if l := last[x.plate]; l >= 0 && (b.Fittings[l].RemovedAt.IsZero() || b.Fittings[l].RemovedAt.After(r.FittedAt)) {
			b.Fittings[l].RemovedAt = r.FittedAt
		}
		last[x.plate] = len(b.Fittings)
		b.Fittings = append(b.Fittings, r)
	}
}

func (f *Farm) firstLayer(s *start, d draw, n names) farm.FirstLayer {
	r := farm.FirstLayer{ID: f.newID(s.at, d, idFirstLayer), Printer: n.printers[s.printer], Plate: n.plates[s.plate], StartedAt: instant(s.at),
		Material: feedstocks[s.material].name, NozzleMM: 0.4, LayerHeightMM: f.Scenario.LayerHeightMM, LineWidthMM: f.Scenario.LineWidthMM,
		LinePitchMM: farm.Unknown(), NudgeMM: farm.Unknown(), LookChance: farm.Unknown()}
	if !s.graded {
		return r
	}
	r.Grade, r.Grader, r.GradedAt = farm.Grades[s.grade], n.people[s.grader], instant(s.gradedAt)
	r.Underside = "hidden"
	if s.shown {
		r.Underside = "shown"
	}
	if s.grade != gradeClean {
		seen := f.marks(s)
		for z := range zones {
			for m := range seen {
				if v := seen[m][z]; v > 0 {
					r.Marks = append(r.Marks, farm.Mark{Zone: farm.Zone{Col: uint8(z % zoneCols), Row: uint8(z / zoneCols)}, Mark: farm.Marks[m], Severity: v})
				}
			}
		}
	}
	return r
}

const meshSide = 5

// meshes follows what probing sees: each bed's own shape, and how the zero and
// tilt that the printer believed in had moved since it was last probed.
type meshes struct {
	f     *Farm
	world *world
	shape [][3]float64 // bow, twist, lean of each bed, mm at the edge
	moved [][3]float64 // zero, tilt x, tilt y found so far, mm
}

func (f *Farm) newMeshes() *meshes {
	m := &meshes{f: f, world: f.newWorld(0), shape: make([][3]float64, len(f.printers)), moved: make([][3]float64, len(f.printers))}
	r := rand.New(rand.NewPCG(f.Seed, mix(61)))
	for i := range m.shape {
		m.shape[i] = [3]float64{0.06 * r.NormFloat64(), 0.04 * r.NormFloat64(), 0.05 * r.NormFloat64()}
	}
	return m
}

// step goes one start on and returns the mesh if its printer was probed for it:
// bed surface against the printer's zero, mm, row-major from the front left.
func (m *meshes) step(s *start) []float64 {
	r := m.world.step(s)
	if !s.probed {
		return nil
	}
	moved, shape := &m.moved[s.printer], &m.shape[s.printer]
	for k := range moved {
		// A gap found too wide means a bed lower than believed. Crews tram beds
		// that have gone far, so nothing runs away.
		moved[k] = 0.97*moved[k] - r.found[k]
	}
	heights := make([]float64, 0, meshSide*meshSide)
	d := dice(m.f.drawOf(s).bits(forMarks + 2))
	for row := range meshSide {
		for col := range meshSide {
			x, y := float64(col)/2-1, float64(row)/2-1
			h := shape[0]*(x*x+y*y-1) + shape[1]*x*y + shape[2]*(x-y)/2
			h += moved[0] + moved[1]*x + moved[2]*y
			h += 0.008 * (d.u() + d.u() + d.u() - 1.5) // the probe's repeatability
			heights = append(heights, math.Round(h*1e4)/1e4)
		}
	}
	return heights
}
