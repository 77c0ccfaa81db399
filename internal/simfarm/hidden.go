package simfarm

import "math"

// cause is what can spoil a first layer.
type cause uint8

// The causes. The first four are those that probing and cleaning act on.
const (
	causeHeight cause = iota
	causeTip
	causeOil
	causeOverBond
	causeNothing
	causeRough
	causeWorn
	causeMaterial
	causeDebris
	causeCold
	causeBurst
	causePlateBurst
	causeNear // only ever borderline
	causes

	noCause = causes
)

// start is one start: what was done before it, and what came of it.
type start struct {
	at, gradedAt     int64 // microseconds since 1970
	printer, plate   int32
	probePlate       int32 // in place when probed
	k, n             int32 // which start of its printer, of its plate, from 0
	material, grader uint8
	shift            uint8
	method           uint8 // of the cleaning before it; 0 none
	probed, service  bool
	probeLogged      bool
	cleanLogged      bool
	reactive         bool
	swapped          bool
	restart          bool
	shown, graded    bool
	failed           bool // as its grader would say, graded or not
	spoiled          bool // it does not hold, whatever its grader says
	grade            uint8
	cause            cause
	prep             float32 // minutes before the start within which it was made ready
	toProbe, toClean float32 // chances that the crew does so, as it saw things then
	gap              float32 // true prints since the plate was cleaned
	height           float32 // gap error at the centre, mm, up positive
	tiltX, tiltY     float32 // at the outer zones
	byPlate          float32 // of height: what the plate's thickness makes
	was, valid       float64 // chance of failure as it was; with a valid probe
	clean            float64 // with a clean plate
}

// Methods of cleaning as small numbers: the index into farm.Methods plus 1.
const (
	wipe = 1
	wash = 2
	deep = 3
)

// printerState and plateState are what nobody sees.
type printerState struct {
	zero, tiltX, tiltY float64
	reference          float64 // thickness of the plate it was last probed on
	burst              int
}

type plateState struct {
	oil   float64
	film  float64 // ordinary prints since a wash
	clean int     // prints since it was cleaned
	burst int
}

// world is the hidden state of the whole farm on its way through the schedule.
type world struct {
	f        *Farm
	salt     uint64
	printers []printerState
	plates   []plateState
}

func (f *Farm) newWorld(salt uint64) *world {
	w := &world{f: f, salt: salt, printers: make([]printerState, len(f.printers)), plates: make([]plateState, len(f.plates))}
	for j := range w.plates {
		w.plates[j] = plateState{oil: f.plates[j].oilAtFirst, clean: int(f.plates[j].oilAtFirst)}
	}
	return w
}

// risks are the chances of the causes to spoil one layer, as it was, and of the
// four that probing and cleaning act on had the probe been valid or the plate
// clean.
type risks struct {
	p                     [causes]float64
	heightValid, tipValid float64
	oilClean, overClean   float64
	height, tiltX, tiltY  float64    // mm
	byPlate               float64    // of height
	found                 [3]float64 // zero and tilts that probing for this start found, mm
	gap                   int
}

// step moves the world over one start, whose schedule (who, when, probed,
// cleaned, serviced) is given, and returns what threatens its first layer.
func (w *world) step(s *start) (r risks) {
	f, sc := w.f, &w.f.Scenario
	ip, jp := &f.printers[s.printer], &f.plates[s.plate]
	i, j := &w.printers[s.printer], &w.plates[s.plate]
	d := newDraw(f.Seed, w.salt, uint64(s.printer), uint64(s.k))

	// The printer's zero: service, wandering, then probing sets it anew.
	if s.service {
		i.zero += sc.ServiceShiftMM * d.norm(forService)
	}
	keep := 1 - sc.WanderPull
	i.zero = keep*i.zero + ip.wander*d.norm(forDrift)
	i.tiltX = keep*i.tiltX + sc.TiltShare*ip.wander*d.norm(forTiltX)
	i.tiltY = keep*i.tiltY + sc.TiltShare*ip.wander*d.norm(forTiltY)
	if ip.jump > 0 && d.u(forJump) < sc.JumpChance {
		i.zero += ip.jump * d.norm(forJumpSize)
	}
	zero := sc.ProbeNoiseMM * d.norm(forProbe)
	tiltX := sc.ProbeNoiseMM / 2 * d.norm(forProbeTiltX)
	tiltY := sc.ProbeNoiseMM / 2 * d.norm(forProbeTiltY)
	r.found = [3]float64{i.zero, i.tiltX, i.tiltY}
	if s.probed {
		i.zero, i.tiltX, i.tiltY = zero, tiltX, tiltY
		i.reference = f.plates[s.probePlate].thickness
	}
	// A thicker plate than the one probed on comes closer to the nozzle. A
	// printer with a fixed zero never learns the thickness.
	mismatch, matched := jp.thickness-i.reference, 0.0
	if ip.frame {
		mismatch, matched = jp.thickness, jp.thickness
	}
	r.height, r.tiltX, r.tiltY = i.zero-mismatch, i.tiltX, i.tiltY
	r.byPlate = -mismatch
	r.p[causeHeight] = sc.heightRisk(f.band, r.height, r.tiltX, r.tiltY)
	r.heightValid = sc.heightRisk(f.band, zero-matched, tiltX, tiltY)
	r.tipValid = ip.tip
	if s.probed {
		r.p[causeTip] = ip.tip
	}

	// The plate: cleaning, then what this print leaves on it for the next.
	switch s.method {
	case wipe:
		j.oil *= sc.WipeLeaves
	case wash:
		j.oil *= sc.WashLeaves
		j.film *= sc.WashLeaves
	case deep:
		j.oil, j.film = 0, 0
	}
	if s.method != 0 {
		j.clean = 0
	}
	r.gap = j.clean
	m := &feedstocks[s.material]
	if sensitive := (jp.oil + ip.oil + sc.OilEveryone) * m.oil; sensitive > 0 {
		r.p[causeOil] = 1 - math.Exp(-sensitive*sc.OilForm.at(j.oil))
	}
	if jp.film > 0 { // a plate just wiped has it too
		r.oilClean = 1 - math.Exp(-jp.film*j.film/50)
		r.p[causeOil] = 1 - (1-r.p[causeOil])*(1-r.oilClean)
	}
	if jp.over > 0 && jp.surface != 0 {
		r.overClean = math.Min(0.9, jp.over*m.overBond)
		r.p[causeOverBond] = r.overClean * math.Exp(-float64(j.clean)/sc.OverBondFade)
	}
	left := ip.cook * m.oil * (0.5 + d.u(forOil))
	j.oil, j.film = j.oil+left, j.film+left
	j.clean++

	// The rest does not care about either.
	life := f.life(s.at)
	r.p[causeNothing] = sc.BaseRisk
	r.p[causeRough] = math.Min(0.9, ip.rough*math.Exp(ip.drift*life)+ip.extra)
	if sc.MoodRisk != 0 {
		r.p[causeRough] = math.Min(0.9, r.p[causeRough]*math.Exp(sc.MoodRisk*f.mood(s.printer, s.at)))
	}
	r.p[causeWorn] = math.Min(0.9, jp.worn+jp.extra*(1+sc.WornGrowth*life/2))
	r.p[causeMaterial] = math.Min(0.9, sc.MaterialRisk*m.risk)
	r.p[causeDebris] = sc.DebrisRisk
	if f.cold(s.at, ip.bay) {
		r.p[causeCold] = sc.ColdRisk
	}
	if spell(&i.burst, d, sc.PrinterBurst, sc.BurstLength) {
		r.p[causeBurst] = sc.BurstRisk
	}
	if sc.PlateBurst > 0 {
		if spell(&j.burst, newDraw(f.Seed, w.salt, whoPlate|uint64(s.plate), uint64(s.n)), sc.PlateBurst, sc.BurstLength) {
			r.p[causePlateBurst] = sc.BurstRisk
		}
	}
	return r
}

// mood is how a printer's day goes, a standard normal number: what makes people skip.
func (f *Farm) mood(printer int32, at int64) float64 {
	return newDraw(f.Seed, 0, whoDay|uint64(printer), uint64((at-f.begin)/dayMicros)).norm(forMood)
}

// heightRisk is the chance that a gap error (mm at the centre, with the tilt at
// the outer zones) spoils the layer: nothing inside the band, then a smooth
// rise with the worst zone; too low is forgiven more than too high.
func (sc *Scenario) heightRisk(b band, height, tiltX, tiltY float64) float64 {
	tilt := math.Abs(tiltX) + math.Abs(tiltY)
	high := smooth((height + tilt - b.high) / sc.EdgeRampMM)
	low := 0.7 * smooth((b.low-height+tilt)/sc.EdgeRampMM)
	return sc.WorstHeight * math.Max(high, low)
}

// at is f(oil), see Shape.
func (s Shape) at(oil float64) float64 {
	switch s {
	case OilSaturating:
		return 1 - math.Exp(-oil/6)
	case OilThreshold:
		return 1.2 * smooth((oil-6)/8)
	}
	return oil / 10
}

// spell goes one start on in a hidden bad spell: whether this start lies in one.
func spell(left *int, d draw, chance, length float64) bool {
	if chance == 0 {
		return false
	}
	if *left > 0 {
		*left--
		return true
	}
	if d.u(forBurst) >= chance {
		return false
	}
	// geometric with the given mean, this start included
	*left = int(math.Log(d.u(forBurstLength)) / math.Log(1-1/length))
	return true
}

// life is where a time lies in the farm's span, -1 to 1.
func (f *Farm) life(at int64) float64 {
	return 2*float64(at-f.begin)/float64(f.end-f.begin) - 1
}

func (f *Farm) cold(at int64, bay int) bool {
	day := int((at - f.begin) / dayMicros)
	return day >= f.Scenario.ColdFrom && day < f.Scenario.ColdFrom+f.Scenario.ColdDays && f.coldBay[bay]
}

// judged says how a grader turns spoiled and borderline layers into failures:
// a is the chance for a spoiled one, b for a borderline one.
func (f *Farm) judged(s *start) (a, b float64) {
	g := &f.graders[s.grader]
	a, b = math.Max(1-g.lenient, g.strict), g.strict
	if s.shown {
		a, b = 1, math.Min(1, g.strict+f.Scenario.MarginalOfNear)
	}
	return a, b
}

// chances are the exact chances of a failure given the hidden states: as it
// was, with a valid probe, with a clean plate. A layer is spoiled when any
// cause spoils it and borderline when none does but one nearly did.
func (f *Farm) chances(s *start, r *risks) (was, valid, clean float64) {
	a, b := f.judged(s)
	spare, far := 1.0, 1-f.Scenario.NearBase // survives, and survives by a margin
	for c := causeNothing; c < causeNear; c++ {
		spare *= 1 - r.p[c]
		far *= 1 - f.near(r.p[c])
	}
	fail := func(height, tip, oil, over float64) float64 {
		s, n := spare, far
		for _, p := range [4]float64{height, tip, oil, over} {
			s *= 1 - p
			n *= 1 - f.near(p)
		}
		return a*(1-s) + b*(s-n)
	}
	h, t, o, v := r.p[causeHeight], r.p[causeTip], r.p[causeOil], r.p[causeOverBond]
	return fail(h, t, o, v), fail(r.heightValid, r.tipValid, o, v), fail(h, t, r.oilClean, r.overClean)
}

// near is the chance that a cause spoils a layer or nearly does.
func (f *Farm) near(p float64) float64 { return math.Min(1, p*(1+f.Scenario.NearRatio)) }

// verdict draws what becomes of the layer: the cause that decided (noCause if
// none came near), whether it spoiled the layer, and what the grader calls it.
func (f *Farm) verdict(s *start, p *[causes]float64, salt uint64) (decided cause, spoiled bool, grade uint8) {
	d := newDraw(f.Seed, salt, uint64(s.printer), uint64(s.k))
	decided = noCause
	worst := math.Inf(1)
	for c := causeHeight; c < causeNear; c++ {
		if p[c] == 0 {
			continue
		}
		if u := d.u(forCause + 2*purpose(c)); u < f.near(p[c]) && u/p[c] < worst {
			worst, decided = u/p[c], c
		}
	}
	spoiled = worst < 1
	if decided == noCause && d.u(forCause+2*purpose(causeNear)) < f.Scenario.NearBase {
		decided = causeNear
	}
	g, u := &f.graders[s.grader], d.u(forGrader)
	switch {
	case spoiled && u < 1-g.lenient, decided != noCause && u < g.strict:
		grade = gradeFailed
	case spoiled, decided != noCause && u < g.strict+f.Scenario.MarginalOfNear:
		grade = gradeMarginal
	case decided != noCause:
		grade = gradeCosmetic
	}
	return decided, spoiled, grade
}

// Grades as indices into farm.Grades.
const (
	gradeClean = iota
	gradeCosmetic
	gradeMarginal
	gradeFailed
)

func isFailure(grade uint8, shown bool) bool {
	return grade == gradeFailed || shown && grade == gradeMarginal
}
