package stats

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func inUnit(t *rapid.T, name string, p float64) {
	if !(p >= 0 && p <= 1) {
		t.Fatalf("%s = %g, want a chance in [0, 1]", name, p)
	}
}

func TestProportionIntervalsHoldTheEstimateAndNest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5000).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		for name, f := range map[string]func(x, n int, c float64) Interval{"Wilson": Wilson, "Clopper-Pearson": ClopperPearson} {
			wide, narrow := f(x, n, 0.95), f(x, n, 0.8)
			if p := float64(x) / float64(n); !wide.Contains(p) || !narrow.Contains(p) {
				t.Fatalf("%s of %d/%d: %v and %v do not hold %g", name, x, n, wide, narrow, p)
			}
			if wide.Low > narrow.Low || wide.High < narrow.High || wide.Low < 0 || wide.High > 1 {
				t.Fatalf("%s of %d/%d: 95 %% %v does not hold 80 %% %v", name, x, n, wide, narrow)
			}
		}
	})
}

var smallTable = rapid.Custom(func(t *rapid.T) Table {
	cell := rapid.IntRange(0, 25)
	return Table{cell.Draw(t, "a"), cell.Draw(t, "b"), cell.Draw(t, "c"), cell.Draw(t, "d")}
})

func TestExactTestsAreCoherent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		strata := rapid.SliceOfN(smallTable, 0, 8).Draw(t, "strata")
		e := NewExact(strata...)
		g, l, mid, two := e.PGreater(1), e.PLess(1), e.MidPGreater(1), e.PTwoSided()
		for name, p := range map[string]float64{"greater": g, "less": l, "mid": mid, "two-sided": two} {
			inUnit(t, name, p)
		}
		if mid > g {
			t.Fatalf("mid-p %g above p %g", mid, g)
		}
		if !e.Informative() {
			if g != 1 || two != 1 {
				t.Fatalf("without information p = %g, %g, want 1", g, two)
			}
			return
		}
		// Exchanging failed and good turns the question round.
		var turned []Table
		for _, s := range strata {
			turned = append(turned, Table{s.B, s.A, s.D, s.C})
		}
		if r := NewExact(turned...); math.Abs(r.PLess(1)-g) > 1e-9 {
			t.Fatalf("turned round p = %g, want %g", r.PLess(1), g)
		}
		or, i := e.OddsRatio(), e.OddsRatioLimits(0.95)
		if !(i.Low <= or && or <= i.High) {
			t.Fatalf("limits %v do not hold the estimate %g", i, or)
		}
		if i.Low > 0 {
			if p := e.PGreater(i.Low); math.Abs(p-0.025) > 1e-8 {
				t.Fatalf("p at the lower limit = %g, want 0.025", p)
			}
		}
	})
}

// The trend test with scores 0 and 1 is Fisher's test, and over strata the
// exact Mantel-Haenszel test.
func TestExactTrendOverTwoScoresIsTheExactTest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tables := rapid.SliceOfN(smallTable, 1, 5).Draw(t, "strata")
		var strata [][]Dose
		for _, s := range tables {
			strata = append(strata, []Dose{{s.A, s.A + s.B, 1}, {s.C, s.C + s.D, 0}})
		}
		e, d := NewExact(tables...), ExactTrendOf(strata, 1)
		if got, want := d.PIncreasing, e.PGreater(1); math.Abs(got-want) > 1e-9*(1+want) {
			t.Fatalf("p = %.12g, want %.12g", got, want)
		}
		if got, want := d.MidPIncreasing, e.MidPGreater(1); math.Abs(got-want) > 1e-9 {
			t.Fatalf("mid-p = %.12g, want %.12g", got, want)
		}
	})
}

func TestTrendTestsStayChances(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		groups := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Dose {
			n := rapid.IntRange(0, 40).Draw(t, "n")
			return Dose{rapid.IntRange(0, min(n, 4)).Draw(t, "x"), n, float64(rapid.IntRange(-3, 9).Draw(t, "score")) / 2}
		}), 1, 6).Draw(t, "groups")
		e := ExactTrendOf([][]Dose{groups}, 0.5)
		inUnit(t, "exact", e.PIncreasing)
		inUnit(t, "exact mid", e.MidPIncreasing)
		inUnit(t, "exact two-sided", e.PByDistance)
		if a := CochranArmitage(groups); !math.IsNaN(a.Z) {
			inUnit(t, "asymptotic", a.P)
			inUnit(t, "asymptotic one-sided", a.PIncreasing)
		}
	})
}

func TestQValuesAreMonotoneAndNoSmallerThanP(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOf(rapid.OneOf(rapid.Float64Range(0, 1), rapid.Just(math.NaN()))).Draw(t, "p")
		q := BenjaminiHochberg(p)
		for i := range p {
			if math.IsNaN(p[i]) != math.IsNaN(q[i]) {
				t.Fatalf("p %g has q %g", p[i], q[i])
			}
			if math.IsNaN(p[i]) {
				continue
			}
			inUnit(t, "q", q[i])
			if q[i] < p[i] {
				t.Fatalf("q %g below p %g", q[i], p[i])
			}
			for j := range p {
				if p[i] < p[j] && q[i] > q[j] {
					t.Fatalf("p %g < %g but q %g > %g", p[i], p[j], q[i], q[j])
				}
			}
		}
	})
}

func TestIsotonicFitRisesAndKeepsTheMean(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := rapid.SliceOfN(rapid.Float64Range(-5, 5), 1, 30).Draw(t, "y")
		w := rapid.SliceOfN(rapid.Float64Range(0.1, 9), len(y), len(y)).Draw(t, "w")
		fit := Isotonic(y, w)
		a, b := 0.0, 0.0
		for i := range y {
			if i > 0 && fit[i] < fit[i-1] {
				t.Fatalf("falls at %d: %v", i, fit)
			}
			a, b = a+w[i]*y[i], b+w[i]*fit[i]
		}
		if math.Abs(a-b) > 1e-9 {
			t.Fatalf("weighted sum %g, want %g", b, a)
		}
	})
}

// With equal chances the Poisson-binomial is the binomial (gonum's); with
// others the two ways of adding up agree with enumeration of all outcomes.
func TestPoissonBinomial(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.Float64Range(0, 1), 0, 10).Draw(t, "p")
		want := make([]float64, len(p)+1)
		for outcome := range 1 << len(p) {
			chance, n := 1.0, 0
			for i, q := range p {
				if outcome>>i&1 == 1 {
					chance, n = chance*q, n+1
				} else {
					chance *= 1 - q
				}
			}
			want[n] += chance
		}
		tail := 1.0
		for k, got := range PoissonBinomial(p) {
			if math.Abs(got-want[k]) > 1e-12 {
				t.Fatalf("chance of %d = %g, want %g", k, got, want[k])
			}
			if least := PoissonBinomialAtLeast(p, k); math.Abs(least-tail) > 1e-12 {
				t.Fatalf("chance of %d or more = %g, want %g", k, least, tail)
			}
			tail -= want[k]
		}
	})
	p := make([]float64, 400)
	for i := range p {
		p[i] = 0.04
	}
	b := distuv.Binomial{N: 400, P: 0.04}
	for k, got := range PoissonBinomial(p) {
		if want := b.Prob(float64(k)); math.Abs(got-want) > 1e-10*(1+want) {
			t.Errorf("chance of %d = %g, want %g", k, got, want)
		}
	}
	if got, want := PoissonBinomialAtLeast(p, 30), b.Survival(29); math.Abs(got/want-1) > 1e-8 {
		t.Errorf("chance of 30 or more = %g, want %g", got, want)
	}
}

func TestBetaBinomialIsAMaximumOrSaysThereIsNoSpread(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(2, 12).Draw(t, "units")
		x, n := make([]int, k), make([]int, k)
		for i := range x {
			n[i] = rapid.IntRange(0, 200).Draw(t, "n")
			x[i] = rapid.IntRange(0, n[i]).Draw(t, "x")
		}
		b, loglik := BetaBinomial(x, n)
		if math.IsNaN(b.Alpha) {
			return
		}
		if !(b.Alpha > 0 && b.Beta > 0 && b.Alpha+b.Beta < 1.01*mostAlike) {
			t.Fatalf("got %+v", b)
		}
		likelihood := func(b Beta) float64 {
			lb := func(a, c float64) float64 {
				la, _ := math.Lgamma(a)
				lc, _ := math.Lgamma(c)
				ls, _ := math.Lgamma(a + c)
				return la + lc - ls
			}
			sum := 0.0
			for i := range x {
				a := b.After(x[i], n[i])
				sum += lb(a.Alpha, a.Beta) - lb(b.Alpha, b.Beta)
			}
			return sum
		}
		if b.Alpha+b.Beta > 1e5 || b.Alpha+b.Beta < 1e-2 {
			return // the reach of the grid, or differences of large log gammas
		}
		for _, s := range []float64{0.97, 1.03} {
			for _, other := range []Beta{{b.Alpha * s, b.Beta * s}, {b.Alpha * s, b.Beta}} {
				if l := likelihood(other); l > loglik+1e-7 {
					t.Fatalf("%+v has log likelihood %g, %+v more: %g", b, loglik, other, l)
				}
			}
		}
	})
}

// design draws a farm-like regression: intercept, a rare yes or no, a gap, a
// centred time, with an offset; sometimes separated, sometimes hardly varying.
func design(r *rand.Rand, rows int, exposed, rate float64) *Logit {
	l := &Logit{Cols: 4, Penalty: Firth}
	for i := range rows {
		x1, x2, x3 := 0.0, math.Log2(1+float64(r.IntN(60))), 2*float64(i)/float64(rows)-1
		if r.Float64() < exposed {
			x1 = 1
		}
		l.X = append(l.X, 1, x1, x2, x3)
		off := 0.5 * r.NormFloat64()
		l.Offset = append(l.Offset, off)
		y := 0.0
		if r.Float64() < 1/(1+math.Exp(-(math.Log(rate/(1-rate))+off+x1+0.2*(x2-4)))) {
			y = 1
		}
		l.Y = append(l.Y, y)
	}
	return l
}

func TestFirthFitsConvergeWhateverTheData(t *testing.T) {
	w := &Workspace{}
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		rows := rapid.IntRange(8, 120).Draw(t, "rows") // fewer than twice the columns tell nothing
		l := design(r, rows, rapid.SampledFrom([]float64{0, 0.01, 0.3, 0.99}).Draw(t, "exposed"), rapid.SampledFrom([]float64{0.001, 0.05, 0.5, 0.999}).Draw(t, "rate"))
		if rapid.Bool().Draw(t, "single exposed print, which failed") {
			for i := range rows {
				l.X[4*i+1] = 0
			}
			l.X[1], l.Y[0] = 1, 1
		}
		f := l.Fit(w)
		if f.Singular {
			return // columns that do not vary, or too few rows
		}
		if !f.Converged {
			t.Fatalf("not converged after %d steps: %v ± %v", f.Iterations, f.Coef, f.SE)
		}
		for k := range l.Cols {
			if test := l.Test(w, &f, k, 0); !math.IsNaN(test.Root) {
				inUnit(t, "one-sided", test.PGreater)
				inUnit(t, "two-sided", test.PTwoSided)
			}
			if i := l.Limits(w, &f, k, 0.95); !(i.Low < f.Coef[k] && f.Coef[k] < i.High) {
				t.Fatalf("column %d: limits %v do not hold %g", k, i, f.Coef[k])
			}
		}
	})
}

// Where there are failures and good prints on both sides, test and limits are
// one: the limits are finite, p there is 0.05, and zero lies outside exactly if
// p is below that.
func TestProfileLimitsAreWhereTheTestRejects(t *testing.T) {
	w := &Workspace{}
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		l := design(r, rapid.IntRange(100, 300).Draw(t, "rows"), rapid.Float64Range(0.1, 0.9).Draw(t, "exposed"), rapid.Float64Range(0.1, 0.6).Draw(t, "rate"))
		f := l.Fit(w)
		for k := range l.Cols {
			test, i := l.Test(w, &f, k, 0), l.Limits(w, &f, k, 0.95)
			if !(i.Low < f.Coef[k] && f.Coef[k] < i.High) || math.IsInf(i.Low, 0) || math.IsInf(i.High, 0) {
				t.Fatalf("column %d: limits %v around %g", k, i, f.Coef[k])
			}
			if p := test.PTwoSided; math.Abs(p-0.05) > 1e-4 && (p < 0.05) == i.Contains(0) {
				t.Fatalf("column %d: p = %g, limits %v", k, p, i)
			}
			for _, end := range []float64{i.Low, i.High} {
				if p := l.Test(w, &f, k, end).PTwoSided; math.Abs(p-0.05) > 1e-6 {
					t.Fatalf("column %d: p at the limit %g = %.9g, want 0.05", k, end, p)
				}
			}
		}
	})
}

// Four columns and fewer have an unrolled form of the sums over rows.
func TestUnrolledRowsEqualTheGeneralForm(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	for _, penalty := range []Penalty{Plain, Firth, Ridge} {
		l := design(r, 300, 0.3, 0.2)
		l.Penalty, l.Precision = penalty, Vector{0, 1, 1, 1}
		w := l.prepare(nil)
		beta := Vector{-1, 0.4, 0.1, -0.2}
		at := l.evaluate(w, &beta)
		inverse := invert(&at.chol, 4)
		u, most := l.score(w, &beta, &inverse)
		var info Matrix
		var v Vector
		l.sweepAny(w, &beta, &info)
		mostAny := l.scoreAny(w, &inverse, &v)
		for a := range 4 {
			if penalty == Ridge {
				info[a][a] += l.Precision[a]
				v[a] -= l.Precision[a] * beta[a]
			}
			if math.Abs(u[a]-v[a]) > 1e-10 {
				t.Errorf("penalty %d: score %v, want %v", penalty, u, v)
			}
			for b := range a + 1 {
				if math.Abs(info[a][b]-at.info[a][b]) > 1e-10*info[a][a] {
					t.Errorf("penalty %d: information %v, want %v", penalty, at.info, info)
				}
			}
		}
		if math.Abs(most-mostAny) > 1e-12 {
			t.Errorf("penalty %d: largest hat value %g, want %g", penalty, most, mostAny)
		}
	}
}

func TestExpNegativeEqualsTheLibrarys(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	check := func(x float64) {
		got, want := expNegative(x), math.Exp(x)
		if math.Abs(got-want) > 5e-16*want {
			t.Errorf("e^%g = %.17g, want %.17g", x, got, want)
		}
	}
	for range 200_000 {
		check(-r.ExpFloat64())
		check(-700 * r.Float64())
	}
	for _, x := range []float64{0, -1e-300, -1e-17, -math.Ln2, -math.Ln2 / 64, -math.Ln2 / 128, -699.999, -700, -745, -800, math.Inf(-1)} {
		check(x)
	}
	if got := expNegative(math.NaN()); !math.IsNaN(got) {
		t.Errorf("e^NaN = %g, want NaN", got)
	}
}

// Grouping equal rows into trials changes nothing.
func TestGroupedRowsGiveTheSameFit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := &Logit{Cols: 2, Penalty: rapid.SampledFrom([]Penalty{Plain, Firth, Ridge}).Draw(t, "penalty"), Precision: Vector{0.1, 2}}
		g := &Logit{Cols: 2, Penalty: l.Penalty, Precision: l.Precision, M: []float64{}}
		for _, x := range []float64{-1, 0, 0.5, 2} {
			m := rapid.IntRange(2, 9).Draw(t, "m")
			y := rapid.IntRange(1, m-1).Draw(t, "y") // overlap, so that the plain fit exists
			g.X, g.Y, g.M, g.Offset = append(g.X, 1, x), append(g.Y, float64(y)), append(g.M, float64(m)), append(g.Offset, x/3)
			for i := range m {
				l.X, l.Offset = append(l.X, 1, x), append(l.Offset, x/3)
				if i < y {
					l.Y = append(l.Y, 1)
				} else {
					l.Y = append(l.Y, 0)
				}
			}
		}
		a, b := l.Fit(nil), g.Fit(nil)
		for k := range 2 {
			if math.Abs(a.Coef[k]-b.Coef[k]) > 1e-7*(1+math.Abs(a.Coef[k])) || math.Abs(a.SE[k]-b.SE[k]) > 1e-6 {
				t.Fatalf("grouped %v ± %v, want %v ± %v", b.Coef[k], b.SE[k], a.Coef[k], a.SE[k])
			}
		}
		if math.Abs(a.LogLik-b.LogLik) > 1e-8 {
			t.Fatalf("grouped log-likelihood %g, want %g", b.LogLik, a.LogLik)
		}
	})
}

func TestSeparationWithoutAPenaltyIsSaid(t *testing.T) {
	l := &Logit{Cols: 2, X: []float64{1, 0, 1, 0, 1, 0, 1, 1, 1, 1}, Y: []float64{0, 1, 0, 1, 1}}
	f := l.Fit(nil)
	if f.Converged {
		t.Errorf("a separated fit says it converged: %v ± %v", f.Coef[:2], f.SE[:2])
	}
	if i := l.Limits(nil, &f, 1, 0.95); !math.IsNaN(i.Low) {
		t.Errorf("limits %v, want undefined", i)
	}
	l.Penalty = Firth
	// Firth's estimate in a saturated table adds a half to each cell (Heinze
	// and Schemper 2002): log(2.5/0.5) - log(1.5/2.5).
	if f, want := l.Fit(nil), math.Log(5)-math.Log(0.6); !f.Converged || math.Abs(f.Coef[1]-want) > 1e-8 {
		t.Errorf("got %v, want %g", f.Coef[1], want)
	}
}

func TestCheckNamesWhatIsWrong(t *testing.T) {
	good := func() *Logit { return &Logit{Cols: 1, X: []float64{1, 1}, Y: []float64{0, 1}} }
	if err := good().Check(); err != nil {
		t.Errorf("got %v, want none", err)
	}
	for name, spoil := range map[string]func(l *Logit){
		"no columns":     func(l *Logit) { l.Cols = 0 },
		"missing cells":  func(l *Logit) { l.X = l.X[:1] },
		"missing trials": func(l *Logit) { l.M = []float64{1} },
		"missing offset": func(l *Logit) { l.Offset = []float64{1} },
		"more than all":  func(l *Logit) { l.Y[0] = 2 },
		"NaN outcome":    func(l *Logit) { l.Y[0] = math.NaN() },
		"NaN cell":       func(l *Logit) { l.X[1] = math.NaN() },
		"endless offset": func(l *Logit) { l.Offset = []float64{0, math.Inf(1)} },
	} {
		l := good()
		spoil(l)
		if l.Check() == nil {
			t.Errorf("%s: got no error", name)
		}
	}
}

// One question of findings: 1000 rows, four columns, the fit, the test of one
// column and its profile limits.
func BenchmarkFirthQuestion(b *testing.B) {
	l := design(rand.New(rand.NewPCG(3, 3)), 1000, 0.3, 0.05)
	w := &Workspace{}
	b.ReportAllocs()
	for b.Loop() {
		f := l.Fit(w)
		l.Test(w, &f, 1, 0)
		l.Limits(w, &f, 1, 0.95)
	}
}

func BenchmarkFirthFit(b *testing.B) {
	l := design(rand.New(rand.NewPCG(3, 3)), 1000, 0.3, 0.05)
	w := &Workspace{}
	b.ReportAllocs()
	steps := 0
	for b.Loop() {
		f := l.Fit(w)
		steps += f.Iterations
	}
	b.ReportMetric(float64(steps)/float64(b.N), "steps")
}
