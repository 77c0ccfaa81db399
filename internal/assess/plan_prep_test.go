package assess_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
)

// prepFarm is forceFarm on one bay, cold, with a policy that asks for a wash and for a
// probe before every start, a material that heats the bed, and a service on P-2.
func prepFarm() bundle {
	f := forceFarm()
	f["materials.csv"] = "material,bed_temp_c\nHOT,80\nCOLD,25\n"
	f["jobs.csv"] = "job,plates_needed,hours_per_plate,material,due,late_fee_per_hour\nJ-1,10,2,HOT,2026-03-09T11:00:00Z,40\n"
	f["policies.csv"] = "policy,name,in_force_from,wash_prints,probe_starts,reason\nW-1,Washing,2026-03-01T00:00:00Z,30,1,greasy\n"
	f["services.csv"] = "service,printer,done_at,work\nSV-1,P-2,2026-03-08T20:00:00Z,nozzle\nSV-2,P-3,2026-02-01T20:00:00Z,bed\n"
	f["offset_changes.csv"] = "offset_change,printer,changed_at,to_mm\nO-1,P-4,2026-03-08T20:00:00Z,0.1\n"
	f["cleanings.csv"] += washes("2026-01-21T05:30:00Z", 0, 1, 2, 3, 4, 5, 6, 7)
	// Shifts with a break, and everything in one bay.
	f["shifts.csv"] = "shift,person,starts_at,ends_at\nS-1,ines,2026-03-09T06:00:00Z,2026-03-09T06:20:00Z\nS-2,ines,2026-03-09T06:50:00Z,2026-03-09T14:00:00Z\n"
	f["printers.csv"] = strings.ReplaceAll(f["printers.csv"], ",B,", ",A,")
	return f
}

func washes(at string, plates ...int) (s string) {
	for _, i := range plates {
		s += "CW-" + string(rune('0'+i)) + at + ",L-" + string(rune('0'+i)) + "," + at + ",wash\n"
	}
	return s
}

var prepAt = time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)

func tasksOf(p *assess.Plan, printer string) (list []string) {
	for _, t := range p.Tasks {
		if t.Printer == printer {
			list = append(list, t.Task)
		}
	}
	return list
}

// Washing when a policy's count is full, soaking before a probe on a bed that was cold,
// a coupon after a service or a new offset that no good layer proved: in order, washes
// in batches, nothing in the crew's break.
func TestPrepIsPlannedInOrder(t *testing.T) {
	s := open(t)
	prepFarm().into(t, s)
	p := planOf(t, s, prepAt)
	if len(p.Jobs[0].Starts) < 10 {
		t.Fatalf("%+v", p.Jobs[0])
	}
	seen := map[string]bool{}
	starts := map[string]time.Time{}
	for _, x := range p.Jobs[0].Starts {
		if starts[x.Printer].IsZero() {
			starts[x.Printer] = x.At
		}
	}
	for printer, at := range starts {
		want := []string{"wash", "soak", "probe"}
		if printer == "P-2" || printer == "P-4" {
			want = append(want, "check")
		}
		var got []string
		var last time.Time
		for _, x := range p.Tasks {
			if x.Printer != printer || !x.At.Before(at) {
				continue
			}
			got = append(got, x.Task)
			seen[x.Task] = true
			if x.At.Before(last) || x.End.After(at) {
				t.Errorf("%s: %s from %v to %v, the task before it ends at %v, the start is at %v", printer, x.Task, x.At, x.End, last, at)
			}
			last = x.End
			if x.Task == "soak" && at.Sub(x.End) > time.Hour {
				t.Errorf("%s: heated through at %v for a start at %v", printer, x.End, at)
			}
			for task, word := range map[string]string{"wash": "prints since its wash", "soak": "heated through", "check": "no good first layer since"} {
				if x.Task == task && !strings.Contains(x.Because, word) {
					t.Errorf("%s because %q, want %q", task, x.Because, word)
				}
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v before its first start, want %v", printer, got, want)
		}
	}
	if !seen["check"] {
		t.Error("no serviced printer is in the plan")
	}
	broken := time.Date(2026, 3, 9, 6, 20, 0, 0, time.UTC)
	person := map[string]time.Duration{"wash": 2 * time.Minute, "probe": time.Minute, "check": 2 * time.Minute}
	joined := 0
	var wash assess.PlannedTask
	for _, x := range p.Tasks {
		if takes := person[x.Task]; takes > 0 && x.At.Add(takes).After(broken) && x.At.Before(broken.Add(30*time.Minute)) {
			t.Errorf("%s of %s at %v, in the break", x.Task, x.Printer, x.At)
		}
		if x.Task == "wash" {
			if gap := x.At.Sub(wash.At); gap == 2*time.Minute || gap == 5*time.Minute && wash.Task != "" {
				joined++
			}
			wash = x
		}
	}
	if joined == 0 {
		t.Errorf("no wash follows another directly: %+v", p.Tasks)
	}
}

// What is recorded as done is planned no more; a good layer is proof.
func TestPrepThatIsDoneIsPlannedNoMore(t *testing.T) {
	f := prepFarm()
	f["cleanings.csv"] += washes("2026-03-09T05:30:00Z", 0, 1, 2, 3, 4, 5, 6, 7)
	f["probes.csv"] += "PR-now,P-5,2026-03-09T05:50:00Z\n"
	f["first_layers.csv"] += "X-good,P-4,L-4,2026-03-09T03:00:00Z,clean,2026-03-09T03:20:00Z\n"
	s := open(t)
	f.into(t, s)
	p := planOf(t, s, prepAt)
	for _, x := range p.Tasks {
		if x.Task == "wash" || x.Task == "check" && x.Printer == "P-4" || x.Printer == "P-5" && x.Task == "probe" && x.At.Before(prepAt.Add(2*time.Hour)) {
			t.Errorf("%s of %s planned: %s", x.Task, x.Printer, x.Because)
		}
	}
	// A bed at its temperature is not soaked, a cold material's neither.
	f = prepFarm()
	f["jobs.csv"] = strings.ReplaceAll(f["jobs.csv"], "HOT", "COLD")
	g := open(t)
	f.into(t, g)
	for _, x := range planOf(t, g, prepAt).Tasks {
		if x.Task == "soak" {
			t.Errorf("soaked for a bed of 25 degrees: %+v", x)
		}
	}
}

// Replanning takes over what was done meanwhile, of what policies ask for too.
func TestReplanningTakesOverWashesDone(t *testing.T) {
	s := open(t)
	prepFarm().into(t, s)
	now := prepAt
	s.SetClock(func() time.Time { return now })
	a := assess.New(s)
	first := keep(t, a, now)
	k := slices.IndexFunc(first.Tasks, func(x assess.PlannedTask) bool { return x.Task == "wash" && x.At.After(now.Add(3*time.Minute)) })
	if k < 0 {
		t.Fatalf("no wash to come: %+v", first.Tasks)
	}
	done := first.Tasks[k]
	now = now.Add(2 * time.Minute)
	send(t, s, now, `{"kind":"cleaning","id":"C-done","plate":"`+done.Plate+`","method":"wash","cleaned_at":"`+now.Add(-30*time.Second).Format(time.RFC3339)+`"}`)
	second := keep(t, a, now)
	if slices.Contains(tasksOf(second, done.Printer), "wash") {
		t.Errorf("washed and planned again: %+v", second.Tasks)
	}
	if !slices.Contains(tasksOf(second, done.Printer), "probe") {
		t.Errorf("%s is used no more: %+v", done.Printer, second.Tasks)
	}
	moved := 0
	was, is := places(first), places(second)
	for key, x := range was {
		if y, ok := is[key]; ok && x.at.After(now) && x != y {
			moved++
		}
	}
	if moved > len(was)/3 {
		t.Errorf("%d of %d tasks moved for one that was done", moved, len(was))
	}
}

// On L-0 wiping leaves what a wash takes off: its layers begin to fail 25 prints after a
// wash, wiped or not. It is due for a wash, and the plan washes it before it starts;
// no other plate.
func TestAWashIsAskedForWhereWipingNoLongerRestores(t *testing.T) {
	f := forceFarm()
	f["jobs.csv"] = "job,plates_needed,hours_per_plate,due,late_fee_per_hour\nJ-1,8,2,2026-03-09T12:30:00Z,200\n"
	f["holds.csv"] = "hold,subject_kind,subject,placed_at,reason\n"
	for i := 3; i < 8; i++ {
		f["holds.csv"] += fmt.Sprintf("H-%d,printer,P-%d,2026-03-09T05:00:00Z,hot end\n", i, i)
	}
	f["probes.csv"] = "probe,printer,probed_at\n"
	layers, cleanings := "first_layer,printer,plate,started_at,grade,graded_at\n", "cleaning,plate,cleaned_at,method\n"
	for i := range 8 {
		for n := range 320 {
			at := time.Date(2026, 1, 10, 6, 0, 0, 0, time.UTC).Add(time.Duration(n)*260*time.Minute + time.Duration(i)*time.Minute)
			method := ""
			switch {
			case n%58 == 0:
				method = "wash"
			case n%5 == 0:
				method = "wipe"
			}
			if method != "" {
				cleanings += fmt.Sprintf("C-%d-%d,L-%d,%s,%s\n", i, n, i, at.Add(-20*time.Minute).Format(time.RFC3339), method)
			}
			grade := "clean"
			if i == 0 && n%58 >= 20 && n%2 == 0 || (n*5+i*3)%40 == 0 {
				grade = "failed"
			}
			layers += fmt.Sprintf("X-%d-%d,P-%d,L-%d,%s,%s,%s\n", i, n, i, i, at.Format(time.RFC3339), grade, at.Add(20*time.Minute).Format(time.RFC3339))
		}
	}
	f["first_layers.csv"], f["cleanings.csv"] = layers, cleanings
	s := open(t)
	f.into(t, s)
	u, err := assess.New(s).Upkeep(context.Background(), assess.AsOf{At: prepAt}, "")
	if err != nil {
		t.Fatal(err)
	}
	said := ""
	for i := range u.Items {
		if x := &u.Items[i]; x.Task == "wash" {
			said += x.Plate + ": " + x.Sentence()
		}
	}
	if !strings.HasPrefix(said, "L-0: ") || strings.Count(said, "since its wash") != 1 || !strings.Contains(said, "wiping no longer restores it") {
		t.Errorf("washes due: %q", said)
	}
	p := planOf(t, s, prepAt)
	used := false
	for _, x := range p.Jobs[0].Starts {
		used = used || x.Printer == "P-0"
	}
	for _, x := range p.Tasks {
		if x.Task == "wash" && x.Printer != "P-0" {
			t.Errorf("%s is washed for nothing: %s", x.Plate, x.Because)
		}
	}
	if !used || !slices.Contains(tasksOf(p, "P-0"), "wash") {
		t.Errorf("P-0 starts: %v, prepared by %v", used, tasksOf(p, "P-0"))
	}
}
