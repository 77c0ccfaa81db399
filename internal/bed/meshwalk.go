package bed

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// walkBlock is series that share their steps.
type walkBlock struct {
	series [][]float64
	steps  [][driftTerms]float64
}

func walk(series [][]float64, steps [][driftTerms]float64, seen [driftTerms]bool, weight float64) (v [driftTerms]float64, cov [driftTerms][driftTerms]float64) {
	return walkAll([]walkBlock{{series, steps}}, seen, weight)
}

// walkAll finds the variances of random walks seen with noise that share them, and
// their covariance from the information; weight is how much one series counts.
func walkAll(blocks []walkBlock, seen [driftTerms]bool, weight float64) (v [driftTerms]float64, cov [driftTerms][driftTerms]float64) {
	var free []int
	for k := range seen {
		if seen[k] {
			free = append(free, k)
		}
	}
	// Begin with the mean square of all changes, shared evenly.
	ms, n := 0.0, 0
	var mean [driftTerms]float64 // amounts between two probes
	steps := 0
	for _, b := range blocks {
		for _, y := range b.series {
			for i := 1; i < len(y); i++ {
				ms += (y[i] - y[i-1]) * (y[i] - y[i-1])
				n++
			}
		}
		steps += len(b.steps)
		for _, s := range b.steps {
			for k := range s {
				mean[k] += s[k]
			}
		}
	}
	ms /= float64(n)
	if ms == 0 {
		return v, cov
	}
	for _, k := range free {
		total := 2.0
		if k != ByProbe {
			total = mean[k] / float64(steps)
		}
		v[k] = ms / float64(len(free)) / total
	}
	floor := v
	for k := range floor {
		floor[k] *= 1e-6
	}
	best, grad, info := filterAll(blocks, &v, free, weight)
	for range 40 {
		step := scoring(info, grad, v, floor, free)
		moved := false
		for scale := 1.0; scale > 1e-4; scale /= 2 {
			next := v
			for i, k := range free {
				next[k] = max(floor[k], v[k]+scale*step[i])
			}
			if l, g, f := filterAll(blocks, &next, free, weight); l > best {
				moved = l > best+1e-5
				v, best, grad, info = next, l, g, f
				break
			}
		}
		if !moved {
			break
		}
	}
	sym := mat.NewSymDense(len(free), nil)
	for i := range free {
		for j := range i + 1 {
			sym.SetSym(i, j, info[i][j])
		}
		sym.SetSym(i, i, info[i][i]*(1+1e-9))
	}
	var chol mat.Cholesky
	var inverse mat.SymDense
	if chol.Factorize(sym) && chol.InverseTo(&inverse) == nil {
		for i, k := range free {
			for j, l := range free {
				cov[k][l] = inverse.At(i, j)
			}
		}
	}
	for _, k := range free {
		if v[k] <= floor[k] {
			v[k] = 0
		}
	}
	return v, cov
}

// scoring is the step to the maximum by the information, over what is free to
// move that way.
func scoring(info [driftTerms][driftTerms]float64, grad [driftTerms]float64, v, floor [driftTerms]float64, free []int) [driftTerms]float64 {
	var out [driftTerms]float64
	var open []int
	for i, k := range free {
		if v[k] > floor[k] || grad[i] > 0 {
			open = append(open, i)
		}
	}
	if len(open) == 0 {
		return out
	}
	var of [surfaceTerms][surfaceTerms]float64
	var rhs [surfaceTerms]float64
	for a, i := range open {
		rhs[a] = grad[i]
		for b, j := range open[:a+1] {
			of[a][b] = info[i][j]
		}
		of[a][a] = info[i][i] * (1 + 1e-6)
	}
	x, ok := smallSolve(&of, &rhs, len(open), 0)
	for a, i := range open {
		if ok {
			out[i] = x[a]
		} else {
			out[i] = grad[i] / info[i][i]
		}
	}
	return out
}

// filterAll is the log likelihood (without its constant) of all series, its
// gradient and the information, by the free terms.
func filterAll(blocks []walkBlock, v *[driftTerms]float64, free []int, weight float64) (l float64, grad [driftTerms]float64, info [driftTerms][driftTerms]float64) {
	for _, b := range blocks {
		for _, y := range b.series {
			filter(y, b.steps, v, free, &l, &grad, &info)
		}
	}
	for i := range free {
		grad[i] *= weight
		for j := range i + 1 {
			info[i][j] *= weight
			info[j][i] = info[i][j]
		}
	}
	return l * weight, grad, info
}

func filter(y []float64, steps [][driftTerms]float64, v *[driftTerms]float64, free []int, l *float64, grad *[driftTerms]float64, info *[driftTerms][driftTerms]float64) {
	noise := v[ByProbe]
	a, p := y[0], noise // the first probe is all that is known of where it began
	var da, dp, df, dv [driftTerms]float64
	for i, k := range free {
		if k == ByProbe {
			dp[i] = 1
		}
	}
	product := 1.0 // of the variances, so that few logarithms do
	for t := range steps {
		s := &steps[t]
		ahead := p
		for _, k := range free {
			ahead += v[k] * s[k] // s[ByProbe] is 0
		}
		f := ahead + noise
		per := 1 / f
		e := y[t+1] - a
		gain := ahead * per
		*l -= e * e * per / 2
		if product *= f; product < 1e-200 || product > 1e200 || t == len(steps)-1 {
			*l -= math.Log(product) / 2
			product = 1
		}
		fit := (1 - e*e*per) * per / 2
		for i, k := range free {
			dahead := dp[i] + s[k]
			df[i] = dahead
			if k == ByProbe {
				df[i]++
			}
			dv[i] = -da[i]
			grad[i] -= fit*df[i] + e*dv[i]*per
			dgain := (dahead - gain*df[i]) * per
			da[i] += dgain*e + gain*dv[i]
			dp[i] = dahead*(1-gain) - ahead*dgain
			half, whole := df[i]*per*per/2, dv[i]*per
			row := &info[i]
			for j := range i + 1 {
				row[j] += half*df[j] + whole*dv[j]
			}
		}
		a += gain * e
		p = ahead * (1 - gain)
	}
}

// walkLikelihood is what filter adds to the log likelihood for series that share
// their steps, alone.
func walkLikelihood(series [][]float64, steps [][driftTerms]float64, v *[driftTerms]float64) float64 {
	logs, squares := walkSums(series, steps, v)
	return -(float64(len(series))*logs + squares) / 2
}

// walkSums are the two parts of twice the likelihood of a walk, negative: the sum of
// the logarithms of the variances of each step's news, the same for every series,
// and the sum of the news' squares over their variances, of all series. With all of v
// c times as large the first grows by log c a step, and the second is a c-th.
func walkSums(series [][]float64, steps [][driftTerms]float64, v *[driftTerms]float64) (logs, squares float64) {
	at := make([]float64, len(series))
	for i, y := range series {
		at[i] = y[0]
	}
	noise := v[ByProbe]
	p, product := noise, 1.0
	for t := range steps {
		s := &steps[t]
		ahead := p + v[ByStart]*s[ByStart] + v[ByHour]*s[ByHour] + v[BySwap]*s[BySwap] + v[ByService]*s[ByService]
		f := ahead + noise
		per := 1 / f
		gain := ahead * per
		for i, y := range series {
			e := y[t+1] - at[i]
			squares += e * e * per
			at[i] += gain * e
		}
		if product *= f; product < 1e-200 || product > 1e200 || t == len(steps)-1 {
			logs += math.Log(product)
			product = 1
		}
		p = gain * noise
	}
	return logs, squares
}

// seriesOf and stepsOf are a mode's series and the steps between its meshes.
func (d *Drift) seriesOf(mode int) [][]float64 {
	if mode == surfaceTerms {
		return d.left
	}
	if d.modes == nil {
		return nil
	}
	return d.modes[mode : mode+1]
}

func (d *Drift) stepsOf(mode int) [][driftTerms]float64 {
	if mode == surfaceTerms {
		return d.leftSteps
	}
	return d.modeSteps
}
