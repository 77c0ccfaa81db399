package firstlayer_test

import (
	"math"
	"reflect"
	"strings"
	"testing"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/firstlayer"
	"basecourse/internal/intake"
)

func diagnoseFor(t *testing.T, body string, f firstlayer.Farm) firstlayer.Answer {
	t.Helper()
	c, err := intake.ParseCase([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	c.Farm = f
	a, err := firstlayer.Diagnose(c)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// What stands in the settings is what the packages take for standard, and a table
// emptied is empty.
func TestFarmOfSettings(t *testing.T) {
	f := firstlayer.FarmOf(nil, nil)
	if !reflect.DeepEqual(f.OverBonding, bed.DefaultOverBonding()) {
		t.Errorf("got %v, want %v", f.OverBonding, bed.DefaultOverBonding())
	}
	const low = `{"grade":"cosmetic","material":"PETG","marks":"A1:nozzle_low:1 B1:nozzle_low:1 C1:nozzle_low:1 A2:nozzle_low:1 B2:nozzle_low:1 C2:nozzle_low:1 A3:nozzle_low:1 B3:nozzle_low:1 C3:nozzle_low:1","context":{"surface":"SURFACE","prints_since_clean":0,"skipped_probing":false}}`
	coats := func(surface string, f firstlayer.Farm) bool {
		for _, x := range diagnoseFor(t, strings.Replace(low, "SURFACE", surface, 1), f).Advice {
			if x.Action == firstlayer.Coat {
				return true
			}
		}
		return false
	}
	ours := firstlayer.FarmOf(farm.SettingValues{"over_bonding": "PETG:garolite"}, nil)
	none := firstlayer.FarmOf(farm.SettingValues{"over_bonding": "none"}, nil)
	for _, k := range []struct {
		surface            string
		standard, own, off bool
	}{{"glass", true, false, false}, {"garolite", false, true, false}, {"pei_textured", false, false, false}} {
		if a, b, c := coats(k.surface, f), coats(k.surface, ours), coats(k.surface, none); a != k.standard || b != k.own || c != k.off {
			t.Errorf("%s: a release layer %v, %v, %v; want %v, %v, %v", k.surface, a, b, c, k.standard, k.own, k.off)
		}
	}
}

// What became of a farm's layers moves the word about the running one: little
// after few, much after many.
func TestOutcomesMoveTheWord(t *testing.T) {
	const running = `{"grade":"marginal","running":true,"z_step_mm":0.02,"marks":"MARKS"}`
	everywhere := func(mark, severity string) string {
		var out []string
		for _, z := range []string{"A1", "B1", "C1", "A2", "B2", "C2", "A3", "B3", "C3"} {
			out = append(out, z+":"+mark+":"+severity)
		}
		return strings.Replace(running, "MARKS", strings.Join(out, " "), 1)
	}
	held := func(mark string, severity uint8, held, lost, nudgedHeld, nudgedLost int) firstlayer.Farm {
		return firstlayer.Farm{Held: []firstlayer.Held{{Mark: mark, Severity: severity, Held: held, Lost: lost, NudgedHeld: nudgedHeld, NudgedLost: nudgedLost}}}
	}
	for _, k := range []struct {
		name, body string
		farm       firstlayer.Farm
		want       firstlayer.Action
		words      string
	}{
		{"dragged, nothing known", everywhere("dragged", "2"), firstlayer.Farm{}, firstlayer.Stop, "likely does not hold"},
		{"one that held says little", everywhere("dragged", "2"), held("dragged", 2, 1, 0, 0, 0), firstlayer.Stop, "may hold"},
		{"forty that held", everywhere("dragged", "2"), held("dragged", 2, 40, 1, 0, 0), firstlayer.LetRun, "likely holds"},
		{"of another severity", everywhere("dragged", "2"), held("dragged", 3, 40, 1, 0, 0), firstlayer.Stop, "likely does not hold"},
		{"striping, nothing known", everywhere("striping", "1"), firstlayer.Farm{}, firstlayer.LetRun, "likely holds"},
		{"striping lost forty times", everywhere("striping", "1"), held("striping", 1, 1, 40, 0, 0), firstlayer.Stop, "likely does not hold"},
		{"low, nothing known", everywhere("nozzle_low", "2"), firstlayer.Farm{}, firstlayer.Nudge, "Nudge one step"},
		{"low, nudges lost the print", everywhere("nozzle_low", "2"), held("nozzle_low", 2, 20, 1, 1, 30), firstlayer.LetRun, "likely holds"},
	} {
		x := diagnoseFor(t, k.body, k.farm).Advice[0]
		if x.Action != k.want || !strings.Contains(x.Do, k.words) {
			t.Errorf("%s: %s, %q; want %s, %q", k.name, x.Action, x.Do, k.want, k.words)
		}
	}
}

// A mesh that leans speaks for a lean where the layer is low where the mesh is
// high; the gap's slope has the other sign. The opposite lean says nothing.
func TestMeshSpeaksForTilt(t *testing.T) {
	const body = `{"grade":"failed","bed_x_mm":250,"bed_y_mm":210,"marks":"C1:nozzle_low:2 C2:nozzle_low:2 C3:nozzle_low:2 A1:nozzle_high:2 A2:nozzle_high:2 A3:nozzle_high:2","context":{"skipped_probing":false,"plate_swapped":false TILT}}`
	for tilt, want := range map[string]bool{
		``: false,
		`,"mesh_tilt_x_mm_per_m":1.2,"mesh_tilt_y_mm_per_m":0.1`:  true,
		`,"mesh_tilt_x_mm_per_m":-1.2,"mesh_tilt_y_mm_per_m":0.1`: false, // high where the mesh is high
		`,"mesh_tilt_x_mm_per_m":0.2,"mesh_tilt_y_mm_per_m":0`:    false, // too little to lean
		`,"mesh_tilt_x_mm_per_m":0,"mesh_tilt_y_mm_per_m":1.5`:    false, // the other way across
	} {
		a := diagnoseFor(t, strings.Replace(body, " TILT", tilt, 1), firstlayer.Farm{})
		named := a.Causes[0].Cause == firstlayer.Tilt
		for _, r := range a.Causes {
			if r.Cause == firstlayer.Tilt && !want {
				t.Errorf("%s: tilt is among the causes: %+v", tilt, r)
			}
		}
		if named != want || want && !strings.Contains(a.Causes[0].Because, "the latest mesh leans the same way") {
			t.Errorf("%s: %+v", tilt, a.Causes)
		}
	}
}

// The height book: the thick plate is the plate's, the nozzle follows it by whole
// steps, and what it has no word for is left as it was.
func TestHeightBookInTheAdvice(t *testing.T) {
	const body = `{"grade":"marginal","plate":"L-203","printer":"P-014","z_step_mm":0.01,"marks":"A1:nozzle_low:2 B1:nozzle_low:2 C1:nozzle_low:2 A2:nozzle_low:2 B2:nozzle_low:2 C2:nozzle_low:2 A3:nozzle_low:2 B3:nozzle_low:2 C3:nozzle_low:2","context":{"skipped_probing":false,"plate_swapped":false,"surface":"pei_textured" BOOK}}`
	with := func(book string) firstlayer.Answer {
		return diagnoseFor(t, strings.Replace(body, " BOOK", book, 1), firstlayer.Farm{})
	}
	a := with(`,"pair_move_mm":0.032,"pair_move_low":0.02,"pair_move_high":0.044,"plate_thicker_mm":0.03,"plate_thicker_low":0.02,"plate_thicker_high":0.04,"plate_thicker_than":"L-117"`)
	if a.Causes[0].Cause != firstlayer.PlateHeight || len(a.Advice) != 1 || a.Advice[0].Action != firstlayer.MoveNozzle || a.Advice[0].MoveMM != 0.03 ||
		!strings.HasPrefix(a.Advice[0].Do, "L-203 is 0.03\u202fmm thicker than L-117 by the height book. Nozzle up 0.03\u202fmm") {
		t.Errorf("%+v\n%+v", a.Causes, a.Advice)
	}
	plain, same := with(""), with(`,"plate_thicker_mm":0.001,"plate_thicker_low":-0.01,"plate_thicker_high":0.012`)
	chance := func(a firstlayer.Answer, c firstlayer.Cause) float64 {
		for _, r := range a.Causes {
			if r.Cause == c {
				return r.Chance
			}
		}
		return 0
	}
	if plain.Causes[0].Cause != firstlayer.NozzleLow || chance(same, firstlayer.PlateHeight) >= chance(plain, firstlayer.PlateHeight) || strings.Contains(plain.Advice[0].Do, "height book") {
		t.Errorf("without: %+v; as thick as others: %+v", plain.Causes, same.Causes)
	}
	for book, why := range map[string]string{
		`,"pair_move_mm":0.01,"pair_move_low":-0.02,"pair_move_high":0.04`:   "the book cannot tell the direction",
		`,"pair_move_mm":-0.04,"pair_move_low":-0.05,"pair_move_high":-0.03`: "the book has it too high, the layer is low",
	} {
		for _, x := range with(book).Advice {
			if x.MoveMM < 0 || strings.Contains(x.Do, "height book") && math.Abs(x.MoveMM) > 0 {
				t.Errorf("%s: %+v", why, x)
			}
		}
	}
	if _, err := intake.ParseCase([]byte(`{"context":{"pair_move_mm":0.03}}`)); err == nil {
		t.Error("a move without its interval is taken")
	}
}
