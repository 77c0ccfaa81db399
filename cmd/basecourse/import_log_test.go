package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A log of another form from its suggestion to its undoing, by commands alone.
func TestALogByCommands(t *testing.T) {
	env, dir := inEmpty(t), t.TempDir()
	bundle := t.TempDir()
	writeFiles(t, bundle, map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nR-1,250,210\n", "plates.csv": "plate,surface\nL-1,pei_smooth\n"})
	write := func(name, text string) string {
		t.Helper()
		writeFiles(t, dir, map[string]string{name: text})
		return filepath.Join(dir, name)
	}
	log := write("wipes.csv", "Tag;Uhrzeit;Platte;Wie\n23.03.2026;08:15;L-1;gewischt\n24.03.2026;09:15;L-1;gebürstet\n")
	r := call(t, env, "", "import", "--suggest", "cleaning", log)
	wantCode(t, r, 0)
	if !strings.Contains(r.stderr, "Day first: “23.03.2026” in line 2.") || !strings.Contains(r.stderr, "? method: Say what “gebürstet” means") {
		t.Errorf("why: %s", r.stderr)
	}
	mapping := write("mapping.json", strings.Replace(r.stdout, `"kind":`, `"zone": "Europe/Berlin", "kind":`, 1))
	wantCode(t, call(t, env, "", "import", bundle), 0)
	r = call(t, env, "", "import", "--mapping", mapping, log, "--dry-run", "--format", "json")
	wantCode(t, r, 1)
	var report struct {
		Files    []struct{ Recorded, Refused int }
		Problems []struct {
			Line                    int
			Column, Found, Expected string
		}
	}
	if err := json.Unmarshal([]byte(r.stdout), &report); err != nil || report.Files[0].Recorded != 1 || report.Files[0].Refused != 1 ||
		report.Problems[0].Line != 3 || report.Problems[0].Column != "Wie" || report.Problems[0].Found != "gebürstet" {
		t.Errorf("tried dry: %s %v", r.stdout, err)
	}
	write("mapping.json", strings.Replace(readText(t, mapping), `"gewischt":`, `"gebürstet": "deep", "gewischt":`, 1))
	r = call(t, env, "", "import", "--mapping", mapping, log)
	wantCode(t, r, 0)
	act := regexp.MustCompile(`import ([0-9]+)\n`).FindStringSubmatch(r.stdout)
	if act == nil {
		t.Fatalf("no number of the import: %s", r.stdout)
	}
	wantCode(t, call(t, env, "", "import", "--undo", act[1]), 2)
	r = call(t, env, "", "import", "--undo", act[1], "--why", "the wrong log")
	wantCode(t, r, 0)
	if !strings.Contains(r.stderr, "2 records were taken back.") {
		t.Errorf("undone: %s", r.stderr)
	}
	wantCode(t, call(t, env, "", "import", "--mapping", "No such", log), 1)
	wantCode(t, call(t, env, "", "import", "--mapping", write("bad.json", `{"mapping":"x","kind":"cleaning","fields":{}}`), log), 1)
}

func readText(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
