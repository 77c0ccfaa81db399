package planning

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func TestWhatCameStandsBesideTheChanceOfItsOwnStart(t *testing.T) {
	o := Beside(Together{P: []float64{0.1, 0.2, 0.3, 0.4}}, "g.f")
	if o.Made != 3 || o.Graded != 2 || o.Failed != 1 || o.Unseen() != 1 || math.Abs(o.Expected-0.4) > 1e-12 || !slices.Equal(o.Said, []float64{0.1, 0.3}) || !slices.Equal(o.Came, []bool{false, true}) {
		t.Errorf("%+v", o)
	}
	if o := Beside(Together{P: []float64{0.1}}, "fgf"); o.Made != 1 || o.Failed != 1 {
		t.Errorf("starts beyond the planned: %+v", o)
	}
	if o := Beside(Together{P: []float64{0.1}}, ""); o.Made != 0 || o.Low != 0 || o.High != 0 || !o.Within() {
		t.Errorf("nothing made: %+v", o)
	}
}

// drawn makes jobs of which the chances said are off by a shift of the log-odds and a
// factor on their distance from one of 5 in 100.
func drawn(jobs int, shift, apart float64) (list []Outcome) {
	r := rand.New(rand.NewPCG(7, 11))
	for range jobs {
		n := 5 + r.IntN(60)
		var said []float64
		var came strings.Builder
		for range n {
			x := -2.94 + 1.5*r.NormFloat64()
			p := 1 / (1 + math.Exp(-x))
			said = append(said, 1/(1+math.Exp(-(-2.94+apart*(x+2.94)+shift))))
			came.WriteByte(map[bool]byte{true: CameFailed, false: CameGood}[r.Float64() < p])
		}
		list = append(list, Beside(Together{P: said}, came.String()))
	}
	return list
}

func TestTheRecordNamesWhatIsOffAndNothingElse(t *testing.T) {
	for _, c := range []struct {
		name         string
		shift, apart float64
		want         []Off
	}{{"right", 0, 1, nil}, {"too few said", -0.5, 1, []Off{TooFew}}, {"too many said", 0.5, 1, []Off{TooMany}}, {"too far apart", 0, 1.6, []Off{TooApart}}, {"too close", 0, 0.6, []Off{TooLittle}}} {
		r := Judge(drawn(120, c.shift, c.apart))
		for _, off := range c.want {
			if !slices.Contains(r.Off, off) {
				t.Errorf("%s: %v, slope %.2f (%.2f to %.2f), intercept %.2f, exact %.3f", c.name, r.Off, r.Slope, r.SlopeLow, r.SlopeHigh, r.Intercept, r.Exact)
			}
		}
		if c.want == nil && len(r.Off) > 0 {
			t.Errorf("%s: %v", c.name, r.Off)
		}
		jobs, failed := 0, 0
		for _, b := range r.Bands {
			jobs, failed = jobs+b.Jobs, failed+b.Failed
		}
		if jobs != r.Jobs || failed != r.Failed || jobs != 120 {
			t.Errorf("%s: bands hold %d jobs and %d failures of %d and %d", c.name, jobs, failed, r.Jobs, r.Failed)
		}
	}
	if r := Judge(drawn(2, -3, 1)); r.Judged() || r.Off != nil {
		t.Errorf("two jobs are judged: %+v", r)
	}
	if r := Judge(nil); r.Jobs != 0 || r.Judged() {
		t.Errorf("no job: %+v", r)
	}
}

// With equal chances the exact test is the binomial one, doubled (gonum).
func TestTheExactTestIsTheBinomialWhereChancesAreEqual(t *testing.T) {
	came := strings.Repeat("f", 11) + strings.Repeat("g", 89)
	r := Judge([]Outcome{Beside(Together{P: slices.Repeat([]float64{0.06}, 100)}, came)})
	b := distuv.Binomial{N: 100, P: 0.06}
	near(t, "two-sided", r.Exact, 2*(1-b.CDF(10)), 1e-9)
}
