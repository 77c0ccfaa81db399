package stats

import (
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"
)

// exactTail is P(X >= x) in whole fractions, by definition.
func exactTail(x, n int, num, den int64) float64 {
	p, q := big.NewRat(num, den), big.NewRat(den-num, den)
	sum := new(big.Rat)
	for k := max(0, x); k <= n; k++ {
		term := new(big.Rat).SetInt(new(big.Int).Binomial(int64(n), int64(k)))
		for range k {
			term.Mul(term, p)
		}
		for range n - k {
			term.Mul(term, q)
		}
		sum.Add(sum, term)
	}
	f, _ := sum.Float64()
	return f
}

// Tails equal the sums they are defined by, in exact arithmetic.
func TestBinomialTailsEqualTheirSums(t *testing.T) {
	for _, c := range []struct {
		x, n     int
		num, den int64
	}{{0, 5, 1, 3}, {3, 20, 1, 25}, {6, 60, 1, 50}, {30, 100, 1, 5}, {2, 2, 9, 10}, {40, 120, 1, 10}} {
		want, p := exactTail(c.x, c.n, c.num, c.den), float64(c.num)/float64(c.den)
		if got := BinomialUpperTail(c.x, c.n, p); math.Abs(got-want) > 1e-12*want+1e-300 && math.Abs(got/want-1) > 1e-9 {
			t.Errorf("P(X >= %d) of %d at %g: got %g, want %g", c.x, c.n, p, got, want)
		}
		if got := BinomialLowerTail(c.x-1, c.n, p); math.Abs(got-(1-want)) > 1e-12 {
			t.Errorf("P(X <= %d) of %d at %g: got %g, want %g", c.x-1, c.n, p, got, 1-want)
		}
	}
}

// Exact limits keep their promise at every n and rate: no more than alpha beyond
// them, and more than alpha at them.
func TestExactLimitsKeepTheirChance(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		n, p := 1+r.IntN(3000), r.Float64()*r.Float64()
		low, high := BinomialLimits(n, p, OneSided)
		if got := BinomialUpperTail(high+1, n, p); got > OneSided {
			t.Fatalf("n %d, p %g: beyond %d lies %g, want at most %g", n, p, high, got, OneSided)
		}
		if got := BinomialUpperTail(high, n, p); got <= OneSided {
			t.Fatalf("n %d, p %g: from %d on lies %g: the limit could be lower", n, p, high, got)
		}
		if got := BinomialLowerTail(low-1, n, p); got > OneSided {
			t.Fatalf("n %d, p %g: below %d lies %g, want at most %g", n, p, low, got, OneSided)
		}
		if got := BinomialLowerTail(low, n, p); got <= OneSided {
			t.Fatalf("n %d, p %g: up to %d lies %g: the limit could be higher", n, p, low, got)
		}
		f := FunnelLimits(n, p, OneSided)
		if !(f.Low*float64(n) >= float64(low-1)-1e-9 && f.Low*float64(n) <= float64(low)+1e-9 && f.High*float64(n) >= float64(high-1)-1e-9 && f.High*float64(n) <= float64(high)+1e-9) {
			t.Fatalf("n %d, p %g: funnel limits %v are not within one count of %d and %d", n, p, f, low, high)
		}
	}
}

// chartCase reads counts and n of a reference case.
func chartCase(t *testing.T, id string) (c *refCase, x, n []int) {
	t.Helper()
	for _, c := range references(t) {
		if c.ID == id {
			c.decode(t, c.raw["counts"], &x)
			c.decode(t, c.raw["n"], &n)
			return c, x, n
		}
	}
	t.Fatalf("no reference case %s", id)
	return nil, nil, nil
}

// NIST/SEMATECH e-Handbook 6.3.3.2, "Proportions control charts", thirty wafers
// of fifty chips: wafers 15 and 23 lie beyond the limits. The counts are from
// memory (they reproduce the handbook's mean of .2313).
func TestTheHandbooksWafersStandOutByExactLimitsToo(t *testing.T) {
	c, x, n := chartCase(t, "pchart-nist")
	chart := PChartOf(x, n)
	c.compare(t, "center", chart.Centre, c.Expected["center"])
	low, high := BinomialLimits(50, chart.Centre, OneSided)
	// By the normal limits of the handbook 22 and 24 lie beyond .4102·50 = 20.5,
	// and the lowest, 4, above .0524·50 = 2.6. Exactly: P(X >= 22) = .00089 and
	// P(X <= 3) = .00128, by the sums of binomial terms.
	if low != 4 || high != 21 {
		t.Errorf("exact limits %d and %d, want 4 and 21", low, high)
	}
	// Thirty wafers scatter more than chance allows, so the chart itself takes
	// Laney's limits.
	if chart.Sigma <= 1 {
		t.Errorf("sigma %g, want more than 1", chart.Sigma)
	}
	for i := range x {
		if out := x[i] > high || x[i] < low; out != (i+1 == 15 || i+1 == 23) {
			t.Errorf("wafer %d with %d chips: beyond the exact limits is %v", i+1, x[i], out)
		}
	}
}

// The chart as this package draws it, step by step, on numbers worked by hand.
func TestPChartSignals(t *testing.T) {
	same := func(v, k int) []int { return slices.Repeat([]int{v}, k) }
	x := append(append(same(2, 10), 12), same(2, 5)...)
	chart := PChartOf(x, same(50, 16))
	if !slices.Equal(chart.Signals, []Signal{{BeyondHigh, 10, 10}, {RunLow, 0, 9}}) || chart.Sigma != 1 {
		t.Errorf("one high point: got %v, sigma %g", chart.Signals, chart.Sigma)
	}
	// Eight above the centre, a point without counts among them.
	x = []int{1, 1, 1, 1, 1, 1, 1, 5, 5, 5, 5, 0, 5, 5, 5, 5, 1}
	n := same(60, len(x))
	n[11] = 0
	chart = PChartOf(x, n)
	if !slices.Equal(chart.Signals, []Signal{{RunHigh, 7, 15}}) || !math.IsNaN(chart.High[11]) {
		t.Errorf("a run with a gap: got %v, limit %g", chart.Signals, chart.High[11])
	}
	if got := PChartOf(same(0, 5), same(0, 5)); len(got.Signals) != 0 || !math.IsNaN(got.Centre) {
		t.Errorf("nothing counted: got %+v", got)
	}
}

// On a farm whose rate stays the same, exact limits raise no more false alarms
// than they promise; where the rate wanders, Laney's do not call every point
// out, and keep calling out one that is far off.
func TestLimitsInSimulation(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	count := func(n int, p float64) (x int) {
		for range n {
			if r.Float64() < p {
				x++
			}
		}
		return x
	}
	points, alarms, dispersed := 0, 0, 0
	for range 400 {
		x, n := make([]int, 24), make([]int, 24)
		for i := range x {
			n[i] = 40 + r.IntN(200)
			x[i] = count(n[i], 0.05)
		}
		c := PChartOf(x, n)
		points += len(x)
		if c.Sigma > 1 {
			dispersed++
		}
		for _, s := range c.Signals {
			if s.Rule == BeyondHigh || s.Rule == BeyondLow {
				alarms++
			}
		}
	}
	if rate := float64(alarms) / float64(points); rate > 2*OneSided {
		t.Errorf("%d of %d points beyond the limits at a steady rate, want at most %.2f %%", alarms, points, 200*OneSided)
	}
	if dispersed > 12 {
		t.Errorf("%d of 400 steady farms called overdispersed, want about 4", dispersed)
	}
	exact, laney, points := 0, 0, 0
	for range 100 {
		x, n := make([]int, 24), make([]int, 24)
		for i := range x {
			n[i] = 5000
			x[i] = count(n[i], 0.05*math.Exp(0.15*r.NormFloat64()))
		}
		c := PChartOf(x, n)
		points += len(x)
		low, high := BinomialLimits(5000, c.Centre, OneSided)
		for i := range x {
			if x[i] < low || x[i] > high {
				exact++
			}
			if v := float64(x[i]) / 5000; v < c.Low[i] || v > c.High[i] {
				laney++
			}
		}
	}
	t.Logf("a wandering rate: %d of %d points beyond exact limits, %d beyond Laney's", exact, points, laney)
	if laney > points/50 || exact < points/10 {
		t.Errorf("a wandering rate: %d of %d beyond exact limits, %d beyond Laney's", exact, points, laney)
	}
}

// Laney's sigma by hand: shares of 100 at 0.1, z = ±1/3·…, moving range over d₂
// = 1.128 (ISO 7870-2; from memory, and 2/√π).
func TestLaneySigmaByHand(t *testing.T) {
	x, n := []int{10, 16, 10, 4}, []int{100, 100, 100, 100}
	// z = 0, 2, 0, -2: moving ranges 2, 2, 2.
	if got := LaneySigma(x, n, 0.1); math.Abs(got-2/1.1283791670955126) > 1e-12 {
		t.Errorf("got %g, want %g", got, 2/1.1283791670955126)
	}
	if l := PrimeLimits(0.1, 100, 2); math.Abs(l.High-0.28) > 1e-12 || l.Low != 0 {
		t.Errorf("limits at sigma 2: got %v, want 0 and 0.28", l)
	}
}

// A geometric gap at p = 1/100: P(G >= g) = .99^g. By hand: ln .00135/ln .99 =
// 657.5, and 1 - .99 > .00135, so no gap is too short. The median is 68.6.
func TestGChart(t *testing.T) {
	if low, high := GeometricLimits(0.01, OneSided); low != 0 || high != 657 {
		t.Errorf("limits at 1 in 100: got %d and %d, want 0 and 657", low, high)
	}
	if low, high := GeometricLimits(0.0005, OneSided); low != 2 || math.Abs(float64(high)-math.Log(OneSided)/math.Log(0.9995)) > 1 {
		t.Errorf("limits at 1 in 2000: got %d and %d", low, high)
	}
	// Mean gap 9: 1 in 10. Median of the distribution 6.58.
	gaps := []int{5, 13, 2, 16, 9, 9, 9, 9, 9, 9, 9, 9, 9}
	c := GChartOf(gaps)
	if math.Abs(c.Rate-0.1) > 1e-12 || c.Centre != 6.5 || c.High != 62 || !slices.Equal(c.Signals, []Signal{{RunHigh, 3, 12}}) {
		t.Errorf("got %+v", c)
	}
	r := rand.New(rand.NewPCG(4, 4))
	above, long := 0, 0
	for range 100_000 {
		g := 0
		for r.Float64() >= 0.03 {
			g++
		}
		if float64(g) > geometricMedian(0.03) {
			above++
		}
		if _, high := GeometricLimits(0.03, OneSided); g > high {
			long++
		}
	}
	if math.Abs(float64(above)/100_000-0.5) > 0.02 || float64(long)/100_000 > 1.5*OneSided {
		t.Errorf("of 100000 gaps %d lie above the centre and %d beyond the limit", above, long)
	}
}

// The sum's design: the run promised is kept, one step lower would break it, and
// a simulation agrees with the chain.
func TestCusumKeepsItsRun(t *testing.T) {
	for _, d := range []struct{ p0, p1, run float64 }{{0.04, 0.08, 2500}, {0.01, 0.02, 1000}, {0.002, 0.004, 10000}, {0.2, 0.4, 500}, {0.6, 0.8, 200}} {
		c := CusumFor(d.p0, d.p1, d.run)
		if c.RunAtP0 < d.run || c.H > 1 && CusumRun(d.p0, c.M, c.H-1) >= d.run || c.RunAtP1 >= c.RunAtP0/2 {
			t.Errorf("%+v: got %+v", d, c)
		}
	}
	c := CusumFor(0.05, 0.10, 800)
	r := rand.New(rand.NewPCG(8, 8))
	const rounds = 4000
	sum, sum2 := 0.0, 0.0
	for range rounds {
		n := 0
		for s := 0; s < c.H; n++ {
			if r.Float64() < 0.05 {
				s += c.M - 1
			} else {
				s = max(0, s-1)
			}
		}
		sum += float64(n)
		sum2 += float64(n) * float64(n)
	}
	mean := sum / rounds
	se := math.Sqrt((sum2/rounds - mean*mean) / rounds)
	if math.Abs(mean-c.RunAtP0) > 4*se {
		t.Errorf("simulated run %.0f ± %.0f, chain %.0f", mean, se, c.RunAtP0)
	}
}

func TestCusumRunsBeginAgainAfterASignal(t *testing.T) {
	c := Cusum{M: 5, H: 8}
	failed := []bool{false, true, true, false, true, false, true, true}
	sums, found := c.Run(failed)
	if !slices.Equal(sums, []int{0, 4, 8, 0, 4, 3, 7, 11}) || !slices.Equal(found, []CusumSignal{{2, 1}, {7, 4}}) {
		t.Errorf("got %v, %v", sums, found)
	}
}

func BenchmarkCusumFor(b *testing.B) {
	for range b.N {
		CusumFor(0.01, 0.02, 10000)
	}
}
