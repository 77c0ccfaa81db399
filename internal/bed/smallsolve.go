package bed

import "math"

// smallSolve solves a·x = b for a symmetric positive definite a of n rows, of which
// only the lower triangle is read, by its Cholesky factor. It is false where a pivot
// is left with less than least of its own diagonal: a is singular, or so near to it
// that x would be noise. Thousands of tiny systems are solved for a farm's meshes;
// a library's general matrices cost more than the sums.
func smallSolve(a *[surfaceTerms][surfaceTerms]float64, b *[surfaceTerms]float64, n int, least float64) (x [surfaceTerms]float64, ok bool) {
	var l [surfaceTerms][surfaceTerms]float64
	for i := range n {
		for j := range i + 1 {
			s := a[i][j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i > j {
				l[i][j] = s / l[j][j]
			} else if s > least*a[i][i] && s > 0 {
				l[i][i] = math.Sqrt(s)
			} else {
				return x, false
			}
		}
	}
	for i := range n {
		s := b[i]
		for k := range i {
			s -= l[i][k] * x[k]
		}
		x[i] = s / l[i][i]
	}
	for i := n - 1; i >= 0; i-- {
		s := x[i]
		for k := i + 1; k < n; k++ {
			s -= l[k][i] * x[k]
		}
		x[i] = s / l[i][i]
	}
	return x, true
}
