package upkeep

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/findings"
	"basecourse/internal/simfarm"
)

// lotLimit is the default of the setting lot_limit.
const lotLimit = 0.01

const (
	habitDays = 28
	loopDays  = 42
)

// prices are the default costs as the simulated farm pays them.
func prices() simfarm.Prices {
	c := DefaultCosts()
	return simfarm.Prices{Failure: c.Failure(), Probe: c.Of(Probe), Wipe: c.Of(Wipe), Wash: c.Of(Wash), Deep: c.Of(Deep)}
}

// asking is the crew that asks the answer before each start and does what it says.
type asking struct {
	t        *testing.T
	sc       simfarm.Scenario
	learn    int // days between fits
	adviser  *Adviser
	next     int64 // when it learns again
	begin    int64
	asked    int
	spent    time.Duration
	printers []machineNow
	plates   []plateNow
	deaf     bool           // to what is said of washes
	sure     bool           // leaves nothing to the lot
	drawn    int            // draws
	drawnFor map[Task]Drawn // of the last start, where it is asked for
	states   []asked        // since the last fit, to hold against the exposures
}

type machineNow struct {
	since  int32  // starts since its probe, -1 never
	past   []Past // starts since then; the last is filled in by what comes of it
	grades []int64
	failed bool
	known  int64
}

type plateNow struct {
	gap, wash int32
	failed    bool
	known     int64
}

type asked struct {
	at         int64
	printer    int32
	since, gap int32
	done       bool // probed or cleaned for it after all
}

func newAsking(t *testing.T, sc simfarm.Scenario, learn int) *asking {
	a := &asking{t: t, sc: sc, learn: learn, printers: make([]machineNow, sc.Printers), plates: make([]plateNow, sc.Plates), begin: sc.Start.UnixMicro()}
	for i := range a.printers {
		a.printers[i].since = -1
	}
	for j := range a.plates {
		a.plates[j] = plateNow{gap: -1, wash: -1}
	}
	return a
}

func (a *asking) state(at int64, printer, plate int32, material uint8) State {
	m, j := &a.printers[printer], &a.plates[plate]
	s := State{Next: Next{Printer: printer, Plate: plate, Material: int32(material), Probing: findings.ProbingSkipped, SinceProbe: m.since, Gap: j.gap,
		PrinterFailed: m.failed && m.known <= at, PlateFailed: j.failed && j.known <= at}, SinceWash: j.wash, HoursSinceProbe: math.NaN(), HoursSinceClean: math.NaN()}
	s.Since = m.past
	for i, known := range m.grades {
		m.past[i].Graded = known > 0 && known <= at
	}
	return s
}

func (a *asking) Decide(p *simfarm.Prep) (probe bool, clean uint8) {
	if p.At >= a.next {
		a.study(p.Snapshot(), p.At)
		day := int64(24 * time.Hour / time.Microsecond)
		a.next = p.At - (p.At-a.begin)%day + int64(a.learn)*day
	}
	s := a.state(p.At, p.Printer, p.Plate, p.Material)
	if !a.sure {
		s.Lot = &Lot{Limit: lotLimit, Number: func(t Task) float64 {
			return rand.New(rand.NewPCG(uint64(p.K), uint64(p.Printer)<<8|uint64(order[t]))).Float64()
		}}
	}
	from := time.Now()
	due, drawn, _ := a.adviser.Ahead(&s, &Limits{})
	a.drawn += len(drawn)
	if a.drawnFor != nil {
		for _, x := range drawn {
			a.drawnFor[x.Task] = x
		}
	}
	a.spent += time.Since(from)
	a.asked++
	for _, d := range due {
		switch d.Task {
		case Probe:
			probe = true
		case Wipe:
			clean = 1
		case Wash:
			if clean = 2; a.deaf {
				clean = 0
			}
		case Deep:
			clean = 3
		}
	}
	a.states = append(a.states, asked{p.At, p.Printer, s.SinceProbe, s.Gap, false})
	if probe || clean != 0 {
		a.states[len(a.states)-1].done = true
	}
	return probe, clean
}

func (a *asking) Saw(s *simfarm.Seen) {
	m, j := &a.printers[s.Printer], &a.plates[s.Plate]
	n := a.state(s.At, s.Printer, s.Plate, s.Material).Next
	if s.Clean != 0 {
		j.gap, n.Gap = 0, 0
		if s.Clean > 1 {
			j.wash = 0
		}
	}
	if s.Probed {
		m.since, n.SinceProbe, n.Probing = 0, 0, findings.ProbingValid
	}
	if j.gap >= 0 {
		j.gap++
	}
	if j.wash >= 0 {
		j.wash++
	}
	if m.since >= 0 {
		m.since++
	}
	if s.Probed {
		m.past, m.grades = m.past[:0], m.grades[:0]
	}
	if len(m.past) == Remembered {
		m.past, m.grades = slices.Delete(m.past, 0, 1), slices.Delete(m.grades, 0, 1)
	}
	m.past, m.grades = append(m.past, Past{Next: n, Graded: s.Graded, Failed: s.Failed}), append(m.grades, s.GradedAt*graded(s.Graded))
	m.failed, m.known = s.Failed, s.GradedAt
	j.failed, j.known = s.Failed, s.GradedAt
}

func graded(is bool) int64 {
	if is {
		return 1
	}
	return 0
}

// study learns anew from what was recorded before the last midnight.
func (a *asking) study(c *simfarm.Columns, now int64) {
	h := &c.History
	ex := exposure.Of(h)
	a.hold(h, ex)
	cut := now - (now-a.begin)%day
	label := labels(c)
	layers := findings.Collect(h, ex, func(i int) findings.Label {
		l := label(i)
		l.Graded = l.Graded && h.Starts[i].GradedAt < cut
		return l
	}, cut-84*day, cut-1, time.UTC)
	_, m := findings.Learn(layers, a.sc.Printers, a.sc.Plates, 6, findings.Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5})
	cast := NewForecast(m)
	var starts []Past
	for i := range h.Starts {
		if s := &h.Starts[i]; s.At < cut {
			starts = append(starts, PastOf(s, &ex[i], int32(c.Labels[i].Material), s.GradedAt != 0 && s.GradedAt < cut))
		}
	}
	a.adviser = Learn(cast, starts).Adviser(cast, DefaultCosts())
}

// hold checks that the counts the crew asked with are the exposures there are.
func (a *asking) hold(h *exposure.History, ex []exposure.Exposure) {
	k := 0
	for i := range h.Starts {
		s := &h.Starts[i]
		for k < len(a.states) && a.states[k].at < s.At {
			k++
		}
		if k == len(a.states) {
			break
		}
		if q := &a.states[k]; q.at == s.At && q.printer == s.Printer && !q.done && (q.since != ex[i].PrintsSinceProbe || q.gap != ex[i].PrintsSinceClean) {
			a.t.Errorf("asked with %d starts since the probe and %d prints since the cleaning, the exposures are %d and %d", q.since, q.gap, ex[i].PrintsSinceProbe, ex[i].PrintsSinceClean)
		}
	}
	a.states = a.states[:0]
}

// loop is what one farm came to under each way of working, from day 28 on.
type loop struct {
	name                                string
	seed                                uint64
	habit, asked, informed, clairvoyant simfarm.Bill
	answer                              time.Duration
	fixed                               map[[2]int32]simfarm.Bill
}

func runLoop(t *testing.T, sc simfarm.Scenario, seed uint64, learn int, rules [][2]int32) *loop {
	sc.Days = habitDays + loopDays
	l := &loop{name: sc.Name, seed: seed, fixed: map[[2]int32]simfarm.Bill{}}
	l.habit = simfarm.Run(sc, seed).Bill(habitDays)
	a := newAsking(t, sc, learn)
	l.asked = simfarm.RunWith(sc, seed, a, habitDays).Bill(habitDays)
	l.answer = a.spent / time.Duration(max(1, a.asked))
	l.informed = simfarm.RunWithOf(sc, seed, func(f *simfarm.Farm) simfarm.Crew { return simfarm.Informed(f, prices()) }, habitDays).Bill(habitDays)
	l.clairvoyant = simfarm.RunWithOf(sc, seed, func(f *simfarm.Farm) simfarm.Crew { return simfarm.Clairvoyant(f, prices()) }, habitDays).Bill(habitDays)
	for _, r := range rules {
		l.fixed[r] = simfarm.RunWith(sc, seed, simfarm.Every(r[0], r[1]), habitDays).Bill(habitDays)
	}
	return l
}

func small(sc simfarm.Scenario, printers int) simfarm.Scenario {
	sc.Printers, sc.Plates, sc.Bays = printers, 2*printers, max(1, printers/12)
	return sc
}

// following is the crew that keeps to the intervals suggested after the weeks of
// habit, and learns nothing more.
type following struct {
	*asking
	every  []int32 // by printer, 0 never
	prints []int32 // by plate
}

func newFollowing(t *testing.T, sc simfarm.Scenario) *following {
	return &following{asking: newAsking(t, sc, loopDays)}
}

func (f *following) Decide(p *simfarm.Prep) (probe bool, clean uint8) {
	if f.every == nil {
		f.study(p.Snapshot(), p.At)
		f.every, f.prints = make([]int32, len(f.printers)), make([]int32, len(f.plates))
		for i := range f.every {
			f.every[i] = int32(f.adviser.SuggestProbing(Next{Printer: int32(i), Plate: -1, Material: -1, Gap: -1}).Every)
		}
		for j := range f.prints {
			f.prints[j] = int32(f.adviser.SuggestCleaning(Next{Printer: -1, Plate: int32(j), Material: -1}).Every)
		}
	}
	n, m := f.every[p.Printer], f.prints[p.Plate]
	if n > 0 && f.printers[p.Printer].since >= n {
		probe = true
	}
	if m > 0 && f.plates[p.Plate].gap >= m {
		clean = 1
	}
	return probe, clean
}

func runFollowing(t *testing.T, sc simfarm.Scenario, seed uint64) (habit, followed simfarm.Bill) {
	sc.Days = habitDays + loopDays
	return simfarm.Run(sc, seed).Bill(habitDays), simfarm.RunWith(sc, seed, newFollowing(t, sc), habitDays).Bill(habitDays)
}

// A small version of the validation: one farm, wide limits. The whole one is
// TestUpkeepValidation (-tags long); its tables are testdata/validation/upkeep.md.
func TestAskingSavesMostOfWhatKnowingWould(t *testing.T) {
	sc, _ := simfarm.Named("both")
	sc = small(sc, 16)
	p := prices()
	rules := [][2]int32{{0, 0}, {1, 10}, {4, 10}, {10, 10}, {0, 10}}
	l := runLoop(t, sc, 8, 21, rules)
	saved := func(b simfarm.Bill) float64 { return l.habit.Cost(p) - b.Cost(p) }
	if saved(l.asked) < 0.8*saved(l.informed) || saved(l.asked) < 0.6*saved(l.clairvoyant) {
		t.Errorf("saved %.0f; knowing all parameters saves %.0f, seeing all %.0f", saved(l.asked), saved(l.informed), saved(l.clairvoyant))
	}
	for r, b := range l.fixed {
		if b.Cost(p) < l.asked.Cost(p) {
			t.Errorf("probing every %d and wiping every %d costs %.0f, asking %.0f", r[0], r[1], b.Cost(p), l.asked.Cost(p))
		}
	}
}

// A small version of the replay of suggestions; the whole one is in the same table.
func TestFollowingSuggestionsCostsLessThanHabit(t *testing.T) {
	sc, _ := simfarm.Named("both")
	habit, followed := runFollowing(t, small(sc, 16), 9)
	p := prices()
	if followed.Cost(p) >= habit.Cost(p) {
		t.Errorf("following costs %.0f, habit %.0f", followed.Cost(p), habit.Cost(p))
	}
}
