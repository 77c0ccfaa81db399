package main

import (
	"context"
	"encoding/json"
	"strconv"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/testdb"

	"github.com/gofrs/uuid/v5"
)

// Evidence is kept by the command, comes out as it was kept, and is worked out anew; one that
// was changed since is told, with where.
func TestEvidenceIsKeptAndVerifiedByTheCommand(t *testing.T) {
	db := testdb.New(t)
	env, dir := []string{"DATABASE_URL=" + db}, t.TempDir()
	layers := "first_layer,printer,plate,started_at,grade,probed\n"
	for k := range 30 {
		at := time.Now().Add(-time.Duration(40-k) * time.Hour)
		layers += "F-" + strconv.Itoa(k) + ",P-1,L-1," + at.UTC().Format(time.RFC3339) + "," + []string{"clean", "failed"}[k%2] + "," + []string{"yes", "no"}[k%2] + "\n"
	}
	writeFiles(t, dir, map[string]string{"printers.csv": "printer,bed_x_mm,bed_y_mm\nP-1,200,200\n", "plates.csv": "plate,surface\nL-1,glass\n", "first_layers.csv": layers})
	wantCode(t, call(t, env, "", "import", dir), 0)
	kept := call(t, env, "", "findings", "--keep", "printer/P-1/skipped_probing")
	wantCode(t, kept, 0)
	id := strings.TrimSpace(kept.stdout)
	shown := call(t, env, "", "findings", "--sheet", id)
	wantCode(t, shown, 0)
	var sheet struct {
		Subject     string
		Definitions struct{ Version int }
		Coverage    struct{ Started, Graded int }
	}
	if err := json.Unmarshal([]byte(shown.stdout), &sheet); err != nil || sheet.Subject != "P-1" || sheet.Definitions.Version != assess.DefinitionsVersion || sheet.Coverage.Started != 30 || sheet.Coverage.Graded != 30 {
		t.Errorf("%v: %+v", err, sheet)
	}
	same := call(t, env, "", "findings", "--sheet", id, "--verify")
	wantCode(t, same, 0)
	if !strings.Contains(same.stdout, "the same to the byte") {
		t.Errorf("verified: %s", same.stdout)
	}
	var said struct {
		Same        bool
		Sheet, Says string
	}
	if err := json.Unmarshal([]byte(call(t, env, "", "findings", "--sheet", id, "--verify", "--format", "json").stdout), &said); err != nil || !said.Same || said.Sheet != id || said.Says == "" {
		t.Errorf("as JSON: %v %+v", err, said)
	}

	// One that says something else than its records.
	st, err := store.Open(context.Background(), db)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	of, err := farm.NewID(farm.KindEvidenceSheet, id)
	if err != nil {
		t.Fatal(err)
	}
	as, err := st.EvidenceSheet(context.Background(), of)
	if err != nil {
		t.Fatal(err)
	}
	forged, _ := uuid.NewV7()
	w := store.SheetWanted{ID: forged, SubjectKind: "printer", Tag: "P-1", Cause: "skipped_probing", At: as.At, KnownAt: as.KnownAt, Because: "asked"}
	if err := st.KeepSheet(context.Background(), w, "quiet", strconv.Itoa(assess.DefinitionsVersion), []byte(strings.Replace(as.Sheet, `"started":30`, `"started":31`, 1))); err != nil {
		t.Fatal(err)
	}
	if r := call(t, env, "", "findings", "--sheet", forged.String(), "--verify"); r.code != 1 || !strings.Contains(r.stdout, "kept 31, now 30") || !strings.Contains(r.stderr, "differs") {
		t.Errorf("forged: exit code %d, %s%s", r.code, r.stdout, r.stderr)
	}

	for name, c := range map[string]struct {
		args []string
		code int
		says string
	}{
		"verifying nothing":  {[]string{"--verify"}, 2, "--sheet ID"},
		"two at once":        {[]string{"--sheet", id, "--keep", "printer/P-1/skipped_probing"}, 2, "do not go together"},
		"with a time":        {[]string{"--keep", "printer/P-1/skipped_probing", "--at", "2026-03-01T00:00:00Z"}, 2, "no time"},
		"half a finding":     {[]string{"--keep", "printer/P-1"}, 2, "KIND/TAG/CAUSE"},
		"nobody's finding":   {[]string{"--keep", "printer/P-9/skipped_probing"}, 1, "no question"},
		"a sheet of nothing": {[]string{"--sheet", uuid.Nil.String()}, 1, "no evidence sheet"},
	} {
		if r := call(t, env, "", append([]string{"findings"}, c.args...)...); r.code != c.code || !strings.Contains(r.stderr, c.says) {
			t.Errorf("%s: exit code %d, want %d: %s", name, r.code, c.code, r.stderr)
		}
	}
}
