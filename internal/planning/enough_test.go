package planning

import (
	"math"
	"math/cmplx"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within || math.IsNaN(got) {
		t.Errorf("%s: got %.15g, want %.15g within %g", what, got, want, within)
	}
}

// TestFailuresOfEqualChancesAreBinomial compares with gonum's binomial.
func TestFailuresOfEqualChancesAreBinomial(t *testing.T) {
	for _, c := range []struct {
		n int
		p float64
	}{{1, 0.3}, {12, 0.05}, {200, 0.11}, {1500, 0.02}} {
		p := make([]float64, c.n)
		for i := range p {
			p[i] = c.p
		}
		b := distuv.Binomial{N: float64(c.n), P: c.p}
		for k, x := range Failures(p) {
			near(t, "binomial", x, b.Prob(float64(k)), 1e-12)
		}
	}
}

// TestFailuresByLookingAtAllOutcomes adds up the chances of all outcomes.
func TestFailuresByLookingAtAllOutcomes(t *testing.T) {
	p := []float64{0.02, 0.31, 0.07, 0.5, 0.11, 0, 0.93, 1, 0.004, 0.25, 0.17}
	want := make([]float64, len(p)+1)
	for set := range 1 << len(p) {
		chance, k := 1.0, 0
		for i, x := range p {
			if set>>i&1 == 1 {
				chance *= x
				k++
			} else {
				chance *= 1 - x
			}
		}
		want[k] += chance
	}
	for k, x := range Failures(p) {
		near(t, "all outcomes", x, want[k], 1e-14)
	}
}

// TestFailuresByTheFourierTransform compares with the closed form of Fernández
// and Williams 2010 (IEEE Transactions on Aerospace and Electronic Systems
// 46:803-817), and holds the inequality of Le Cam 1960 (Pacific Journal of
// Mathematics 10:1181-1197): the distance to the Poisson distribution of the same
// mean is below twice the sum of the squared chances.
func TestFailuresByTheFourierTransform(t *testing.T) {
	p := make([]float64, 60)
	mean, squares := 0.0, 0.0
	for i := range p {
		p[i] = 0.01 + 0.09*math.Abs(math.Sin(float64(i)))
		mean += p[i]
		squares += p[i] * p[i]
	}
	got := Failures(p)
	n, distance := len(p), 0.0
	for k := range got {
		sum := complex(0, 0)
		for l := range n + 1 {
			turn := cmplx.Exp(complex(0, 2*math.Pi*float64(l)/float64(n+1)))
			product := complex(1, 0)
			for _, x := range p {
				product *= 1 + (turn-1)*complex(x, 0)
			}
			sum += cmplx.Exp(complex(0, -2*math.Pi*float64(l*k)/float64(n+1))) * product
		}
		near(t, "closed form", got[k], real(sum)/float64(n+1), 1e-13)
		distance += math.Abs(got[k] - distuv.Poisson{Lambda: mean}.Prob(float64(k)))
	}
	if distance >= 2*squares {
		t.Errorf("distance to Poisson %g, Le Cam's bound %g", distance, 2*squares)
	}
}

func TestLevelsKeepTheMean(t *testing.T) {
	for _, o := range []Odds{{0.05, 0.02, 0.12}, {0.5, 0.4, 0.6}, {0.01, 0.01, 0.01}, {0.3, 0.05, 0.9}} {
		p, mean := o.at(), 0.0
		for k, x := range p {
			mean += x / levels
			if k > 0 && x < p[k-1] {
				t.Errorf("%v: levels fall", o)
			}
		}
		near(t, "mean", mean, o.P, 1e-9)
	}
}

// sure is a chance known for certain.
func sure(p float64) Odds { return Odds{p, p, p} }

// TestHowManyIsTheLeastThatIsEnough compares with gonum's binomial where the
// risks are equal and known.
func TestHowManyIsTheLeastThatIsEnough(t *testing.T) {
	for _, need := range []int{1, 10, 100} {
		for _, p := range []float64{0.01, 0.08, 0.3} {
			a := HowMany(Order{Needed: need, Next: []Odds{sure(p)}, Confidence: 0.95})
			want := need
			for (distuv.Binomial{N: float64(want), P: p}).CDF(float64(want-need)) < 0.95 {
				want++
			}
			if a.Start != want || a.Cannot {
				t.Errorf("%d good at %g: start %d (cannot %v), want %d", need, p, a.Start, a.Cannot, want)
			}
			near(t, "chance", a.Enough, distuv.Binomial{N: float64(want), P: p}.CDF(float64(want-need)), 1e-9)
		}
	}
}

func TestUncertainRisksNeedMoreStarts(t *testing.T) {
	known := HowMany(Order{Needed: 100, Next: []Odds{sure(0.06)}, Confidence: 0.95})
	unsure := HowMany(Order{Needed: 100, Next: []Odds{{0.06, 0.02, 0.15}}, Confidence: 0.95})
	if unsure.Start <= known.Start {
		t.Errorf("uncertain risks: start %d, known ones %d", unsure.Start, known.Start)
	}
	if !(unsure.EnoughLow < unsure.Enough && unsure.Enough < unsure.EnoughHigh) {
		t.Errorf("range %v", unsure.Number)
	}
}

func TestHowManyAtTheEdges(t *testing.T) {
	if a := HowMany(Order{Needed: 3, Confidence: 0.95}); !a.Cannot {
		t.Error("nothing to start on is enough")
	}
	if a := HowMany(Order{Needed: 0, Confidence: 0.95}); a.Cannot || a.Start != 0 || a.Enough != 1 {
		t.Errorf("nothing needed: %+v", a)
	}
	if a := HowMany(Order{Needed: 5, UnderWay: []Odds{sure(0), sure(0), sure(0), sure(0), sure(0)}, Confidence: 0.95}); a.Cannot || a.Start != 0 {
		t.Errorf("enough under way: %+v", a)
	}
	if a := HowMany(Order{Needed: 1, Next: []Odds{sure(1)}, Confidence: 0.95}); !a.Cannot {
		t.Error("starts that always fail are enough")
	}
	// Two needed, one fails half the time: unequal chances in turn.
	a := HowMany(Order{Needed: 2, Next: []Odds{sure(0), sure(0.5)}, Confidence: 0.9})
	if a.Start != 3 {
		t.Errorf("in turn: start %d, want 3", a.Start)
	}
}

// TestSparesAreTheNewsvendors: with one price for each spare and each missing
// one, the cheapest number is the least n whose next good one is needed with a
// chance below Spare/(Spare+Later) (Arrow, Harris and Marschak 1951, Econometrica
// 19:250-272), here by the costs written out.
func TestSparesAreTheNewsvendors(t *testing.T) {
	const need, p = 20, 0.1
	o := Order{Needed: need, Next: []Odds{sure(p)}, Confidence: 0.95, Spares: Spares{Spare: 2, Later: 5, Late: 3}}
	best, at := math.Inf(1), 0
	for n := need; n < 60; n++ {
		b, cost := distuv.Binomial{N: float64(n), P: 1 - p}, 0.0
		for good := 0; good <= n; good++ {
			if good >= need {
				cost += b.Prob(float64(good)) * 2 * float64(good-need)
			} else {
				cost += b.Prob(float64(good)) * (5*float64(need-good) + 3)
			}
		}
		if cost < best {
			best, at = cost, n
		}
	}
	a := HowMany(o)
	if a.Cheapest.Start != at {
		t.Errorf("cheapest %d, want %d", a.Cheapest.Start, at)
	}
	near(t, "its cost", a.Cheapest.Cost, best, 1e-9)
}

func BenchmarkHowMany(b *testing.B) {
	next := make([]Odds, 200)
	for i := range next {
		next[i] = Odds{0.05, 0.02, 0.1}
	}
	for b.Loop() {
		HowMany(Order{Needed: 100, Next: next, Confidence: 0.95})
	}
}
