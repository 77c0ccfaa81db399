package assess_test

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/store"
)

func planOf(t *testing.T, s *store.Store, at time.Time) *assess.Plan {
	t.Helper()
	p, err := assess.New(s).Plan(context.Background(), assess.AsOf{At: at}, assess.Confidence)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// planFarm is three printers, one held, one without a plate; a spare plate; one
// shift of a person from 8 to 16.
func planFarm() bundle {
	b := bundle{
		"printers.csv":  "printer,bay,bed_x_mm,bed_y_mm\nP-1,A,250,250\nP-2,A,250,250\nP-3,B,250,250\n",
		"plates.csv":    "plate,surface,size_x_mm,size_y_mm\nL-1,glass,250,250\nL-2,glass,250,250\nL-3,glass,400,400\nL-4,glass,250,250\n",
		"people.csv":    "person\nines\n",
		"fittings.csv":  "fitting,plate,printer,fitted_at\nF-1,L-1,P-1,2026-03-01T08:00:00Z\nF-2,L-2,P-2,2026-03-01T08:00:00Z\n",
		"holds.csv":     "hold,subject_kind,subject,placed_at,reason\nH-1,printer,P-2,2026-03-08T08:00:00Z,hot end\n",
		"shifts.csv":    "shift,person,starts_at,ends_at\nS-1,ines,2026-03-09T08:00:00Z,2026-03-09T16:00:00Z\nS-2,ines,2026-03-10T08:00:00Z,2026-03-10T16:00:00Z\n",
		"jobs.csv":      "job,plates_needed,hours_per_plate,due,late_fee_per_hour,closed_at\nJ-1,3,2,2026-03-09T18:00:00Z,5,\nJ-2,1,,,,\nJ-3,2,1,,,2026-03-08T00:00:00Z\nJ-4,1,3,2026-03-09T09:00:00Z,4,\n",
		"cleanings.csv": "cleaning,plate,cleaned_at,method\nC-1,L-1,2026-03-01T07:00:00Z,wipe\n",
		"probes.csv":    "probe,printer,probed_at\nPR-1,P-1,2026-03-01T07:30:00Z\nPR-3,P-3,2026-03-01T07:30:00Z\n",
	}
	layers := []string{"first_layer,printer,started_at,grade,graded_at,job"}
	for i := range 40 {
		at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).Add(time.Duration(i) * 3 * time.Hour)
		grade := "clean"
		if i%8 == 7 {
			grade = "failed"
		}
		layers = append(layers, fmt.Sprintf("X-%d,P-%d,%s,%s,%s,", i, 1+i%3, at.Format(time.RFC3339), grade, at.Add(20*time.Minute).Format(time.RFC3339)))
	}
	layers = append(layers, "Y-1,P-1,2026-03-08T10:00:00Z,clean,2026-03-08T10:20:00Z,J-1")
	b["first_layers.csv"] = strings.Join(layers, "\n") + "\n"
	return b
}

func TestPlanKeepsToTheFarm(t *testing.T) {
	s := open(t)
	planFarm().into(t, s)
	at := time.Date(2026, 3, 9, 7, 0, 0, 0, time.UTC)
	p := planOf(t, s, at)
	jobs := map[string]assess.PlannedJob{}
	for _, j := range p.Jobs {
		jobs[j.Job] = j
	}
	if len(jobs) != 3 || jobs["J-2"].Cannot == "" || len(jobs["J-2"].Starts) != 0 {
		t.Fatalf("%+v", jobs)
	}
	j := jobs["J-1"]
	if j.Needed != 3 || j.Start < 2 || len(j.Starts) != j.Start || j.Enough < 0.95 || j.Late != 0 || j.Cannot != "" {
		t.Errorf("%+v", j)
	}
	// Nobody is there before 8, so three hours end two hours after 9.
	if j := jobs["J-4"]; j.Late < 120 || !strings.Contains(j.Cannot, "due") {
		t.Errorf("%+v", j)
	}
	swapped := false
	for _, j := range p.Jobs {
		for _, x := range j.Starts {
			h := x.At.Hour()
			if x.Printer == "P-2" || h < 8 || h >= 16 || x.Plate == "L-3" || x.PFail <= 0 || x.PFail >= 1 {
				t.Errorf("%s: %+v", j.Job, x)
			}
			if x.Printer == "P-3" {
				swapped = true
			}
		}
	}
	if swapped && !slices.ContainsFunc(p.Tasks, func(x assess.PlannedTask) bool {
		return x.Task == "swap_plate" && x.Printer == "P-3" && x.Plate == "L-4" && x.Person == "ines"
	}) {
		t.Errorf("P-3 starts and no plate is put on: %+v", p.Tasks)
	}
	if p.Cost < p.Bound-1e-9 || p.Bound <= 0 {
		t.Errorf("cost %g, bound %g", p.Cost, p.Bound)
	}
	answer := p.JSON()
	keys, top := keysOf(t, answer)
	if !slices.Equal(keys, []string{"as_of", "jobs", "tasks", "cost", "bound", "gap"}) {
		t.Errorf("keys %v", keys)
	}
	var list []json.RawMessage
	if err := json.Unmarshal(top["jobs"], &list); err != nil {
		t.Fatal(err)
	}
	if keys, _ := keysOf(t, list[0]); !slices.Equal(keys, []string{"job", "needed", "start", "p_enough", "starts", "late_minutes", "cannot"}) {
		t.Errorf("keys of a job %v", keys)
	}
	if string(planOf(t, s, at).JSON()) != string(answer) {
		t.Error("the same question has two answers")
	}
	// The good one of J-1 counts from its grading on.
	if q := planOf(t, s, time.Date(2026, 3, 8, 9, 0, 0, 0, time.UTC)); q.Jobs[0].Start < 3 {
		t.Errorf("before: %+v", q.Jobs[0])
	}
}

func TestPlanWithNothingToDo(t *testing.T) {
	s := open(t)
	if got := string(planOf(t, s, time.Date(2026, 3, 9, 7, 0, 0, 0, time.UTC)).JSON()); got != `{"as_of":"2026-03-09T07:00:00Z","jobs":[],"tasks":[],"cost":0,"bound":0,"gap":null}`+"\n" {
		t.Error(got)
	}
}
