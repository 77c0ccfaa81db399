package upkeep

import (
	"slices"

	"basecourse/internal/findings"
)

// Season holds starts that were made, in order of time, with what they were made
// under: what policies would have asked for can be told from it, and what was done.
type Season struct {
	Starts  []Ran
	Grounds []Ground // the places of starts, each told once
	Jobs    []int32  // plates of the job of each start, 0 unknown; nil: of none is it known
	Work    []Work   // services in order of time
}

// Ran is a start with its exposures as recorded; counts are -1 where unknown.
type Ran struct {
	At                         int64 // microseconds since 1970
	Ground                     int32 // number in Season.Grounds
	SinceProbe, SinceWash, Gap int32
	Probing                    findings.Probing
	Graded, Failed             bool
}

// Ground is a place where starts are made. Next holds its printer, plate and
// material by the forecast's numbers.
type Ground struct {
	Place
	Next
	BedC float64 // what its material asks of the bed, NaN unknown
}

// Work is a service of a printer.
type Work struct {
	At      int64
	Printer int32
	Moved   bool
}

// Tally counts starts and the upkeep before them. A plate wiped and then washed
// before one start was washed.
type Tally struct {
	Starts, Graded, Failures int
	Wipes, Washes, Probes    int
	Expected                 float64 // failures, by the model
}

// Minutes that the tally's upkeep takes.
func (t *Tally) Minutes(c *Costs) (e Effort) {
	for task, n := range map[Task]int{Wipe: t.Wipes, Wash: t.Washes, Probe: t.Probes} {
		e.Person += float64(n) * c.Effort[task].Person
		e.Machine += float64(n) * c.Effort[task].Machine
	}
	return e
}

// did counts a start and what was done before it, as recorded.
func (t *Tally) did(r *Ran) {
	t.Starts++
	if r.Graded {
		t.Graded++
		if r.Failed {
			t.Failures++
		}
	}
	switch {
	case r.SinceWash == 0:
		t.Washes++
	case r.Gap == 0:
		t.Wipes++
	}
	if r.SinceProbe == 0 {
		t.Probes++
	}
}

// covers tells of each ground and, where jobs matter, of each start whether it lies
// in a scope.
func (s *Season) covers(scope *Scope) func(i int) bool {
	if scope.JobFrom > 0 || scope.JobTo > 0 {
		return func(i int) bool {
			p := s.Grounds[s.Starts[i].Ground].Place
			p.JobPlates = s.job(i)
			return scope.Covers(&p)
		}
	}
	in := make([]bool, len(s.Grounds))
	for g := range in {
		in[g] = scope.Covers(&s.Grounds[g].Place)
	}
	return func(i int) bool { return in[s.Starts[i].Ground] }
}

// job is the size of a start's job in plates, 0 unknown.
func (s *Season) job(i int) int {
	if s.Jobs == nil {
		return 0
	}
	return int(s.Jobs[i])
}

// Since is the season from an instant on.
func (s *Season) Since(t int64) *Season {
	first, _ := s.span(t, t)
	out := &Season{Starts: s.Starts[first:], Grounds: s.Grounds, Work: s.Work}
	if s.Jobs != nil {
		out.Jobs = s.Jobs[first:]
	}
	return out
}

// span gives the numbers of the starts with from <= At < to.
func (s *Season) span(from, to int64) (first, end int) {
	at := func(t int64) int {
		i, _ := slices.BinarySearchFunc(s.Starts, t, func(r Ran, t int64) int {
			if r.At < t {
				return -1
			}
			return 1
		})
		return i
	}
	first = at(from)
	return first, max(first, at(to))
}

// Count tells what was done before the starts of a scope with from <= At < to, and
// before all others of that time.
func (s *Season) Count(scope *Scope, from, to int64) (within, others Tally) {
	in := s.covers(scope)
	first, end := s.span(from, to)
	for i := first; i < end; i++ {
		t := &others
		if in(i) {
			t = &within
		}
		t.did(&s.Starts[i])
	}
	return within, others
}

// Replayed compares what was done in a scope with what policies would have asked for.
type Replayed struct {
	Done, Asked Tally // Asked counts no grades
	// Saved are the failures that would have been fewer, by the model, with their 95 %
	// interval over what is not known of the effects.
	Saved, Low, High float64
}

// Replay makes the starts of a season anew as if the policies in force alone had
// asked for wiping, washing and probing and all of it had been done. What no policy
// says an interval of stays as it was done; probes asked for after events come on top. Starts from countFrom on are counted, the ones
// before only set the counts. Chances follow from the adviser's effects.
func (a *Adviser) Replay(s *Season, inForce []Policy, scope *Scope, countFrom int64) Replayed {
	r := replay{a: a, s: s, inForce: inForce, in: s.covers(scope), limits: make([]*Limits, len(s.Grounds)), holds: make([]float64, len(s.Grounds)),
		byJob: map[[2]int32]*Limits{}}
	printers, plates := int32(0), int32(0)
	for i := range s.Grounds {
		printers, plates = max(printers, s.Grounds[i].Next.Printer+1), max(plates, s.Grounds[i].Next.Plate+1)
	}
	for i := range s.Work {
		printers = max(printers, s.Work[i].Printer+1)
	}
	r.printers, r.plates = make([]*printerRun, printers), make([]*plateRun, plates)
	for i := range inForce {
		r.jobs = r.jobs || inForce[i].JobFrom > 0 || inForce[i].JobTo > 0
	}
	for i := range s.Starts {
		r.start(i, s.Starts[i].At >= countFrom)
	}
	r.out.Saved = r.out.Done.Expected - r.out.Asked.Expected
	r.out.Low, r.out.High = r.interval()
	return r.out
}

type replay struct {
	a        *Adviser
	s        *Season
	inForce  []Policy
	in       func(i int) bool
	jobs     bool      // some policy asks about them
	limits   []*Limits // by ground, where no job is known
	byJob    map[[2]int32]*Limits
	holds    []float64 // by ground; 0 not worked out yet
	printers []*printerRun
	plates   []*plateRun
	work     int // next of the services
	out      Replayed
}

// effectRun is an effect as a replay meets it: its mean chance to spare by count, and
// by how much the chances of all starts at a count change between done and asked.
type effectRun struct {
	known
	mean  [horizon]float64
	moved [horizon]float64
}

func newEffect(k known) *effectRun {
	e := &effectRun{known: k}
	k.mean(&e.mean)
	return e
}

func clamp(k int32) int { return min(max(int(k), 0), horizon-1) }

// printerRun and plateRun are a printer and a plate under the policies.
type printerRun struct {
	since    int32 // starts since the probe, -1 not known yet
	probedAt int64
	plate    int32 // at the probe
	bed      float64
	after    Events // since the probe
	skip     *effectRun
	gap      *effectRun
}

type plateRun struct {
	gap, wash int32 // -1 not known yet
	cleanAt   int64
	effect    *effectRun
}

func (r *replay) limitsOf(i int, g *Ground) *Limits {
	ground := r.s.Starts[i].Ground
	if job := r.s.job(i); r.jobs && job > 0 {
		at := [2]int32{ground, int32(job)}
		l := r.byJob[at]
		if l == nil {
			p := g.Place
			p.JobPlates = job
			made := LimitsFor(r.inForce, &p)
			l = &made
			r.byJob[at] = l
		}
		return l
	}
	if r.limits[ground] == nil {
		l := LimitsFor(r.inForce, &g.Place)
		r.limits[ground] = &l
	}
	return r.limits[ground]
}

func (r *replay) printer(n int32) *printerRun {
	p := r.printers[n]
	if p == nil {
		p = &printerRun{since: -1}
		r.printers[n] = p
	}
	return p
}

// serviced takes in the services up to an instant.
func (r *replay) serviced(at int64) {
	for ; r.work < len(r.s.Work) && r.s.Work[r.work].At <= at; r.work++ {
		w := &r.s.Work[r.work]
		if w.Moved {
			r.printer(w.Printer).after |= Move
		} else {
			r.printer(w.Printer).after |= Service
		}
	}
}

func (r *replay) start(i int, counts bool) {
	f := &r.s.Starts[i]
	r.serviced(f.At)
	g := &r.s.Grounds[f.Ground]
	l := r.limitsOf(i, g)
	counts = counts && r.in(i)
	t := &r.out.Asked
	if !counts {
		t = &Tally{}
	}
	gap, plate := r.clean(f, g, l, t)
	since, printer := r.probe(f, g, l, t)
	if !counts {
		return
	}
	t.Starts++
	r.out.Done.did(f)
	if r.holds[f.Ground] == 0 {
		n := g.Next
		n.Probing, n.Gap, n.PrinterFailed, n.PlateFailed = findings.ProbingValid, 0, false, false
		eta, sd := r.a.cast.level(&n)
		r.holds[f.Ground] = r.a.cast.holds(eta, sd)
	}
	if printer.skip == nil {
		gaps, _ := r.a.gaps(&g.Next)
		printer.skip, printer.gap = newEffect(r.a.skipping(g.Next.Printer)), newEffect(gaps)
	}
	was := int32(0)
	if f.Probing == findings.ProbingSkipped {
		was = f.SinceProbe
	}
	if f.Probing == findings.ProbingUnknown {
		since = 0 // what was done is not known: nothing to compare with
	}
	holds := r.holds[f.Ground]
	k0, k1, g0, g1 := clamp(was), clamp(since), clamp(f.Gap), clamp(gap)
	s0, s1 := printer.skip.mean[k0], printer.skip.mean[k1]
	i0, i1, j0, j1 := 1.0, 1.0, 1.0, 1.0
	if plate != nil {
		if plate.effect == nil {
			_, own := r.a.gaps(&g.Next)
			plate.effect = newEffect(own)
		}
		i0, i1, j0, j1 = printer.gap.mean[g0], printer.gap.mean[g1], plate.effect.mean[g0], plate.effect.mean[g1]
		plate.effect.moved[g0] -= holds * s0 * i0
		plate.effect.moved[g1] += holds * s1 * i1
		printer.gap.moved[g0] -= holds * s0 * j0
		printer.gap.moved[g1] += holds * s1 * j1
	}
	printer.skip.moved[k0] -= holds * i0 * j0
	printer.skip.moved[k1] += holds * i1 * j1
	r.out.Done.Expected += 1 - holds*s0*i0*j0
	t.Expected += 1 - holds*s1*i1*j1
}

const hourMicros = 3600e6

// clean does what is asked of the plate before a start; it gives the plate's prints
// since it was cleaned at the start, and the plate, nil without one.
func (r *replay) clean(f *Ran, g *Ground, l *Limits, t *Tally) (int32, *plateRun) {
	if g.Next.Plate < 0 {
		return max(f.Gap, 0), nil
	}
	p := r.plates[g.Next.Plate]
	if p == nil {
		p = &plateRun{-1, -1, f.At, nil}
		r.plates[g.Next.Plate] = p
	}
	if p.gap < 0 { // begins as recorded
		p.gap = f.Gap
	}
	if p.wash < 0 {
		p.wash = f.SinceWash
	}
	washed, wiped := f.SinceWash == 0, f.Gap == 0 && f.SinceWash != 0
	if l.By[AsksWash] != nil {
		washed = p.wash >= l.WashPrints
	}
	if l.By[AsksClean] != nil {
		wiped = l.CleanPrints > 0 && p.gap >= l.CleanPrints || l.CleanHours > 0 && float64(f.At-p.cleanAt) >= l.CleanHours*hourMicros
	}
	switch {
	case washed:
		p.gap, p.wash, p.cleanAt = 0, 0, f.At
		t.Washes++
	case wiped:
		p.gap, p.cleanAt = 0, f.At
		t.Wipes++
	}
	gap := p.gap
	if p.gap >= 0 {
		p.gap++
	}
	if p.wash >= 0 {
		p.wash++
	}
	return max(gap, 0), p
}

// probe does what is asked of the printer before a start; it gives the starts since
// its probe.
func (r *replay) probe(f *Ran, g *Ground, l *Limits, t *Tally) (int32, *printerRun) {
	p := r.printer(g.Next.Printer)
	if p.since < 0 { // begins as recorded
		p.since, p.probedAt, p.plate, p.bed = max(f.SinceProbe, 0), f.At, g.Next.Plate, g.BedC
	}
	if p.plate >= 0 && g.Next.Plate >= 0 && p.plate != g.Next.Plate {
		p.after |= Swap
	}
	p.after &^= Temperature
	if d := g.BedC - p.bed; d >= OtherTemperature || d <= -OtherTemperature {
		p.after |= Temperature
	}
	// Events alone do not say how often: they come on top of what was done.
	alone := l.ProbeStarts > 0 || l.ProbeHours > 0
	probed := f.SinceProbe == 0 && !alone || l.ProbeAfter&p.after != 0
	if alone {
		probed = probed || l.ProbeStarts > 0 && p.since >= l.ProbeStarts || l.ProbeHours > 0 && float64(f.At-p.probedAt) >= l.ProbeHours*hourMicros
	}
	if probed {
		p.since, p.probedAt, p.plate, p.bed, p.after = 0, f.At, g.Next.Plate, g.BedC, 0
		t.Probes++
	}
	since := p.since
	if !alone && f.Probing != findings.ProbingSkipped {
		since = 0 // as recorded: no missing probe
	}
	p.since++
	return since, p
}

// draws of all effects together, behind an interval.
const replayDraws = 200

// interval draws a form for each effect by its chances, all of them 200 times with
// the same numbers always, and gives the middle 95 % of the failures saved.
func (r *replay) interval() (low, high float64) {
	sums := make([]float64, replayDraws)
	for n, p := range r.printers {
		if p != nil {
			p.skip.draw(sums, uint64(n)*4)
			p.gap.draw(sums, uint64(n)*4+1)
		}
	}
	for n, p := range r.plates {
		if p != nil {
			p.effect.draw(sums, uint64(n)*4+2)
		}
	}
	mean := 0.0
	for _, v := range sums {
		mean += v / replayDraws
	}
	for i := range sums {
		sums[i] += r.out.Saved - mean
	}
	slices.Sort(sums)
	return min(sums[replayDraws/40], r.out.Saved), max(sums[replayDraws-1-replayDraws/40], r.out.Saved)
}

// draw adds to each sum what the effect would save in one of its forms.
func (e *effectRun) draw(sums []float64, seed uint64) {
	if e == nil {
		return
	}
	var counts []int
	for k, m := range e.moved {
		if m != 0 {
			counts = append(counts, k)
		}
	}
	if len(counts) == 0 {
		return
	}
	values := make([]float64, len(e.chance)) // by form
	none := 0.0
	for _, k := range counts {
		none += e.moved[k]
	}
	for f, c := range e.chance {
		if c < unlikely {
			continue
		}
		for _, k := range counts {
			values[f] += e.moved[k] * e.table[f][k]
		}
	}
	for d := range sums {
		u := uniform(seed<<20 + uint64(d))
		v := none
		for f, c := range e.chance {
			if c < unlikely {
				continue
			}
			if u -= c; u < 0 {
				v = values[f]
				break
			}
		}
		sums[d] += v
	}
}

// uniform is a number from 0 to 1 that follows from another (SplitMix64; Steele, Lea
// and Flood 2014, OOPSLA, 453-472).
func uniform(x uint64) float64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	x ^= x >> 31
	return float64(x>>11) / (1 << 53)
}
