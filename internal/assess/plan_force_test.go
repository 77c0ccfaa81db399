package assess_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/store"
)

// forceFarm is a farm whose failures go with skipped probing and dirty plates, so
// that probing and wiping pay; eight printers, two people, three jobs.
func forceFarm() bundle {
	b := bundle{"people.csv": "person\nines\nwei\n", "settings.csv": "key,value\nfailure_material,40\n",
		"shifts.csv": "shift,person,starts_at,ends_at\nS-1,ines,2026-03-09T06:00:00Z,2026-03-09T14:00:00Z\nS-2,wei,2026-03-09T14:00:00Z,2026-03-09T22:00:00Z\nS-3,ines,2026-03-10T06:00:00Z,2026-03-10T14:00:00Z\n",
		"jobs.csv":   "job,plates_needed,hours_per_plate,due,late_fee_per_hour,closed_at\nJ-1,8,2,2026-03-09T18:00:00Z,5,\nJ-2,4,3,2026-03-10T12:00:00Z,4,\nJ-3,3,1,2026-03-10T12:00:00Z,4,\n"}
	printers, plates, fittings := "printer,bay,bed_x_mm,bed_y_mm\n", "plate,surface\n", "fitting,plate,printer,fitted_at\n"
	layers, probes, cleanings := "first_layer,printer,plate,started_at,grade,graded_at\n", "probe,printer,probed_at\n", "cleaning,plate,cleaned_at,method\n"
	for i := range 8 {
		printers += fmt.Sprintf("P-%d,%c,250,250\n", i, 'A'+i/4)
		plates += fmt.Sprintf("L-%d,glass\n", i)
		fittings += fmt.Sprintf("F-%d,L-%d,P-%d,2026-01-01T08:00:00Z\n", i, i, i)
		for n := range 160 {
			at := time.Date(2026, 1, 20, 6, 0, 0, 0, time.UTC).Add(time.Duration(n)*7*time.Hour + time.Duration(i)*time.Minute)
			probed, gap := n%2 == 0, n%5
			if probed {
				probes += fmt.Sprintf("PR-%d-%d,P-%d,%s\n", i, n, i, at.Add(-10*time.Minute).Format(time.RFC3339))
			}
			if gap == 0 {
				cleanings += fmt.Sprintf("C-%d-%d,L-%d,%s,wipe\n", i, n, i, at.Add(-20*time.Minute).Format(time.RFC3339))
			}
			grade := "clean"
			if !probed && (n*7+i)%4 == 0 || gap == 4 && (n+i)%3 == 0 || (n*5+i)%40 == 0 {
				grade = "failed"
			}
			layers += fmt.Sprintf("X-%d-%d,P-%d,L-%d,%s,%s,%s\n", i, n, i, i, at.Format(time.RFC3339), grade, at.Add(20*time.Minute).Format(time.RFC3339))
		}
	}
	b["printers.csv"], b["plates.csv"], b["fittings.csv"], b["first_layers.csv"], b["probes.csv"], b["cleanings.csv"] = printers, plates, fittings, layers, probes, cleanings
	return b
}

func keep(t *testing.T, a *assess.Assessor, at time.Time) *assess.Plan {
	t.Helper()
	p, err := a.KeepPlan(context.Background(), at, assess.Confidence)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func lastChange(t *testing.T, s *store.Store) string {
	t.Helper()
	list, err := s.PlanChanges(context.Background(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if len(list) == 0 {
		return ""
	}
	return list[0].What
}

type taskPlace struct {
	key, task, person string
	at                time.Time
}

func places(p *assess.Plan) map[string]taskPlace {
	m := map[string]taskPlace{}
	for _, t := range p.Tasks {
		m[t.Key+"/"+t.Task] = taskPlace{t.Key, t.Task, t.Person, t.At}
	}
	return m
}

// TestThePlanInForce: tasks stay where they are while nothing that bears on them
// changes; a hold moves the held printer's alone and is said; what is done is not
// asked for again; replicas have one plan.
func TestThePlanInForce(t *testing.T) {
	s := open(t)
	forceFarm().into(t, s)
	now := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now })
	a, b := assess.New(s), assess.New(s)
	first := keep(t, a, now)
	if len(first.Tasks) < 4 {
		t.Fatalf("the farm needs prep to be planned, got %+v", first.Tasks)
	}
	if again, err := b.LatestPlan(context.Background(), now, assess.Confidence); err != nil || string(again.PageJSON()) != string(first.PageJSON()) {
		t.Error("another server has another plan")
	}
	// A record that bears on nothing, some minutes later.
	now = now.Add(4 * time.Minute)
	send(t, s, now, `{"kind":"plate_state","id":"S-1","plate":"L-7","at":"2026-01-02T06:00:00Z","state":"in_use"}`)
	later := time.Date(2026, 3, 9, 6, 4, 0, 0, time.UTC)
	second := keep(t, b, later)
	was, is := places(first), places(second)
	for k, x := range was {
		if y, ok := is[k]; x.at.After(later) && (!ok || x != y) {
			t.Errorf("%s jumped: %+v, now %+v", k, x, y)
		}
	}
	// A hold on a printer with a task to come.
	k := slices.IndexFunc(second.Tasks, func(x assess.PlannedTask) bool { return x.At.After(later.Add(20 * time.Minute)) })
	if k < 0 {
		t.Fatalf("no task to come: %+v", second.Tasks)
	}
	held := second.Tasks[k].Printer
	now = later.Add(time.Minute)
	send(t, s, now, `{"kind":"hold","id":"H-1","subject_kind":"printer","subject":"`+held+`","placed_at":"2026-03-09T06:04:30Z","reason":"hot end"}`)
	third := keep(t, a, now)
	moved := 0
	was, is = places(second), places(third)
	for key, x := range was {
		if y, ok := is[key]; ok && x.at.After(now) && x != y {
			moved++
		}
	}
	for _, x := range third.Tasks {
		if x.Printer == held {
			t.Errorf("a task on a held printer: %+v", x)
		}
	}
	if said := lastChange(t, s); !strings.Contains(said, held+" held") || moved > len(was)/2 {
		t.Errorf("%d of %d moved, said %q", moved, len(was), said)
	}
	// A task that is done, before its start: it goes, its start stays.
	k = slices.IndexFunc(third.Tasks, func(x assess.PlannedTask) bool { return x.Task == "wipe" && x.At.After(now.Add(2*time.Minute)) })
	if k < 0 {
		t.Fatalf("nothing to wipe: %+v", third.Tasks)
	}
	done := third.Tasks[k]
	now = now.Add(time.Minute)
	send(t, s, now, `{"kind":"cleaning","id":"C-done","plate":"`+done.Plate+`","method":"wipe","cleaned_at":"`+now.Add(-30*time.Second).Format(time.RFC3339)+`"}`)
	fourth := keep(t, a, now)
	for _, x := range fourth.Tasks {
		if x.Printer == done.Printer && x.Task == "wipe" && x.Key == done.Key {
			t.Errorf("wiped and planned again: %+v", x)
		}
	}
	startsOf := func(p *assess.Plan, printer string) (list []time.Time) {
		for _, j := range p.Jobs {
			for _, x := range j.Starts {
				if x.Printer == printer {
					list = append(list, x.At)
				}
			}
		}
		return list
	}
	if x, y := startsOf(third, done.Printer), startsOf(fourth, done.Printer); len(x) != len(y) || !x[len(x)-1].Equal(y[len(y)-1]) {
		t.Errorf("starts on %s moved with its task: %v, now %v", done.Printer, x, y)
	}
	// Many servers at once plan once: all are told the same.
	now = now.Add(time.Minute)
	send(t, s, now, `{"kind":"hold","id":"H-2","subject_kind":"plate","subject":"L-0","placed_at":"`+now.Add(-time.Second).Format(time.RFC3339)+`","reason":"bent"}`)
	mine, err := s.ClaimPlan(context.Background())
	if err != nil || !mine {
		t.Fatal(mine, err)
	}
	if mine, err := s.ClaimPlan(context.Background()); err != nil || mine {
		t.Errorf("two servers plan at once: %v", err)
	}
	if p := keep(t, b, now); string(p.PageJSON()) != string(fourth.PageJSON()) {
		t.Error("who may not plan is not given what is in force")
	}
}

// TestWhatCannotBeDoneInTimeIsSaid holds the words and numbers of a job that is late
// and of one that finds no place.
func TestWhatCannotBeDoneInTimeIsSaid(t *testing.T) {
	s := open(t)
	f := forceFarm()
	f["jobs.csv"] = "job,plates_needed,hours_per_plate,due,late_fee_per_hour\nJ-1,12,1,2026-03-09T08:00:00Z,5\nJ-2,1,3,2026-03-09T08:00:00Z,5\nJ-3,400,4,2026-03-12T12:00:00Z,0\n"
	f.into(t, s)
	p := planOf(t, s, time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC))
	for i, wants := range [][]string{
		{"end after it is due, the last ", " late. It would take ", " more printer", " or a date "},
		{"More printers do not help: a plate takes 3 h and would have had to begin by 2026-03-09 05:00"},
		{"starts find no place before 2026-03-12 12:00. It would take ", "more printers until then"},
	} {
		for _, want := range wants {
			if !strings.Contains(p.Jobs[i].Cannot, want) {
				t.Errorf("%s: %q lacks %q", p.Jobs[i].Job, p.Jobs[i].Cannot, want)
			}
		}
	}
	g := open(t)
	f["jobs.csv"] = "job,plates_needed,hours_per_plate,due\nJ-1,40,1,2026-03-10T12:00:00Z\n"
	f["shifts.csv"] = "shift,person,starts_at,ends_at\nS-1,ines,2026-03-09T06:00:00Z,2026-03-09T06:20:00Z\n"
	f.into(t, g)
	p = planOf(t, g, time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC))
	if said := p.Jobs[0].Cannot; !strings.Contains(said, " more person-minutes in the shift from 2026-03-09 06:00 to 2026-03-09 06:20") {
		t.Error(said)
	}
}

// BenchmarkKeepPlan makes the plan of a stored farm of 200 printers, 40 jobs and 12
// people over 3 days anew after a hold: reading, planning, storing. Every plate is to be
// washed and every printer probed before it starts. Then ten times as many of each.
func BenchmarkKeepPlan(b *testing.B) {
	for _, n := range []int{1, 10} {
		b.Run(fmt.Sprintf("%dprinters", 200*n), func(b *testing.B) { keepPlans(b, n) })
	}
}

func keepPlans(b *testing.B, times int) {
	s := open(b)
	scaleFarm(200*times, 40*times, 12*times).into(b, s)
	now := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now })
	a := assess.New(s)
	if _, err := a.Upkeep(context.Background(), assess.AsOf{At: now}, ""); err != nil { // what is fitted once a midnight
		b.Fatal(err)
	}
	begun := time.Now()
	p, err := a.KeepPlan(context.Background(), now, assess.Confidence)
	if err != nil {
		b.Fatal(err)
	}
	starts := 0
	for _, j := range p.Jobs {
		starts += len(j.Starts)
	}
	b.Logf("first: %v, %d starts, %d tasks, gap %.3f", time.Since(begun), starts, len(p.Tasks), p.Gap)
	n := 0
	for b.Loop() {
		now = now.Add(time.Second)
		n++
		send(b, s, now, fmt.Sprintf(`{"kind":"hold","id":"H-%d","subject_kind":"printer","subject":"P-%d","placed_at":%q,"reason":"hot end"}`, n, n*7%(200*times), now.Format(time.RFC3339)))
		if _, err := a.KeepPlan(context.Background(), now, assess.Confidence); err != nil {
			b.Fatal(err)
		}
	}
	list, _ := s.PlanChanges(context.Background(), 3)
	b.Log(list)
}

func scaleFarm(printers, jobs, people int) bundle {
	b := bundle{"settings.csv": "key,value\nfailure_material,20\n", "policies.csv": "policy,name,in_force_from,wash_prints,probe_starts,reason\nW-1,Prep,2026-03-01T00:00:00Z,30,20,bench\n"}
	washed, probed := "cleaning,plate,cleaned_at,method\n", "probe,printer,probed_at\n"
	tags, plates, fittings := "printer,bay,bed_x_mm,bed_y_mm\n", "plate,surface\n", "fitting,plate,printer,fitted_at\n"
	layers, orders, crew, shifts := "first_layer,printer,plate,started_at,grade,graded_at\n", "job,plates_needed,hours_per_plate,due,late_fee_per_hour\n", "person\n", "shift,person,starts_at,ends_at\n"
	begin := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	for i := range printers {
		tags += fmt.Sprintf("P-%d,B%d,250,250\n", i, i/8)
		plates += fmt.Sprintf("L-%d,glass\n", i)
		fittings += fmt.Sprintf("F-%d,L-%d,P-%d,2026-01-01T08:00:00Z\n", i, i, i)
		washed += fmt.Sprintf("W-%d,L-%d,2026-01-02T08:00:00Z,wash\n", i, i)
		probed += fmt.Sprintf("PR-%d,P-%d,2026-01-02T08:00:00Z\n", i, i)
		for n := range 40 {
			at := begin.Add(-time.Duration(50+12*n)*time.Hour + time.Duration(i)*time.Minute)
			grade := "clean"
			if (n*7+i)%9 == 0 {
				grade = "failed"
			}
			layers += fmt.Sprintf("X-%d-%d,P-%d,L-%d,%s,%s,%s\n", i, n, i, i, at.Format(time.RFC3339), grade, at.Add(20*time.Minute).Format(time.RFC3339))
		}
	}
	for i := range jobs {
		orders += fmt.Sprintf("J-%d,%d,%d,%s,5\n", i, 4+i%7, 2+i%6, begin.Add(time.Duration(20+i%50)*time.Hour).Format(time.RFC3339))
	}
	for i := range people {
		crew += fmt.Sprintf("c%d\n", i)
		for d := range 3 {
			from := begin.Add(time.Duration(24*d+8*(i%2)) * time.Hour)
			shifts += fmt.Sprintf("S-%d-%d,c%d,%s,%s\n", i, d, i, from.Format(time.RFC3339), from.Add(8*time.Hour).Format(time.RFC3339))
		}
	}
	b["cleanings.csv"], b["probes.csv"] = washed, probed
	b["printers.csv"], b["plates.csv"], b["fittings.csv"], b["first_layers.csv"], b["jobs.csv"], b["people.csv"], b["shifts.csv"] = tags, plates, fittings, layers, orders, crew, shifts
	return b
}
