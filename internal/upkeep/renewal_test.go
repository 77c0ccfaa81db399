package upkeep

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"basecourse/internal/findings"
)

// Age replacement: renewed at an age or at failure, whichever comes first. Reference
// values with their sources: testdata/reference/stats.json.
func TestCheapestAgeReplacementIsThatOfTheReference(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/reference/stats.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		ID, Method string
		Inputs     json.RawMessage
		Expected   json.RawMessage
	}
	if err := json.Unmarshal(raw, &cases); err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, c := range cases {
		if c.Method != "age_replacement" {
			continue
		}
		n++
		var in struct {
			Shape, Scale float64
			Planned      float64 `json:"cost_planned"`
			Failure      float64 `json:"cost_failure"`
		}
		var want struct {
			At   *float64 `json:"t_opt"`
			Rate float64  `json:"cost_rate"`
		}
		if err := json.Unmarshal(c.Inputs, &in); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(c.Expected, &want); err != nil {
			t.Fatal(err)
		}
		// Ages on a fine grid; the mean length by Simpson's rule.
		const steps = 400_000
		top := 20 * in.Scale
		if in.Shape > 1 {
			top = 3 * in.Scale
		}
		holds := func(x float64) float64 { return math.Exp(-math.Pow(x/in.Scale, in.Shape)) }
		h := top / steps
		cycles := make([]Cycle, steps)
		length := 0.0
		for i := range cycles {
			x := float64(i) * h
			length += h / 6 * (holds(x) + 4*holds(x+h/2) + holds(x+h))
			s := holds(x + h)
			cycles[i] = Cycle{in.Planned*s + in.Failure*(1-s), length}
		}
		at, rate := Cheapest(cycles)
		if math.Abs(rate-want.Rate) > 1e-7*want.Rate {
			t.Errorf("%s: cost rate %.12g, want %.12g", c.ID, rate, want.Rate)
		}
		if got := float64(at+1) * h; want.At != nil && math.Abs(got-*want.At) > h {
			t.Errorf("%s: age %g, want %g within %g", c.ID, got, *want.At, h)
		} else if want.At == nil && got < top*0.9 {
			t.Errorf("%s: renewed at %g, want never", c.ID, got)
		}
	}
	if n < 3 {
		t.Errorf("%d reference cases, want 3", n)
	}
}

// Renewal at fixed intervals with minimal repair in between and a Weibull hazard:
// the best interval is scale·(planned/(failure·(shape − 1)))^(1/shape) (Barlow &
// Hunter 1960, Operations Research 8:90-100; formula from memory).
func TestBestIntervalIsThatOfMinimalRepair(t *testing.T) {
	for _, c := range []struct{ shape, scale, planned, failure float64 }{{2, 40, 1, 5}, {3, 60, 0.8, 5}, {1.5, 30, 0.55, 5}} {
		var w wear
		for k := range w {
			w[k] = c.failure * (math.Pow(float64(k+1)/c.scale, c.shape) - math.Pow(float64(k)/c.scale, c.shape))
		}
		want := c.scale * math.Pow(c.planned/(c.failure*(c.shape-1)), 1/c.shape)
		p := w.best(c.planned)
		if math.Abs(float64(p.every)-want) > 1 {
			t.Errorf("shape %g: every %d starts, want %.2f", c.shape, p.every, want)
		}
		rate := c.planned/want + c.failure*math.Pow(want, c.shape-1)/math.Pow(c.scale, c.shape)
		if math.Abs(p.rate-rate) > 0.01*rate {
			t.Errorf("shape %g: rate %g, want %g", c.shape, p.rate, rate)
		}
		// Due exactly when the interval is over.
		for k := range 2 * p.every {
			if due := w.now(p, k, c.planned, 0, 0) > 1e-12; due != (k > p.every) && k != p.every {
				t.Errorf("shape %g: due %t at start %d, the interval is %d", c.shape, due, k, p.every)
			}
		}
	}
}

func TestNothingIsDueWhereNothingWears(t *testing.T) {
	a := NewAdviser(NewForecast(&findings.Model{Mix: []findings.Weighted{{At: 0, Share: 1}}, Mean: findings.Level{At: -3}}), DefaultCosts(), Echo{})
	s := State{Next: Next{Probing: findings.ProbingSkipped, SinceProbe: 50, Gap: 40}, SinceWash: 40, HoursSinceProbe: 90, HoursSinceClean: 216}
	if due := a.Answer(&s, &Limits{}); len(due) != 0 {
		t.Errorf("got %+v, want nothing", due)
	}
	due := a.Answer(&s, &Limits{Rules: Rules{ProbeStarts: 20, WashPrints: 30, CleanPrints: 10}})
	if len(due) != 2 || due[0].Task != Wash || due[1].Task != Probe || !due[0].ByPolicy || due[1].Saves >= 0 {
		t.Errorf("got %+v, want a wash and then a probe, by policy", due)
	}
}

func BenchmarkAnswer(b *testing.B) {
	a := NewAdviser(NewForecast(&findings.Model{Mix: []findings.Weighted{{At: 0, Share: 1}}, Mean: findings.Level{At: -3}}), DefaultCosts(), Echo{})
	s := State{Next: Next{Probing: findings.ProbingSkipped, SinceProbe: 50, Gap: 40}, SinceWash: 40}
	for b.Loop() {
		a.Answer(&s, &Limits{Rules: Rules{ProbeStarts: 20, WashPrints: 30}})
	}
}
