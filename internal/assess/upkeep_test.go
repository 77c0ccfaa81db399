package assess_test

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/upkeep"
)

var dueKeys = []string{"task", "subject_kind", "subject", "printer", "plate", "due_at", "because", "person_minutes", "machine_minutes", "saves", "saves_low", "saves_high", "by_lot"}

func dueOf(t testing.TB, a *assess.Assessor, q assess.AsOf, printer string) *assess.Upkeep {
	t.Helper()
	u, err := a.Upkeep(context.Background(), q, printer)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// checkDue holds an answer against the form of data-contract.md section 5.
func checkDue(t *testing.T, answer []byte) {
	t.Helper()
	keys, top := keysOf(t, answer)
	if !slices.Equal(keys, []string{"as_of", "items"}) {
		t.Errorf("keys: got %v", keys)
	}
	var list []json.RawMessage
	if err := json.Unmarshal(top["items"], &list); err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, raw := range list {
		keys, values := keysOf(t, raw)
		if !slices.Equal(keys, dueKeys) {
			t.Fatalf("keys of an item: got %v, want %v", keys, dueKeys)
		}
		what := string(values["task"]) + string(values["subject_kind"]) + string(values["subject"])
		if seen[what] {
			t.Errorf("%s is due twice", what)
		}
		seen[what] = true
		var saves, low, high float64
		for key, to := range map[string]*float64{"saves": &saves, "saves_low": &low, "saves_high": &high} {
			if err := json.Unmarshal(values[key], to); err != nil {
				t.Fatalf("%s of %s: %v", key, what, err)
			}
		}
		if low > saves || saves > high {
			t.Errorf("%s saves %g (%g to %g)", what, saves, low, high)
		}
		if string(values["because"]) == `""` {
			t.Errorf("%s: no reason", what)
		}
	}
}

// A printer's answer as of now, by its own records and the kept model, is that of
// a reading of the whole farm, to the byte.
func TestAPrintersOwnRecordsTellWhatTheWholeFarmDoes(t *testing.T) {
	s := open(t)
	now := time.Date(2026, 4, 6, 10, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now })
	importFolder(t, s, sampleDir)
	kept := assess.New(s)
	all := dueOf(t, kept, assess.AsOf{At: now}, "")
	checkDue(t, all.JSON())
	if len(all.Items) == 0 {
		t.Fatal("nothing is due on the sample farm")
	}
	printers := map[string]bool{}
	for _, r := range risks(t, kept, assess.AsOf{At: now}).Items {
		printers[r.Printer] = true
	}
	compare := func(what string) {
		t.Helper()
		whole := assess.New(s)
		for tag := range printers {
			// What is asked as of a time known is never answered by the printer alone.
			want := dueOf(t, whole, assess.AsOf{At: now, KnownAt: now}, tag).JSON()
			if got := dueOf(t, kept, assess.AsOf{At: now}, tag).JSON(); !bytes.Equal(got, want) {
				t.Errorf("%s, %s: got %s, want %s", what, tag, got, want)
			}
		}
	}
	compare("as imported")
	// What is recorded counts at once, without another reading of the farm.
	x := all.Items[0]
	runs, _, _, _ := kept.Work()
	send(t, s, now, `{"kind":"probe","id":"now","printer":"`+x.Printer+`","probed_at":"2026-04-06T09:58:00Z"}`)
	if x.Plate != "" {
		send(t, s, now, `{"kind":"cleaning","id":"now","plate":"`+x.Plate+`","cleaned_at":"2026-04-06T09:57:00Z","method":"wash"}`)
	}
	if got := dueOf(t, kept, assess.AsOf{At: now}, x.Printer); len(got.Items) != 0 {
		t.Errorf("%s just washed and probed for: still due: %s", x.Printer, got.JSON())
	}
	if again, _, _, _ := kept.Work(); again != runs {
		t.Error("the whole farm was read again")
	}
	if list := dueOf(t, kept, assess.AsOf{At: now}, ""); slices.ContainsFunc(list.Items, func(i upkeep.Item) bool { return i.Printer == x.Printer }) {
		t.Errorf("%s is still on the list", x.Printer)
	}
	compare("after a probe and a wash")
	if _, err := kept.Upkeep(context.Background(), assess.AsOf{At: now}, "nobody"); err == nil {
		t.Error("a printer nobody knows: no refusal")
	}
}

func TestUpkeepOfAnEmptyFarm(t *testing.T) {
	s := open(t)
	u := dueOf(t, assess.New(s), assess.AsOf{At: time.Date(2026, 3, 20, 15, 0, 0, 0, time.UTC)}, "")
	if got, want := string(u.JSON()), `{"as_of":"2026-03-20T15:00:00Z","items":[]}`+"\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// Holds, plates that are away and what was left out decide beside the counts, the same
// both ways, and by what was known.
func TestWhatIsDueGoesByHowThingsStand(t *testing.T) {
	s := open(t)
	now := time.Date(2026, 4, 6, 10, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now.Add(-time.Hour) })
	importFolder(t, s, sampleDir)
	s.SetClock(func() time.Time { return now })
	kept := assess.New(s)
	at := func(minutes int) string { return now.Add(time.Duration(minutes) * time.Minute).Format(time.RFC3339) }
	var x upkeep.Item // a cleaning that is due
	for _, i := range dueOf(t, kept, assess.AsOf{At: now}, "").Items {
		if i.Task == upkeep.Wipe {
			x = i
			break
		}
	}
	if x.Plate == "" {
		t.Fatal("no plate is due for cleaning on the sample farm")
	}
	tasks := func(q assess.AsOf) string {
		t.Helper()
		alone := dueOf(t, kept, q, x.Printer)
		checkDue(t, alone.JSON())
		var list []string
		for _, i := range alone.Items {
			list = append(list, string(i.Task))
		}
		if q.KnownAt.IsZero() && !slices.Contains(list, "wipe") {
			if whole := dueOf(t, assess.New(s), assess.AsOf{At: q.At, KnownAt: now.Add(time.Hour)}, x.Printer); !bytes.Equal(alone.JSON(), whole.JSON()) {
				t.Errorf("by its own records %s, by all %s", alone.JSON(), whole.JSON())
			}
		}
		return strings.Join(list, " ")
	}
	usual := tasks(assess.AsOf{At: now})
	if !strings.Contains(usual, "wipe") {
		t.Fatalf("%s: %s", x.Printer, usual)
	}
	without := strings.TrimSpace(strings.Replace(usual, "wipe", "", 1))
	expect := func(what, want string) {
		t.Helper()
		if got := tasks(assess.AsOf{At: now}); got != want {
			t.Errorf("%s: %q is due, want %q", what, got, want)
		}
	}
	early := now.Add(-3 * time.Minute)
	send(t, s, now, `{"kind":"task_skipped","id":"left","printer":"`+x.Printer+`","plate":"`+x.Plate+`","task":"wipe","at":"`+at(-2)+`","reason":"trusted"}`)
	expect("the wipe left out", without)
	if got := tasks(assess.AsOf{At: now, KnownAt: early}); got != usual {
		t.Errorf("as was known before: %q is due, want %q", got, usual)
	}
	send(t, s, now, `{"kind":"void","record":"left","voided_at":"`+at(0)+`","void_reason":"wrong"}`)
	expect("the word taken back", usual)
	send(t, s, now, `{"kind":"hold","id":"plate","subject_kind":"plate","subject":"`+x.Plate+`","placed_at":"`+at(-1)+`","reason":"Bent tab."}`)
	expect("its plate on hold", strings.TrimSpace("swap_plate "+without))
	send(t, s, now, `{"kind":"hold","id":"plate","subject_kind":"plate","subject":"`+x.Plate+`","placed_at":"`+at(-1)+`","released_at":"`+at(0)+`"}`)
	expect("released", usual)
	send(t, s, now, `{"kind":"plate_state","id":"wash","plate":"`+x.Plate+`","at":"`+at(-1)+`","state":"in_wash"}`)
	expect("its plate in wash", without)
	send(t, s, now, `{"kind":"plate_state","id":"back","plate":"`+x.Plate+`","at":"`+at(0)+`","state":"in_use"}`)
	expect("back", usual)
	send(t, s, now, `{"kind":"hold","id":"printer","subject_kind":"printer","subject":"`+x.Printer+`","placed_at":"`+at(-1)+`","reason":"cable worn"}`)
	expect("the printer on hold", "check")
	if list := dueOf(t, kept, assess.AsOf{At: now}, "").Items; slices.ContainsFunc(list, func(i upkeep.Item) bool { return i.Printer == x.Printer }) {
		t.Error("a printer on hold is on the list")
	}
	send(t, s, now, `{"kind":"hold","id":"printer","subject_kind":"printer","subject":"`+x.Printer+`","placed_at":"`+at(-1)+`","released_at":"`+at(0)+`"}`)
	send(t, s, now, `{"kind":"task_skipped","id":"again","printer":"`+x.Printer+`","task":"wipe","at":"`+at(-2)+`","reason":"hurry"}`)
	send(t, s, now, `{"kind":"first_layer","id":"next","printer":"`+x.Printer+`","plate":"`+x.Plate+`","started_at":"`+at(-1)+`"}`)
	if got := tasks(assess.AsOf{At: now}); !strings.Contains(got, "wipe") {
		t.Errorf("after the next start: %q is due, want the wipe again", got)
	}
}
