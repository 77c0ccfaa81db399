package findings

import (
	"math"

	"basecourse/internal/stats"
)

// study is the evaluation of one farm. Questions are fitted in rounds: each
// round fits every question given the fleet, the hazards of the other
// exposures, what marks say and how effects are spread, and then learns all of
// these anew from the fits.
type study struct {
	f                  *fleet
	printers, plates   int
	byPrinter, byPlate split
	thin               *thinning // what the fleet is fitted to; nil: all layers
	qs                 []Question
	curves             []*curve // nil: too little data
	evidence           []*curve // the same; a printer's cleaning gap with what its plates do
	signs              [2]*signs
	chronic            [3]*signs  // what marks say about hazards that are there at every dose, by group
	priorA             [3]float64 // by group
	priorD             [3]float64
	prior              [3]prior
	odds               [3]float64 // see overdoubt, by group
	// Hazards by layer, once learned.
	skipH, plateH, printerH []float32
	misses                  *misses
	parts                   [5][]float32 // of each cause, and of each group's hazards at every dose, in the failures: by layer
	failed                  []int        // layers that failed, but for restarts
	bears                   [3]bearing   // how near misses come about, by group
	credulous               bool         // see Options
	x                       [2][]float32 // dose by cause and layer
	spread                  [2]*spread
	shape                   [2]int
	clear                   [2]bool    // whether the shape leads by far
	scale                   [2]float32 // of the shapes
	slopeMean, slopeVar     [2]float64 // of the log-odds, by cause
}

const (
	rounds    = 4
	doubt     = 2   // subjects' worth of an effect that are not believed in the end
	leastReal = 0.2 // avoidable failures per 100 below which nothing is the matter
	// leastBelieved is how many subjects' worth of an effect must be believed for a
	// farm to have any.
	leastBelieved = 0.25

	// Variances of a and δ before anything is learned: subjects are taken to be
	// alike, but for the few that are bad at every dose (see prior).
	startA = 0.03
	startD = 0.3
)

// Groups of questions.
const (
	printerProbing = iota
	printerGap
	plateGap
)

// newStudy begins one.
func newStudy(l *Layers, printers, plates int, opt Options) *study {
	l = l.gathered(printers, plates)
	from := opt.thinFrom()
	e := &study{printers: printers, plates: plates, thin: thinned(l, from), credulous: opt.Credulous}
	beside( // parts of each keep one core busy only
		func() { e.f = fitFleet(l, printers, plates, fleetSteps, e.thin); e.f.share() },
		func() { e.misses = fitMisses(l, printers, plates, from) },
	)
	for i, failed := range l.Failed {
		if failed && l.Recent[i] != RecentRestart {
			e.failed = append(e.failed, i)
		}
	}
	e.byPrinter, e.byPlate = splitBy(l.Printer, printers), splitBy(l.Plate, plates)
	e.qs = make([]Question, 2*printers+plates)
	e.curves = make([]*curve, len(e.qs))
	e.slopeMean = [2]float64{e.f.skip, e.f.gap}
	e.slopeVar = [2]float64{e.f.printer.vari[1], e.f.plate.vari[1]}
	e.signs = [2]*signs{plainSigns(), plainSigns()}
	e.chronic = [3]*signs{plainSigns(), plainSigns(), plainSigns()}
	e.priorA = [3]float64{startA, startA, startA}
	e.priorD = [3]float64{startD, startD, startD}
	for _, c := range []Cause{SkippedProbing, CleaningGap} {
		e.x[c] = make([]float32, l.Len())
		e.spread[c] = spreadOf(l, c)
		e.scale[c] = e.doses(c, 0)
	}
	return e
}

func (e *study) group(i int) int {
	if i >= 2*e.printers {
		return plateGap
	}
	return i % 2
}

func (e *study) layers(i int) []int32 {
	if i >= 2*e.printers {
		return e.byPlate.of(i - 2*e.printers)
	}
	return e.byPrinter.of(i / 2)
}

// count fills in the plain numbers of a question.
func (e *study) count(i int, gapSplit float64) {
	q, l := &e.qs[i], e.f.l
	q.Kind, q.Index, q.Cause = PrinterSubject, int32(i/2), Cause(i%2)
	if i >= 2*e.printers {
		q.Kind, q.Index, q.Cause = PlateSubject, int32(i-2*e.printers), CleaningGap
	}
	nan := math.NaN()
	q.OddsRatio, q.OddsLow, q.OddsHigh = nan, nan, nan
	q.Z, q.P, q.Q, q.Avoidable, q.AvoidableLow, q.AvoidableHigh = nan, nan, nan, nan, nan, nan
	for _, i := range e.layers(i) {
		known, exposed := exposedTo(l, q.Cause, int(i), gapSplit)
		if !known {
			continue
		}
		q.N++
		if q.Cause == SkippedProbing && l.Probing[i] == ProbingVoid {
			q.Void++
		}
		if exposed {
			q.NExposed++
		}
		if l.Failed[i] {
			q.Failures++
			if exposed {
				q.FailuresExposed++
			}
		}
	}
	plain := q.N - q.NExposed - q.Void
	if q.Failures < leastFailures || q.NExposed < leastArm || plain < leastArm {
		q.Needs = needs(q, plain)
		return
	}
	q.State = Quiet
}

// asking is a way to ask a question.
type asking uint8

const (
	net   asking = iota // the effect beside all others
	whole               // a printer's cleaning gap with what its plates do to it
)

// rows collects the layers a question is fitted to. Restarts are left out:
// whether they were probed or cleaned follows from the failure before them.
// How says what is asked.
func (e *study) rows(n int, how asking) *rows {
	f, l, q := e.f, e.f.l, &e.qs[n]
	g := e.group(n)
	r := &rows{quick: e.thin != nil, swift: e.thin != nil && !e.credulous, signs: e.signs[q.Cause], chronic: e.chronic[g], priorA: e.priorA[g], priorC: 1, priorD: e.priorD[g]}
	b := binners.Get().(*binner)
	b.reset(r.quick)
	layers, failed := e.layers(n), 0
	for _, i := range layers {
		if l.Failed[i] {
			failed++
		}
	}
	r.fails.grow(failed)
	r.class, r.band, r.layer = make([]uint8, 0, failed), make([]uint8, 0, failed), make([]int32, 0, failed)
	for _, i32 := range layers {
		i := int(i32)
		if l.Recent[i] == RecentRestart {
			continue
		}
		off := float64(f.shared[i])
		var x, z float64
		known := e.skipH != nil
		switch g {
		case plateGap:
			if l.Gap[i] < 0 {
				continue
			}
			x = float64(e.x[CleaningGap][i])
			if known {
				off += f.printer.base(i)
				z = float64(e.skipH[i] + e.printerH[i])
			} else {
				off += f.printer.part(i) + f.skip*float64(f.skipped[i])
			}
		case printerProbing:
			if l.Probing[i] == ProbingUnknown || l.Probing[i] == ProbingVoid {
				continue
			}
			x = float64(e.x[SkippedProbing][i])
			if known {
				off += f.plate.base(i)
				z = float64(e.plateH[i] + e.printerH[i])
			} else {
				off += f.plate.part(i) + f.gap*float64(f.dose[i])
			}
		default:
			if l.Gap[i] < 0 {
				continue
			}
			x = float64(e.x[CleaningGap][i])
			if known {
				off += f.plate.base(i)
				z = float64(e.skipH[i])
				if how == net {
					z += float64(e.plateH[i])
				}
			} else {
				off += f.plate.base(i) + f.skip*float64(f.skipped[i])
			}
		}
		odds := float64(f.dose[i])
		if q.Cause == SkippedProbing {
			odds = float64(f.skipped[i])
		}
		miss, kind, ratio := e.misses.of(g, l, i)
		r.add(b, off, float64(f.span[i]), x, z, odds, l.Failed[i], miss, kind, ratio)
		if l.Failed[i] {
			r.class = append(r.class, class(l, i))
			r.band = append(r.band, band(q.Cause, l, i))
			r.layer = append(r.layer, i32)
		}
	}
	r.close(b)
	binners.Put(b)
	return r
}

// settled is the chance of no effect above which a question is not fitted again
// while the rest is learned.
const settled = 0.98

// quietest is the chance of no effect above which a question is not weighed
// again either.
const quietest = 0.997

// round fits all questions, or all that are not settled, and learns from them.
func (e *study) round(all, last bool) {
	parallel(len(e.qs), func(i int) {
		if e.qs[i].State == TooLittleData || !all && e.curves[i].none() > settled {
			return
		}
		e.curves[i], _ = e.curveFrom(e.rows(i, net), e.curves[i])
		e.curves[i].addMisses(e.group(i))
	})
	var byGroup [3][]*curve
	for i, c := range e.curves {
		if c != nil {
			byGroup[e.group(i)] = append(byGroup[e.group(i)], c)
		}
	}
	parallel(len(byGroup), func(g int) {
		cs := byGroup[g]
		e.prior[g] = learnPrior(cs, 0)
		if g != printerProbing {
			if e.credulous {
				e.bears[g] = learnKappa(cs, &e.prior[g])
			} else {
				e.bears[g] = learnBearing(cs, &e.prior[g])
			}
			e.prior[g] = learnPrior(cs, 0)
		}
		e.learnSpread(g, cs)
	})
	e.learnHazards()
	e.learnMisses()
	e.learnMarks()
	if !last {
		e.f.refit(e.spared)
		e.f.share()
	}
}

// curveFrom walks a question's sizes, where layers are thinned from where it ended before
// (nil: it did not), and gives the fit at no effect.
func (e *study) curveFrom(r *rows, before *curve) (*curve, fitted) {
	var start theta
	if e.thin == nil {
		before = nil
	}
	if before != nil {
		start = before.at[byDose][0]
	}
	null := r.fit(start, false, true)
	return r.curveOver(&null, before), null
}

// weigh settles the evidence of every question after the last round: a
// printer's cleaning gap is asked with what its plates do to it.
func (e *study) weigh() {
	e.evidence = make([]*curve, len(e.curves))
	parallel(len(e.qs), func(i int) {
		c := e.curves[i]
		if c == nil {
			return
		}
		if c.none() > quietest {
			e.evidence[i] = c
			return
		}
		e.evidence[i], _ = e.curveFrom(e.rows(i, whole), c)
		e.evidence[i].addMisses(e.group(i))
	})
	parallel(3, func(g int) {
		var cs []*curve
		for i, c := range e.evidence {
			if c != nil && e.group(i) == g {
				cs = append(cs, c)
			}
		}
		if g != printerProbing {
			for _, c := range cs {
				c.withMisses(&e.bears[g])
			}
		}
		e.prior[g] = learnPrior(cs, doubt)
		switch e.odds[g] = overdoubt; {
		case e.credulous:
			e.odds[g] = credulous
		case e.prior[g].effects()*float64(len(cs)) < leastBelieved:
			e.odds[g] = lone
		}
	})
}

// learnSpread learns the variances of a and δ of a group.
func (e *study) learnSpread(g int, cs []*curve) {
	if len(cs) < 5 {
		return
	}
	var a, d, n float64
	for _, c := range cs {
		for k, p := range c.post[byDose] {
			n += p
			a += p * c.a2[k]
			d += p * c.d2[k]
		}
	}
	e.priorA[g] = min(0.5, max(0.005, a/max(1, n)))
	e.priorD[g] = min(2, max(0.02, d/max(1, n)))
}

// learnHazards gives every layer the expected hazards of its exposures.
func (e *study) learnHazards() {
	f, n := e.f, e.f.l.Len()
	if e.skipH == nil {
		e.skipH, e.plateH, e.printerH = make([]float32, n), make([]float32, n), make([]float32, n)
	}
	beta := make([]float64, len(e.qs))
	for i, c := range e.curves {
		if c != nil {
			beta[i] = c.meanBeta()
		}
	}
	chunked(n, func(_, lo, hi int) {
		for i := lo; i < hi; i++ {
			p := f.l.Printer[i]
			e.skipH[i] = float32(beta[2*p]) * e.x[SkippedProbing][i]
			e.printerH[i] = float32(beta[2*p+1]) * e.x[CleaningGap][i]
			e.plateH[i] = 0
			if j := f.l.Plate[i]; j >= 0 {
				e.plateH[i] = float32(beta[2*e.printers+int(j)]) * e.x[CleaningGap][i]
			}
		}
	})
}

// spared gives the chance that no exposure spoils it, of every layer or of some (their
// number is n).
func (e *study) spared(at []int32, n int) []float32 {
	s := make([]float32, n)
	chunked(n, func(_, lo, hi int) {
		for k := lo; k < hi; k++ {
			i := k
			if at != nil {
				i = int(at[k])
			}
			s[k] = 1
			if h := e.skipH[i] + e.plateH[i] + e.printerH[i]; h > 0 {
				s[k] = float32(exp(-float64(h)))
			}
		}
	})
	return s
}

// conclude turns the last fits into the numbers of a question. p rests on the
// contrast of counts within the subject alone, adjusted by the fleet; what is avoidable also on its
// level and its marks against the farm's, where the contrast bears them out.
func (e *study) conclude(i int) {
	q, c := &e.qs[i], e.evidence[i]
	if c == nil {
		return
	}
	e.describe(q, c.r)
	q.odds = e.odds[e.group(i)]
	for k, p := range c.post[byDose] {
		if p > 0 && 100*c.r.avoidable(&c.at[byDose][k], false)/c.r.n <= leastReal {
			q.None += p
		}
	}
	for _, p := range c.post[always] {
		q.None += p
	}
	free := c.r.freed()
	counts := *free
	counts.signs = plainSigns()
	r := &counts
	near := c.at[byDose][0]
	near[3] = 0 // plain signs know of no leaning
	a := r.ask(near)
	q.Z = a.z
	least := float64(leastContrast)
	if e.group(i) == printerGap {
		least = leastPrinterGap
	}
	if q.Z >= least && c.failuresAlone(&e.prior[e.group(i)]) >= leastFailing {
		r = c.r.loosened()
		a = r.ask(c.at[byDose][0])
	} else {
		q.None = max(q.None, unborne)
	}
	low, high := r.interval(&a, normal95)
	q.Avoidable, q.AvoidableLow, q.AvoidableHigh = 100*a.avoid/r.n, 100*low/r.n, 100*high/r.n
}

const (
	// leastContrast is the signed root of the contrast of counts within a subject
	// below which nothing is raised: where the counts clearly point the other way,
	// level, marks and near misses do not outweigh them. A printer's cleaning gap is
	// the weakest of the questions, since its plates come and go and bays are cleaned
	// together, and must show more by itself.
	leastContrast   = -1
	leastPrinterGap = 0.8
	// leastFailing is how much likelier an effect must make the failures alone:
	// near misses lend weight to what failures say, they do not speak for them.
	leastFailing = 1.5
	// unborne is the least chance of nothing being avoidable otherwise: too large to
	// be raised.
	unborne = 0.9
	// Variances of a and δ that leave a subject's own level and leaning free.
	freeA, freeD = 4, 2
)

// freed gives the same question with the subject's own level and leaning free.
func (r *rows) freed() *rows {
	f := *r
	f.priorA, f.priorD = freeA, freeD
	return &f
}

// loosened gives the same question with a wider prior of the subject's own level,
// since an interval must also hold for the few that are bad for reasons of
// their own.
func (r *rows) loosened() *rows {
	f := *r
	f.priorA = 3*r.priorA + 0.02
	return &f
}

// widen gives the raised questions intervals that stay honest although the
// questions were picked for looking bad: of the intervals of all raised ones at
// most one in twenty is expected to miss (Benjamini & Yekutieli 2005, JASA
// 100:71-81).
func (e *study) widen() {
	asked, raised := 0, 0
	for i := range e.qs {
		if e.qs[i].State != TooLittleData {
			asked++
		}
		if e.qs[i].State == Raised {
			raised++
		}
	}
	if raised == 0 {
		return
	}
	crit := stats.NormalQuantile(1 - 0.025*float64(raised)/float64(asked))
	parallel(len(e.qs), func(i int) {
		q := &e.qs[i]
		if q.State != Raised {
			return
		}
		r := e.evidence[i].r.loosened()
		a := r.ask(e.evidence[i].at[byDose][0])
		low, high := r.interval(&a, crit)
		q.AvoidableLow, q.AvoidableHigh = 100*low/r.n, 100*high/r.n
	})
}

const normal95 = 1.959963984540054
