package upkeep

import (
	"math"
	"testing"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/findings"
	"basecourse/internal/simfarm"
	"basecourse/internal/stats"
)

// heldOut are the starts of a farm's last weeks: what was said of them before
// they were made, and what came of them.
type heldOut struct {
	ours, printers, farms []float64 // chances: the forecast's, the printer's raw rate, the farm's
	failed                []bool
}

const day = int64(24 * time.Hour / time.Microsecond)

// learnAndForecast learns from the first weeks of a farm and forecasts every
// graded start after them as it comes: with what had been recorded just before.
func learnAndForecast(sc simfarm.Scenario, seed uint64, learnDays int, each ...func(f *simfarm.Farm, cast *Forecast, start int, n Next)) *heldOut {
	f := simfarm.Run(sc, seed)
	c := f.Columns()
	h := &c.History
	cut := c.From + int64(learnDays)*day
	ex := exposure.Of(h)
	label := labels(c)
	layers := findings.Collect(h, ex, func(i int) findings.Label {
		l := label(i)
		l.Graded = l.Graded && h.Starts[i].GradedAt < cut
		return l
	}, c.From-1, cut-1, time.UTC)
	_, m := findings.Learn(layers, sc.Printers, sc.Plates, 6, findings.Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5})
	cast := NewForecast(m)
	rates := make([]struct{ n, failed float64 }, sc.Printers)
	n, failed := 0.0, 0.0
	for i := range layers.At {
		n++
		rates[layers.Printer[i]].n++
		if layers.Failed[i] {
			failed++
			rates[layers.Printer[i]].failed++
		}
	}
	o := &heldOut{}
	type last struct {
		failed bool
		known  int64 // when it was graded
	}
	printers, plates := make([]last, sc.Printers), make([]last, sc.Plates)
	for i := range h.Starts {
		s, e := &h.Starts[i], &ex[i]
		if s.At >= cut && s.GradedAt != 0 {
			p, j := printers[s.Printer], plates[e.Plate]
			next := Next{Printer: s.Printer, Plate: e.Plate, Material: int32(c.Labels[i].Material),
				Probing: findings.Probing(e.State), SinceProbe: e.PrintsSinceProbe, Gap: e.PrintsSinceClean,
				PrinterFailed: p.failed && p.known <= s.At, PlateFailed: j.failed && j.known <= s.At}
			o.ours = append(o.ours, cast.Chance(next))
			for _, tell := range each {
				tell(f, cast, i, next)
			}
			r := rates[s.Printer]
			o.printers = append(o.printers, r.failed/max(1, r.n))
			o.farms = append(o.farms, failed/n)
			o.failed = append(o.failed, s.Failed)
		}
		printers[s.Printer], plates[e.Plate] = last{s.Failed, s.GradedAt}, last{s.Failed, s.GradedAt}
	}
	return o
}

func labels(c *simfarm.Columns) func(i int) findings.Label {
	group := make([]int, len(farm.Marks))
	for k, m := range farm.Marks {
		switch m {
		case "nozzle_low", "nozzle_high":
			group[k] = 0
		case "blobs", "dragged", "lifting":
			group[k] = 1
		case "contamination":
			group[k] = 2
		default:
			group[k] = 3
		}
	}
	return func(i int) findings.Label {
		lb := &c.Labels[i]
		var top [4]uint8
		for m, s := range lb.Severity {
			top[group[m]] = max(top[group[m]], s)
		}
		return findings.Label{Graded: lb.Graded, Material: int32(lb.Material), Grader: int32(lb.Grader), Height: top[0], Grip: top[1], Dirt: top[2], Else: top[3]}
	}
}

func (o *heldOut) add(p *heldOut) {
	o.ours, o.printers, o.farms = append(o.ours, p.ours...), append(o.printers, p.printers...), append(o.farms, p.farms...)
	o.failed = append(o.failed, p.failed...)
}

// brier is the mean squared distance between what was said and what came.
func (o *heldOut) brier(said []float64) float64 {
	s := 0.0
	for i, p := range said {
		y := 0.0
		if o.failed[i] {
			y = 1
		}
		s += (y - p) * (y - p)
	}
	return s / float64(len(said))
}

// calibration of what was said: its slope, the level with it, and the intercept at
// slope 1.
func (o *heldOut) calibration() (slope, a, intercept float64) {
	c := stats.Calibrate(o.ours, o.failed)
	return c.Slope, c.Level, c.Intercept
}

// A small version of the validation: fixed seeds, wide limits. The whole one is
// TestRiskValidation (-tags long); its table is testdata/validation/risk.md.
func TestForecastsOfHeldOutWeeksHoldWideLimits(t *testing.T) {
	all := &heldOut{}
	for _, c := range []struct {
		name string
		seed uint64
	}{{"both", 51}, {"drift", 53}, {"worn_rough_hard", 54}} {
		sc, ok := simfarm.Named(c.name)
		if !ok {
			t.Fatalf("no scenario %s", c.name)
		}
		all.add(learnAndForecast(sc, c.seed, 42))
	}
	slope, _, intercept := all.calibration()
	if slope < 0.85 || slope > 1.2 || math.Abs(intercept) > 0.15 {
		t.Errorf("slope %.3f and intercept %.3f, want 1 and 0", slope, intercept)
	}
	if ours := all.brier(all.ours); ours >= all.brier(all.printers) || ours >= all.brier(all.farms) {
		t.Errorf("Brier score %.5f, the printers' rates have %.5f and the farms' %.5f", ours, all.brier(all.printers), all.brier(all.farms))
	}
}
