package bed

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// meshReference is testdata/mesh/reference.json, made by reference.py beside it
// with numpy 1.24.2 and scipy 1.10.1.
type meshReference struct {
	Shapes []struct {
		X, Y     []float64
		Z        []*float64
		Range    float64 `json:"range_mm"`
		RMS      float64 `json:"rms_mm"`
		TiltX    float64 `json:"tilt_x"`
		TiltY    float64 `json:"tilt_y"`
		Residual float64 `json:"residual_rms_mm"`
		BowX     float64 `json:"bow_x"`
		BowY     float64 `json:"bow_y"`
		Twist    float64
		Local    float64 `json:"local_rms_mm"`
		Step     float64 `json:"step_mm"`
	}
	Changes []struct {
		XA, YA  []float64
		A       []*float64
		XB, YB  []float64
		B       []*float64
		Points  int
		Shift   float64
		TiltX   float64 `json:"tilt_x"`
		TiltY   float64 `json:"tilt_y"`
		TiltRMS float64 `json:"tilt_rms"`
		Shape   float64 `json:"shape_rms"`
		RMS     float64
		Largest float64
	}
	Drifts []struct {
		Starts, Hours, Swaps []float64
		Y                    []float64
		Variances            [4]float64
		Minus                float64 `json:"minus_log_likelihood"`
	}
}

func readMeshReference(t *testing.T) (ref meshReference) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("testdata", "mesh", "reference.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(raw, &ref); err != nil {
		t.Fatal(err)
	}
	return ref
}

func meshOf(x, y []float64, z []*float64) Mesh {
	m := Mesh{Columns: len(x), Rows: len(y), XMM: x, YMM: y}
	for _, h := range z {
		if h == nil {
			m.HeightsMM = append(m.HeightsMM, math.NaN())
		} else {
			m.HeightsMM = append(m.HeightsMM, *h)
		}
	}
	return m
}

func TestMeshShapeByNumpy(t *testing.T) {
	for _, r := range readMeshReference(t).Shapes {
		s := meshOf(r.X, r.Y, r.Z).Shape()
		for what, pair := range map[string][2]float64{"range": {s.RangeMM, r.Range}, "rms": {s.RMSMM, r.RMS}, "tilt x": {s.TiltXMMPerM, r.TiltX}, "tilt y": {s.TiltYMMPerM, r.TiltY},
			"residual": {s.ResidualRMSMM, r.Residual}, "bow x": {s.BowXMM, r.BowX}, "bow y": {s.BowYMM, r.BowY}, "twist": {s.TwistMM, r.Twist}, "local": {s.LocalRMSMM, r.Local}, "step": {s.StepMM, r.Step}} {
			near(t, what, pair[0], pair[1], 1e-10)
		}
	}
}

func TestMeshChangeByNumpy(t *testing.T) {
	for _, r := range readMeshReference(t).Changes {
		c, ok := meshOf(r.XB, r.YB, r.B).Against(meshOf(r.XA, r.YA, r.A))
		if !ok || c.Points != r.Points {
			t.Fatalf("%d points, %v, want %d", c.Points, ok, r.Points)
		}
		for what, pair := range map[string][2]float64{"shift": {c.ShiftMM, r.Shift}, "tilt x": {c.TiltXMMPerM, r.TiltX}, "tilt y": {c.TiltYMMPerM, r.TiltY}, "tilt": {c.TiltRMSMM, r.TiltRMS},
			"shape": {c.ShapeRMSMM, r.Shape}, "rms": {c.RMSMM, r.RMS}, "largest": {c.LargestMM, r.Largest}} {
			near(t, what, pair[0], pair[1], 1e-9)
		}
		near(t, "squares", c.ShiftMM*c.ShiftMM+c.TiltRMSMM*c.TiltRMSMM+c.ShapeRMSMM*c.ShapeRMSMM, c.RMSMM*c.RMSMM, 1e-12)
	}
}

// The likelihood of the changes is maximised by scipy's Nelder–Mead on the dense
// covariance; here by scoring on the filter.
func TestMeshDriftByScipy(t *testing.T) {
	for _, r := range readMeshReference(t).Drifts {
		steps := make([][driftTerms]float64, len(r.Starts))
		for k := range steps {
			steps[k] = [driftTerms]float64{r.Starts[k], r.Hours[k], r.Swaps[k]}
		}
		seen := [driftTerms]bool{ByStart: true, ByHour: true, BySwap: true, ByProbe: true}
		v, _ := walk([][]float64{r.Y}, steps, seen, 1)
		l, _, _ := filterAll([]walkBlock{{[][]float64{r.Y}, steps}}, &v, []int{ByStart, ByHour, BySwap, ByProbe}, 1)
		near(t, "log likelihood", -l, r.Minus, 1e-3)
		near(t, "log likelihood alone", -walkLikelihood([][]float64{r.Y}, steps, &v), r.Minus, 1e-3)
		for k, want := range map[int]float64{ByStart: r.Variances[0], ByHour: r.Variances[1], BySwap: r.Variances[2], ByProbe: r.Variances[3]} {
			near(t, []string{"start", "hour", "swap", "service", "probe"}[k], v[k], want, 0.02*want+2e-7)
		}
	}
}

// Hand-worked: a plane rising 0.2 mm over 200 mm to the right on 3 × 2 points.
func TestMeshShapeByHand(t *testing.T) {
	m := Mesh{Columns: 3, Rows: 2, XMM: []float64{0, 100, 200}, YMM: []float64{0, 100}, HeightsMM: []float64{0, 0.1, 0.2, 0, 0.1, 0.2}}
	s := m.Shape()
	near(t, "tilt x", s.TiltXMMPerM, 1, 1e-12)
	near(t, "tilt y", s.TiltYMMPerM, 0, 1e-12)
	near(t, "residual", s.ResidualRMSMM, 0, 1e-12)
	near(t, "range", s.RangeMM, 0.2, 1e-12)
	near(t, "step", s.StepMM, 0.1, 1e-12)
	m.XMM, m.YMM = nil, nil
	if s = m.Shape(); !math.IsNaN(s.TiltXMMPerM) || s.ResidualRMSMM > 1e-12 {
		t.Errorf("without positions: tilt %v, residual %v", s.TiltXMMPerM, s.ResidualRMSMM)
	}
}

// Whatever the heights: squares add up; a mesh against itself has not changed;
// a shift alone is a shift, a plane alone a tilt; missing points stay missing.
func TestMeshChangeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, r := rapid.IntRange(2, 8).Draw(t, "columns"), rapid.IntRange(2, 8).Draw(t, "rows")
		height := rapid.Float64Range(-1, 1)
		m := Mesh{Columns: c, Rows: r, XMM: evenAxis(5, 215, c), YMM: evenAxis(5, 190, r)}
		o := m
		for range c * r {
			m.HeightsMM, o.HeightsMM = append(m.HeightsMM, height.Draw(t, "z")), append(o.HeightsMM, height.Draw(t, "o"))
		}
		d, ok := m.Against(o)
		if !ok || math.Abs(d.ShiftMM*d.ShiftMM+d.TiltRMSMM*d.TiltRMSMM+d.ShapeRMSMM*d.ShapeRMSMM-d.RMSMM*d.RMSMM) > 1e-9 {
			t.Fatalf("squares do not add up: %+v", d)
		}
		same, ok := m.Against(m)
		if !ok || same.RMSMM != 0 {
			t.Fatalf("against itself %v", same.RMSMM)
		}
		up := m
		up.HeightsMM = nil
		for i, z := range m.HeightsMM {
			up.HeightsMM = append(up.HeightsMM, z+0.1+0.001*m.XMM[i%c])
		}
		tilt, ok := up.Against(m)
		if !ok || tilt.ShapeRMSMM > 1e-9 || math.Abs(tilt.TiltXMMPerM-1) > 1e-6 {
			t.Fatalf("a plane: %+v", tilt)
		}
	})
}

func TestMeshCopies(t *testing.T) {
	a := Mesh{Columns: 2, Rows: 2, HeightsMM: []float64{0.1, 0.2, math.NaN(), 0.4}}
	b := Mesh{Columns: 2, Rows: 3, HeightsMM: []float64{0.1, 0.2, math.NaN(), 0.4, 0.5, 0.6}}
	if !b.CopyOf(b) || a.CopyOf(b) || a.CopyOf(a) { // three heights tell nothing
		t.Error("copies are not told")
	}
	c := b
	c.HeightsMM = append([]float64{0.1000000001}, b.HeightsMM[1:]...)
	if c.CopyOf(b) {
		t.Error("another digit is another measurement")
	}
}

func evenAxis(from, to float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return out
}

func BenchmarkMeshAnalysis50x50(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	m := Mesh{Columns: 50, Rows: 50, XMM: evenAxis(10, 290, 50), YMM: evenAxis(10, 290, 50)}
	o := Mesh{Columns: 50, Rows: 50, XMM: evenAxis(12, 288, 50), YMM: evenAxis(12, 288, 50)}
	for range 2500 {
		m.HeightsMM, o.HeightsMM = append(m.HeightsMM, r.NormFloat64()/50), append(o.HeightsMM, r.NormFloat64()/50)
	}
	for b.Loop() {
		m.Shape()
		m.Against(o)
	}
}

// A horizon that can be checked by hand: variances 4e-6 a start and 1e-4 a probe
// in height alone; ± 0.0335 mm hold 95 % of sd 0.0335/1.95996 = 0.017092, so
// (0.017092² − 1e-4)/4e-6 = 48.0 starts.
func TestMeshHorizonByHand(t *testing.T) {
	var d Drift
	d.Var[0] = [driftTerms]float64{ByStart: 4e-6, ByProbe: 1e-4}
	h := d.Horizon(0.160, 0.227, 0.1935)
	near(t, "starts", h.Starts, 48.036, 0.01)
	d.Var[0][ByProbe] = 3e-4
	if h = d.Horizon(0.160, 0.227, 0.1935); !h.ProbeFault || h.Starts != 0 {
		t.Errorf("a probe that fills the band: %+v", h)
	}
	d.Var[0] = [driftTerms]float64{}
	if h = d.Horizon(0.160, 0.227, 0.1935); !math.IsInf(h.Starts, 1) {
		t.Errorf("a bed that does not move: %+v", h)
	}
}

// Repeats by hand: two meshes of 2 × 2 that differ by 0.01 mm everywhere have
// an sd of 0.01/√2 in height and none in shape.
func TestMeshRepeats(t *testing.T) {
	mesh := func(up float64) Mesh {
		return Mesh{Columns: 2, Rows: 2, HeightsMM: []float64{up, up + 0.1, up + 0.2, up + 0.3}}
	}
	r := MeshRepeats([]MeshRecord{{Mesh: mesh(0), Starts: 1}, {Mesh: mesh(0.01), Starts: 1, Hours: 0.2}, {Mesh: mesh(0.5), Starts: 2, Hours: 0.3}, {Mesh: mesh(0.5), Starts: 2, Hours: 0.4}, {Mesh: mesh(0.6), Starts: 2, Hours: 9}})
	if r.Groups != 1 || r.Meshes != 2 {
		t.Fatalf("%+v", r)
	}
	near(t, "sd", r.SDMM, 0.01/math.Sqrt2, 1e-12)
	near(t, "shift", r.ShiftSDMM, 0.01/math.Sqrt2, 1e-12)
	near(t, "shape", r.ShapeSDMM, 0, 1e-9)
}

// Small systems beside gonum's; singular ones are refused.
func TestSmallSolveByGonum(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for n := 1; n <= surfaceTerms; n++ {
		var a [surfaceTerms][surfaceTerms]float64
		var b [surfaceTerms]float64
		of := mat.NewDense(n+2, n, nil)
		for i := range n + 2 {
			for j := range n {
				of.Set(i, j, r.NormFloat64())
			}
		}
		var sym mat.Dense
		sym.Mul(of.T(), of)
		for i := range n {
			b[i] = r.NormFloat64()
			for j := range i + 1 {
				a[i][j] = sym.At(i, j)
			}
		}
		var want mat.VecDense
		if err := want.SolveVec(&sym, mat.NewVecDense(n, b[:n])); err != nil {
			t.Fatal(err)
		}
		x, ok := smallSolve(&a, &b, n, 1e-10)
		if !ok {
			t.Fatalf("%d rows: refused", n)
		}
		for i := range n {
			near(t, "solution", x[i], want.AtVec(i), 1e-9*(1+math.Abs(want.AtVec(i))))
		}
		if n > 1 { // the last row again the first
			for j := range n {
				a[n-1][j] = a[max(j, 0)][0]
			}
			a[n-1][n-1] = a[0][0]
			if _, ok := smallSolve(&a, &b, n, 1e-10); ok {
				t.Errorf("%d rows, two of them the same: solved", n)
			}
		}
	}
}
