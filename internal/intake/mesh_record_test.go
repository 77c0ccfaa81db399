package intake

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"basecourse/internal/farm"
)

func TestAProbeTakesItsMeshAsText(t *testing.T) {
	record := func(more map[string]any) Item {
		r := map[string]any{"kind": "probe", "id": "M-1", "printer": "P-001", "probed_at": "2026-03-11T19:42:59Z"}
		for k, v := range more {
			r[k] = v
		}
		raw, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		return ParseRecord(raw, "/records/0", now)
	}
	const plainText = "0.1 0.2\n0.3 n/a\n"
	item := record(map[string]any{"mesh_text": plainText, "first_row": "back"})
	if item.Err != nil {
		t.Fatal(item.Err)
	}
	p := item.Rec.(*farm.Probe)
	if fmt.Sprint(p.HeightsMM, p.Columns, p.Rows) != "[0.3 NaN 0.1 0.2] 2 2" || strings.Join(item.Fields, " ") != "printer probed_at columns rows heights_mm" {
		t.Errorf("%v %v", p.HeightsMM, item.Fields)
	}
	item = record(map[string]any{"mesh_text": "x,y,z\n10,20,0.1\n210,20,0.2\n10,180,0.3\n210,180,0.4"})
	if item.Err != nil {
		t.Fatal(item.Err)
	}
	if p = item.Rec.(*farm.Probe); p.XMaxMM != 210 || p.YMinMM != 20 || p.Columns != 2 {
		t.Errorf("%+v", p)
	}
	for want, more := range map[string]map[string]any{
		`/records/0/first_row: found nothing`: {"mesh_text": plainText},
		`/records/0/first_row: found "left"`:  {"mesh_text": plainText, "first_row": "left"},
		`(line 2, character 4 of the text)`:   {"mesh_text": "0.1 0.2\n0.3", "first_row": "front"},
		`either the text or the grid`:         {"mesh_text": plainText, "first_row": "front", "columns": 2},
		`mesh_text beside it`:                 {"first_row": "front"},
		`a string`:                            {"mesh_text": 7},
		`positions that do not lie evenly`:    {"mesh_text": "x,y,z\n10,20,0.1\n50,20,0.2\n210,20,0.2\n10,180,0.3\n50,180,0.3\n210,180,0.4"},
		`positions once`:                      {"mesh_text": "x,y,z\n10,20,0.1\n210,20,0.2\n10,180,0.3\n210,180,0.4", "x_min_mm": 3},
		`at most 200 columns`:                 {"mesh_text": strings.Repeat(strings.Repeat("0.1 ", 201)+"\n", 2), "first_row": "front"},
	} {
		if item := record(more); item.Err == nil || !strings.Contains(item.Err.Error(), want) {
			t.Errorf("%v does not say %q", item.Err, want)
		}
	}
}
