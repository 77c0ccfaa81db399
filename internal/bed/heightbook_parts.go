package bed

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/optimize"
)

const (
	// partsLooseness is how far the standard deviations may lie from what is
	// usual, before anything is seen: sd of their natural logarithms.
	partsLooseness = 1.0
	// partsPrinters is how many printers at most the parts are estimated from;
	// those with most layers.
	partsPrinters = 100
)

// EstimateHeightParts gives the parts under which the layers are most likely:
// the mode of the restricted likelihood (REML) times weak expectations about the
// usual ones. Without layers they are the usual ones.
func EstimateHeightParts(in HeightInput) HeightParts {
	groups := heightGroups(thinned(&in))
	usual := UsualHeightParts().logs()
	if len(groups) == 0 {
		return UsualHeightParts()
	}
	problem := optimize.Problem{Func: func(x []float64) float64 {
		p := heightParts(x)
		sum := 0.0
		for k, v := range x {
			sum += sqr((v - usual[k]) / partsLooseness)
		}
		sum /= 2
		for _, g := range groups {
			g.likelihood(p)
			sum -= g.log
		}
		return sum
	}}
	settings := &optimize.Settings{FuncEvaluations: 900, Converger: &optimize.FunctionConverge{Absolute: 1e-4, Iterations: 40}}
	// Nelder and Mead's way needs no slopes. What it reached when evaluations ran
	// out is still better than where it began.
	result, err := optimize.Minimize(problem, usual, settings, &optimize.NelderMead{SimplexSize: 0.5})
	if result == nil || err != nil && len(result.X) == 0 {
		return UsualHeightParts()
	}
	return heightParts(result.X)
}

// thinned leaves out the printers with the fewest layers of a large farm.
func thinned(in *HeightInput) *HeightInput {
	count := make([]int, in.Printers)
	for _, l := range in.Layers {
		count[l.Printer]++
	}
	order := make([]int, 0, in.Printers)
	for i, n := range count {
		if n > 0 {
			order = append(order, i)
		}
	}
	if len(order) <= partsPrinters {
		return in
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Or(cmp.Compare(count[b], count[a]), cmp.Compare(a, b)) })
	keep := make([]bool, in.Printers)
	for _, i := range order[:partsPrinters] {
		keep[i] = true
	}
	out := *in
	out.Layers = nil
	for _, l := range in.Layers {
		if keep[l.Printer] {
			out.Layers = append(out.Layers, l)
		}
	}
	return &out
}

func (p HeightParts) logs() []float64 {
	x := []float64{p.ZeroMM, p.DriftMM, p.ServiceMM, p.ProbeMM, p.PlateMM, p.NoiseMM}
	for i := range x {
		x[i] = math.Log(x[i])
	}
	return x
}

func heightParts(logs []float64) HeightParts {
	e := func(i int) float64 { return math.Exp(max(-14, min(3, logs[i]))) }
	return HeightParts{e(0), e(1), e(2), e(3), e(4), e(5)}
}
