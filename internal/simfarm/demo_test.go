package simfarm

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
)

var demoDay = time.Date(2026, 6, 17, 14, 25, 0, 0, time.UTC)

func TestDemoIsTheSameForTheSameDayAndSeed(t *testing.T) {
	a, b := Demo(demoDay, 1), Demo(demoDay.Add(20*time.Second), 1)
	if len(a.FirstLayers) != len(b.FirstLayers) {
		t.Fatalf("got %d and %d first layers", len(a.FirstLayers), len(b.FirstLayers))
	}
	// NaN is unlike itself: compare what has none.
	for n := range a.FirstLayers {
		x, y := &a.FirstLayers[n], &b.FirstLayers[n]
		if x.ID != y.ID || x.Plate != y.Plate || x.Grade != y.Grade || x.Job != y.Job || x.ArrivedAt != y.ArrivedAt || !reflect.DeepEqual(x.Marks, y.Marks) {
			t.Fatalf("first layer %d differs: %+v and %+v", n, x, y)
		}
	}
	if !reflect.DeepEqual(a.Holds, b.Holds) || !reflect.DeepEqual(a.PlateStates, b.PlateStates) || !reflect.DeepEqual(a.Shifts, b.Shifts) || !reflect.DeepEqual(a.Fittings, b.Fittings) {
		t.Error("holds, plate states, shifts or fittings differ")
	}
}

func TestDemoShowsEveryKindOfRecord(t *testing.T) {
	b := Demo(demoDay, 1)
	v := reflect.ValueOf(*b)
	// What the program writes itself as the farm is used, and pictures, are not invented.
	itself := []string{"Handovers", "Entries", "JobForecasts", "Photos", "PracticeItems", "Sheets", "Mappings"}
	for k := range v.NumField() {
		if name := v.Type().Field(k).Name; v.Field(k).Len() == 0 && !slices.Contains(itself, name) {
			t.Errorf("no %s", name)
		}
	}
	if got := len(b.Plates); got != 130 {
		t.Errorf("got %d plates, want 130", got)
	}
	var ungraded, running, outcomeOnly, voided, replaced, late, readings, nudges, shown, failures, graded int
	recent := demoDay.Add(-time.Hour)
	for n := range b.FirstLayers {
		l := &b.FirstLayers[n]
		if l.Grade == "" {
			ungraded++
			if l.Outcome == "" && l.StartedAt.After(recent) {
				running++
			}
			if l.Outcome == "restarted" {
				outcomeOnly++
			}
		} else {
			graded++
			if farm.Failed(l.Grade, l.Underside) {
				failures++
			}
		}
		count := func(n *int, when bool) {
			if when {
				*n++
			}
		}
		count(&voided, !l.VoidedAt.IsZero())
		count(&replaced, !l.Replaces.IsZero())
		count(&late, l.ArrivedAt.Sub(l.NotedAt) > 5*time.Hour)
		count(&readings, len(l.Readings) > 0)
		count(&nudges, farm.Known(l.NudgeMM))
		count(&shown, l.Underside == "shown")
	}
	for name, got := range map[string]int{"ungraded": ungraded, "running": running, "outcome without grade": outcomeOnly, "voided": voided, "replaced": replaced,
		"late": late, "readings": readings, "nudges": nudges, "shown": shown} {
		if got < 2 {
			t.Errorf("got %d first layers: %s, want some", got, name)
		}
	}
	if rate := float64(failures) / float64(graded); rate < 0.03 || rate > 0.09 {
		t.Errorf("got a failure rate of %.3f, want 3 to 9 %%", rate)
	}
	open := 0
	for _, h := range b.Holds {
		if h.ReleasedAt.IsZero() && h.SubjectKind == "printer" {
			open++
		}
	}
	if open != 1 {
		t.Errorf("got %d printers on hold, want 1", open)
	}
	t.Logf("%d starts, %d ungraded, %d failures, %d probes, %d cleanings, %d jobs", len(b.FirstLayers), ungraded, failures, len(b.Probes), len(b.Cleanings), len(b.Jobs))
}

// The demo must have something to find and something to be misled by, whatever
// the day and the seed.
func TestDemoHasClearFindingsAndDecoys(t *testing.T) {
	for seed := uint64(1); seed <= 2; seed++ {
		_, f := DemoWithTruth(demoDay.AddDate(0, int(seed), 0), seed)
		truth := f.Truth(0)
		for _, n := range []int{14, 23, 38, 47} {
			if got := truth.PrinterProbing[n-1].Avoidable(); got < 1.5 {
				t.Errorf("seed %d: printer %d: got %.2f avoidable by probing, want at least 1.5", seed, n, got)
			}
		}
		for _, n := range []int{19, 42} {
			if got := truth.PrinterCleaning[n-1].Avoidable(); got < 2 {
				t.Errorf("seed %d: printer %d: got %.2f avoidable by cleaning, want at least 2", seed, n, got)
			}
		}
		for _, n := range []int{3, 33, 62, 88} {
			if got := truth.PlateCleaning[n-1].Avoidable(); got < 3 {
				t.Errorf("seed %d: plate %d: got %.2f avoidable by cleaning, want at least 3", seed, n, got)
			}
		}
		for _, n := range []int{8, 27} {
			e := truth.PrinterProbing[n-1]
			if rate := float64(e.Failures) / float64(e.Graded); e.Avoidable() > 0.2 || rate < 0.07 {
				t.Errorf("seed %d: rough printer %d: got %.2f avoidable and a rate of %.3f, want none and at least 0.07", seed, n, e.Avoidable(), rate)
			}
		}
		if got := truth.PrinterProbing[35-1].Avoidable(); got > -1 {
			t.Errorf("seed %d: the printer whose probe leaves a blob: got %.2f, want below -1", seed, got)
		}
	}
}

// The bundle's rules of values: closed lists, ranges, unique tags and ids, order
// of times, references that exist.
func TestBundlesKeepTheRulesOfTheRecords(t *testing.T) {
	s := small(t, "everything", 5)
	s.FittingsRecorded = true
	for name, b := range map[string]*farm.Bundle{"demo": Demo(demoDay, 2), "everything": Run(s, 2).Bundle()} {
		newRules(t, name, b, demoDay.Add(24*time.Hour)).check()
	}
}

type rules struct {
	t                                    *testing.T
	name                                 string
	b                                    *farm.Bundle
	latest                               time.Time
	printers, plates, people, jobs, mats map[string]bool
	ids                                  map[farm.ID]bool
	problems                             int
}

func newRules(t *testing.T, name string, b *farm.Bundle, latest time.Time) *rules {
	return &rules{t: t, name: name, b: b, latest: latest, printers: map[string]bool{}, plates: map[string]bool{}, people: map[string]bool{},
		jobs: map[string]bool{}, mats: map[string]bool{}, ids: map[farm.ID]bool{}}
}

func (r *rules) fail(where string, found any) {
	if r.problems++; r.problems < 12 {
		r.t.Errorf("%s: %s: got %v", r.name, where, found)
	}
}

func (r *rules) code(where, code string, list []string) {
	if code != "" && !slices.Contains(list, code) {
		r.fail(where, code)
	}
}

func (r *rules) within(where string, x, low, high float64) {
	if farm.Known(x) && (x < low || x > high) {
		r.fail(where, x)
	}
}

func (r *rules) known(where, key string, set map[string]bool) {
	if key != "" && !set[key] {
		r.fail(where, key)
	}
}

func (r *rules) tag(where, key string, set map[string]bool) {
	folded := strings.ToLower(key)
	if set[key] || set[folded] || !farm.ValidKey(key, 64) {
		r.fail(where+": tag", key)
	}
	set[key], set[folded] = true, true
}

func (r *rules) event(where string, id farm.ID, at time.Time, m *farm.Meta) {
	if id.IsZero() || r.ids[id] {
		r.fail(where+": id", id)
	}
	r.ids[id] = true
	if at.IsZero() || at.After(r.latest) || m.ArrivedAt.After(r.latest) || !m.NotedAt.IsZero() && m.NotedAt.Before(at) || m.ArrivedAt.Before(m.NotedAt) {
		r.fail(where+": times", []time.Time{at, m.NotedAt, m.ArrivedAt})
	}
	if m.VoidedAt.IsZero() != (m.VoidReason == "") || at.Nanosecond()%1000 != 0 {
		r.fail(where+": voided or fraction", m)
	}
	r.known(where+": noted by", m.NotedBy, r.people)
}

func (r *rules) check() {
	b := r.b
	for _, p := range b.Printers {
		r.tag("printer", p.Tag, r.printers)
		r.within("bed", p.BedXMM, 50, 2000)
		r.code("zero_from", p.ZeroFrom, farm.ZeroFroms)
		r.code("probing_recorded", p.ProbingRecorded, farm.Recordings)
	}
	for _, p := range b.Plates {
		r.tag("plate", p.Tag, r.plates)
		r.code("surface", p.Surface, farm.Surfaces)
	}
	for _, m := range b.Materials {
		r.tag("material", m.Name, r.mats)
		r.within("bed_temp_c", m.BedTempC, 0, 200)
	}
	for _, p := range b.People {
		r.tag("person", p.Handle, r.people)
		r.code("role", p.Role, farm.Roles)
	}
	for _, j := range b.Jobs {
		r.tag("job", j.Job, r.jobs)
		r.known("job's material", j.Material, r.mats)
		r.code("underside", j.Underside, farm.Undersides)
		if j.Quantity < 1 || j.Due.Before(j.EarliestStart) {
			r.fail("job", j)
		}
	}
	shifts, keys := map[string]bool{}, map[string]bool{}
	for _, s := range b.Shifts {
		r.tag("shift", s.Shift, shifts)
		r.known("shift's person", s.Person, r.people)
	}
	for _, s := range b.Settings {
		r.tag("setting", s.Key, keys)
	}
	for k := range b.FirstLayers {
		r.firstLayer(&b.FirstLayers[k])
	}
	for k := range b.Cleanings {
		c := &b.Cleanings[k]
		r.event("cleaning", c.ID, c.CleanedAt, &c.Meta)
		r.known("cleaned plate", c.Plate, r.plates)
		r.code("method", c.Method, farm.Methods)
	}
	for k := range b.Probes {
		p := &b.Probes[k]
		r.event("probe", p.ID, p.ProbedAt, &p.Meta)
		r.known("probed printer", p.Printer, r.printers)
		r.known("probed plate", p.Plate, r.plates)
		r.code("extent", p.Extent, farm.Extents)
		if p.Columns*p.Rows != len(p.HeightsMM) {
			r.fail("mesh size", len(p.HeightsMM))
		}
		for _, h := range p.HeightsMM {
			r.within("height", h, -5, 5)
		}
	}
	for k := range b.ProbesSkipped {
		p := &b.ProbesSkipped[k]
		r.event("probe_skipped", p.ID, p.At, &p.Meta)
		r.code("reason", p.Reason, farm.SkipReasons)
	}
	for k := range b.OffsetChanges {
		o := &b.OffsetChanges[k]
		r.event("offset_change", o.ID, o.ChangedAt, &o.Meta)
		r.within("offset", o.ToMM, -5, 5)
		if o.FromMM == o.ToMM {
			r.fail("offset unchanged", o)
		}
	}
	for k := range b.Services {
		s := &b.Services[k]
		r.event("service", s.ID, s.DoneAt, &s.Meta)
		r.code("work", s.Work, farm.Works)
	}
	r.rest()
}

func (r *rules) rest() {
	b := r.b
	on := map[string]time.Time{}
	for k := range b.Fittings {
		f := &b.Fittings[k]
		r.event("fitting", f.ID, f.FittedAt, &f.Meta)
		if !f.RemovedAt.IsZero() && f.RemovedAt.Before(f.FittedAt) {
			r.fail("removed before fitted", f)
		}
		if until, ok := on[f.Plate]; ok && (until.IsZero() || until.After(f.FittedAt)) {
			r.fail("plate fitted twice", f)
		}
		on[f.Plate] = f.RemovedAt
	}
	for k := range b.PlateStates {
		p := &b.PlateStates[k]
		r.event("plate_state", p.ID, p.At, &p.Meta)
		r.code("state", p.State, farm.PlateStates)
		r.known("plate", p.Plate, r.plates)
	}
	for k := range b.Holds {
		h := &b.Holds[k]
		r.event("hold", h.ID, h.PlacedAt, &h.Meta)
		if !h.ReleasedAt.IsZero() && !h.ReleasedAt.After(h.PlacedAt) {
			r.fail("hold released before placed", h)
		}
	}
	for k := range b.Disagreements {
		g := &b.Disagreements[k]
		r.event("disagreement", g.ID, g.At, &g.Meta)
		r.code("cause", g.Cause, farm.Causes)
		r.code("state", g.State, farm.Evidences)
		if g.SubjectKind == "plate" {
			r.known("subject", g.Subject, r.plates)
		} else {
			r.known("subject", g.Subject, r.printers)
		}
	}
	for k := range b.AdviceDone {
		a := &b.AdviceDone[k]
		r.event("advice done", a.ID, a.At, &a.Meta)
		r.code("answer", a.Answer, farm.AdviceAnswers)
		r.code("action", a.Action, farm.AdviceActions)
		r.code("cause", a.Cause, farm.LayerCauses)
	}
	for k := range b.Policies {
		p := &b.Policies[k]
		r.event("policy", p.ID, p.InForceFrom, &p.Meta)
		if p.Plate != "" {
			r.known("plate", p.Plate, r.plates)
		}
		if p.Printer != "" {
			r.known("printer", p.Printer, r.printers)
		}
		if p.Name == "" || p.Reason == "" {
			r.fail("a policy without a name or a reason", p)
		}
	}
	for k := range b.FirstLayers {
		if l := &b.FirstLayers[k]; !l.Replaces.IsZero() && !r.ids[l.Replaces] {
			r.fail("replaces nothing", l.Replaces)
		}
	}
}

func (r *rules) firstLayer(l *farm.FirstLayer) {
	r.event("first layer", l.ID, l.StartedAt, &l.Meta)
	r.known("printer", l.Printer, r.printers)
	r.known("plate", l.Plate, r.plates)
	r.known("grader", l.Grader, r.people)
	r.known("material", l.Material, r.mats)
	r.known("job", l.Job, r.jobs)
	for code, list := range map[string][]string{l.Grade: farm.Grades, l.StartIs: farm.StartIs, l.Underside: farm.Undersides, l.SeenFrom: farm.SeenFroms,
		l.Decision: farm.Decisions, l.Outcome: farm.Outcomes, l.LookedBecause: farm.LookedBecause} {
		if code != "stopped" { // a decision and an outcome share this code
			r.code("first layer", code, list)
		}
	}
	if (l.Grade == "") != l.GradedAt.IsZero() || l.Grade == "" && len(l.Marks) > 0 || !l.GradedAt.IsZero() && l.GradedAt.Before(l.StartedAt) {
		r.fail("grading", l)
	}
	seen := map[string]bool{}
	for _, m := range l.Marks {
		key := string(rune('a'+m.Zone.Col)) + string(rune('0'+m.Zone.Row)) + m.Mark
		if seen[key] || m.Severity < 1 || m.Severity > 3 || m.Zone.Col > 2 || m.Zone.Row > 2 || l.Covered != nil && !slices.Contains(l.Covered, m.Zone) {
			r.fail("mark", m)
		}
		seen[key] = true
		r.code("mark", m.Mark, farm.Marks)
	}
	for _, x := range l.Readings {
		r.within("reading", x.MM, 0.05, 1)
	}
	r.within("nudge", l.NudgeMM, -1, 1)
	r.within("look chance", l.LookChance, 0, 1)
}

func BenchmarkDemo(b *testing.B) {
	for range b.N {
		Demo(demoDay, 1)
	}
}
