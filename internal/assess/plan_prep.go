package assess

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"basecourse/internal/findings"
	"basecourse/internal/planning"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// What prep takes for granted; common practice, no source.
const (
	planStale = 12 * 60       // minutes a wipe, a wash or a proof keeps, and a probe
	soakStale = 60            // minutes a bed is still as it was heated through
	soakFrom  = 45.0          // °C: a bed that is cooler needs no soaking
	bedCold   = 2 * time.Hour // after its last print began to be over, a bed is cold
)

// recipe is what is done before a start for the sake of its chance.
type recipe struct {
	clean       upkeep.Task // wipe, wash or "" not at all
	probe, soak bool        // soak: the bed is heated through before the probe
}

// recipes in the order in which plans name them by number; the first is nothing.
var recipes = func() (list []recipe) {
	for _, probe := range []recipe{{}, {probe: true}, {probe: true, soak: true}} {
		for _, clean := range []upkeep.Task{"", upkeep.Wipe, upkeep.Wash} {
			list = append(list, recipe{clean, probe.probe, probe.soak})
		}
	}
	return list
}()

// without is a recipe's number once a task of it is done.
func without(number int, task string) int {
	if number < 0 || number >= len(recipes) {
		return 0
	}
	r := recipes[number]
	switch upkeep.Task(task) {
	case r.clean:
		r.clean = ""
	case upkeep.Soak:
		r.soak = false
	case upkeep.Probe:
		r.probe, r.soak = false, false
	}
	return slices.Index(recipes, r)
}

// step is a task as the farm's settings have it.
func (p *planner) step(task upkeep.Task) planning.Step {
	key := string(task)
	if task == upkeep.SwapPlate {
		key = "swap"
	}
	whole := func(key string) int { return int(math.Ceil(p.v.settings.Number(key))) }
	s := planning.Step{Task: string(task), Person: whole(key + "_minutes"), Machine: whole(key + "_machine_minutes"), Stale: planStale}
	switch task {
	case upkeep.Wash:
		s.Setup = min(whole("wash_setup_minutes"), s.Person)
	case upkeep.Soak:
		s.Stale = soakStale
	case upkeep.SwapPlate:
		s.Stale = 0
	}
	return s
}

func (p *planner) steps(r recipe) (list []planning.Step) {
	if r.clean != "" {
		list = append(list, p.step(r.clean))
	}
	if r.soak {
		list = append(list, p.step(upkeep.Soak))
	}
	if r.probe {
		list = append(list, p.step(upkeep.Probe))
	}
	return list
}

// asked reads what policies ask for before each printer's next start, by printer.
func (a *Assessor) planAsks(ctx context.Context, v *view, q AsOf) (map[string][]upkeep.Item, error) {
	policing, err := a.policing(ctx, q)
	if err != nil || len(policing.inForce) == 0 {
		return nil, err
	}
	st, err := a.store.Standing(ctx, q.At, q.KnownAt, "", "")
	if err != nil {
		return nil, err
	}
	adviser := v.adviser()
	out := map[string][]upkeep.Item{}
	for i, items := range v.each(q.At, func(n *ahead) []upkeep.Item {
		items, _, _ := v.due(adviser, policing, nil, n, q.At)
		items = slices.DeleteFunc(items, func(x upkeep.Item) bool { return !x.ByPolicy })
		if len(items) == 0 {
			return nil
		}
		return slices.DeleteFunc(v.settled(st, n, items), func(x upkeep.Item) bool { return !x.ByPolicy })
	}) {
		if len(items) > 0 {
			out[v.printers[i].Tag] = items
		}
	}
	return out, nil
}

// must fills in what has to be done before a printer's first start, and why: a plate
// put on, what policies ask for, and a coupon where the nozzle's height was changed and
// no first layer proved it since.
func (p *planner) must(x *planning.Printer, row *store.PlanPrinter, swap, soak bool) map[string]string {
	because := map[string]string{}
	add := func(task upkeep.Task, why string) {
		if because[string(task)] == "" {
			because[string(task)] = why
			x.First = append(x.First, p.step(task))
		}
	}
	if swap {
		add(upkeep.SwapPlate, "")
	}
	for i := range p.asks[row.Printer] {
		item := &p.asks[row.Printer][i]
		if item.Task.AboutPlate() && swap {
			continue // of the plate that is to go
		}
		if item.Task == upkeep.Probe && soak {
			add(upkeep.Soak, "A probe holds on a bed heated through.")
		}
		add(item.Task, item.Sentence())
	}
	if row.Changed != "" {
		add(upkeep.Check, map[string]string{"service": "Serviced", "offset": "Offset changed"}[row.Changed]+" and no good first layer since: a coupon proves the height before the job.")
	}
	if len(because) == 0 {
		return nil
	}
	return because
}

// soaks tells whether a printer's bed is to be heated through before it is probed for
// a material: where it is warm and was cold, or at another temperature.
func (p *planner) soaks(row *store.PlanPrinter, bed *float64) bool {
	if bed == nil || *bed < soakFrom || p.v.settings.Number("soak_machine_minutes") <= 0 {
		return false
	}
	if row.BusyUntil == nil && (row.LastStart == nil || p.origin.Sub(*row.LastStart) > bedCold) {
		return true
	}
	return row.LastBed == nil || math.Abs(*row.LastBed-*bed) >= upkeep.OtherTemperature
}

// prepared are the chances of failure after each recipe. A later start is made without
// a probe and a print after the last cleaning, unless its own recipe sees to it, on a
// bed that is warm. Recipes that bring nothing another does not are left out (NaN).
func (p *planner) prepared(first upkeep.Next, sinceWash int32, must map[string]string, soak bool) []planning.Chance {
	later := first
	later.PrinterFailed, later.PlateFailed = false, false
	if later.Probing != findings.ProbingUnknown {
		later.Probing = findings.ProbingSkipped
		later.SinceProbe = max(later.SinceProbe, 0) + 1
	}
	if later.Gap >= 0 {
		later.Gap++
	}
	after := sinceWash
	if after >= 0 {
		after++
	}
	adviser := p.v.adviser()
	washes := adviser.WashHelps(first.Plate)
	of := func(n upkeep.Next, wash int32, r recipe, soaked bool) float64 {
		if r.clean != "" {
			n.Gap = 0
		}
		if r.clean == upkeep.Wash {
			wash = 0
		}
		if r.probe && soaked {
			n.Probing, n.SinceProbe = findings.ProbingValid, 0
		}
		return adviser.Chance(n, wash)
	}
	_, mustWash := must[string(upkeep.Wash)]
	_, mustWipe := must[string(upkeep.Wipe)]
	_, mustProbe := must[string(upkeep.Probe)]
	_, mustSoak := must[string(upkeep.Soak)]
	out := make([]planning.Chance, 0, len(recipes))
	for _, r := range recipes {
		if r.soak && !soak || r.clean == upkeep.Wash && !washes {
			out = append(out, planning.Chance{First: math.NaN(), Later: math.NaN()})
			continue
		}
		all := r // with what must be done before the first start
		switch {
		case mustWash:
			all.clean = upkeep.Wash
		case mustWipe && r.clean == "":
			all.clean = upkeep.Wipe
		}
		all.probe = r.probe || mustProbe
		out = append(out, planning.Chance{First: of(first, sinceWash, all, r.soak || mustSoak || !soak), Later: of(later, after, r, true)})
	}
	return out
}

// because says why a task is done before a start.
func (p *planner) because(t *planning.Task, s *planning.Start, first bool) string {
	x := &p.in.Printers[s.Printer]
	job := &p.in.Jobs[s.Job]
	begins := p.when(p.origin.Add(time.Duration(s.At) * time.Minute))
	why, must := "", false
	if first {
		why, must = p.musts[s.Printer][t.Task]
	}
	switch {
	case t.Task == "swap_plate":
		return fmt.Sprintf("%s has no plate that may be used; %s starts at %s", x.Tag, job.Name, begins)
	case must:
		return why
	case t.Task == "soak":
		return fmt.Sprintf("%s starts at %s: a probe holds on a bed heated through", job.Name, begins)
	}
	c := x.Chances[job.Kind][0]
	bare := c.Later
	if first {
		bare = c.First
	}
	return fmt.Sprintf("%s starts at %s: fails %.1f in 100 after it, %.1f without", job.Name, begins, 100*s.PFail, 100*bare)
}
