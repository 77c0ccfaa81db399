package simfarm

import (
	"math"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/sampling"
	"basecourse/internal/trial"
)

// demoSecret is what the lots of the demo's past were drawn by; a server that runs on the
// farm makes its own for what comes.
var demoSecret = []byte("the demo's past")

const (
	demoLotDays   = 28   // so long has the standing lot been on
	demoLotLimit  = 0.05 // of a failure's cost
	demoLookDays  = 4
	demoLookShare = 0.7
	// What is worth more is left to no lot: the setting's default.
	demoLotValue = 1000
)

// demoTest is a planned test of the demo, by the number of its printer.
type demoTest struct {
	printer   int32
	from      int64 // days ago
	leave, do float64
	reason    string
	why       string // it ends; "" it runs
	record    farm.PlannedTest
}

// lots draws for starts what was drawn for them: for planned tests, and by the standing lot
// of the last weeks. The crew's own throw decides what is done (run.next), with a chance
// that is known; what the lot said is thrown beside it so that it has its own chance exactly
// and mostly is what was done, as with a crew that follows it mostly.
func (d *demo) lots() {
	d.told = map[lotOf]bool{}
	d.tests = []*demoTest{
		{printer: 47, from: 60, leave: 0.20, do: 0.08, reason: "does its zero move, or is it the shift?", why: "its size is reached"},
		{printer: 27, from: 58, leave: 0.18, do: 0.07, reason: "bad whatever we do, or bad for want of a probe?", why: "its size is reached"},
		{printer: 38, from: 11, leave: 0.15, do: 0.05, reason: "probing it takes six minutes each time"},
	}
	r := d.gen(42)
	for _, t := range d.tests {
		begin := d.now - t.from*dayMicros
		id := d.f.newID(begin, draw(r.Uint64()), idOther+7)
		plan := trial.Plan{Leave: t.leave, Do: t.do, Share: 0.5, Power: 0.8, Level: trial.LevelEnd}
		t.record = farm.PlannedTest{ID: id, SubjectKind: "printer", Subject: d.names.printers[t.printer-1], Cause: "skipped_probing", Task: "probe", BeginsAt: instant(begin), Starts: plan.Starts(),
			Share: plan.Share, FailsLeft: t.leave, FailsDone: t.do, Power: plan.Power, Person: "henrike", Reason: t.reason, Meta: farm.Meta{NotedAt: instant(begin), NotedBy: "henrike", ArrivedAt: instant(begin)}}
		d.test(t)
	}
	d.standing()
}

// lotOf is a start and a task.
type lotOf struct {
	start int
	task  string
}

// drawnFor keeps a draw for start n, made a little after the printer's start before it.
// did is what was done, to the chance that it would be.
func (d *demo) drawnFor(n, before int, task string, chance, saves float64, why string, did bool, to float64) {
	last := d.b.FirstLayers[before].StartedAt
	tag := d.b.FirstLayers[n].Printer
	key := draw(trial.Number(demoSecret, tag, last.UnixMicro(), task) * (1 << 53))
	do := did
	switch u := key.u(forOutcome); {
	case did && to > chance:
		do = u < chance/to
	case !did && to < chance:
		do = u < (chance-to)/(1-to)
	}
	at := last.Add(time.Duration(60+100*key.u(forPrep)) * time.Second).Truncate(time.Microsecond)
	id, err := farm.NewID(farm.KindDraw, trial.ID(tag, last.UnixMicro(), task))
	if err != nil {
		return // an id of the program's own making has its form
	}
	x := farm.Draw{ID: id, Printer: tag, Plate: d.b.FirstLayers[before].Plate, Task: task, DrawnAt: at, Arm: "leave", Chance: chance, Saves: saves, Why: why, Meta: farm.Meta{NotedAt: at, ArrivedAt: at}}
	if do {
		x.Arm = "do"
	}
	d.told[lotOf{n, task}] = do
	d.b.Draws = append(d.b.Draws, x)
}

// before gives for each start the printer's start before it; -1 none.
func (d *demo) before() []int {
	out := slices.Repeat([]int{-1}, len(d.next))
	for n, k := range d.next {
		if k >= 0 {
			out[k] = n
		}
	}
	return out
}

// test draws for the starts of a planned test and ends it once its size is reached.
func (d *demo) test(t *demoTest) {
	begin, graded := t.record.BeginsAt.UnixMicro(), 0
	for n, was := range d.before() {
		s := &d.f.starts[n]
		if s.printer != t.printer-1 || was < 0 || d.f.starts[was].at < begin {
			continue
		}
		d.drawnFor(n, was, t.record.Task, t.record.Share, farm.Unknown(), t.record.ID.UUID.String(), s.probed, float64(s.toProbe))
		if s.graded {
			graded++
		}
		if t.why != "" && graded == t.record.Starts {
			end := instant(s.gradedAt + 95*minuteMicros)
			t.record.EndedAt, t.record.EndedBy, t.record.EndIs, t.record.EndReason = end, "henrike", "size", t.why
			return
		}
	}
}

// standing draws by the standing lot, on starts that no test concerns and whose job is not
// worth too much.
func (d *demo) standing() {
	begin := d.now - demoLotDays*dayMicros
	limit := demoLotLimit * demoFailureCost
	value := map[string]float64{}
	for k := range d.b.Jobs {
		value[d.b.Jobs[k].Job] = d.b.Jobs[k].Value
	}
	for n, was := range d.before() {
		s := &d.f.starts[n]
		if was < 0 || d.f.starts[was].at < begin || value[d.b.FirstLayers[was].Job] > demoLotValue || s.service {
			continue
		}
		if d.b.Printers[s.printer].ProbingRecorded != "all" || slices.ContainsFunc(d.tests, func(t *demoTest) bool { return t.concerns(s) }) {
			continue
		}
		own := d.f.drawOf(s)
		for k, task := range []string{"probe", "wipe"} {
			to, did := float64(s.toProbe), s.probed
			if task == "wipe" {
				to, did = float64(s.toClean), s.method != 0
			}
			// The crew does it oftener where it saves more: by the lot's own line.
			saves := limit * (to - 0.5) / (trial.Most - trial.Least) * 2 * 0.9
			if own.u(forMood+1+purpose(100*k)) > 0.9 || math.Abs(saves) >= limit || d.matters(s, task) {
				continue
			}
			d.drawnFor(n, was, task, trial.Chance(saves, limit), math.Round(saves*1e6)/1e6, farm.DrawnLot, did, to)
		}
	}
}

// matters tells whether a task makes more of a difference to a start than is left to a lot.
func (d *demo) matters(s *start, task string) bool {
	i, j := &d.f.printers[s.printer], &d.f.plates[s.plate]
	if task == "probe" {
		return i.wander > 0.005 || i.jump > 0 || i.tip > 0
	}
	return i.oil+j.oil > 0.05 || j.over > 0
}

func (t *demoTest) concerns(s *start) bool {
	return s.printer == t.printer-1 && instant(s.at).After(t.record.BeginsAt) && (t.record.EndedAt.IsZero() || instant(s.at).Before(t.record.EndedAt))
}

// judged are the steps of the cases that were tested, as their tests came out.
func (d *demo) judged() {
	r := d.gen(43)
	for _, t := range d.tests {
		step := func(at time.Time, step, state, why string) {
			d.b.CaseSteps = append(d.b.CaseSteps, farm.CaseStep{ID: d.f.newID(at.UnixMicro(), draw(r.Uint64()), idOther+8), SubjectKind: "printer", Subject: t.record.Subject, Cause: t.record.Cause, At: at,
				Step: step, State: state, Test: t.record.ID.UUID.String(), Person: "henrike", Reason: why, Meta: farm.Meta{NotedAt: at, NotedBy: "henrike", ArrivedAt: at}})
		}
		step(t.record.BeginsAt, "on_test", "", t.record.Reason)
		if !t.record.EndedAt.IsZero() {
			c := d.counted(t)
			if at := t.record.EndedAt.Add(20 * time.Minute); c.Shown && c.Result.Diff < 0 {
				step(at, "upheld", "", "the test shows it: a probe spares its failures")
			} else {
				step(at, "not_upheld", "", "the test shows no difference: look for what else is wrong with it")
			}
		}
		d.b.PlannedTests = append(d.b.PlannedTests, t.record)
	}
}

// counted is what a test's records come to, by the one rule.
func (d *demo) counted(t *demoTest) trial.Counted {
	do := map[int64]bool{}
	for k, arm := range d.told {
		if s := &d.f.starts[k.start]; k.task == t.record.Task && s.printer == t.printer-1 {
			do[s.at] = arm
		}
	}
	var layers []*farm.FirstLayer
	for k := range d.b.FirstLayers {
		l := &d.b.FirstLayers[k]
		if _, drawn := do[l.StartedAt.UnixMicro()]; drawn && l.Printer == t.record.Subject && l.Grade != "" && l.VoidedAt.IsZero() && l.StartedAt.After(t.record.BeginsAt) && !l.StartedAt.After(t.record.EndedAt) {
			layers = append(layers, l)
		}
	}
	slices.SortFunc(layers, func(a, b *farm.FirstLayer) int { return a.StartedAt.Compare(b.StartedAt) })
	var list []trial.One
	for _, l := range layers {
		list = append(list, trial.One{Do: do[l.StartedAt.UnixMicro()], Failed: farm.Failed(l.Grade, l.Underside)})
	}
	return trial.Count(list, t.record.Starts, t.record.Share, uint64(t.record.BeginsAt.UnixMicro()))
}

// looked is what the look list drew for a start.
type looked struct {
	chance float64
	why    sampling.Why
}

// looks draws the list of the last days; what it leaves out few people look at.
func (d *demo) looks() {
	f := d.f
	d.list = map[int]looked{}
	var risks []float64
	for n := range f.starts {
		risks = append(risks, f.starts[n].was)
	}
	design := sampling.Plan(demoLookShare, risks[max(0, len(risks)-2000):])
	for n := range f.starts {
		s := &f.starts[n]
		if s.at < d.now-demoLookDays*dayMicros || s.at > d.now-10*minuteMicros && !s.graded {
			continue // still running: the server draws for it
		}
		own := f.drawOf(s)
		id := f.newID(s.at, own, idFirstLayer)
		x := looked{}
		x.chance, x.why = design.Draw(sampling.Number(demoSecret, id.UUID), s.was)
		d.list[n] = x
		if x.why == sampling.Not && own.u(forGraded+1) < 0.9 {
			s.graded = false
		}
	}
}

// listed writes down what the list drew.
func (d *demo) listed() {
	for n, x := range d.list {
		l := &d.b.FirstLayers[n]
		l.LookDrawn, l.LookChance = string(x.why), x.chance
		if l.Grade != "" && l.LookedBecause != "asked" {
			l.LookedBecause = string(x.why)
		}
		if x.why == sampling.Not && l.Grade != "" {
			l.LookedBecause = "looked_bad"
		}
	}
}
