package bed

import (
	"math"
	"slices"
)

// Mesh is the heights of a bed on a grid, mm: bed surface against the printer's
// zero, up positive. XMM and YMM are the positions of columns and rows from the
// bed's front left corner, ascending; nil where they are not known. HeightsMM is
// row-major from the front left, NaN where missing.
type Mesh struct {
	Columns, Rows int
	XMM, YMM      []float64
	HeightsMM     []float64
}

// Located tells whether the mesh's positions are known.
func (m Mesh) Located() bool {
	return len(m.XMM) == m.Columns && len(m.YMM) == m.Rows && m.Columns > 0 && m.Rows > 0
}

// SameGrid tells whether two meshes have their points at the same places, or
// both no places and as many points.
func (m Mesh) SameGrid(o Mesh) bool {
	return m.Columns == o.Columns && m.Rows == o.Rows && m.Located() == o.Located() && (!m.Located() || slices.Equal(m.XMM, o.XMM) && slices.Equal(m.YMM, o.YMM))
}

// CopyOf tells whether a mesh repeats an earlier one bit by bit: measured anew,
// no bed gives the same digits in every point. Meshes that are level or have
// fewer than four heights tell nothing.
func (m Mesh) CopyOf(earlier Mesh) bool {
	if !m.SameGrid(earlier) || len(m.HeightsMM) != len(earlier.HeightsMM) {
		return false
	}
	known, level := 0, true
	for i, z := range m.HeightsMM {
		o := earlier.HeightsMM[i]
		if math.IsNaN(z) != math.IsNaN(o) || !math.IsNaN(z) && z != o {
			return false
		}
		if !math.IsNaN(z) {
			known++
			level = level && z == m.HeightsMM[0]
		}
	}
	return known >= 4 && !level
}

// axes are positions, mm; where they are not known, even steps of no unit.
func (m Mesh) axes() (x, y []float64) {
	if m.Located() {
		return m.XMM, m.YMM
	}
	steps := func(n int) []float64 {
		out := make([]float64, n)
		for i := range out {
			out[i] = float64(i)
		}
		return out
	}
	return steps(m.Columns), steps(m.Rows)
}

// MeshShape says what a mesh looks like. Lengths are mm; NaN where the mesh
// cannot tell.
type MeshShape struct {
	Known         int     // heights that are not missing
	MeanMM        float64 // of the heights
	LowMM, HighMM float64
	RangeMM       float64 // highest minus lowest
	RMSMM         float64 // about the mean
	// Plane by least squares, mm per metre: right side higher, back higher
	// positive. NaN without positions or where the points lie on a line.
	TiltXMMPerM, TiltYMMPerM float64
	ResidualRMSMM            float64 // √(Σr²/n) beside the plane
	// Quadratic surface by least squares, over the mesh's own extent: how much
	// higher the middle lies than left and right, than front and back; and how
	// much higher the corners front left and back right are, on average, than
	// the other two.
	BowXMM, BowYMM, TwistMM float64
	LocalRMSMM              float64 // beside the quadratic surface
	// Largest difference between neighbours along a row or column, and the
	// point of the two nearer the front left, counted from 0.
	StepMM              float64
	StepColumn, StepRow int
	StepAcross          bool // the neighbour is to the right; else to the back
}

// surfaceTerms are 1, u, v, u², uv, v².
const surfaceTerms = 6

func terms(u, v float64) [surfaceTerms]float64 {
	return [surfaceTerms]float64{1, u, v, u * u, u * v, v * v}
}

// Shape measures a mesh. Sums are over the points that are known.
func (m Mesh) Shape() MeshShape {
	nan := math.NaN()
	s := MeshShape{MeanMM: nan, LowMM: nan, HighMM: nan, RangeMM: nan, RMSMM: nan, TiltXMMPerM: nan, TiltYMMPerM: nan, ResidualRMSMM: nan,
		BowXMM: nan, BowYMM: nan, TwistMM: nan, LocalRMSMM: nan, StepMM: nan}
	sum := 0.0
	for _, z := range m.HeightsMM {
		if math.IsNaN(z) {
			continue
		}
		if s.Known == 0 {
			s.LowMM, s.HighMM = z, z
		}
		s.Known++
		sum += z
		s.LowMM, s.HighMM = min(s.LowMM, z), max(s.HighMM, z)
	}
	if s.Known == 0 {
		return s
	}
	s.MeanMM, s.RangeMM = sum/float64(s.Known), s.HighMM-s.LowMM
	ss := 0.0
	for _, z := range m.HeightsMM {
		if !math.IsNaN(z) {
			ss += (z - s.MeanMM) * (z - s.MeanMM)
		}
	}
	s.RMSMM = math.Sqrt(ss / float64(s.Known))
	m.steps(&s)
	x, y := m.axes()
	u, v, hx, hy := scaled(x), scaled(y), half(x), half(y)
	if plane, rms, ok := m.fit(u, v, 3); ok {
		s.ResidualRMSMM = rms
		if m.Located() {
			s.TiltXMMPerM, s.TiltYMMPerM = 1000*plane[1]/hx, 1000*plane[2]/hy
		}
	}
	if m.Columns > 2 && m.Rows > 2 {
		if q, rms, ok := m.fit(u, v, surfaceTerms); ok {
			s.BowXMM, s.BowYMM, s.TwistMM, s.LocalRMSMM = -q[3], -q[5], 2*q[4], rms
		}
	}
	return s
}

// half is half an axis's length, and scaled its positions from -1 to 1.
func half(at []float64) float64 { return (at[len(at)-1] - at[0]) / 2 }

func scaled(at []float64) []float64 {
	out := make([]float64, len(at))
	h, mid := half(at), (at[0]+at[len(at)-1])/2
	for i := range at {
		if h > 0 {
			out[i] = (at[i] - mid) / h
		}
	}
	return out
}

// fit fits the first n terms of the surface by least squares on the normal
// equations, which are well conditioned in positions from -1 to 1.
func (m Mesh) fit(u, v []float64, n int) (c [surfaceTerms]float64, rms float64, ok bool) {
	var a [surfaceTerms][surfaceTerms]float64
	var b [surfaceTerms]float64
	known := 0
	for r := range m.Rows {
		for k := range m.Columns {
			z := m.HeightsMM[r*m.Columns+k]
			if math.IsNaN(z) {
				continue
			}
			known++
			t := terms(u[k], v[r])
			for i := range n {
				b[i] += t[i] * z
				for j := range i + 1 {
					a[i][j] += t[i] * t[j]
				}
			}
		}
	}
	if known < n {
		return c, 0, false
	}
	if c, ok = smallSolve(&a, &b, n, 1e-10); !ok {
		return c, 0, false
	}
	ss := 0.0
	for r := range m.Rows {
		for k := range m.Columns {
			if z := m.HeightsMM[r*m.Columns+k]; !math.IsNaN(z) {
				d := z - surface(&c, u[k], v[r])
				ss += d * d
			}
		}
	}
	return c, math.Sqrt(ss / float64(known)), true
}

func surface(c *[surfaceTerms]float64, u, v float64) float64 {
	return c[0] + c[1]*u + c[2]*v + c[3]*u*u + c[4]*u*v + c[5]*v*v
}

// steps finds the largest difference between neighbours.
func (m Mesh) steps(s *MeshShape) {
	for r := range m.Rows {
		for c := range m.Columns {
			z := m.HeightsMM[r*m.Columns+c]
			try := func(o float64, across bool) {
				if d := math.Abs(o - z); !math.IsNaN(d) && !(d <= s.StepMM) {
					s.StepMM, s.StepColumn, s.StepRow, s.StepAcross = d, c, r, across
				}
			}
			if c+1 < m.Columns {
				try(m.HeightsMM[r*m.Columns+c+1], true)
			}
			if r+1 < m.Rows {
				try(m.HeightsMM[(r+1)*m.Columns+c], false)
			}
		}
	}
}

// At is the mesh's height at a place, mm, bilinear between its points; NaN
// outside them, where a point that counts is missing, and without positions.
func (m Mesh) At(xMM, yMM float64) float64 {
	if !m.Located() {
		return math.NaN()
	}
	i, fx, ok := stepAlong(m.XMM, xMM)
	j, fy, ok2 := stepAlong(m.YMM, yMM)
	if !ok || !ok2 {
		return math.NaN()
	}
	z := 0.0
	for dj, wy := range [2]float64{1 - fy, fy} {
		for di, wx := range [2]float64{1 - fx, fx} {
			if w := wx * wy; w > 0 {
				z += w * m.HeightsMM[(j+dj)*m.Columns+i+di]
			}
		}
	}
	return z
}

// stepAlong finds the step of an axis a place lies in and how far along it.
func stepAlong(at []float64, x float64) (i int, f float64, ok bool) {
	const slack = 1e-6 // mm: the edge itself belongs to it, however it was rounded
	n := len(at)
	if n == 1 {
		return 0, 0, math.Abs(x-at[0]) <= slack
	}
	if !(x >= at[0]-slack && x <= at[n-1]+slack) {
		return 0, 0, false
	}
	i, _ = slices.BinarySearch(at, x)
	i = max(0, min(n-2, i-1))
	return i, max(0, min(1, (x-at[i])/(at[i+1]-at[i]))), true
}

// MeshChange is what became different from an earlier mesh to a later one,
// later minus earlier, split so that the squares add up: RMS² = Shift² +
// TiltRMS² + ShapeRMS².
type MeshChange struct {
	Points                   int     // compared
	Of                       int     // the later mesh's known points
	ShiftMM                  float64 // mean
	TiltXMMPerM, TiltYMMPerM float64 // plane by least squares; NaN without positions
	TiltRMSMM                float64 // of the plane about its mean
	ShapeRMSMM               float64 // what the plane leaves
	RMSMM, LargestMM         float64 // largest without sign
	Change                   Mesh    // on the later mesh's grid
	Interpolated             bool    // the earlier one had its points elsewhere
}

// Against compares a mesh with an earlier one, on its own points, over the area
// they share; points of another grid are interpolated. It is false where fewer
// than three points or points on one line can be compared.
func (m Mesh) Against(earlier Mesh) (MeshChange, bool) {
	d := MeshChange{Change: m, Interpolated: !m.SameGrid(earlier), TiltXMMPerM: math.NaN(), TiltYMMPerM: math.NaN()}
	if d.Interpolated && !(m.Located() && earlier.Located()) {
		return d, false
	}
	d.Change.HeightsMM = make([]float64, len(m.HeightsMM))
	ss := 0.0
	for r := range m.Rows {
		for c := range m.Columns {
			i := r*m.Columns + c
			var before float64
			if d.Interpolated {
				before = earlier.At(m.XMM[c], m.YMM[r])
			} else {
				before = earlier.HeightsMM[i]
			}
			if !math.IsNaN(m.HeightsMM[i]) {
				d.Of++
			}
			z := m.HeightsMM[i] - before
			d.Change.HeightsMM[i] = z
			if !math.IsNaN(z) {
				d.Points++
				d.ShiftMM += z
				ss += z * z
				d.LargestMM = max(d.LargestMM, math.Abs(z))
			}
		}
	}
	x, y := m.axes()
	plane, rms, ok := d.Change.fit(scaled(x), scaled(y), 3)
	if !ok || d.Points < 3 {
		return d, false
	}
	n := float64(d.Points)
	d.ShiftMM /= n
	d.RMSMM, d.ShapeRMSMM = math.Sqrt(ss/n), rms
	d.TiltRMSMM = math.Sqrt(max(0, ss/n-d.ShiftMM*d.ShiftMM-rms*rms))
	if m.Located() {
		d.TiltXMMPerM, d.TiltYMMPerM = 1000*plane[1]/half(m.XMM), 1000*plane[2]/half(m.YMM)
	}
	return d, true
}
