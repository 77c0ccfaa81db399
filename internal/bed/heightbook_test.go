package bed

import (
	"math"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
)

// dyestuff is the yield of dye (grams of standard colour) of five samples from
// each of six batches: Davies, Statistical Methods in Research and Production,
// 3rd edition (1957), table 6.1; values from memory. That they are the published
// ones is told by their REML estimates, below.
var dyestuff = [6][5]float64{
	{1545, 1440, 1440, 1520, 1580}, {1540, 1555, 1490, 1560, 1495}, {1595, 1550, 1605, 1510, 1560},
	{1445, 1440, 1595, 1465, 1545}, {1595, 1630, 1515, 1635, 1625}, {1520, 1455, 1450, 1480, 1445},
}

// The mixed model of the dyes as published with R's lme4 (Bates, Mächler, Bolker,
// Walker 2015, and its book; from memory): REML variances 1764.05 between batches
// and 2451.25 within, mean 1527.5, batches' predictions as below. The variances
// also follow from mean squares: (11271.5 − 2451.25)/5 and 2451.25.
func TestPublishedMixedModelComesOut(t *testing.T) {
	in := HeightInput{Printers: 1, Plates: 6}
	for j, batch := range dyestuff {
		for _, y := range batch {
			in.Layers = append(in.Layers, HeightLayer{Plate: j, Side: 'a', ErrorMM: -y})
		}
	}
	g := heightGroups(&in)[0]
	parts := func(x []float64) HeightParts {
		p := UsualHeightParts()
		p.ZeroMM, p.PlateMM, p.NoiseMM = 1, math.Exp(x[0]), math.Exp(x[1])
		return p
	}
	minus := func(x []float64) float64 {
		g.likelihood(parts(x))
		return -g.log
	}
	best, err := optimize.Minimize(optimize.Problem{Func: minus}, []float64{3, 3}, &optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-12, Iterations: 100}}, &optimize.NelderMead{})
	if err != nil {
		t.Fatal(err)
	}
	in.Parts = parts(best.X)
	between, within := (1+sideShare*sideShare)*in.Parts.PlateMM*in.Parts.PlateMM, in.Parts.NoiseMM*in.Parts.NoiseMM
	if math.Abs(between-1764.05) > 0.05 || math.Abs(within-2451.25) > 0.05 {
		t.Errorf("variances %.3f and %.3f", between, within)
	}
	g.solve(in.Parts)
	for j, want := range []float64{-17.60685, 0.39126, 28.56223, -23.08454, 56.73310, -44.99522} {
		if got := g.beta[1+j]; math.Abs(got-want) > 1e-3 {
			t.Errorf("batch %d: %.5f, published %.5f", j, got, want)
		}
	}
}

// denseHeights solves the same model another way: the covariance of all layers
// written out, generalised least squares for the mean and simple kriging with
// its correction for what is predicted (Goldberger 1962; Searle, Casella,
// McCulloch, Variance Components, 1992, chapter 7).
type denseHeights struct {
	in    *HeightInput
	p     HeightParts
	chol  mat.Cholesky
	v1    *mat.VecDense // V⁻¹1
	res   *mat.VecDense // V⁻¹(y − mean)
	ones  float64       // 1'V⁻¹1
	mean  float64
	reml2 float64 // −2 × restricted log-likelihood
}

func (d *denseHeights) zeroCov(a, b HeightLayer) float64 {
	if a.Printer != b.Printer {
		return 0
	}
	early, first := math.Min(a.Day, b.Day), math.Inf(1)
	for _, l := range d.in.Layers {
		if l.Printer == a.Printer {
			first = math.Min(first, l.Day)
		}
	}
	v := d.p.ZeroMM*d.p.ZeroMM + d.p.DriftMM*d.p.DriftMM*(early-first)
	for _, e := range d.in.Events {
		if e.Printer == a.Printer && e.Day > first && e.Day <= early {
			switch e.Kind {
			case HeightService:
				v += d.p.ServiceMM * d.p.ServiceMM
			case HeightProbe:
				v += d.p.ProbeMM * d.p.ProbeMM
			}
		}
	}
	return v
}

func (d *denseHeights) sideCov(a, b HeightLayer) (v float64) {
	if a.Plate == b.Plate {
		v = d.p.PlateMM * d.p.PlateMM
		if a.Side == b.Side {
			v += sideShare * sideShare * v
		}
	}
	return v
}

func (d *denseHeights) setting(printer int, day float64) (s float64) {
	s = math.NaN()
	for _, e := range d.in.Events {
		if e.Printer != printer || e.Kind != HeightOffset {
			continue
		}
		if e.Day <= day {
			s = e.ToMM
		} else if math.IsNaN(s) {
			return e.FromMM
		}
	}
	if math.IsNaN(s) {
		return 0
	}
	return s
}

func (d *denseHeights) fit() {
	n := len(d.in.Layers)
	v := mat.NewSymDense(n, nil)
	one, y := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for i, a := range d.in.Layers {
		for j, b := range d.in.Layers[:i+1] {
			v.SetSym(i, j, d.zeroCov(a, b)+d.sideCov(a, b))
		}
		v.SetSym(i, i, v.At(i, i)+d.p.NoiseMM*d.p.NoiseMM+a.SDMM*a.SDMM)
		one.SetVec(i, 1)
		y.SetVec(i, a.ErrorMM-d.setting(a.Printer, a.Day))
	}
	if !d.chol.Factorize(v) {
		panic("not positive definite")
	}
	d.v1, d.res = mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	_ = d.chol.SolveVecTo(d.v1, one)
	d.ones, d.mean = mat.Dot(one, d.v1), mat.Dot(y, d.v1)/mat.Dot(one, d.v1)
	y.AddScaledVec(y, -d.mean, one)
	_ = d.chol.SolveVecTo(d.res, y)
	d.reml2 = d.chol.LogDet() + math.Log(d.ones) + mat.Dot(y, d.res)
}

// predict gives prediction and variance of weight·mean plus a combination whose
// covariance with each layer and whose own variance are given.
func (d *denseHeights) predict(weight float64, cov func(HeightLayer) float64, own float64) (value, variance float64) {
	c, vc := mat.NewVecDense(len(d.in.Layers), nil), mat.NewVecDense(len(d.in.Layers), nil)
	for i, l := range d.in.Layers {
		c.SetVec(i, cov(l))
	}
	_ = d.chol.SolveVecTo(vc, c)
	left := weight - mat.Dot(c, d.v1)
	return weight*d.mean + mat.Dot(c, d.res), own - mat.Dot(c, vc) + left*left/d.ones
}

func denseFarm() heightFarm {
	f := drawHeights(9102, 7, 16, 3)
	for i := range f.in.Layers {
		f.in.Layers[i].SDMM = []float64{0, 0.004, 0.02}[i%3]
		f.in.Layers[i].Side = "ab\x00"[i*i%3]
	}
	for i := range 7 {
		for d := range 4 {
			f.in.Events = append(f.in.Events, HeightEvent{Printer: i, Day: 5 * float64(d), Kind: HeightProbe, FromMM: math.NaN(), ToMM: math.NaN()})
		}
	}
	f.in.Parts = UsualHeightParts()
	return f
}

func TestSameAsGeneralisedLeastSquares(t *testing.T) {
	f := denseFarm()
	in := f.in
	b := SolveHeights(in)
	if b.Groups != 1 {
		t.Fatalf("%d groups", b.Groups)
	}
	d := denseHeights{in: &in, p: in.Parts}
	d.fit()
	factor := b.groups[0].factor()
	pairs := 0
	for i := range in.Printers {
		last := HeightLayer{Printer: i, Day: in.Day}
		for j := range in.Plates {
			for _, side := range []byte{'a', 'b', 0} {
				m, ok := b.Expect(i, j, side, 0.01)
				if !ok {
					continue
				}
				at := HeightLayer{Plate: j, Side: side}
				want, variance := d.predict(1, func(l HeightLayer) float64 { return d.zeroCov(last, l) + d.sideCov(at, l) }, d.zeroCov(last, last)+d.sideCov(at, at))
				want += d.setting(i, in.Day)
				pairs++
				if math.Abs(m.ErrorMM-want) > 1e-8 || math.Abs(m.MM-(0.01-want)) > 1e-8 || math.Abs((m.HighMM-m.LowMM)/2/factor-math.Sqrt(variance)) > 1e-8 {
					t.Fatalf("printer %d, plate %d %q: %.8f ± %.8f, dense %.8f ± %.8f", i, j, side, m.ErrorMM, (m.HighMM-m.LowMM)/2/factor, want, math.Sqrt(variance))
				}
			}
		}
	}
	if pairs < 200 {
		t.Fatalf("%d pairs", pairs)
	}
	// Against the mean: what the book lists.
	mean := func(l HeightLayer) (s float64) {
		for _, x := range b.Sides {
			s += d.sideCov(HeightLayer{Plate: x.Plate, Side: x.Side}, l) / float64(len(b.Sides))
		}
		return s
	}
	varMean := 0.0
	for _, x := range b.Sides {
		varMean += mean(HeightLayer{Plate: x.Plate, Side: x.Side}) / float64(len(b.Sides))
	}
	same := func(what string, mm, low, high, want, variance float64) {
		t.Helper()
		if math.Abs(mm-want) > 1e-8 || math.Abs((high-low)/2/factor-math.Sqrt(variance)) > 1e-8 {
			t.Fatalf("%s: %.8f ± %.8f, dense %.8f ± %.8f", what, mm, (high-low)/2/factor, want, math.Sqrt(variance))
		}
	}
	for _, x := range b.Sides {
		at := HeightLayer{Plate: x.Plate, Side: x.Side}
		want, variance := d.predict(0, func(l HeightLayer) float64 { return mean(l) - d.sideCov(at, l) }, d.sideCov(at, at)-2*mean(at)+varMean)
		same("side", x.MM, x.LowMM, x.HighMM, want, variance)
	}
	for i, z := range b.Printers {
		last := HeightLayer{Printer: i, Day: in.Day}
		want, variance := d.predict(1, func(l HeightLayer) float64 { return d.zeroCov(last, l) + mean(l) }, d.zeroCov(last, last)+varMean)
		same("printer", z.MM, z.LowMM, z.HighMM, want+d.setting(i, in.Day), variance)
	}
	for _, x := range b.Sides {
		for _, y := range b.Sides {
			if x.Plate == y.Plate && x.Side == y.Side {
				continue
			}
			g, _ := b.Differ(x.Plate, x.Side, y.Plate, y.Side)
			a, c := HeightLayer{Plate: x.Plate, Side: x.Side}, HeightLayer{Plate: y.Plate, Side: y.Side}
			// A thicker plate lowers the error: the layers' covariance is minus.
			want, variance := d.predict(0, func(l HeightLayer) float64 { return d.sideCov(c, l) - d.sideCov(a, l) }, d.sideCov(a, a)+d.sideCov(c, c)-2*d.sideCov(a, c))
			if math.Abs(g.MM-want) > 1e-8 || math.Abs((g.HighMM-g.LowMM)/2/factor-math.Sqrt(variance)) > 1e-8 {
				t.Fatalf("%d%q over %d%q: %.8f, dense %.8f", x.Plate, x.Side, y.Plate, y.Side, g.MM, want)
			}
		}
	}
}

// The parts are the mode of the dense restricted likelihood times the same weak
// expectations, found by another route (BFGS).
func TestPartsAreTheModeOfTheDenseLikelihood(t *testing.T) {
	f := denseFarm()
	usual := UsualHeightParts().logs()
	minus := func(x []float64) float64 {
		d := denseHeights{in: &f.in, p: heightParts(x)}
		d.fit()
		s := d.reml2 / 2
		for k := range x {
			s += (x[k] - usual[k]) * (x[k] - usual[k]) / 2
		}
		return s
	}
	problem := optimize.Problem{Func: minus, Grad: func(grad, x []float64) { fd.Gradient(grad, minus, x, &fd.Settings{Formula: fd.Central}) }}
	best, err := optimize.Minimize(problem, usual, &optimize.Settings{GradientThreshold: 1e-3}, &optimize.BFGS{})
	if err != nil {
		t.Fatal(err)
	}
	got := EstimateHeightParts(f.in).logs()
	t.Logf("%v, dense %v", got, best.X)
	if d := minus(got) - best.F; d > 1e-3 {
		t.Errorf("the mode found is %.5f below the dense one", d)
	}
	for k := range got {
		if math.Abs(got[k]-best.X[k]) > 0.05 {
			t.Errorf("part %d: %.3f mm, dense %.3f mm", k, math.Exp(got[k]), math.Exp(best.X[k]))
		}
	}
}

func TestNothingIsClaimedAcrossGroups(t *testing.T) {
	in := HeightInput{Printers: 4, Plates: 5, Day: 10, Parts: UsualHeightParts(), Layers: []HeightLayer{
		{Printer: 0, Plate: 0, Side: 'a', Day: 1, ErrorMM: 0.03}, {Printer: 0, Plate: 1, Side: 'a', Day: 2, ErrorMM: 0.0}, {Printer: 1, Plate: 1, Side: 'a', Day: 3, ErrorMM: -0.04},
		{Printer: 2, Plate: 2, Side: 'b', Day: 1, ErrorMM: 0.01},
	}}
	b := SolveHeights(in)
	if b.Groups != 2 || b.Printers[3].Group != -1 {
		t.Fatalf("%d groups, %+v", b.Groups, b.Printers)
	}
	if m, ok := b.Expect(1, 0, 'a', 0); !ok || m.Tried || !(m.LowMM < m.MM && m.MM < m.HighMM) {
		t.Errorf("a pair over a plate in common: %+v, %v", m, ok)
	}
	if m, ok := b.Expect(1, 0, 'b', 0); !ok || m.SideKnown {
		t.Errorf("the other side: %+v, %v", m, ok)
	}
	for _, p := range [][2]int{{0, 2}, {2, 0}, {0, 3}, {3, 0}, {3, 4}} {
		if _, ok := b.Expect(p[0], p[1], 'a', 0); ok {
			t.Errorf("a move for printer %d and plate %d", p[0], p[1])
		}
	}
	if _, ok := b.Differ(0, 'a', 2, 'b'); ok {
		t.Error("a difference across groups")
	}
	if s, ok := b.Side(2, 'b'); !ok || !s.Alone {
		t.Errorf("the only plate of its group: %+v", s)
	}
	if b := SolveHeights(HeightInput{Printers: 1, Plates: 1, Parts: UsualHeightParts()}); b.Groups != 0 || b.Printers[0].Group != -1 {
		t.Errorf("without layers: %+v", b)
	}
}

// A thick plate asks for the nozzle up, the more sure the more often it was
// seen, and less sure after a service.
func TestAThickPlateAsksForNozzleUp(t *testing.T) {
	in := HeightInput{Printers: 2, Plates: 3, Day: 20, Parts: UsualHeightParts()}
	add := func(printer, plate int, day, err float64) {
		in.Layers = append(in.Layers, HeightLayer{Printer: printer, Plate: plate, Side: 'a', Day: day, ErrorMM: err, SDMM: 0.003})
	}
	for d := range 10 {
		add(0, 0, float64(2*d), 0)
		add(0, 1, float64(2*d)+1, -0.03)
		add(1, 0, float64(d), 0.05)
	}
	b := SolveHeights(in)
	m, ok := b.Expect(1, 1, 'a', -0.006)
	if !ok || math.Abs(m.MM-(-0.006-0.02)) > 0.006 || m.Tried {
		t.Errorf("a pair never tried: %+v, %v", m, ok)
	}
	d, _ := b.Differ(1, 'a', 0, 'a')
	if math.Abs(d.MM-0.03) > 0.004 || !d.Clear() {
		t.Errorf("difference %+v", d)
	}
	in.Events = []HeightEvent{{Printer: 1, Day: 19, Kind: HeightService, FromMM: math.NaN(), ToMM: math.NaN()}}
	after, _ := SolveHeights(in).Expect(1, 1, 'a', -0.006)
	if !(after.HighMM-after.LowMM > 2*(m.HighMM-m.LowMM)) {
		t.Errorf("after a service %+v, before %+v", after, m)
	}
	in.Events = []HeightEvent{{Printer: 1, Day: 19, Kind: HeightOffset, FromMM: 0.10, ToMM: 0.08}}
	set, _ := SolveHeights(in).Expect(1, 1, 'a', -0.006)
	if math.Abs(set.MM-m.MM-0.02) > 5e-4 {
		t.Errorf("after the offset was set 0.02 mm lower %+v, before %+v", set, m)
	}
}

func TestWhatALayerSaysOfItsHeight(t *testing.T) {
	p := profile(t, 0.2, 0.45)
	in := Input{Profile: p, Grid: simGrid, Gauge: DefaultGauge(), Assume: DefaultAssumptions()}
	nan := math.NaN()
	lines := func(mm float64) (out []Reading) {
		for i := range 9 {
			out = append(out, Reading{Zone: Zone{i % 3, i / 3}, MM: mm})
		}
		return out
	}
	for _, x := range []struct {
		name     string
		readings []Reading
		nudge    float64
		want, sd float64
		ok       bool
	}{
		{"nothing", nil, nan, 0, 0, false},
		{"no move", nil, 0, 0, 0, false},
		{"a move up", nil, 0.03, AimErrorMM(p) - 0.03, 0.02, true},
		{"lines", lines(0.17), nan, -0.03, 0.002, true},
		{"lines and a move in between", lines(0.17), 0.02, -0.04, math.Hypot(0.002, 0.02/math.Sqrt(12)), true},
	} {
		in.Readings = x.readings
		err, sd, ok := HeightError(in, x.nudge)
		if ok != x.ok || math.Abs(err-x.want) > 1e-9 || math.Abs(sd-x.sd) > 5e-4 {
			t.Errorf("%s: %.4f, %.4f, %v", x.name, err, sd, ok)
		}
	}
}

func BenchmarkSolveHeights(b *testing.B) {
	for _, x := range []struct{ printers, plates int }{{60, 130}, {1000, 2200}} {
		b.Run(strconv.Itoa(x.printers), func(b *testing.B) {
			f := drawHeights(9100, x.printers, x.plates, 8)
			f.in.Parts = UsualHeightParts()
			for b.Loop() {
				SolveHeights(f.in)
			}
		})
	}
}
