package simfarm

import (
	"time"

	"basecourse/internal/farm"
)

// holds puts printers on hold after a failed layer until their next start, and
// leaves one printer and one plate on hold.
func (d *demo) holds() {
	b, f, r := d.b, d.f, d.gen(8)
	reasons := []string{"first layer twice too high", "bed not level", "waits for a nozzle", "noise from the feeder", "smells burnt, fan?"}
	releases := []string{"trammed and probed", "nozzle changed, test layer good", "nothing found, watch it", "fan replaced"}
	last := int64(0)
	for n := range f.starts {
		s := &f.starts[n]
		if s.grade != gradeFailed || !s.graded || d.next[n] < 0 || s.at-last < 60*hourMicros {
			continue
		}
		until := f.starts[d.next[n]].at - 12*minuteMicros
		if until-s.gradedAt < 45*minuteMicros {
			continue
		}
		last = s.at
		at := s.gradedAt + 5*minuteMicros
		b.Holds = append(b.Holds, farm.Hold{ID: f.newID(at, f.drawOf(s), idOther+2), SubjectKind: "printer", Subject: d.names.printers[s.printer],
			PlacedAt: instant(at), ReleasedAt: instant(until), Person: d.names.people[s.grader], Reason: reasons[r.IntN(len(reasons))],
			ReleasedBy: d.onShift(until, r), ReleaseReason: releases[r.IntN(len(releases))]})
	}
	open := func(kind, subject string, at int64, who, why string) {
		b.Holds = append(b.Holds, farm.Hold{ID: f.newID(at, draw(r.Uint64()), idOther+2), SubjectKind: kind, Subject: subject,
			PlacedAt: instant(at), Person: who, Reason: why})
	}
	open("printer", d.names.printers[heldPrinter-1], d.now-30*hourMicros, "tomas", "bed cable worn, spare part ordered")
	open("plate", "L-229", d.now-9*dayMicros, "marit", "deep scratch at the front edge")
}

// disagreements writes down what people said against findings: one that holds up
// nevertheless, one of a worn plate, and one that was taken back.
func (d *demo) disagreements() {
	r := d.gen(11)
	said := func(kind, subject, cause, state string, ago int64, who, why string) *farm.Disagreement {
		at := d.now - ago
		d.b.Disagreements = append(d.b.Disagreements, farm.Disagreement{ID: d.f.newID(at, draw(r.Uint64()), idOther+3), SubjectKind: kind, Subject: subject,
			Cause: cause, At: instant(at), State: state, Person: who, Reason: why, Meta: farm.Meta{NotedAt: instant(at), NotedBy: who, ArrivedAt: instant(at)}})
		return &d.b.Disagreements[len(d.b.Disagreements)-1]
	}
	said("printer", d.names.printers[14-1], "skipped_probing", "raised", 50*hourMicros, "marit", "we probe it after every swap; the skips were short reprints")
	said("plate", d.names.plates[17-1], "cleaning_gap", "quiet", 75*hourMicros, "tomas", "washed twice that week, nobody wrote it down; the coating is worn")
	back := said("printer", d.names.printers[23-1], "skipped_probing", "raised", 6*dayMicros, "anders", "the nozzle was new that week")
	back.VoidedAt, back.VoidedBy, back.VoidReason = back.At.Add(26*time.Hour), back.Person, "withdrawn: the nozzle was changed before the first of these layers"
}

// cases writes down one case from suspicion to its end: a test was begun, and given up
// before it could tell.
func (d *demo) cases() {
	r := d.gen(41)
	printer := d.names.printers[23-1]
	begin, end := d.now-6*dayMicros-5*hourMicros, d.now-6*dayMicros
	id := func(at int64, slot uint64) farm.ID { return d.f.newID(at, draw(r.Uint64()), idOther+slot) }
	noted := func(at int64) farm.Meta {
		return farm.Meta{NotedAt: instant(at), NotedBy: "anders", ArrivedAt: instant(at)}
	}
	t := farm.PlannedTest{ID: id(begin, 7), SubjectKind: "printer", Subject: printer, Cause: "skipped_probing", Task: "probe", BeginsAt: instant(begin), EndedAt: instant(end), Starts: 320,
		Share: 0.5, FailsLeft: 0.10, FailsDone: 0.03, Power: 0.8, Person: "anders", Reason: "is it the probe or the mornings?", EndedBy: "anders", EndIs: "other",
		EndReason: "the nozzle was changed; what comes now is another printer", Meta: noted(begin)}
	d.b.PlannedTests = append(d.b.PlannedTests, t)
	d.b.CaseSteps = append(d.b.CaseSteps,
		farm.CaseStep{ID: id(begin, 8), SubjectKind: "printer", Subject: printer, Cause: t.Cause, At: t.BeginsAt, Step: "on_test", Test: t.ID.UUID.String(), Person: "anders", Reason: t.Reason, Meta: noted(begin)},
		farm.CaseStep{ID: id(end, 8), SubjectKind: "printer", Subject: printer, Cause: t.Cause, At: t.EndedAt, Step: "closed", Person: "anders", Reason: t.EndReason, Meta: noted(end)})
}

// tasksSkipped writes down what was due and left out: a wipe, a wash, a check.
func (d *demo) tasksSkipped() {
	r := d.gen(31)
	for k, x := range []struct {
		printer, plate     int
		task, reason, note string
		ago                int64
	}{{7, 12, "wipe", "hurry", "", 20 * hourMicros}, {19, 40, "wash", "trusted", "washed by the day shift, not written down", 3 * dayMicros}, {31, 66, "check", "other", "gauge at its check", 8 * dayMicros}} {
		at := d.now - x.ago
		who := d.names.people[k]
		d.b.TasksSkipped = append(d.b.TasksSkipped, farm.TaskSkipped{ID: d.f.newID(at, draw(r.Uint64()), idOther+6), Printer: d.names.printers[x.printer-1], Plate: d.names.plates[x.plate-1],
			Task: x.task, At: instant(at), Reason: x.reason, Person: who, Note: x.note, Meta: farm.Meta{NotedAt: instant(at), NotedBy: who, ArrivedAt: instant(at)}})
	}
}

// advices writes down what was done about what first layers said: a probe whose
// proof still runs, a wash that is to hold for longer, and an advice not followed.
func (d *demo) advices() {
	r := d.gen(12)
	answer := func(l *farm.FirstLayer, kind, subject, answer, action, cause, record string, at time.Time, good int, rate, layers float64, why string) {
		d.b.AdviceDone = append(d.b.AdviceDone, farm.AdviceDone{ID: d.f.newID(at.UnixMicro(), draw(r.Uint64()), idOther+4), FirstLayer: l.ID.UUID.String(),
			SubjectKind: kind, Subject: subject, At: at, Answer: answer, Action: action, Cause: cause, Record: record, GoodNeeded: good, ExpectedRate: rate, ExpectedLayers: layers,
			Person: l.Grader, Reason: why, Meta: farm.Meta{NotedAt: at, NotedBy: l.Grader, ArrivedAt: at}})
	}
	failed := func(printer string, before int64) *farm.FirstLayer {
		var last *farm.FirstLayer
		for k := range d.b.FirstLayers {
			l := &d.b.FirstLayers[k]
			if l.Printer == printer && l.Grade == "failed" && l.VoidedAt.IsZero() && l.Plate != "" && l.GradedAt.UnixMicro() < before && (last == nil || l.StartedAt.After(last.StartedAt)) {
				last = l
			}
		}
		return last
	}
	if l := failed(d.names.printers[14-1], d.now-2*dayMicros); l != nil {
		for k := range d.b.Probes {
			if p := &d.b.Probes[k]; p.Printer == l.Printer && p.VoidedAt.IsZero() && p.ProbedAt.After(l.GradedAt) {
				answer(l, "printer", l.Printer, "done", "probe", "bed_shape", p.ID.UUID.String(), p.ProbedAt, 27, 0.17, 60, "")
				break
			}
		}
	}
	if l := failed(d.names.printers[42-1], d.now-4*dayMicros); l != nil {
		for k := range d.b.Cleanings {
			if c := &d.b.Cleanings[k]; c.Plate == l.Plate && c.Method == "wash" && c.VoidedAt.IsZero() && c.CleanedAt.After(l.GradedAt) {
				answer(l, "plate", l.Plate, "done", "wash", "dirty_plate", c.ID.UUID.String(), c.CleanedAt, 44, 0.11, 80, "")
				break
			}
		}
	}
	if l := failed(d.names.printers[30-1], d.now-dayMicros); l != nil {
		answer(l, "printer", l.Printer, "disagreed", "probe", "bed_shape", "", l.GradedAt.Add(3*time.Minute), 0, farm.Unknown(), farm.Unknown(), "the spool had a knot, the bed is fine")
	}
}

// arrivals says when each record was noted and when it reached the farm's
// books: most at once, some from tablets that had no network, hours or days
// late. Whatever is still under way at the end comes at the end.
func (d *demo) arrivals() {
	b, r := d.b, d.gen(9)
	now := instant(d.now)
	late := func(at time.Time, by string) farm.Meta {
		m := farm.Meta{NotedAt: at, NotedBy: by}
		wait := time.Duration(1+r.IntN(6000)) * time.Millisecond
		switch u := r.Float64(); {
		case u < 0.003:
			wait = time.Duration(20+r.IntN(60)) * time.Hour
		case u < 0.02:
			wait = time.Duration(10+r.IntN(500)) * time.Minute
		case u < 0.05 && by != "":
			m.NotedAt = earliest(at.Add(time.Duration(5+r.IntN(90))*time.Minute), now) // from memory
		}
		m.ArrivedAt = earliest(m.NotedAt.Add(wait), now)
		return m
	}
	for k := range b.FirstLayers {
		l := &b.FirstLayers[k]
		at := l.StartedAt
		if !l.GradedAt.IsZero() {
			at = l.GradedAt
		}
		l.Meta = late(at, l.Grader)
		l.NotedAt = l.StartedAt
	}
	for k := range b.Cleanings {
		b.Cleanings[k].Meta = late(b.Cleanings[k].CleanedAt, b.Cleanings[k].Person)
	}
	for k := range b.Probes {
		b.Probes[k].Meta = late(b.Probes[k].ProbedAt, "")
	}
	for k := range b.ProbesSkipped {
		b.ProbesSkipped[k].Meta = late(b.ProbesSkipped[k].At, b.ProbesSkipped[k].Person)
	}
	for k := range b.OffsetChanges {
		b.OffsetChanges[k].Meta = late(b.OffsetChanges[k].ChangedAt, b.OffsetChanges[k].Person)
	}
	for k := range b.Services {
		b.Services[k].Meta = late(b.Services[k].DoneAt, b.Services[k].Person)
	}
	for k := range b.Fittings {
		b.Fittings[k].Meta = late(b.Fittings[k].FittedAt, b.Fittings[k].Person)
	}
	for k := range b.PlateStates {
		b.PlateStates[k].Meta = late(b.PlateStates[k].At, b.PlateStates[k].Person)
	}
	for k := range b.Holds {
		b.Holds[k].Meta = late(b.Holds[k].PlacedAt, b.Holds[k].Person)
	}
}

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// mistakes voids wrong records and replaces them: a plate misread, a grade
// slipped, a cleaning logged twice, a probe with a plate left off.
func (d *demo) mistakes() {
	b, f, r := d.b, d.f, d.gen(10)
	now := instant(d.now)
	void := func(m *farm.Meta, by, why string) time.Time {
		m.VoidedAt = earliest(m.ArrivedAt.Add(time.Duration(4+r.IntN(70))*time.Minute), now)
		m.VoidedBy, m.VoidReason = by, why
		return m.VoidedAt
	}
	for k := len(b.FirstLayers) - 1; k >= 0; k-- {
		l := &b.FirstLayers[k]
		if l.Grade == "" || l.Plate == "" || r.Float64() > 0.0012 {
			continue
		}
		wrong := *l
		wrong.ID = f.newID(l.StartedAt.UnixMicro(), f.drawOf(&f.starts[k]), idVoided)
		why := "wrong plate scanned"
		if r.IntN(2) == 0 {
			// the neighbour's tag
			wrong.Plate = d.names.plates[(int(f.starts[k].plate)+1)%len(d.names.plates)]
		} else {
			why = "pressed the wrong grade"
			wrong.Grade = farm.Grades[(int(f.starts[k].grade)+1)%len(farm.Grades)]
		}
		at := void(&wrong.Meta, l.Grader, why)
		l.Replaces = wrong.ID
		l.NotedAt, l.ArrivedAt = at, earliest(at.Add(2*time.Second), now)
		b.FirstLayers = append(b.FirstLayers, wrong)
	}
	for k := len(b.Cleanings) - 1; k >= 0; k-- {
		c := &b.Cleanings[k]
		if r.Float64() > 0.002 {
			continue
		}
		twice := *c
		twice.CleanedAt = earliest(c.CleanedAt.Add(40*time.Second), now)
		twice.NotedAt, twice.ArrivedAt = later(c.NotedAt, twice.CleanedAt), later(c.ArrivedAt, twice.CleanedAt)
		twice.ID = f.newID(twice.CleanedAt.UnixMicro(), f.drawOf(&f.starts[d.cleaningOf[k]]), idVoided+1000)
		void(&twice.Meta, c.Person, "logged twice")
		b.Cleanings = append(b.Cleanings, twice)
	}
	for k := len(b.Probes) - 1; k >= 0; k-- {
		p := &b.Probes[k]
		if p.Extent == "zero" || r.Float64() > 0.0008 {
			continue
		}
		wrong := *p
		wrong.Plate, wrong.PlateSide, wrong.PlateTurned = "", "", ""
		wrong.ID = f.newID(p.ProbedAt.UnixMicro(), f.drawOf(&f.starts[d.probeOf[k]]), idVoided+2000)
		at := void(&wrong.Meta, p.Person, "plate was left off")
		p.Replaces = wrong.ID
		p.NotedAt, p.ArrivedAt = at, earliest(at.Add(2*time.Second), now)
		b.Probes = append(b.Probes, wrong)
	}
}
