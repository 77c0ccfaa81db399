package intake

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
)

func jobForecasts() *Table {
	type R = farm.JobForecast
	blank := R{Failures: nan, FailuresLow: nan, FailuresHigh: nan, Enough: nan, ExpectedCost: nan, CostLow: nan, CostHigh: nan, Doubt: nan}
	return event(table(farm.KindJobForecast, "job_forecasts", blank,
		ident("job_forecast", func(r *R) *farm.ID { return &r.ID }),
		key("job", farm.KindJob, func(r *R) *string { return &r.Job }).must(),
		when("at", func(r *R) *time.Time { return &r.At }).must(),
		whole("needed", 1, 30000, func(r *R) *int { return &r.Needed }),
		whole("starts", 1, 30000, func(r *R) *int { return &r.Starts }).must(),
		num("expected_failures", 0, 30000, func(r *R) *float64 { return &r.Failures }).must(),
		num("failures_low", 0, 30000, func(r *R) *float64 { return &r.FailuresLow }),
		num("failures_high", 0, 30000, func(r *R) *float64 { return &r.FailuresHigh }),
		num("enough", 0, 1, func(r *R) *float64 { return &r.Enough }),
		num("expected_cost", 0, 1e15, func(r *R) *float64 { return &r.ExpectedCost }),
		num("cost_low", 0, 1e15, func(r *R) *float64 { return &r.CostLow }),
		num("cost_high", 0, 1e15, func(r *R) *float64 { return &r.CostHigh }),
		num("doubt", 0, 10, func(r *R) *float64 { return &r.Doubt }),
		text("chances", func(r *R) *string { return &r.Chances }).must(),
	), "at", func(r *R) *farm.Meta { return &r.Meta }).checked(func(rec any) []fieldProblem {
		r := rec.(*R)
		var out []fieldProblem
		turned := func(name string, low, high float64) {
			if high < low { // false where either is unknown
				out = append(out, fieldProblem{name + "_high", strconv.FormatFloat(high, 'g', -1, 64), "no less than " + name + "_low"})
			}
		}
		turned("failures", r.FailuresLow, r.FailuresHigh)
		turned("cost", r.CostLow, r.CostHigh)
		list, wrong := Chances(r.Chances)
		if wrong != "" {
			out = append(out, fieldProblem{"chances", wrong, "chances from 0 to 1, by spaces"})
		} else if r.Starts > 0 && len(list) != r.Starts {
			out = append(out, fieldProblem{"chances", fmt.Sprintf("%d chances", len(list)), fmt.Sprintf("one for each of %d starts", r.Starts)})
		}
		return out
	})
}

// Chances reads numbers from 0 to 1, by spaces; wrong is the first that is none.
func Chances(text string) (list []float64, wrong string) {
	for _, c := range strings.Fields(text) {
		p, err := strconv.ParseFloat(c, 64)
		if err != nil || !(p >= 0 && p <= 1) {
			return nil, c
		}
		list = append(list, p)
	}
	return list, ""
}
