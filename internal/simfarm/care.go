package simfarm

// Crew decides what is done before each start, in place of the farm's habit.
// Whatever it decides, who starts what when, which plate is taken, what wanders,
// builds up and fails is drawn from the same numbers.
type Crew interface {
	// Decide says whether to probe and how to clean before a start: 0 not at all,
	// or the index into farm.Methods plus 1.
	Decide(p *Prep) (probe bool, clean uint8)
	// Saw is told of every start, those before the crew took over too.
	Saw(s *Seen)
}

// Prep is what is known before a start; Farm.Risk also knows what nobody sees.
type Prep struct {
	At                int64 // microseconds since 1970
	Printer, Plate    int32
	Material, Grader  uint8
	Shown             bool // the underside shows
	Swapped, Serviced bool
	K                 int32 // which start of its printer, from 0
	run               *run
	start             *start
}

// Seen is what is recorded of a start.
type Seen struct {
	At, GradedAt     int64
	Printer, Plate   int32
	ProbePlate       int32 // in place when probed
	Material, Grader uint8
	Probed, Serviced bool  // probed: and noted
	Clean            uint8 // noted, 0 none
	Shown            bool
	Graded, Failed   bool  // failed: only if graded
	K                int32 // which start of its printer
	// DidProbe, DidClean and DidFail are what was done and came of it, noted or not.
	DidProbe, DidFail bool
	DidClean          uint8
}

// RunWith lets a farm happen on which a crew decides from a day on (0: the
// first). Everything it does is noted. With nil it is Run.
func RunWith(s Scenario, seed uint64, crew Crew, from int) *Farm {
	return RunWithOf(s, seed, func(*Farm) Crew { return crew }, from)
}

// RunWithOf is RunWith for a crew that knows the farm.
func RunWithOf(s Scenario, seed uint64, crew func(*Farm) Crew, from int) *Farm {
	f := newFarm(s, seed)
	f.crew, f.crewFrom = crew(f), f.begin+int64(from)*dayMicros
	f.happen()
	return f
}

func (r *run) ask(s *start, m *machine) {
	p := Prep{At: s.at, Printer: s.printer, Plate: s.plate, Material: s.material, Grader: s.grader, Shown: s.shown, Swapped: s.swapped, Serviced: s.service, K: s.k, run: r, start: s}
	probe, clean := r.f.crew.Decide(&p)
	s.probed, s.probeLogged, s.probePlate = probe, probe, s.plate
	s.method, s.cleanLogged, s.reactive = clean, clean != 0, false
}

func (r *run) tell(s *start) {
	r.f.crew.Saw(&Seen{At: s.at, GradedAt: s.gradedAt, Printer: s.printer, Plate: s.plate, ProbePlate: s.probePlate, Material: s.material, Grader: s.grader,
		Probed: s.probeLogged, Serviced: s.service, Clean: noted(s), Shown: s.shown, Graded: s.graded, Failed: s.graded && s.failed, K: s.k,
		DidProbe: s.probed, DidClean: s.method, DidFail: s.failed})
}

func noted(s *start) uint8 {
	if s.cleanLogged {
		return s.method
	}
	return 0
}

// Snapshot is the farm's record so far, for a crew that learns while it works.
func (p *Prep) Snapshot() *Columns { return p.run.f.Columns() }

// Mood is what no record tells of the printer's day: a standard normal number, bad above 0.
func (p *Prep) Mood() float64 { return p.run.f.mood(p.Printer, p.At) }

// Chance is the chance that the start is a failure if it is probed for and cleaned so,
// given all that is hidden.
func (p *Prep) Chance(probe bool, clean uint8) float64 {
	w, s := p.run.world, *p.start
	s.probed, s.method, s.probePlate = probe, clean, s.plate
	i, j := w.printers[s.printer], w.plates[s.plate]
	r := w.step(&s)
	w.printers[s.printer], w.plates[s.plate] = i, j
	was, _, _ := p.run.f.chances(&s, &r)
	return was
}

// Prices are what is paid, in money.
type Prices struct{ Failure, Probe, Wipe, Wash, Deep float64 }

// Bill is what a farm came to from a day on, graded or not.
type Bill struct {
	Starts, Failures, Probes, Wipes, Washes, Deeps int
	// Expected is the sum of the chances of failure given the hidden states: failures
	// without the noise of the last draw.
	Expected float64
}

// Cost is the bill's sum with failures as they were drawn.
func (b *Bill) Cost(p Prices) float64 { return b.care(p) + float64(b.Failures)*p.Failure }

// ExpectedCost is the bill's sum with failures as they were to be expected.
func (b *Bill) ExpectedCost(p Prices) float64 { return b.care(p) + b.Expected*p.Failure }

func (b *Bill) care(p Prices) float64 {
	return float64(b.Probes)*p.Probe + float64(b.Wipes)*p.Wipe + float64(b.Washes)*p.Wash + float64(b.Deeps)*p.Deep
}

// Bill counts what happened from a day on.
func (f *Farm) Bill(from int) (b Bill) {
	cut := f.begin + int64(from)*dayMicros
	for n := range f.starts {
		s := &f.starts[n]
		if s.at < cut {
			continue
		}
		b.Starts++
		b.Expected += s.was
		if s.failed {
			b.Failures++
		}
		if s.probed {
			b.Probes++
		}
		switch s.method {
		case wipe:
			b.Wipes++
		case wash:
			b.Washes++
		case deep:
			b.Deeps++
		}
	}
	return b
}

// Every is the fixed rule: probe before each n-th start of a printer, wipe before
// each m-th print on a plate; 0 never. It also counts what habit did before.
func Every(probe, wipe int32) Crew {
	return &fixed{probe: probe, wipe: wipe, starts: map[int32]int32{}, prints: map[int32]int32{}}
}

type fixed struct {
	probe, wipe    int32
	starts, prints map[int32]int32
}

func (f *fixed) Decide(p *Prep) (bool, uint8) {
	probe := f.probe > 0 && f.starts[p.Printer]+1 >= f.probe
	clean := uint8(0)
	if f.wipe > 0 && f.prints[p.Plate]+1 >= f.wipe {
		clean = wipe
	}
	return probe, clean
}

func (f *fixed) Saw(s *Seen) {
	f.starts[s.Printer]++
	if s.DidProbe {
		f.starts[s.Printer] = 0
	}
	f.prints[s.Plate]++
	if s.DidClean != 0 {
		f.prints[s.Plate] = 0
	}
}
