package planning

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// reference reads the check values of a method, with their sources:
// testdata/reference/stats.json.
func reference(t *testing.T, method string, each func(id string, in, want json.RawMessage)) {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/reference/stats.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []struct {
		ID, Method       string
		Inputs, Expected json.RawMessage
	}
	if err := json.Unmarshal(raw, &list); err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, c := range list {
		if c.Method == method {
			n++
			each(c.ID, c.Inputs, c.Expected)
		}
	}
	if n < 3 {
		t.Errorf("%s: %d cases", method, n)
	}
}

func into(t *testing.T, raw json.RawMessage, v any) {
	t.Helper()
	if err := json.Unmarshal(raw, v); err != nil {
		t.Fatal(err)
	}
}

// How many to start where risks are equal and known: SciPy's binomial survival
// function, from the reference values.
func TestHowManyIsThatOfTheReference(t *testing.T) {
	reference(t, "binomial_overage", func(id string, raw, expected json.RawMessage) {
		var in struct {
			Needed     int     `json:"good_needed"`
			P          float64 `json:"p_success"`
			Confidence float64
		}
		var want struct {
			Starts      int
			Probability float64
			OneFewer    float64 `json:"probability_one_fewer"`
		}
		into(t, raw, &in)
		into(t, expected, &want)
		a := HowMany(Order{Needed: in.Needed, Next: []Odds{sure(1 - in.P)}, Confidence: in.Confidence})
		if a.Cannot || a.Start != want.Starts {
			t.Errorf("%s: start %d, want %d", id, a.Start, want.Starts)
		}
		near(t, id, a.Enough, want.Probability, 1e-9*want.Probability)
		for _, n := range a.Curve {
			if n.Start == want.Starts-1 {
				near(t, id+", one fewer", n.Enough, want.OneFewer, 1e-9)
			}
		}
	})
}

// Where each job is one start and each printer has room for one, the cheapest plan is
// a linear assignment: SciPy's linear_sum_assignment, from the reference values. The
// costs stand as chances of failures that cost 1,000.
func TestACheapestPlanOfSingleStartsIsALinearAssignment(t *testing.T) {
	reference(t, "linear_assignment", func(id string, raw, expected json.RawMessage) {
		var table struct{ Cost [][]float64 }
		var want struct {
			Total      float64
			Assignment []int
		}
		into(t, raw, &table)
		into(t, expected, &want)
		in := &Instance{Recipes: [][]Step{{}}, Travel: [][]int{{0}}, Horizon: 1}
		for j, row := range table.Cost {
			in.Jobs = append(in.Jobs, Job{Name: id, Kind: j, Starts: 1, Minutes: 60, Due: Never, FailCost: 1000})
			for p, cost := range row {
				if j == 0 {
					in.Printers = append(in.Printers, Printer{Tag: "P-" + string(rune('A'+p))})
				}
				in.Printers[p].Chances = append(in.Printers[p].Chances, []Chance{{cost / 1000, cost / 1000}})
			}
		}
		if err := in.Check(); err != nil {
			t.Fatal(err)
		}
		plan := Solve(in)
		near(t, id, plan.Cost.Total(), want.Total, 1e-9)
		for _, s := range plan.Starts {
			if want.Assignment != nil && want.Assignment[s.Job] != s.Printer {
				t.Errorf("%s: job %d on printer %d, want %d", id, s.Job, s.Printer, want.Assignment[s.Job])
			}
		}
		if plan.Bound > want.Total+1e-9 || math.IsNaN(plan.Bound) {
			t.Errorf("%s: bound %g above the best cost %g", id, plan.Bound, want.Total)
		}
		t.Logf("%s: cost %g, bound %g", id, plan.Cost.Total(), plan.Bound)
	})
}
