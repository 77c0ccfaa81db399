package findings

import (
	"math"
	"slices"
)

// Cause is the exposure a question asks about.
type Cause uint8

// The causes, in the order of the answers.
const (
	SkippedProbing Cause = iota
	CleaningGap
)

// String gives the stored code.
func (c Cause) String() string {
	if c == SkippedProbing {
		return "skipped_probing"
	}
	return "cleaning_gap"
}

// Subject is what a question is about.
type Subject uint8

// Kinds of subjects.
const (
	PrinterSubject Subject = iota
	PlateSubject
)

// String gives the stored code.
func (s Subject) String() string {
	if s == PrinterSubject {
		return "printer"
	}
	return "plate"
}

// State is what the evidence of a question amounts to.
type State uint8

// States of the evidence.
const (
	TooLittleData State = iota
	Quiet
	Watching
	Raised
)

// String gives the stored code.
func (s State) String() string {
	return [...]string{"too_little_data", "quiet", "watching", "raised"}[s]
}

// Options are the farm's choices.
type Options struct {
	FalseDiscoveryRate float64 // 0.05
	LeastAvoidable     float64 // failures per 100 below which nothing is raised
	Unthinned          bool    // all layers are gone through each time, however many there are
	Credulous          bool    // near misses come of nothing but what makes layers fail, and a lone finding is believed like others
}

// thinFrom is the number of layers from which on they are thinned.
func (o *Options) thinFrom() int {
	if o.Unthinned {
		return math.MaxInt
	}
	return thinFrom
}

// Question is the answer for one subject and cause. Numbers that could not be
// estimated are NaN.
type Question struct {
	Kind    Subject
	Index   int32
	Cause   Cause
	State   State
	Reverse bool

	N, Failures               int // graded and exposure known
	NExposed, FailuresExposed int
	Void                      int // of N, probed and then swapped or serviced
	Needs                     int // with TooLittleData

	OddsRatio, OddsLow, OddsHigh float64
	Z, P, Q                      float64
	Avoidable                    float64 // per 100 of N
	AvoidableLow, AvoidableHigh  float64
	None                         float64 // chance that nothing worth mentioning is avoidable

	odds float64 // what the odds of that are taken by; 0: overdoubt
}

// Limits under which the evidence is too little (findings were measured to
// mislead below them).
const (
	leastFailures = 5
	leastArm      = 10
)

// split is the rows of every subject of one kind, by one counting sort.
type split struct {
	start []int32 // by subject, into order
	order []int32
}

func splitBy(level []int32, n int) split {
	s := split{start: make([]int32, n+1), order: make([]int32, 0, len(level))}
	for _, v := range level {
		if v >= 0 {
			s.start[v+1]++
		}
	}
	for i := range n {
		s.start[i+1] += s.start[i]
	}
	next := slices.Clone(s.start[:n])
	s.order = s.order[:s.start[n]]
	for i, v := range level {
		if v >= 0 {
			s.order[next[v]] = int32(i)
			next[v]++
		}
	}
	return s
}

func (s *split) of(k int) []int32 { return s.order[s.start[k]:s.start[k+1]] }

// Evaluate answers every question of a farm: each printer for skipped probing
// and cleaning gap, each plate for cleaning gap, in that order by index.
// gapSplit is the gap above which a layer counts as exposed in the tables.
func Evaluate(l *Layers, printers, plates int, gapSplit float64, opt Options) []Question {
	qs, _ := Learn(l, printers, plates, gapSplit, opt)
	return qs
}

// Learn answers every question as Evaluate does, and gives what the same fit
// tells of starts to come.
func Learn(l *Layers, printers, plates int, gapSplit float64, opt Options) ([]Question, *Model) {
	e := newStudy(l, printers, plates, opt)
	parallel(len(e.qs), func(i int) { e.count(i, gapSplit) })
	e.run()
	m := e.model()
	return e.answer(opt), m
}

// answer settles the questions of a study that has run.
func (e *study) answer(opt Options) []Question {
	e.weigh()
	parallel(len(e.qs), func(i int) { e.conclude(i) })
	decide(e.qs, opt)
	e.widen()
	return e.qs
}

// exposedTo tells whether a layer's exposure to a cause is known, and whether
// it counts as exposed in the tables.
func exposedTo(l *Layers, c Cause, i int, gapSplit float64) (known, exposed bool) {
	if c == SkippedProbing {
		return l.Probing[i] != ProbingUnknown, l.Probing[i] == ProbingSkipped
	}
	return l.Gap[i] >= 0, float64(l.Gap[i]) > gapSplit
}

// needs tells how many further graded layers would lift a question over the
// least counts at the shares seen so far; shares not seen yet are taken as one
// of the layers so far and one more.
func needs(q *Question, plain int) int {
	n := float64(q.N)
	more := func(have, want int) float64 {
		if have >= want {
			return 0
		}
		rate := (float64(have) + 0.5) / (n + 1)
		if n == 0 {
			rate = 0.1
		}
		return float64(want-have) / rate
	}
	m := max(more(q.Failures, leastFailures), more(q.NExposed, leastArm), more(plain, leastArm))
	m = min(math.Ceil(m), 99999)
	if m >= 100 {
		m = math.Ceil(m/10) * 10
	}
	return max(1, int(m))
}

// describe fits the penalised logistic regression that describes the effect on the
// odds: offset, intercept, time and the exposure's slope, which is shrunken
// towards the fleet's slope with the fleet's variance.
func (e *study) describe(q *Question, r *rows) {
	mean, v := e.slopeMean[q.Cause], e.slopeVar[q.Cause]
	v = max(v, 0.01)
	var a, c, b float64
	b = mean
	var diag [3]float64
	for range 20 {
		g := [3]float64{-a / r.priorA, -(b - mean) / v, -c / r.priorC}
		h := [3][3]float64{{1 / r.priorA, 0, 0}, {0, 1 / v, 0}, {0, 0, 1 / r.priorC}}
		for y, o := range []*obs{&r.holds, &r.fails} {
			for i, m := range o.count {
				x := [3]float64{1, o.odds[i], o.t[i]}
				p := expit(o.off[i] + a + b*x[1] + c*x[2])
				res, w := m*(float64(y)-p), m*p*(1-p)
				for j := range 3 {
					g[j] += res * x[j]
					for k := j; k < 3; k++ {
						h[j][k] += w * x[j] * x[k]
					}
				}
			}
		}
		d, dg, ok := solve3(&h, &g, 3)
		if !ok {
			break
		}
		diag = dg
		a += clamp(d[0], 1)
		b += clamp(d[1], 1)
		c += clamp(d[2], 1)
		if math.Abs(d[0])+math.Abs(d[1])+math.Abs(d[2]) < 1e-8 {
			break
		}
	}
	se := math.Sqrt(max(diag[1], 0))
	q.OddsRatio = math.Exp(b)
	q.OddsLow, q.OddsHigh = math.Exp(b-1.959963984540054*se), math.Exp(b+1.959963984540054*se)
}

// run goes through the rounds.
func (e *study) run() {
	rounds := rounds
	if e.thin != nil {
		rounds = roundsThinned
	}
	for n := range rounds {
		e.round(n < 2, n == rounds-1)
		if n < 2 {
			e.chooseShapes()
		}
	}
}
