package planning

import (
	"math"

	"basecourse/internal/stats"
)

// Forecasts are frozen with ranges that hold so much.
const Held = 0.9

// What became of a start.
const (
	CameGood   = 'g'
	CameFailed = 'f'
	CameUnseen = '.' // not graded
)

// Outcome is what came of the planned starts beside what was expected of those that
// were graded.
type Outcome struct {
	Made, Graded, Failed int
	Expected             float64 // failures among the graded
	Low, High            int     // holds 90 of 100
	// The chances of the graded starts, and which of them failed.
	Said []float64
	Came []bool
}

// Within tells whether what came lies in the range.
func (o *Outcome) Within() bool { return o.Failed >= o.Low && o.Failed <= o.High }

// Unseen is how many of the starts made were not graded.
func (o *Outcome) Unseen() int { return o.Made - o.Graded }

// Beside lays what came, a letter for each start in its order (CameGood, CameFailed,
// CameUnseen), beside what was expected: the k-th start made has the k-th chance
// planned. Starts beyond the planned ones are left out.
func Beside(t Together, came string) Outcome {
	var o Outcome
	graded := Together{Doubt: t.Doubt}
	for i := 0; i < len(came) && i < len(t.P); i++ {
		o.Made++
		if came[i] == CameUnseen {
			continue
		}
		o.Graded++
		o.Expected += t.P[i]
		graded.P = append(graded.P, t.P[i])
		o.Came = append(o.Came, came[i] == CameFailed)
		if came[i] == CameFailed {
			o.Failed++
		}
	}
	o.Said = graded.P
	o.Low, o.High = Range(graded.Failures(), Held)
	return o
}

// Band is jobs of about one size.
type Band struct {
	From, To     int // graded starts; To 0: and more
	Jobs, Within int
	Graded       int
	Expected     float64
	Failed       int
	Low, High    int // of failures, if the chances said were right: 90 of 100
}

// bands of jobs by graded starts.
var bands = [][2]int{{1, 9}, {10, 29}, {30, 99}, {100, 0}}

// Record is how well what was expected of jobs held.
type Record struct {
	Band  // all of them
	Bands []Band
	stats.Calibration
	// Chance of a number of failures at least as far from the expected one, if each
	// start failed with the chance said, by itself: exact, two-sided by doubling the
	// smaller tail (Poisson-binomial distribution; Hong 2013, Computational Statistics
	// & Data Analysis 59:41-51).
	Exact float64
	Off   []Off
}

// Off is a way in which the chances said were off.
type Off int

// The ways.
const (
	TooFew    Off = iota // failures were expected
	TooMany              // were expected
	TooApart             // chances were said
	TooLittle            // apart they were said
)

// Limits of what counts as right: slope, and intercept in log-odds.
const (
	slopeLeast, slopeMost = 0.9, 1.1
	interceptMost         = 0.1
	// leastFailures it takes to judge.
	leastFailures = 20
)

// Judged tells whether there is enough to judge by.
func (r *Record) Judged() bool { return r.Failed >= leastFailures }

// Judge adds up jobs. What is off is named where it leaves the limits and chance does
// not explain it: the slope's 95 % interval leaves out 1, or the exact test says below 5
// in 100.
func Judge(list []Outcome) Record {
	var r Record
	var said []float64
	var came []bool
	for _, b := range bands {
		r.Bands = append(r.Bands, Band{From: b[0], To: b[1]})
	}
	by := make([][]float64, len(bands))
	for i := range list {
		o := &list[i]
		if o.Graded == 0 {
			continue
		}
		said, came = append(said, o.Said...), append(came, o.Came...)
		for k := range r.Bands {
			b := &r.Bands[k]
			if o.Graded >= b.From && (b.To == 0 || o.Graded <= b.To) {
				b.add(o)
				by[k] = append(by[k], o.Said...)
			}
		}
		r.add(o)
	}
	for k := range r.Bands {
		r.Bands[k].Low, r.Bands[k].High = Range(Failures(by[k]), Held)
	}
	chance := Failures(said)
	r.Low, r.High = Range(chance, Held)
	below, upTo := 0.0, 0.0
	for k, c := range chance {
		if k < r.Failed {
			below += c
		}
		if k <= r.Failed {
			upTo += c
		}
	}
	r.Exact = min(1, 2*min(upTo, 1-below))
	r.Calibration = stats.Calibrate(said, came)
	if !r.Judged() {
		return r
	}
	if math.Abs(r.Intercept) > interceptMost && r.Exact < 0.05 {
		r.Off = append(r.Off, map[bool]Off{true: TooFew, false: TooMany}[r.Intercept > 0])
	}
	if r.Slope < slopeLeast && r.SlopeHigh < 1 {
		r.Off = append(r.Off, TooApart)
	}
	if r.Slope > slopeMost && r.SlopeLow > 1 {
		r.Off = append(r.Off, TooLittle)
	}
	return r
}

func (b *Band) add(o *Outcome) {
	b.Jobs++
	if o.Within() {
		b.Within++
	}
	b.Graded += o.Graded
	b.Expected += o.Expected
	b.Failed += o.Failed
}
