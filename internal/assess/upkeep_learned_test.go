package assess_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/findings"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
	"basecourse/internal/upkeep"
)

// The program answers as the adviser does that the closed loop was judged with
// (internal/upkeep, TestUpkeepValidation): the same records, learned from in process.
func TestTheFarmsAnswerIsThatOfTheClosedLoop(t *testing.T) {
	sc, _ := simfarm.Named("worn_rough_hard")
	sc.Printers, sc.Plates, sc.Bays, sc.Days = 16, 32, 2, 42
	f := simfarm.Run(sc, 4)
	c := f.Columns()
	s := open(t)
	if report, err := s.ImportFarm(context.Background(), byImport, f.Bundle(), store.ImportOptions{}); err != nil {
		t.Fatalf("%v\n%+v", err, report)
	}
	at := sc.Start.AddDate(0, 0, 40).Add(22*time.Hour + 30*time.Minute)
	s.SetClock(func() time.Time { return at })
	got := dueOf(t, assess.New(s), assess.AsOf{At: at}, "")

	cut := at.Truncate(24 * time.Hour).UnixMicro()
	history := func(until int64) *exposure.History { // what had happened
		h := c.History
		h.Starts = slices.DeleteFunc(slices.Clone(h.Starts), func(x exposure.Start) bool { return x.At >= until })
		for i := range h.Starts {
			if x := &h.Starts[i]; x.GradedAt >= until {
				x.GradedAt, x.Failed = 0, false
			}
		}
		h.Probes = slices.DeleteFunc(slices.Clone(h.Probes), func(x exposure.Probe) bool { return x.At >= until })
		h.Cleanings = slices.DeleteFunc(slices.Clone(h.Cleanings), func(x exposure.Cleaning) bool { return x.At >= until })
		h.Services = slices.DeleteFunc(slices.Clone(h.Services), func(x exposure.Service) bool { return x.At >= until })
		return &h
	}
	material := func(i int) int32 { return int32(c.Labels[i].Material) }
	h := history(cut)
	to := h.Starts[len(h.Starts)-1].At
	ex := exposure.Of(h)
	layers := findings.Collect(h, ex, func(i int) findings.Label {
		// Severities are the strongest of their marks (store.StartLabel).
		seen := c.Labels[i].Severity
		l := findings.Label{Graded: h.Starts[i].GradedAt != 0, Material: material(i), Grader: int32(c.Labels[i].Grader)}
		for m, mark := range farm.Marks {
			to := &l.Else
			switch mark {
			case "nozzle_low", "nozzle_high":
				to = &l.Height
			case "blobs", "dragged", "lifting":
				to = &l.Grip
			case "contamination":
				to = &l.Dirt
			}
			*to = max(*to, seen[m])
		}
		return l
	}, to-assess.Window.Microseconds(), to, time.UTC)
	_, m := findings.Learn(layers, sc.Printers, sc.Plates, 6, findings.Options{FalseDiscoveryRate: assess.FalseDiscoveryRate, LeastAvoidable: 0.5})
	cast := upkeep.NewForecast(m)
	var starts []upkeep.Past
	for i := range h.Starts {
		starts = append(starts, upkeep.PastOf(&h.Starts[i], &ex[i], material(i), h.Starts[i].GradedAt != 0))
	}
	learned := upkeep.Learn(cast, starts)
	if learned.Hit == 0 {
		t.Fatal("nothing is learned of this farm that the model does not know")
	}
	adviser := learned.Adviser(cast, upkeep.DefaultCosts())

	h = history(at.UnixMicro() + 1)
	open := upkeep.NewOpen(sc.Printers)
	plate, last, lastStart := make([]int32, sc.Printers), make([]int32, sc.Printers), make([]int64, sc.Printers)
	printerFailed, plateFailed := make([]bool, sc.Printers), make([]bool, sc.Plates)
	ex = exposure.Of(h)
	for i := range h.Starts {
		x := &h.Starts[i]
		past := upkeep.PastOf(x, &ex[i], material(i), x.GradedAt != 0)
		open.Add(&past)
		plate[x.Printer], last[x.Printer], printerFailed[x.Printer], plateFailed[x.Plate] = x.Plate, past.Material, x.Failed, x.Failed
		lastStart[x.Printer] = x.At
	}
	where := make([]int32, sc.Plates) // the last printer each plate was on
	for i := range h.Starts {
		where[h.Starts[i].Plate] = h.Starts[i].Printer
	}
	want := map[string]float64{}
	for i := range int32(sc.Printers) {
		if where[plate[i]] != i {
			continue // its plate went elsewhere
		}
		_, coming := exposure.With(h, []exposure.Start{{At: at.UnixMicro(), Printer: i, Plate: plate[i]}})
		e := &coming[0]
		tag := fmt.Sprintf("P-%03d", i+1)
		st := upkeep.State{Next: upkeep.Next{Printer: i, Plate: plate[i], Material: last[i], Probing: findings.Probing(e.State), SinceProbe: e.PrintsSinceProbe, Gap: e.PrintsSinceClean,
			PrinterFailed: printerFailed[i], PlateFailed: plateFailed[plate[i]]}, SinceWash: e.PrintsSinceWash, HoursSinceProbe: math.NaN(), HoursSinceClean: math.NaN(),
			Since: open.Since(i), Lot: &upkeep.Lot{Limit: 0.01, Number: func(t upkeep.Task) float64 { return trial.Number(nil, tag, lastStart[i], string(t)) }}}
		for _, d := range adviser.Answer(&st, &upkeep.Limits{}) {
			want[string(d.Task)+" "+tag] = d.Saves
		}
	}
	for _, x := range got.Items {
		key := string(x.Task) + " " + x.Printer
		// Materials are numbered in another order, and the split is another: sums end elsewhere in the fourth digit.
		if w, ok := want[key]; !ok || math.Abs(w-x.Saves) > 1e-3*math.Abs(w) {
			t.Errorf("%s saves %g, in the loop %g (%t)", key, x.Saves, w, ok)
		}
		delete(want, key)
	}
	if len(want) > 0 || len(got.Items) == 0 {
		t.Errorf("%d answers; the loop asks for %v beside them", len(got.Items), want)
	}
}

// What is looked at of the starts since a printer's probe is the same by its own
// records and by the whole farm's, on a farm with swaps, fittings and unnamed plates.
func TestTheStartsSinceAProbeAreTheSameBothWays(t *testing.T) {
	s := open(t)
	ctx := context.Background()
	at := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
	b := simfarm.Demo(at, 1)
	from := at.Add(-6 * 24 * time.Hour)
	b.FirstLayers = slices.DeleteFunc(b.FirstLayers, func(f farm.FirstLayer) bool { return f.StartedAt.Before(from) })
	b.Probes = slices.DeleteFunc(b.Probes, func(p farm.Probe) bool { return p.ProbedAt.Before(from) })
	for i := range b.FirstLayers {
		if i%5 == 0 {
			b.FirstLayers[i].Plate = ""
		}
	}
	if report, err := s.ImportFarm(ctx, byImport, b, store.ImportOptions{}); err != nil {
		t.Fatalf("%v\n%+v", err, report)
	}
	a := assess.New(s)
	starts, swapped := 0, 0
	for _, p := range b.Printers {
		whole, alone, err := a.SinceBothWays(ctx, at, p.Tag)
		if err != nil {
			continue // not in service
		}
		if !slices.Equal(whole, alone) {
			t.Errorf("%s: by the whole farm %+v, by its own records %+v", p.Tag, whole, alone)
		}
		starts += len(whole)
		for k := range whole {
			if k > 0 && whole[k].Plate != whole[k-1].Plate {
				swapped++
			}
		}
	}
	if starts < 20 || swapped < 3 {
		t.Errorf("%d starts since probes, %d swaps among them: too few to tell", starts, swapped)
	}
}
