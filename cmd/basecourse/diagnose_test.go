package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/testdb"
)

const lowLayer = `{"first_layer":"F-1","printer":"P-014","plate":"L-203","started_at":"2026-03-11T09:00:00Z","grade":"marginal","marks":[{"zone":"A1","mark":"nozzle_low","severity":2}],
"readings":"A1=0.14 B1=0.14 C1=0.15 A2=0.14 B2=0.14 C2=0.15 A3=0.14 B3=0.15 C3=0.14","bed_x_mm":250,"bed_y_mm":250,"zone_cols":3,"zone_rows":3,"z_step_mm":0.02,"running":true,
"context":{"skipped_probing":false,"plate_swapped":null,"prints_since_clean":2,"earlier":[{"same_printer":true,"same_plate":true,"grade":"clean","advised":"leave","done":true}]}}`

func TestDiagnoseAnswers(t *testing.T) {
	r := call(t, nil, lowLayer, "diagnose", "--format", "json")
	wantCode(t, r, 0)
	var got struct {
		Causes []map[string]string
		Advice []struct {
			Action, Do string
			Move       *float64 `json:"nozzle_move_mm"`
			Low        *float64 `json:"nozzle_move_low"`
			High       *float64 `json:"nozzle_move_high"`
			Safety     *string
		}
		Estimate map[string]float64
	}
	if err := json.Unmarshal([]byte(r.stdout), &got); err != nil {
		t.Fatal(err)
	}
	if c := got.Causes[0]; c["cause"] != "nozzle_low" || c["sure"] != "clear" && c["sure"] != "likely" || c["because"] == "" || len(c) != 4 {
		t.Errorf("causes %v", got.Causes)
	}
	if len(got.Advice) != 2 || got.Advice[0].Action != "nudge" || *got.Advice[0].Move != 0.02 || got.Advice[1].Action != "move_nozzle" || *got.Advice[1].Move != 0.04 && *got.Advice[1].Move != 0.06 {
		t.Errorf("advice %s", r.stdout)
	}
	if e := got.Estimate; e["offset_mm"] > -0.05 || e["offset_low"] > e["offset_mm"] || e["offset_high"] < e["offset_mm"] || len(e) != 5 {
		t.Errorf("estimate %v", e)
	}
	r = call(t, nil, lowLayer, "diagnose")
	wantCode(t, r, 0)
	for _, want := range []string{"Caution: Hands clear", "1. Nudge one step: nozzle up 0.02", "How sure: ", "nozzle low ("} {
		if !strings.Contains(r.stdout, want) {
			t.Errorf("lacks %q:\n%s", want, r.stdout)
		}
	}
	r = call(t, nil, "{}", "diagnose", "--format", "json")
	wantCode(t, r, 0)
	if !strings.Contains(r.stdout, `"cause": "cannot_tell"`) || !strings.Contains(r.stdout, `"estimate": null`) {
		t.Errorf("of nothing: %s", r.stdout)
	}
}

func TestDiagnoseRefuses(t *testing.T) {
	for _, c := range []struct {
		text string
		args []string
		code int
		says string
	}{
		{"", nil, 1, "one JSON object"},
		{"[]", nil, 1, "one JSON object"},
		{`{"colour":1}`, nil, 1, "/colour"},
		{`{"marks":"D1:blobs:1"}`, nil, 1, "/marks"},
		{`{"marks":"A1:lumps:1"}`, nil, 1, "/marks"},
		{`{"zone_cols":12}`, nil, 1, "/zone_cols"},
		{`{"layer_height_mm":0.5,"line_width_mm":0.3}`, nil, 1, "/line_width_mm"},
		{`{"context":{"surface":"wood"}}`, nil, 1, "/context/surface"},
		{`{"context":{"earlier":[{},{"same_plate":1}]}}`, nil, 1, "/context/earlier/1/same_plate"},
		{`{"context":{"earlier":[{"advised":"pray"}]}}`, nil, 1, "/context/earlier/0/advised"},
		{`{"running":"yes"}`, nil, 1, "/running"},
		{`{}`, []string{"--format", "xml"}, 2, "format"},
		{`{}`, []string{"more"}, 2, ""},
	} {
		r := call(t, nil, c.text, append([]string{"diagnose"}, c.args...)...)
		wantCode(t, r, c.code)
		if !strings.Contains(r.stderr, c.says) || r.stdout != "" {
			t.Errorf("%s: %s%s", c.text, r.stderr, r.stdout)
		}
	}
}

// The whole test set goes through the command as it stands in its files.
func TestDiagnoseTakesTheTestSet(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "diagnosis", "simfarm.json"))
	if err != nil {
		t.Fatal(err)
	}
	var list []struct{ Input json.RawMessage }
	if err := json.Unmarshal(text, &list); err != nil {
		t.Fatal(err)
	}
	for _, k := range list {
		wantCode(t, call(t, nil, string(k.Input), "diagnose", "--format", "json"), 0)
	}
}

// With --farm the farm's own table and cautions are in force, without it the
// standard ones.
func TestDiagnoseByTheFarm(t *testing.T) {
	env := []string{"DATABASE_URL=" + testdb.New(t)}
	if r := call(t, env, "", "import", "../../testdata/bundles/everything"); r.code != 0 {
		t.Fatalf("import: %d %s", r.code, r.stderr)
	}
	const asa = `{"grade":"marginal","material":"ASA","marks":"A1:nozzle_low:2 B1:nozzle_low:2 C1:nozzle_low:2 A2:nozzle_low:2 B2:nozzle_low:2 C2:nozzle_low:2 A3:nozzle_low:2 B3:nozzle_low:2 C3:nozzle_low:2","context":{"surface":"garolite","prints_since_clean":0}}`
	r := call(t, env, asa, "diagnose", "--farm")
	wantCode(t, r, 0)
	if !strings.Contains(r.stdout, "Put a release layer on the plate") || !strings.Contains(r.stdout, "Caution: Ask the lead: the chamber stays hot, even when it looks dark. Local rules and") {
		t.Errorf("by the farm:\n%s", r.stdout)
	}
	r = call(t, env, asa, "diagnose")
	wantCode(t, r, 0)
	if strings.Contains(r.stdout, "release layer") || strings.Contains(r.stdout, "Ask the lead") {
		t.Errorf("without the farm:\n%s", r.stdout)
	}
}
