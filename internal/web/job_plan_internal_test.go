package web

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

func TestStartsComeAsRuns(t *testing.T) {
	start := func(printer, plate string, hour int, fails, low, high float64) string {
		return fmt.Sprintf(`{"printer":%q,"plate":%q,"starts_at":"2026-03-09T%02d:00:00Z","ends_at":"2026-03-09T%02d:50:00Z","p_fail":%g,"p_fail_low":%g,"p_fail_high":%g}`, printer, plate, hour, hour, fails, low, high)
	}
	task := `{"task":"wipe","printer":"P-001","plate":"L-1","starts_at":"2026-03-09T10:55:00Z","ends_at":"2026-03-09T10:58:00Z"}`
	other := strings.ReplaceAll(task, "P-001", "P-002")
	for _, c := range []struct {
		name   string
		starts []string
		tasks  string
		want   string
	}{
		{"one after another", []string{start("P-001", "L-1", 10, 0.02, 0.01, 0.05), start("P-001", "L-1", 9, 0.04, 0.02, 0.06), start("P-001", "L-1", 11, 0.03, 0.01, 0.09)}, other, "P-001 L-1 9 to 11: 3, 0.030 (0.01 to 0.09)"},
		{"a task between", []string{start("P-001", "L-1", 10, 0.02, 0.01, 0.05), start("P-001", "L-1", 11, 0.04, 0.01, 0.05)}, task, "P-001 L-1 10 to 10: 1, 0.020 (0.01 to 0.05); P-001 L-1 11 to 11: 1, 0.040 (0.01 to 0.05)"},
		{"another plate, another printer", []string{start("P-001", "L-1", 9, 0.02, 0.01, 0.05), start("P-001", "L-2", 10, 0.02, 0.01, 0.05), start("P-002", "L-2", 11, 0.02, 0.01, 0.05)}, other,
			"P-001 L-1 9 to 9: 1, 0.020 (0.01 to 0.05); P-001 L-2 10 to 10: 1, 0.020 (0.01 to 0.05); P-002 L-2 11 to 11: 1, 0.020 (0.01 to 0.05)"},
	} {
		var p jobPlan
		if err := json.Unmarshal([]byte(`{"jobs":[{"job":"J-1","starts":[`+strings.Join(c.starts, ",")+`]}],"tasks":[`+c.tasks+`]}`), &p); err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, r := range p.runs() {
			got = append(got, fmt.Sprintf("%s %s %d to %d: %d, %.3f (%g to %g)", r.printer, r.plate, r.from.Hour(), r.to.Hour(), r.starts, r.fails/float64(r.starts), *r.low, *r.high))
		}
		if s := strings.Join(got, "; "); s != c.want {
			t.Errorf("%s: %s, want %s", c.name, s, c.want)
		}
	}
}
