package simfarm

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"time"
	_ "time/tzdata" // the shop's zone must be known on any machine

	"basecourse/internal/farm"
)

// The demo's shop prints for gardens, beekeepers, shop fitters and small makers
// in Aldervik, a town that does not exist. Its zone has no summer time, so that
// shifts begin at the same hour all year.
const (
	demoZone     = "Africa/Johannesburg"
	demoDays     = 70
	demoPrinters = 60
	demoPlates   = 126 // in use; a few more were retired, are set aside or new
)

// Demo invents the farm that the demo shows: 60 printers and 130 plates over
// the ten weeks that end at the given moment, with records of all kinds. The
// same moment and seed give the same bundle.
func Demo(today time.Time, seed uint64) *farm.Bundle {
	b, _ := DemoWithTruth(today, seed)
	return b
}

// DemoWithTruth gives the demo's bundle and the farm behind it, whose Truth and
// Oracle are over the printers P-001.. and the plates L-101.. in that order.
func DemoWithTruth(today time.Time, seed uint64) (*farm.Bundle, *Farm) {
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		zone = time.FixedZone(demoZone, 2*3600)
	}
	now := today.Truncate(time.Minute)
	local := now.In(zone)
	first := time.Date(local.Year(), local.Month(), local.Day()-demoDays, 0, 0, 0, 0, zone)
	f := newFarm(demoScenario(first), seed)
	f.demoTraits()
	f.happen()
	d := &demo{f: f, now: now.UnixMicro(), names: f.demoNames()}
	d.interrupt()
	d.looks()
	d.written = f.write(d.names)
	d.things()
	d.jobs()
	d.layers()
	d.listed()
	d.lots()
	d.probing()
	d.plateCare()
	d.troubles()
	d.holds()
	d.arrivals()
	d.mistakes()
	d.disagreements()
	d.cases()
	d.judged()
	d.tasksSkipped()
	d.advices()
	d.policies()
	d.regrades()
	d.sort()
	return d.b, f
}

// demo is the work of turning a farm into the shop's records.
type demo struct {
	written
	f     *Farm
	now   int64
	names names
	next  []int // index of the next start of the same printer, -1 none
	fits  []int // index of the fitting each start was made on
	list  map[int]looked
	told  map[lotOf]bool // what a lot said before a start: whether to do it
	tests []*demoTest
}

func (d *demo) gen(trait uint64) *rand.Rand { return rand.New(rand.NewPCG(d.f.Seed, mix(1000+trait))) }

func demoScenario(first time.Time) Scenario {
	s := Default()
	s.Name, s.About = "demo", "an invented shop"
	s.Start, s.Days = first, demoDays+1
	s.Printers, s.Plates, s.Bays = demoPrinters, demoPlates, 5
	s.StartsLow, s.StartsMax = 9, 14
	s.GradersPerShift = 3
	s.Coverage, s.ShownShare = 0.9, 0.14
	s.BaseRisk, s.RoughMean, s.WornMean, s.MaterialRisk = 0.005, 0.006, 0.004, 0.009
	s.NightStrict, s.NightSkip, s.NightClean = 0.35, 0.9, 0.7
	s.HardSkip = 0.8
	s.Reactive = 0.6
	s.PrinterBurst, s.PlateBurst = 0.002, 0.002
	s.ColdFrom, s.ColdDays, s.ColdRisk, s.ColdBays, s.ColdSkip, s.ColdClean = 31, 8, 0.05, 0.4, 0.5, 0.7
	s.OilForm = OilSaturating
	s.JumpChance = 0.09
	s.UnloggedProbes, s.UnloggedCleanings = 0.02, 0.03
	s.FittingsRecorded = true
	return s
}

// demoTraits sets who has what, so that the demo always has clear findings and
// clear decoys. Numbers are positions: printer 14 is P-014, plate 14 is L-114.
func (f *Farm) demoTraits() {
	printer := func(n int) *printer { return &f.printers[n-1] }
	plate := func(n int) *plate { return &f.plates[n-1] }
	// True: the zero wanders or jumps, and probing is skipped often enough.
	for n, mm := range map[int]float64{14: 0.022, 23: 0.018, 47: 0.020} {
		printer(n).wander, printer(n).skip = mm, logit(0.28)
	}
	printer(38).jump, printer(38).skip = 0.10, logit(0.4)
	// True: plates that take oil badly, and two printers whose beds run cold.
	for n, risk := range map[int]float64{3: 0.30, 33: 0.20, 62: 0.24, 88: 0.18} {
		plate(n).oil, plate(n).habit = risk, 13
	}
	for n, risk := range map[int]float64{19: 0.11, 42: 0.13} {
		printer(n).oil = risk
	}
	// Decoys: rough printers that are probed least of all, worn plates that
	// are cleaned least, a row of hard materials that skips more.
	for n, risk := range map[int]float64{8: 0.09, 27: 0.07, 53: 0.06} {
		printer(n).extra, printer(n).skip = risk, logit(0.45)
	}
	for n, risk := range map[int]float64{17: 0.14, 70: 0.11, 101: 0.09} {
		plate(n).extra, plate(n).habit = risk, 17
	}
	for n := 37; n <= 48; n++ {
		if n%3 == 0 {
			printer(n).material = 4 // the hardest
		} else if n%3 == 1 && printer(n).material == 0 {
			printer(n).material = 2
		}
	}
	// The reverse: a probe that leaves a blob, plates that over-bond when fresh.
	printer(35).tip, printer(35).skip = 0.07, logit(0.4)
	for _, n := range []int{45, 96} {
		plate(n).surface, plate(n).over = 1, 0.35
	}
	printer(22).material, printer(46).material = 1, 1
}

// interrupt ends the farm at the given moment, takes the graders away on some
// nights, and stops the one printer that is still on hold.
func (d *demo) interrupt() {
	f, r := d.f, d.gen(1)
	stopped := d.now - 31*hourMicros
	gone := func(printer int32, at int64) bool {
		return at > d.now || printer == heldPrinter-1 && at > stopped
	}
	f.starts = slices.DeleteFunc(f.starts, func(s start) bool { return gone(s.printer, s.at) })
	f.fittings = slices.DeleteFunc(f.fittings, func(x fitting) bool { return gone(x.printer, x.at) })
	for n := range f.fittings {
		if x := &f.fittings[n]; gone(x.printer, x.removed) {
			x.removed = 0
		}
	}
	// Nights on which nobody graded: turns count from the first night, 0.
	alone := map[int64]bool{}
	for range 6 {
		alone[3*r.Int64N(demoDays)] = true
	}
	for n := range f.starts {
		s := &f.starts[n]
		thin := s.shift == night && r.Float64() < 0.25
		if s.graded && (thin || alone[f.turn(s.at)] || s.gradedAt > d.now) {
			s.graded = false
		}
	}
}

// heldPrinter is the number of the printer on hold at the end.
const heldPrinter = 53

// sort puts every list in order of time, then id.
func (d *demo) sort() {
	b := d.b
	byTime(b.FirstLayers, func(r *farm.FirstLayer) (time.Time, farm.ID) { return r.StartedAt, r.ID })
	byTime(b.Cleanings, func(r *farm.Cleaning) (time.Time, farm.ID) { return r.CleanedAt, r.ID })
	byTime(b.Probes, func(r *farm.Probe) (time.Time, farm.ID) { return r.ProbedAt, r.ID })
	byTime(b.ProbesSkipped, func(r *farm.ProbeSkipped) (time.Time, farm.ID) { return r.At, r.ID })
	byTime(b.OffsetChanges, func(r *farm.OffsetChange) (time.Time, farm.ID) { return r.ChangedAt, r.ID })
	byTime(b.Services, func(r *farm.Service) (time.Time, farm.ID) { return r.DoneAt, r.ID })
	byTime(b.Fittings, func(r *farm.Fitting) (time.Time, farm.ID) { return r.FittedAt, r.ID })
	byTime(b.PlateStates, func(r *farm.PlateState) (time.Time, farm.ID) { return r.At, r.ID })
	byTime(b.Holds, func(r *farm.Hold) (time.Time, farm.ID) { return r.PlacedAt, r.ID })
	byTime(b.Disagreements, func(r *farm.Disagreement) (time.Time, farm.ID) { return r.At, r.ID })
	byTime(b.CaseSteps, func(r *farm.CaseStep) (time.Time, farm.ID) { return r.At, r.ID })
	byTime(b.PlannedTests, func(r *farm.PlannedTest) (time.Time, farm.ID) { return r.BeginsAt, r.ID })
	byTime(b.Policies, func(r *farm.Policy) (time.Time, farm.ID) { return r.InForceFrom, r.ID })
	byTime(b.Draws, func(r *farm.Draw) (time.Time, farm.ID) { return r.DrawnAt, r.ID })
	byTime(b.AdviceDone, func(r *farm.AdviceDone) (time.Time, farm.ID) { return r.At, r.ID })
}

// byTime sorts small keys and moves each record once.
func byTime[T any](list []T, key func(*T) (time.Time, farm.ID)) {
	type place struct {
		at int64
		id farm.ID
		n  int
	}
	places := make([]place, len(list))
	for n := range list {
		at, id := key(&list[n])
		places[n] = place{at.UnixMicro(), id, n}
	}
	slices.SortFunc(places, func(a, b place) int {
		return cmp.Or(cmp.Compare(a.at, b.at), slices.Compare(a.id.UUID[:], b.id.UUID[:]))
	})
	was := slices.Clone(list)
	for n := range places {
		list[n] = was[places[n].n]
	}
}
