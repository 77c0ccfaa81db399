package upkeep

import (
	"fmt"
	"math"
	"testing"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/findings"
	"basecourse/internal/sampling"
	"basecourse/internal/simfarm"
	"basecourse/internal/stats"
)

// looked counts how answers by the look list, and by whatever was graded, do on
// farms of known truth.
type looked struct {
	farms, starts, listed, graded int
	real                          int
	raised, nothing, found        [lookMethods]int
	rates, in, below, above       [2][lookMethods]int // printers, plates
	held, asked                   [lookMethods]int
	effect                        float64
	tooThin                       int
}

const (
	byList = iota
	asGraded
	lookMethods
)

// lookDays: two weeks by lot alone, so that there is something to forecast by,
// then eight by lot and risk.
const lookFirst, lookDays = 14, 70

// lookRateNeeds is how many layers of the list a rate is judged from on.
const lookRateNeeds = 20

// lookAt lets a farm happen whose crew grades a share by a look list and the rest,
// up to 40 % of all, by choice: bad-looking layers twice as often as good ones,
// bad-looking ones after a skipped probe half as often again.
func lookAt(sc simfarm.Scenario, seed uint64, share float64) *looked {
	sc.Coverage, sc.Days = 1, lookDays
	f := simfarm.Run(sc, seed)
	truth := f.Truth(0)
	choice := simfarm.Choice{Coverage: 0.4, Bad: 2, Skipped: 1.5}
	all := f.Columns()
	from, cut, to := all.From, all.From+lookFirst*day, all.To
	n := len(all.History.Starts)
	chance := make([]float64, n)
	on := make([]bool, n)
	lot := sampling.Plan(share, nil)
	draw := func(i int, d sampling.Design, risk float64) {
		c, why := d.Draw(sampling.Number(nil, all.History.Starts[i].ID), risk)
		chance[i], on[i] = c, why != sampling.Not
	}
	for i := range n {
		draw(i, lot, math.NaN())
	}
	f.Choose(choice, from, cut, func(i int) bool { return on[i] })
	first := f.Columns()
	_, m := findings.Learn(lookLayers(first, on, cut), sc.Printers, sc.Plates, 6, lookOptions)
	cast := NewForecast(m)
	// What the forecast says of each later start, by what was recorded before it;
	// a failure counts as known where anybody may have seen it: at all.
	ex := exposure.Of(&all.History)
	risks := make([]float64, n)
	for i := range n {
		e := &ex[i]
		risks[i] = cast.Chance(Next{Printer: all.History.Starts[i].Printer, Plate: e.Plate, Material: int32(all.Labels[i].Material),
			Probing: findings.Probing(e.State), SinceProbe: e.PrintsSinceProbe, Gap: e.PrintsSinceClean})
	}
	design := sampling.Plan(share, risks[:n/5])
	for i := range n {
		if all.History.Starts[i].At >= cut {
			draw(i, design, risks[i])
		}
	}
	f.Choose(choice, cut, to, func(i int) bool { return on[i] })
	c := f.Columns()
	o := &looked{farms: 1, starts: n}
	o.judgeFindings(sc, c, on, &truth)
	o.judgeRates(sc, f, c, on, chance)
	return o
}

var lookOptions = findings.Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5}

// lookLayers are the layers on the list that were graded before a time; all that
// were graded with a list of nil.
func lookLayers(c *simfarm.Columns, on []bool, until int64) *findings.Layers {
	h := &c.History
	label := labels(c)
	return findings.Collect(h, exposure.Of(h), func(i int) findings.Label {
		l := label(i)
		l.Graded = l.Graded && (on == nil || on[i])
		return l
	}, c.From-1, until-1, time.UTC)
}

func (o *looked) judgeFindings(sc simfarm.Scenario, c *simfarm.Columns, on []bool, truth *simfarm.Truth) {
	var qs [lookMethods][]findings.Question
	for m, list := range [][]bool{on, nil} {
		l := lookLayers(c, list, c.To)
		qs[m] = findings.Evaluate(l, sc.Printers, sc.Plates, 6, lookOptions)
	}
	for i := range qs[byList] {
		q := &qs[byList][i]
		e := truth.PlateCleaning[min(int(q.Index), sc.Plates-1)]
		switch {
		case q.Kind == findings.PrinterSubject && q.Cause == findings.SkippedProbing:
			e = truth.PrinterProbing[q.Index]
		case q.Kind == findings.PrinterSubject:
			e = truth.PrinterCleaning[q.Index]
		}
		avoidable := e.Avoidable()
		if avoidable >= 1 {
			o.real++
		}
		if (qs[byList][i].State == findings.Raised) != (qs[asGraded][i].State == findings.Raised) {
			o.tooThin++
		}
		for m := range lookMethods {
			q := &qs[m][i]
			raised := q.State == findings.Raised
			if m == byList {
				raised = raised && qs[asGraded][i].State == findings.Raised // as assess says it
			}
			if raised {
				o.raised[m]++
				if avoidable <= 0.2 {
					o.nothing[m]++
				}
				if avoidable >= 1 {
					o.found[m]++
				}
			}
			if q.State != findings.TooLittleData {
				o.asked[m]++
				if avoidable >= q.AvoidableLow-1e-9 && avoidable <= q.AvoidableHigh+1e-9 {
					o.held[m]++
				}
			}
		}
	}
}

func (o *looked) judgeRates(sc simfarm.Scenario, f *simfarm.Farm, c *simfarm.Columns, on []bool, chance []float64) {
	type group struct {
		starts, graded, failed int
		truth                  float64
		sums                   sampling.Sums
	}
	groups := [2][]group{make([]group, sc.Printers), make([]group, sc.Plates)}
	for i := range c.History.Starts {
		s := &c.History.Starts[i]
		if s.GradedAt != 0 {
			o.graded++
		}
		if on[i] {
			o.listed++
		}
		for _, g := range [2]*group{&groups[0][s.Printer], &groups[1][s.Plate]} {
			g.starts++
			g.truth += f.Chance(i)
			if s.GradedAt == 0 {
				continue
			}
			g.graded++
			if s.Failed {
				g.failed++
			}
			if on[i] {
				g.sums.Add(chance[i], s.Failed)
			}
		}
	}
	effect, n := 0.0, 0
	for k := range groups {
		for i := range groups[k] {
			g := &groups[k][i]
			if g.sums.N < lookRateNeeds {
				continue
			}
			truth := g.truth / float64(g.starts)
			r := g.sums.Rate(0.95)
			w := stats.Wilson(g.failed, g.graded, 0.95)
			effect, n = effect+r.Effect, n+1
			for m, x := range [lookMethods]stats.Interval{{Low: r.Low, High: r.High}, w} {
				o.rates[k][m]++
				switch {
				case truth < x.Low:
					o.below[k][m]++
				case truth > x.High:
					o.above[k][m]++
				default:
					o.in[k][m]++
				}
			}
		}
	}
	o.effect = effect / float64(max(1, n))
}

func (o *looked) share(k, m int) float64 { return float64(o.in[k][m]) / float64(max(1, o.rates[k][m])) }

func (o *looked) row(name string) string {
	of := func(a, b int) string {
		if b == 0 {
			return "–"
		}
		return fmt.Sprintf("%d/%d = %.3f", a, b, float64(a)/float64(b))
	}
	s := ""
	for m, method := range []string{"by the list", "as graded, unweighted"} {
		s += fmt.Sprintf("| %s | %d | %.1f %% | %s | %s | %s | %s | %s | %s |\n", name, o.farms, 100*float64(o.graded)/float64(o.starts), method,
			of(o.nothing[m], o.raised[m]), of(o.found[m], o.real), of(o.in[0][m], o.rates[0][m]), of(o.in[1][m], o.rates[1][m]), of(o.held[m], o.asked[m]))
	}
	return s
}

// A small version of the validation: fixed seeds, wide limits. The whole one is
// TestLookValidation (-tags long); its table is testdata/validation/look.md.
func TestRatesByTheLookListHoldWideLimits(t *testing.T) {
	sc, _ := simfarm.Named("wander")
	sc.Printers, sc.Plates, sc.Bays = 24, 48, 2
	o := lookAt(sc, 61, 0.25)
	t.Log("\n" + o.row("wander"))
	for k, what := range []string{"printers", "plates"} {
		if s := o.share(k, byList); s < 0.88 || o.share(k, asGraded) > s-0.1 {
			t.Errorf("%s: %.3f within their interval by the list, %.3f as graded; want at least 0.88, and far fewer", what, s, o.share(k, asGraded))
		}
	}
}
