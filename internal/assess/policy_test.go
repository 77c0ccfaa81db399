package assess_test

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/upkeep"
)

// What policies ask for stands in the answers, with the reason, by both ways of
// answering for one printer, and only while they are in force.
func TestPoliciesAskInEveryAnswer(t *testing.T) {
	s := open(t)
	now := time.Date(2026, 4, 6, 10, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now })
	importFolder(t, s, sampleDir)
	kept := assess.New(s)
	before := dueOf(t, kept, assess.AsOf{At: now}, "").JSON()
	if bytes.Contains(before, []byte("policy")) {
		t.Fatalf("a policy asks where there is none: %s", before)
	}
	send(t, s, now, `{"kind":"policy","id":"Y-1","name":"All","in_force_from":"2026-04-06T09:00:00Z","clean_prints":1,"probe_hours":1,"probe_after_swap":"yes","reason":"to see them all"}`)
	all := dueOf(t, kept, assess.AsOf{At: now}, "")
	checkDue(t, all.JSON())
	byPolicy := func(u *assess.Upkeep, part string) (n int) {
		for i := range u.Items {
			if strings.Contains(u.Items[i].Sentence(), part) {
				n++
			}
		}
		return n
	}
	wipes, probes := byPolicy(all, "policy: wipe every print."), byPolicy(all, "policy: probe ")
	if wipes < 3 || probes < 3 {
		t.Fatalf("%d wipes and %d probes by policy: %s", wipes, probes, all.JSON())
	}
	printers := map[string]bool{}
	for i := range all.Items {
		printers[all.Items[i].Printer] = true
	}
	compare := func(what string) {
		t.Helper()
		for tag := range printers {
			want := dueOf(t, assess.New(s), assess.AsOf{At: now, KnownAt: now}, tag).JSON()
			if got := dueOf(t, kept, assess.AsOf{At: now}, tag).JSON(); !bytes.Equal(got, want) {
				t.Errorf("%s, %s: got %s, want %s", what, tag, got, want)
			}
		}
	}
	compare("one policy")
	if got := dueOf(t, kept, assess.AsOf{At: now.Add(-90 * time.Minute)}, "").JSON(); bytes.Contains(got, []byte("policy")) {
		t.Error("it asks before it is in force")
	}
	// A narrower one goes before it, by what it asks about, and says where it holds.
	one := all.Items[slices.IndexFunc(all.Items, func(x upkeep.Item) bool {
		return x.Plate != "" && strings.Contains(x.Sentence(), "policy: wipe")
	})]
	later := now.Add(time.Second)
	send(t, s, later, `{"kind":"policy","id":"Y-2","name":"`+one.Plate+`","in_force_from":"2026-04-06T09:30:00Z","plate":"`+one.Plate+`","clean_prints":900,"reason":"never greasy"}`)
	if got := dueOf(t, kept, assess.AsOf{At: later}, one.Printer); byPolicy(got, "policy: wipe") != 0 {
		t.Errorf("the plate's own policy does not go before: %s", got.JSON())
	}
	if got := dueOf(t, kept, assess.AsOf{At: later, KnownAt: now}, one.Printer); byPolicy(got, "policy: wipe") != 1 {
		t.Errorf("what arrived later counts: %s", got.JSON())
	}
	now = later
	compare("two policies")
	send(t, s, now, `{"kind":"policy","id":"Y-3","name":"All","in_force_from":"2026-04-06T09:40:00Z","ended":"yes","reason":"enough"}`)
	if got := dueOf(t, kept, assess.AsOf{At: now}, "").JSON(); !bytes.Equal(bytes.ReplaceAll(got, []byte("10:00:01Z"), []byte("10:00:00Z")), before) {
		t.Errorf("ended, yet got %s", got)
	}
}

func TestPoliciesBySurfaceJobAndTemperature(t *testing.T) {
	s := open(t)
	now := time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now })
	bundle{
		"printers.csv":  "printer,bed_x_mm,bed_y_mm\nR-1,220,220\nR-2,220,220\n",
		"plates.csv":    "plate,surface\nT-1,glass\nT-2,pei_smooth\n",
		"materials.csv": "material,bed_temp_c\nPLA,55\nPETG,80\n",
		"jobs.csv":      "job,plates_needed\nBig,40\nSmall,2\n",
		"probes.csv":    "probe,printer,probed_at,bed_temp_c\nM-1,R-1,2026-03-10T08:00:00Z,55\nM-2,R-2,2026-03-10T08:00:00Z,55\n",
		"services.csv":  "service,printer,done_at,work\nV-1,R-2,2026-03-10T11:00:00Z,moved\n",
		"first_layers.csv": "first_layer,printer,plate,started_at,grade,material,job\n" +
			"F-1,R-1,T-1,2026-03-10T09:00:00Z,clean,PETG,Big\nF-2,R-2,T-2,2026-03-10T09:00:00Z,clean,PLA,Small\n",
		"cleanings.csv": "cleaning,plate,cleaned_at,method\nC-1,T-1,2026-03-10T07:00:00Z,wash\nC-2,T-2,2026-03-10T07:00:00Z,wash\n",
		"policies.csv": "policy,name,in_force_from,surface,job_plates_from,clean_prints,wash_prints,probe_after_temperature,probe_after_move,probe_after_service,reason\n" +
			"Y-1,Glass,2026-03-01T00:00:00Z,glass,,1,,,,,a\nY-2,Big,2026-03-01T00:00:00Z,,10,,1,,,,b\nY-3,Events,2026-03-01T00:00:00Z,,,,,yes,yes,,c\n",
	}.into(t, s)
	a := assess.New(s)
	says := func(printer string) (out []string) {
		for _, x := range dueOf(t, a, assess.AsOf{At: now}, printer).Items {
			out = append(out, string(x.Task)+": "+x.Because[len(x.Because)-1])
		}
		return out
	}
	if got, want := says("R-1"), []string{"wash: policy: wash every print (jobs of at least 10 plates)", "probe: policy: probe after a change of bed temperature"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if got, want := says("R-2"), []string{"probe: policy: probe after a move"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	at, err := a.Standing(context.Background(), now, upkeep.Place{Plate: "T-1", Surface: "glass"})
	if err != nil || at[upkeep.AsksClean] == nil || at[upkeep.AsksClean].Name != "Glass" || at[upkeep.AsksWash] != nil || at[upkeep.AsksProbe].Name != "Events" {
		t.Errorf("got %+v, %v", at, err)
	}
}
