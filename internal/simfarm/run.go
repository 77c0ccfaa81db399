package simfarm

import "math"

const (
	minuteMicros = int64(60 * 1e6)
	hourMicros   = 60 * minuteMicros
	dayMicros    = 24 * hourMicros
)

// Farm is a farm that ran: what happened, what was recorded of it, and what
// nobody saw.
type Farm struct {
	Scenario Scenario
	Seed     uint64

	printers   []printer
	plates     []plate
	graders    []grader
	coldBay    []bool
	band       band
	begin, end int64
	starts     []start // in order of time
	crew       Crew    // decides from crewFrom on; nil: habit does
	crewFrom   int64
	fittings   []fitting
}

// fitting is a plate put onto a printer; removed is 0 while it lies there.
type fitting struct {
	printer, plate int32
	at, removed    int64
	swap           bool // not the first of its printer
}

// Run lets a farm happen. The same scenario and seed give the same farm.
func Run(s Scenario, seed uint64) *Farm {
	f := newFarm(s, seed)
	f.happen()
	return f
}

// newFarm deals out what printers, plates and people are like.
func newFarm(s Scenario, seed uint64) *Farm {
	f := &Farm{Scenario: s, Seed: seed, begin: s.Start.UnixMicro()}
	f.end = f.begin + int64(s.Days)*dayMicros
	f.dealTraits()
	return f
}

func (f *Farm) happen() {
	r := newRun(f)
	for len(r.queue) > 0 {
		r.next()
	}
}

// run is the crew at work: what is where, and who starts when.
type run struct {
	f        *Farm
	world    *world
	queue    []due // a heap by time, then printer
	pools    [][]int32
	machines []machine
	failed   []bool  // plate's last layer failed and nothing was done since
	counts   []int32 // starts of each plate
}

type due struct {
	at      int64
	printer int32
}

// machine is what the crew sees of a printer.
type machine struct {
	plate, fitting int32
	k              int32
	last           int64
	material       uint8
	shown          bool
	restart        bool // the next start repeats a failed one
	failed         bool
}

func newRun(f *Farm) *run {
	s := &f.Scenario
	r := &run{f: f, world: f.newWorld(0), pools: make([][]int32, s.Bays),
		machines: make([]machine, s.Printers), failed: make([]bool, s.Plates), counts: make([]int32, s.Plates)}
	f.starts = make([]start, 0, int(float64(s.Printers*s.Days)*(s.StartsLow+s.StartsMax)/2*1.1)+16)
	for j := range f.plates {
		b := f.plates[j].bay
		r.pools[b] = append(r.pools[b], int32(j))
	}
	for i := range f.printers {
		p := &f.printers[i]
		d := newDraw(f.Seed, 0, uint64(i), math.MaxUint64)
		m := &r.machines[i]
		m.material = p.material
		m.shown = d.u(forShown) < s.ShownShare
		at := f.begin + int64(d.u(forInterval)*p.interval*float64(minuteMicros))
		m.plate = r.takePlate(p.bay, d.u(forPlate))
		m.fitting = r.fit(int32(i), m.plate, at-5*minuteMicros, false)
		m.last = f.begin - hourMicros
		r.push(due{at, int32(i)})
	}
	return r
}

// takePlate takes one of the bay's idle plates.
func (r *run) takePlate(bay int, u float64) int32 {
	pool := r.pools[bay]
	n := int(u * float64(len(pool)))
	j := pool[n]
	pool[n] = pool[len(pool)-1]
	r.pools[bay] = pool[:len(pool)-1]
	return j
}

func (r *run) fit(printer, plate int32, at int64, swap bool) int32 {
	r.f.fittings = append(r.f.fittings, fitting{printer: printer, plate: plate, at: at, swap: swap})
	return int32(len(r.f.fittings) - 1)
}

// next lets the printer that is due make its next start.
func (r *run) next() {
	f, sc := r.f, &r.f.Scenario
	e := r.pop()
	if e.at >= f.end {
		return
	}
	i := e.printer
	p, m := &f.printers[i], &r.machines[i]
	d := newDraw(f.Seed, 0, uint64(i), uint64(m.k))
	s := start{at: e.at, printer: i, k: m.k, restart: m.restart}
	turn := f.turn(e.at)
	s.shift = uint8((turn + 2) % 3)
	crew := newDraw(f.Seed, 0, whoShift|uint64(p.bay), uint64(turn))
	s.grader = s.shift * uint8(sc.GradersPerShift)
	if n := uint64(sc.GradersPerShift); d.u(forWho) < 0.75 {
		s.grader += uint8(crew.bits(forWho) % n)
	} else {
		s.grader += uint8(d.bits(forWho) % n)
	}
	since := float64(e.at-m.last) / float64(minuteMicros)
	s.prep = float32(math.Max(2, math.Min(10, since-6)))

	// What is printed.
	if u := d.u(forMaterial); !m.restart && u < 0.08 {
		m.material = p.material
		if u > 0.05 {
			m.material = pickMaterial((u - 0.05) / 0.03)
		}
		m.shown = d.u(forShown) < sc.ShownShare
	}
	s.material, s.shown = m.material, m.shown
	hard := feedstocks[s.material].hard
	cold := f.cold(e.at, p.bay)

	// Which plate.
	old := m.plate
	chance := sc.SwapChance
	if m.failed {
		chance = sc.SwapAfterFail
	}
	if d.u(forSwap) < chance && len(r.pools[p.bay]) > 0 {
		m.plate = r.takePlate(p.bay, d.u(forPlate))
		r.pools[p.bay] = append(r.pools[p.bay], old)
		s.swapped = true
	}
	s.plate, s.probePlate = m.plate, m.plate
	s.n = r.counts[s.plate]
	r.counts[s.plate]++

	// Cleaned first?
	gap := float64(r.world.plates[s.plate].clean)
	habit := f.plates[s.plate].habit
	ready := math.Pi / 2 * gap / (habit * habit) * math.Exp(0.3*crew.norm(forClean))
	if s.shift == night && sc.NightClean > 0 {
		ready *= sc.NightClean
	}
	if cold && sc.ColdClean > 0 {
		ready *= sc.ColdClean
	}
	if sc.DriftClean != 0 {
		ready *= math.Exp(-sc.DriftClean * p.drift * f.life(e.at))
	}
	s.toClean = float32(min(1, ready))
	if r.failed[s.plate] {
		s.toClean += (1 - s.toClean) * float32(sc.Reactive)
	}
	if d.u(forClean) < ready {
		s.method = method(d.u(forMethod), sc)
	} else if r.failed[s.plate] && d.u(forReactive) < sc.Reactive {
		s.method, s.reactive = method(d.u(forMethod), sc), true
	}
	r.failed[s.plate] = false
	s.cleanLogged = s.method != 0 && d.u(forCleaningLogged) >= sc.UnloggedCleanings

	// Probed?
	s.service = sc.ServiceEvery > 0 && m.k > 0 && d.u(forServiceNow)*sc.ServiceEvery < 1
	x := p.skip + sc.CrewMoodSD*crew.norm(forMood) + sc.HardSkip*hard
	x += sc.MoodSD * f.mood(i, e.at)
	if crew.u(forHurry) < 0.2 {
		x += sc.HurrySkip
	}
	if s.shift == night {
		x += sc.NightSkip
	}
	if cold {
		x += sc.ColdSkip
	}
	if s.swapped {
		x += sc.SwapSkip
	}
	if s.restart {
		x += sc.RestartSkip
	}
	if s.service {
		x -= 3
	}
	x += sc.DriftSkip * p.drift * f.life(e.at)
	s.probed = m.k == 0 || d.u(forSkip) >= logistic(x)
	s.toProbe = float32(1 - logistic(x))
	if s.probed && s.swapped && m.k > 0 && d.u(forVoid) < sc.VoidChance {
		s.probePlate = old
	}
	s.probeLogged = s.probed && d.u(forLogged) >= sc.UnloggedProbes
	if f.crew != nil && e.at >= f.crewFrom {
		r.ask(&s, m)
	}
	if s.swapped {
		at := s.when(atFitting)
		f.fittings[m.fitting].removed = at - minuteMicros/2
		m.fitting = r.fit(i, s.plate, at, true)
	}

	// What comes of it.
	risk := r.world.step(&s)
	s.gap, s.height, s.tiltX, s.tiltY = float32(risk.gap), float32(risk.height), float32(risk.tiltX), float32(risk.tiltY)
	s.byPlate = float32(risk.byPlate)
	s.was, s.valid, s.clean = f.chances(&s, &risk)
	s.cause, s.spoiled, s.grade = f.verdict(&s, &risk.p, 0)
	s.failed = isFailure(s.grade, s.shown)
	if s.grade == gradeClean {
		if seen := f.marks(&s); seen != (marked{}) {
			s.grade = gradeCosmetic
		}
	}
	seen := logit(math.Min(0.999, math.Max(0.001, sc.Coverage)))
	if sc.ByChoice != 0 {
		if s.grade >= gradeMarginal {
			seen += sc.ByChoice
		} else {
			seen -= sc.ByChoice / 4
		}
	}
	s.graded = d.u(forGraded) < logistic(seen)
	minutes := 4 - 7*math.Log(d.u(forGradedAt))/f.graders[s.grader].quicker
	if stopped := s.spoiled && s.grade == gradeFailed; stopped {
		minutes = 2 + 4*d.u(forGradedAt)
	}
	s.gradedAt = s.at + int64(minutes*float64(minuteMicros))
	r.failed[s.plate] = s.grade == gradeFailed
	f.starts = append(f.starts, s)
	if f.crew != nil {
		r.tell(&s)
	}

	// When the next one is due.
	m.k++
	m.last = e.at
	m.failed = s.grade == gradeFailed
	m.restart = m.failed && d.u(forRestart) < sc.RestartChance
	wait := 20 + math.Max(5, p.interval-20)*(0.4-0.6*math.Log(d.u(forInterval)))
	if m.restart {
		wait = 14 + 36*d.u(forInterval)
	}
	r.push(due{e.at + int64(wait*float64(minuteMicros)), i})
}

func method(u float64, sc *Scenario) uint8 {
	switch {
	case u < sc.DeepShare:
		return deep
	case u < sc.DeepShare+sc.WashShare:
		return wash
	}
	return wipe
}

// Moments before a start, as shares of the time it took to make ready. A void
// probe comes before the swap that voids it.
type moment uint8

const (
	atService moment = iota
	atFitting        // after the cleaning, which is done beside the printer
	atCleaning
	atProbe
)

func (s *start) when(m moment) int64 {
	share := [...]float64{0.95, 0.7, 0.8, 0.3}[m]
	if m == atProbe && s.probePlate != s.plate {
		share = 0.85
	}
	return s.at - int64(share*float64(s.prep)*float64(minuteMicros))
}

// turn numbers the shifts; the farm begins at midnight, in turn 0, a night.
func (f *Farm) turn(at int64) int64 { return (at - f.begin + 2*hourMicros) / (8 * hourMicros) }

func (a due) before(b due) bool { return a.at < b.at || a.at == b.at && a.printer < b.printer }

func (r *run) push(e due) {
	q := append(r.queue, e)
	for n := len(q) - 1; n > 0; {
		up := (n - 1) / 2
		if !q[n].before(q[up]) {
			break
		}
		q[n], q[up] = q[up], q[n]
		n = up
	}
	r.queue = q
}

func (r *run) pop() due {
	q := r.queue
	top, last := q[0], len(q)-1
	q[0] = q[last]
	q = q[:last]
	for n := 0; ; {
		c := 2*n + 1
		if c >= len(q) {
			break
		}
		if c+1 < len(q) && q[c+1].before(q[c]) {
			c++
		}
		if !q[c].before(q[n]) {
			break
		}
		q[c], q[n] = q[n], q[c]
		n = c
	}
	r.queue = q
	return top
}
