package findings

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/optimize"
)

// drawn is one question's layers with a known effect, one by one.
type drawn struct {
	off, t, x []float64
	y         []bool
}

func draw(seed uint64, n int, beta float64) *drawn {
	rng := rand.New(rand.NewPCG(seed, 9))
	d := &drawn{}
	for i := range n {
		off := -3.2 + 0.4*rng.NormFloat64()
		x := 0.0
		if rng.Float64() < 0.3 {
			x = 1
		}
		p := 1 - (1-expit(off))*math.Exp(-beta*x)
		d.off, d.t, d.x, d.y = append(d.off, off), append(d.t, float64(i)/float64(n)-0.5), append(d.x, x), append(d.y, rng.Float64() < p)
	}
	return d
}

func (d *drawn) rows() *rows {
	r := &rows{signs: plainSigns(), priorA: 0.3, priorC: 1, priorD: 1}
	b := &binner{}
	for i := range d.y {
		r.add(b, d.off[i], d.t[i], d.x[i], 0, d.x[i], d.y[i], 0, -1, 1)
	}
	for range r.fails.off {
		r.class, r.band = append(r.class, 0), append(r.band, 0)
	}
	r.close(b)
	return r
}

// logLikelihood is written straight from the model, layer by layer.
func (d *drawn) logLikelihood(a, c, beta float64) float64 {
	ll := -a*a/(2*0.3) - c*c/2
	for i, y := range d.y {
		q := 1 / (1 + math.Exp(-d.off[i]-a-c*d.t[i]))
		hold := (1 - q) * math.Exp(-beta*d.x[i])
		if y {
			ll += math.Log(1 - hold)
		} else {
			ll += math.Log(hold)
		}
	}
	return ll
}

// The reference is gonum's Nelder-Mead on the likelihood without bins.
func TestAQuestionsMaximumIsThatOfAGeneralOptimiser(t *testing.T) {
	for seed := range uint64(6) {
		d := draw(seed, 700, 0.06)
		best := func(hold bool) (x []float64, ll float64) {
			p := optimize.Problem{Func: func(v []float64) float64 {
				if hold {
					return -d.logLikelihood(v[0], v[1], 0)
				}
				return -d.logLikelihood(v[0], v[1], math.Abs(v[2]))
			}}
			start := []float64{0, 0, 0.03}
			if hold {
				start = start[:2]
			}
			res, err := optimize.Minimize(p, start, nil, &optimize.NelderMead{})
			if err != nil {
				t.Fatal(err)
			}
			return res.X, -res.F
		}
		x, ll := best(false)
		_, null := best(true)
		r := d.rows()
		got := r.ask(theta{})
		if want := math.Sqrt(2 * (ll - null)); math.Abs(got.z-want) > 0.05 {
			t.Errorf("seed %d: signed root %.3f, want %.3f", seed, got.z, want)
		}
		if want := math.Abs(x[2]); math.Abs(got.best.th[2]-want) > 0.003 {
			t.Errorf("seed %d: beta %.4f, want %.4f", seed, got.best.th[2], want)
		}
	}
}

// Under no effect the signed root is about standard normal (Wilks 1938), and
// 95 % intervals hold the truth in about 95 % of draws.
func TestSignedRootsAndIntervalsAreHonest(t *testing.T) {
	for _, beta := range []float64{0, 0.05} {
		held, above, n := 0, 0, 400
		for seed := range uint64(n) {
			d := draw(1000+seed, 600, beta)
			truth := 0.0
			for i, x := range d.x {
				truth += (1 - expit(d.off[i])) * (1 - math.Exp(-beta*x))
			}
			r := d.rows()
			a := r.ask(theta{})
			low, high := r.interval(&a, normal95)
			if low <= truth+1e-9 && truth <= high+1e-9 {
				held++
			}
			if a.z > 1.645 {
				above++
			}
		}
		if held < n*91/100 || held > n*985/1000 {
			t.Errorf("beta %v: %d of %d intervals hold the truth", beta, held, n)
		}
		if beta == 0 && above > n*8/100 {
			t.Errorf("without an effect %d of %d signed roots above 1.645, want about 5 %%", above, n)
		}
	}
}

func TestTooFewFailuresSayHowManyLayersAreMissing(t *testing.T) {
	l := &Layers{}
	for i := range 40 {
		l.At = append(l.At, int64(i)*3_600_000_000)
		l.Printer, l.Plate = append(l.Printer, 0), append(l.Plate, 0)
		l.Material, l.Grader, l.Day = append(l.Material, 0), append(l.Grader, 0), append(l.Day, int32(i/24))
		l.Failed = append(l.Failed, i%20 == 0)
		p := ProbingValid
		if i%4 == 0 {
			p = ProbingSkipped
		}
		l.Probing, l.SinceP, l.Gap = append(l.Probing, p), append(l.SinceP, 0), append(l.Gap, int32(i%6))
		l.Recent, l.Hour = append(l.Recent, RecentNone), append(l.Hour, uint8(i%24))
		l.Height, l.Grip, l.Dirt, l.Else = append(l.Height, 0), append(l.Grip, 0), append(l.Dirt, 0), append(l.Else, 0)
	}
	for _, q := range Evaluate(l, 1, 1, 2, Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5}) {
		if q.State != TooLittleData || q.Needs < 40 || !math.IsNaN(q.Q) || !math.IsNaN(q.Avoidable) {
			t.Errorf("%s %s: %s needs %d q %v, want too_little_data, some 60 more layers and no estimates", q.Kind, q.Cause, q.State, q.Needs, q.Q)
		}
	}
	for _, q := range Evaluate(&Layers{}, 2, 1, math.NaN(), Options{FalseDiscoveryRate: 0.05}) {
		if q.State != TooLittleData || q.Needs < 1 {
			t.Errorf("a farm without layers: %s needs %d", q.State, q.Needs)
		}
	}
}

func TestDiscoveryNeedsAContrast(t *testing.T) {
	qs := []Question{
		{State: Quiet, Z: 4, None: 0.001, Avoidable: 3},
		{State: Quiet, Z: 3, None: 0.01, Avoidable: 0.2},
		{State: Quiet, Z: 0.1, None: unborne, Avoidable: 9},
		{State: Quiet, Z: -6, None: 0.9, Avoidable: -2},
	}
	decide(qs, Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5})
	if qs[0].State != Raised || qs[1].State != Watching || qs[2].State == Raised || !qs[3].Reverse || qs[3].State != Quiet {
		t.Errorf("states %v %v %v %v, reverse %t", qs[0].State, qs[1].State, qs[2].State, qs[3].State, qs[3].Reverse)
	}
}

// Bins must not mix layers without the exposure with exposed ones, or the
// opposite sign is seen where there is none.
func TestBinsKeepUnexposedLayersApart(t *testing.T) {
	d := draw(77, 900, 0)
	for i := range d.x {
		d.x[i] *= 0.3 // a small dose beside none
	}
	r := d.rows()
	exposed, n := 0.0, 0.0
	for i, m := range r.holds.count {
		if r.holds.x[i] > 0 {
			exposed += m
		}
	}
	for i, x := range d.x {
		if x > 0 && !d.y[i] {
			n++
		}
	}
	if exposed != n {
		t.Errorf("%v of %v exposed layers that held stand in bins with a dose", exposed, n)
	}
}
