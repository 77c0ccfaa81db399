package assess

import (
	"cmp"
	"context"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/planning"
	"basecourse/internal/upkeep"
)

// Expected is what a plan expects of starts, with ranges that hold 90 of 100.
type Expected struct {
	Chances               []float64 // of failure, by the time of the start, then printer
	Doubt                 float64   // that they share; see upkeep.Forecast.Doubt
	Failures              float64
	Low, High             int
	Enough                float64 // that a job gets what it needs, the doubt taken in
	EnoughLow, EnoughHigh float64 // were all chances at the high or the low end of the doubt: 95 of 100 lie between
	Cost                  float64 // of failures, prep and lateness
	CostLow, CostHigh     float64 // with as many failures as the range's ends
}

func (e *Expected) together() planning.Together {
	return planning.Together{P: e.Chances, Doubt: e.Doubt}
}

// expect takes in starts that fail with the chances given.
func (p *planner) expect(chances []float64, nexts []upkeep.Next, fixed, each float64) Expected {
	e := Expected{Chances: chances, Doubt: p.v.fit.ahead.Doubt(nexts)}
	for _, c := range chances {
		e.Failures += c
	}
	t := e.together()
	e.Low, e.High = planning.Range(t.Failures(), planning.Held)
	e.Cost, e.CostLow, e.CostHigh = fixed+each*e.Failures, fixed+each*float64(e.Low), fixed+each*float64(e.High)
	return e
}

// ranges fills in what the plan expects of each job and of all.
func (p *planner) ranges(got *planning.Plan, out *Plan) {
	at := map[string]int{}
	for i := range out.Jobs {
		at[out.Jobs[i].Job] = i
	}
	order := make([]int, len(got.Starts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		x, y := &got.Starts[a], &got.Starts[b]
		return cmp.Or(cmp.Compare(x.At, y.At), cmp.Compare(p.in.Printers[x.Printer].Tag, p.in.Printers[y.Printer].Tag))
	})
	var all []float64
	var allNexts []upkeep.Next
	fail := p.v.settings.FailureCost()
	for j, i := range p.jobs {
		row := &p.rows.Jobs[i]
		job := &out.Jobs[at[row.Job]]
		var chances []float64
		var nexts []upkeep.Next
		fixed := p.in.Jobs[j].LateFee / 60 * float64(got.Late[j])
		for _, k := range order {
			s := &got.Starts[k]
			if s.Job != j {
				continue
			}
			n := upkeep.Next{Printer: -1, Plate: -1, Material: p.material(row.Material), SinceProbe: -1, Gap: -1}
			if v := p.at[s.Printer]; v >= 0 {
				n = p.v.next[v].next
				n.Material = p.material(row.Material)
			}
			for _, t := range s.Tasks {
				fixed += p.in.Labour*float64(t.Minutes) + p.in.Machine*float64(t.Done-t.At)
			}
			if x := len(chances); x < len(job.Starts) {
				own := planning.Shifted(s.PFail, 1.959964*p.v.fit.ahead.Doubt([]upkeep.Next{n}))
				job.Starts[x].PLow, job.Starts[x].PHigh = own[0], own[1]
			}
			chances, nexts = append(chances, s.PFail), append(nexts, n)
		}
		e := p.expect(chances, nexts, fixed, fail)
		need := row.Needed - row.Good
		e.Enough = planning.Together{P: append(slices.Repeat([]float64{p.typical[j]}, row.Open), chances...), Doubt: e.Doubt}.AtLeast(need)
		var ends [2][]float64
		for _, c := range append(slices.Repeat([]float64{p.typical[j]}, row.Open), chances...) {
			x := planning.Shifted(c, 1.959964*e.Doubt)
			ends[0], ends[1] = append(ends[0], x[0]), append(ends[1], x[1])
		}
		e.EnoughLow, e.EnoughHigh = planning.AtLeast(ends[1], need), planning.AtLeast(ends[0], need)
		job.Expected = e
		all, allNexts = append(all, chances...), append(allNexts, nexts...)
	}
	e := p.expect(all, allNexts, 0, fail)
	out.Failures, out.FailuresLow, out.FailuresHigh = e.Failures, e.Low, e.High
	out.CostLow, out.CostHigh = out.Cost+e.CostLow-e.Cost, out.Cost+e.CostHigh-e.Cost
}

// forecast is that as it is written down.
func (e *Expected) forecast(job string, at time.Time, needed int) *farm.JobForecast {
	f := &farm.JobForecast{Job: job, At: at, Needed: needed, Starts: len(e.Chances), FailuresLow: float64(e.Low), FailuresHigh: float64(e.High), Enough: e.Enough,
		ExpectedCost: cents(e.Cost), CostLow: cents(e.CostLow), CostHigh: cents(e.CostHigh), Doubt: math.Round(e.Doubt*1e4) / 1e4}
	var chances []string
	for _, x := range e.Chances {
		text := strconv.FormatFloat(x, 'g', 4, 64)
		chances = append(chances, text)
		kept, _ := strconv.ParseFloat(text, 64) // the sum is that of what is written down
		f.Failures += kept
	}
	f.Chances = strings.Join(chances, " ")
	return f
}

func cents(x float64) float64 { return math.Round(x*100) / 100 }

// freeze writes down what a plan expects of jobs that it is the first to have a place
// for each start of. What was written down is never changed.
func (a *Assessor) freeze(ctx context.Context, p *planner, plan *Plan) error {
	known, err := a.store.JobsWithForecast(ctx)
	if err != nil {
		return err
	}
	missing := map[string]int{}
	for _, i := range p.jobs {
		missing[p.rows.Jobs[i].Job] = p.rows.Jobs[i].Needed - p.rows.Jobs[i].Good
	}
	for i := range plan.Jobs {
		job := &plan.Jobs[i]
		if n := len(job.Expected.Chances); known[job.Job] || n == 0 || n < job.Start || n > planning.MostStarts {
			continue
		}
		if err := a.store.FreezeForecast(ctx, job.Expected.forecast(job.Job, plan.AsOf, missing[job.Job])); err != nil {
			return err
		}
	}
	return nil
}
