package stats

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Linear is a fit by ordinary least squares.
type Linear struct {
	Coef      []float64
	Cov       *mat.SymDense // of the coefficients for a residual variance of 1: (XᵀX)⁻¹
	Residuals []float64
	SumSq     float64 // of the residuals
	DF        int     // observations minus coefficients
	R2        float64 // about the mean
}

// ResidualSD is the standard deviation of the residuals, √(SumSq/DF); NaN
// without degrees of freedom.
func (l *Linear) ResidualSD() float64 {
	if l.DF == 0 {
		return math.NaN()
	}
	return math.Sqrt(l.SumSq / float64(l.DF))
}

// SE is the standard error of coefficient k.
func (l *Linear) SE(k int) float64 { return l.ResidualSD() * math.Sqrt(l.Cov.At(k, k)) }

// LeastSquares fits y = X·coef by Householder QR on columns scaled to length 1.
// x is row-major with cols columns, a column of ones among them where an
// intercept is wanted. False where the columns do not determine the
// coefficients: fewer rows than columns, or columns that depend on each other
// to within 1e-10.
func LeastSquares(x []float64, cols int, y []float64) (Linear, bool) {
	n := len(y)
	if cols < 1 || n < cols || len(x) != n*cols {
		return Linear{}, false
	}
	scale := make([]float64, cols)
	for i, v := range x {
		scale[i%cols] = math.Hypot(scale[i%cols], v)
	}
	scaled := make([]float64, len(x))
	for i, v := range x {
		if s := scale[i%cols]; s == 0 || math.IsNaN(s) || math.IsInf(s, 0) {
			return Linear{}, false
		}
		scaled[i] = v / scale[i%cols]
	}
	var qr mat.QR
	qr.Factorize(mat.NewDense(n, cols, scaled))
	if c := qr.Cond(); !(c < 1e10) {
		return Linear{}, false
	}
	var beta mat.VecDense
	if err := qr.SolveVecTo(&beta, false, mat.NewVecDense(n, y)); err != nil {
		return Linear{}, false
	}
	var r mat.Dense
	qr.RTo(&r)
	tri := mat.NewTriDense(cols, mat.Upper, nil)
	for i := range cols {
		for j := i; j < cols; j++ {
			tri.SetTri(i, j, r.At(i, j))
		}
	}
	var inverse mat.TriDense
	if err := inverse.InverseTri(tri); err != nil {
		return Linear{}, false
	}
	l := Linear{Coef: make([]float64, cols), Cov: mat.NewSymDense(cols, nil), Residuals: make([]float64, n), DF: n - cols}
	for i := range cols {
		l.Coef[i] = beta.AtVec(i) / scale[i]
		for j := i; j < cols; j++ {
			sum := 0.0
			for k := j; k < cols; k++ {
				sum += inverse.At(i, k) * inverse.At(j, k)
			}
			l.Cov.SetSym(i, j, sum/(scale[i]*scale[j]))
		}
	}
	mean := 0.0
	for _, v := range y {
		mean += v / float64(n)
	}
	about := 0.0
	for i, v := range y {
		fitted := 0.0
		for j := range cols {
			fitted += scaled[i*cols+j] * beta.AtVec(j)
		}
		l.Residuals[i] = v - fitted
		l.SumSq += l.Residuals[i] * l.Residuals[i]
		about += (v - mean) * (v - mean)
	}
	l.R2 = 1 - l.SumSq/about
	return l, true
}
