package findings

import (
	"math"
	"slices"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/simfarm"
	"basecourse/internal/stats"
)

// layersOf is what the findings see of an invented farm.
func layersOf(c *simfarm.Columns) (*Layers, []exposure.Exposure) {
	ex := exposure.Of(&c.History)
	var group [4][]int
	for i, m := range farm.Marks {
		switch m {
		case "nozzle_low", "nozzle_high":
			group[0] = append(group[0], i)
		case "blobs", "dragged", "lifting":
			group[1] = append(group[1], i)
		case "contamination":
			group[2] = append(group[2], i)
		default:
			group[3] = append(group[3], i)
		}
	}
	l := Collect(&c.History, ex, func(i int) Label {
		lb := &c.Labels[i]
		var top [4]uint8
		for g, marks := range group {
			for _, m := range marks {
				top[g] = max(top[g], lb.Severity[m])
			}
		}
		return Label{Graded: lb.Graded, Material: int32(lb.Material), Grader: int32(lb.Grader), Height: top[0], Grip: top[1], Dirt: top[2], Else: top[3]}
	}, c.From-1, c.To, time.UTC)
	return l, ex
}

// arm is the graded layers of one question for the methods compared with.
type arm struct {
	off, x  []float64
	exposed []bool
	y       []bool
}

// armsOf gives every question's layers in the order of Evaluate, with the true
// log-odds of failure without the exposure as offset.
func armsOf(f *simfarm.Farm, c *simfarm.Columns, ex []exposure.Exposure, gapSplit float64) []arm {
	or := f.Oracle()
	probing, gap := simfarm.LogOdds(or.Probing), simfarm.LogOdds(or.Gap)
	printers := f.Scenario.Printers
	arms := make([]arm, 2*printers+f.Scenario.Plates)
	for i := range c.History.Starts {
		s := &c.History.Starts[i]
		if s.GradedAt == 0 {
			continue
		}
		add := func(k int, off, x float64, exposed bool) {
			a := &arms[k]
			a.off, a.x, a.exposed, a.y = append(a.off, off), append(a.x, x), append(a.exposed, exposed), append(a.y, s.Failed)
		}
		switch ex[i].State {
		case exposure.StateValid:
			add(int(2*s.Printer), probing[i], 0, false)
		case exposure.StateSkipped:
			add(int(2*s.Printer), probing[i], 1, true)
		}
		if g := ex[i].PrintsSinceClean; g >= 0 {
			x, exposed := gapDose(g), float64(g) > gapSplit
			add(int(2*s.Printer)+1, gap[i], x, exposed)
			add(2*printers+int(ex[i].Plate), gap[i], x, exposed)
		}
	}
	return arms
}

// oracle is the one-sided likelihood-ratio test of a slope on the exposure with
// the true nuisance as offset.
func (a *arm) oracle() float64 {
	ll := func(b float64) (v float64) {
		for i, off := range a.off {
			p := min(max(expit(off+b*a.x[i]), 1e-15), 1-1e-15)
			if a.y[i] {
				v += math.Log(p)
			} else {
				v += math.Log(1 - p)
			}
		}
		return v
	}
	b := 0.0
	for range 30 {
		g, h := 0.0, 1e-9
		for i, off := range a.off {
			p := expit(off + b*a.x[i])
			r := -p
			if a.y[i] {
				r++
			}
			g += r * a.x[i]
			h += p * (1 - p) * a.x[i] * a.x[i]
		}
		d := clamp(g/h, 1)
		b += d
		if math.Abs(d) < 1e-7 {
			break
		}
	}
	return stats.NormalUpperTail(math.Copysign(math.Sqrt(2*max(0, ll(b)-ll(0))), b))
}

// crude is Fisher's exact test of the plain table, one-sided.
func (a *arm) crude() float64 {
	var t [2][2]int
	for i, y := range a.y {
		r, c := 1, 1
		if a.exposed[i] {
			r = 0
		}
		if y {
			c = 0
		}
		t[r][c]++
	}
	return stats.NewExact(stats.Table{A: t[0][0], B: t[0][1], C: t[1][0], D: t[1][1]}).PGreater(1)
}

// plain is a logistic regression of the machine's own layers on the exposure,
// Wald's test, one-sided.
func (a *arm) plain() float64 {
	var p0, p1 float64
	for range 40 {
		var g [3]float64
		var h [3][3]float64
		for i, x := range a.x {
			p := expit(p0 + p1*x)
			r, w := -p, p*(1-p)
			if a.y[i] {
				r++
			}
			g[0] += r
			g[1] += r * x
			h[0][0] += w
			h[0][1] += w * x
			h[1][1] += w * x * x
		}
		d, v, ok := solve3(&h, &g, 2)
		if !ok {
			return 1
		}
		p0 += clamp(d[0], 1)
		p1 += clamp(d[1], 1)
		if math.Abs(d[0])+math.Abs(d[1]) < 1e-7 {
			return stats.NormalUpperTail(p1 / math.Sqrt(v[1]))
		}
	}
	return 1
}

// discoveries are the questions with q ≤ 5 % by Benjamini and Hochberg.
func discoveries(arms []arm, p func(a *arm) float64) []bool {
	ps := make([]float64, len(arms))
	parallel(len(arms), func(i int) {
		ps[i] = 1
		if len(arms[i].y) > 30 {
			ps[i] = p(&arms[i])
		}
	})
	out := make([]bool, len(arms))
	for i, q := range stats.BenjaminiHochberg(ps) {
		out[i] = q <= 0.05
	}
	return out
}

// medianGap is the median prints since cleaning.
func medianGap(l *Layers) float64 {
	var g []int32
	for _, v := range l.Gap {
		if v >= 0 {
			g = append(g, v)
		}
	}
	slices.Sort(g)
	if len(g) == 0 {
		return math.NaN()
	}
	return (float64(g[(len(g)-1)/2]) + float64(g[len(g)/2])) / 2
}
