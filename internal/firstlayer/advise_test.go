package firstlayer_test

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/firstlayer"
	"basecourse/internal/intake"
)

func diagnose(t testing.TB, text string) firstlayer.Answer {
	t.Helper()
	c, err := intake.ParseCase([]byte(text))
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	a, err := firstlayer.Diagnose(c)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return a
}

func everywhere(mark, severity string) string {
	var out []string
	for _, z := range strings.Fields("A1 B1 C1 A2 B2 C2 A3 B3 C3") {
		out = append(out, z+":"+mark+":"+severity)
	}
	return strings.Join(out, " ")
}

func actionsOf(a firstlayer.Answer) []firstlayer.Action {
	var out []firstlayer.Action
	for _, x := range a.Advice {
		out = append(out, x.Action)
	}
	return out
}

// TestAdvice holds the order and the rules of advice that issue and trade notes
// give (common practice, no source).
func TestAdvice(t *testing.T) {
	fresh := `"skipped_probing":false,"plate_swapped":false,"serviced":false,"prints_since_probe":0`
	for _, k := range []struct{ name, in, want string }{
		{"high on a greasy plate is washed, never lowered", `{"grade":"failed","marks":"` + everywhere("nozzle_high", "2") + ` A1:contamination:2 B1:contamination:2","context":{` + fresh + `,"prints_since_clean":20}}`, "swap_plate wash"},
		{"contamination alone is cosmetic", `{"grade":"cosmetic","marks":"A1:contamination:1","context":{` + fresh + `,"underside":"hidden"}}`, "leave"},
		{"unless the underside shows", `{"grade":"cosmetic","marks":"A1:contamination:1","context":{` + fresh + `,"underside":"shown"}}`, "swap_plate wipe"},
		{"high and low zones together: probe again", `{"grade":"failed","marks":"A1:nozzle_low:2 A2:nozzle_low:2 C1:nozzle_high:2 C2:nozzle_high:2","context":{"skipped_probing":true}}`, "probe"},
		{"over-bonding asks for a release layer", `{"grade":"failed","material":"PETG","marks":"B2:plate_mark:2 A2:plate_mark:2 B2:other:2","context":{` + fresh + `,"surface":"pei_smooth","prints_since_clean":0}}`, "coat set_plate_aside"},
		{"slightly low grows out", `{"grade":"cosmetic","marks":"` + everywhere("nozzle_low", "1") + `","context":{` + fresh + `}}`, "leave"},
		{"a stale probe comes before Z", `{"grade":"failed","marks":"` + everywhere("nozzle_low", "3") + `","context":{"skipped_probing":true}}`, "probe move_nozzle"},
		{"striping is kept apart", `{"grade":"cosmetic","marks":"` + everywhere("striping", "1") + `"}`, "investigate"},
		{"grip before moisture, and the free-air test", `{"grade":"failed","marks":"A1:blobs:2 B2:dragged:2"}`, "swap_plate probe check_feed"},
		{"third time: something else", `{"grade":"failed","marks":"A1:contamination:2 A1:blobs:2","context":{` + fresh + `,"prints_since_clean":15,"earlier":[{"same_plate":true,"advised":"swap_plate wash","done":true},{"same_plate":true,"advised":["swap_plate","wash"]}]}}`, "investigate set_plate_aside"},
		{"no plate at hand", `{"grade":"failed","marks":"A1:contamination:2 A1:blobs:2","context":{"washed_plate_at_hand":false}}`, "wash"},
		{"clean", `{"grade":"clean"}`, "leave"},
		{"running and failed", `{"grade":"failed","running":true,"marks":"B2:no_start:3"}`, "stop check_feed"},
		{"running, high, not dirty", `{"grade":"marginal","running":true,"marks":"` + everywhere("nozzle_high", "2") + `","context":{` + fresh + `,"prints_since_clean":1}}`, "nudge move_nozzle"},
		{"running, a little greasy", `{"grade":"cosmetic","running":true,"marks":"A1:contamination:1"}`, "let_run leave"},
		{"running, dragged strongly", `{"grade":"marginal","running":true,"marks":"` + everywhere("dragged", "3") + `"}`, "stop swap_plate probe check_feed"},
	} {
		got := []string{}
		a := diagnose(t, k.in)
		for _, x := range actionsOf(a) {
			got = append(got, string(x))
		}
		if s := strings.Join(got, " "); s != k.want {
			t.Errorf("%s: %s, want %s (%s %.2f)", k.name, s, k.want, a.Causes[0].Cause, a.Causes[0].Chance)
		}
	}
}

// TestAdviceIsSound looks at every case of the test set, running and not, with
// several Z steps: what must hold whatever the layer.
func TestAdviceIsSound(t *testing.T) {
	order := []firstlayer.Action{firstlayer.SwapPlate, firstlayer.Wipe, firstlayer.Wash, firstlayer.Soak, firstlayer.Probe, firstlayer.Tram, firstlayer.MoveNozzle, firstlayer.CheckFeed}
	hot := []firstlayer.Action{firstlayer.SwapPlate, firstlayer.Wipe, firstlayer.Wash, firstlayer.Coat, firstlayer.Probe, firstlayer.Tram, firstlayer.MoveNozzle, firstlayer.Nudge, firstlayer.TurnPlate}
	for _, k := range readCases(t) {
		for _, step := range []float64{0.01, 0.025, 0.05} {
			for _, running := range []bool{false, true} {
				c, err := intake.ParseCase(k.Input)
				if err != nil {
					t.Fatal(err)
				}
				c.ZStepMM, c.Running = step, running
				a, err := firstlayer.Diagnose(c)
				if err != nil {
					t.Fatal(err)
				}
				if len(a.Causes) == 0 || len(a.Advice) == 0 || a.WouldChange == "" || a.Because == "" {
					t.Errorf("%s: nothing said: %+v", k.Name, a)
				}
				if n := len(strings.Fields(a.Because)); n > 20 {
					t.Errorf("%s: because has %d words: %s", k.Name, n, a.Because)
				}
				last := -1
				washes := false
				for i, x := range a.Advice {
					now := x.Action == firstlayer.LetRun || x.Action == firstlayer.Nudge || x.Action == firstlayer.Stop
					if now != (running && i == 0) {
						t.Errorf("%s: %s stands at %d", k.Name, x.Action, i)
					}
					if at := slices.Index(order, x.Action); at >= 0 {
						if at < last {
							t.Errorf("%s: %s comes too late", k.Name, x.Action)
						}
						last = at
					}
					washes = washes || x.Action == firstlayer.Wash || x.Action == firstlayer.Wipe
					if x.Action == firstlayer.MoveNozzle || x.Action == firstlayer.Nudge {
						if r := x.MoveMM / step; math.Abs(r-math.Round(r)) > 1e-6 || r == 0 {
							t.Errorf("%s: move %g is no multiple of %g", k.Name, x.MoveMM, step)
						}
						if word := map[bool]string{true: "ozzle up", false: "ozzle down"}[x.MoveMM > 0]; !strings.Contains(x.Do, word) {
							t.Errorf("%s: %q for %g", k.Name, x.Do, x.MoveMM)
						}
						if x.MoveMM < 0 && (washes || k.Expect == firstlayer.DirtyPlate) {
							t.Errorf("%s: the nozzle is lowered onto a dirty plate", k.Name)
						}
					} else if !math.IsNaN(x.MoveMM) {
						t.Errorf("%s: %s moves the nozzle", k.Name, x.Action)
					}
					if slices.Contains(hot, x.Action) && !strings.Contains(x.Safety, "Local rules") {
						t.Errorf("%s: %s without a caution", k.Name, x.Action)
					}
					if x.Action == firstlayer.Wipe && !strings.Contains(x.Do, "off the machine") {
						t.Errorf("%s: %s", k.Name, x.Do)
					}
				}
			}
		}
	}
}

// A farm's own counts and texts come in.
func TestFarmsOwn(t *testing.T) {
	c, err := intake.ParseCase([]byte(`{"grade":"marginal","running":true,"marks":"A1:blobs:3 B1:blobs:3 C1:blobs:3 B2:blobs:3 B3:blobs:3"}`))
	if err != nil {
		t.Fatal(err)
	}
	first := func() firstlayer.Advice {
		a, err := firstlayer.Diagnose(c)
		if err != nil {
			t.Fatal(err)
		}
		return a.Advice[0]
	}
	if x := first(); x.Action != firstlayer.Stop {
		t.Errorf("%s, want stop", x.Action)
	}
	c.Farm.Held = []firstlayer.Held{{Mark: "blobs", Severity: 3, Held: 60, Lost: 2}}
	c.Farm.Safety = map[firstlayer.Hazard]string{firstlayer.Hot: "Ask the shift lead."}
	if x := first(); x.Action != firstlayer.LetRun {
		t.Errorf("%s, want let_run after 60 of 62 held", x.Action)
	}
	a, err := firstlayer.Diagnose(c)
	if err != nil {
		t.Fatal(err)
	}
	if s := a.Advice[1].Safety; s != "Ask the shift lead. Local rules and the maker’s instructions come first." {
		t.Errorf("safety %q", s)
	}
}

func BenchmarkDiagnose(b *testing.B) {
	cases := readCases(b)
	all := make([]*firstlayer.Case, len(cases))
	for i, k := range cases {
		c, err := intake.ParseCase(k.Input)
		if err != nil {
			b.Fatal(err)
		}
		all[i] = c
	}
	for i := 0; b.Loop(); i++ {
		if _, err := firstlayer.Diagnose(all[i%len(all)]); err != nil {
			b.Fatal(err)
		}
	}
}

// FuzzCase: whatever comes in is refused with a reason or diagnosed.
func FuzzCase(f *testing.F) {
	for i, k := range readCases(f) {
		if i%9 == 0 {
			f.Add([]byte(k.Input))
		}
	}
	f.Add([]byte(`{"marks":"A1:blobs:2","context":{"earlier":[{"plate_turned":"yes","marks":"I9:debris:1"}]},"zone_cols":1,"zone_rows":1,"plate_turned":"no"}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		c, err := intake.ParseCase(body)
		if err != nil {
			return
		}
		a, err := firstlayer.Diagnose(c)
		if err != nil {
			return
		}
		sum := 0.0
		for _, r := range a.Causes {
			if r.Cause != firstlayer.CannotTell {
				sum += r.Chance
			}
		}
		if len(a.Causes) == 0 || len(a.Advice) == 0 || sum > 1+1e-9 || math.IsNaN(sum) {
			t.Errorf("%s: %+v", body, a)
		}
		for _, x := range a.Advice {
			if x.Do == "" || math.IsInf(x.MoveMM, 0) {
				t.Errorf("%s: %+v", body, x)
			}
		}
		if _, err := json.Marshal(a.Causes); err != nil {
			t.Error(err)
		}
	})
}
