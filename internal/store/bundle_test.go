package store_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
)

// files is a bundle by file name; small is the smallest one.
type files map[string]string

func small() files {
	return files{
		"printers.csv": "printer,bed_x_mm,bed_y_mm\nR-1,220,220\nR-2,300,300\n",
		"plates.csv":   "plate,surface\nT-1,glass\nT-2,other\n",
	}
}

func (f files) with(name, text string) files { f[name] = text; return f }

func (f files) source(t *testing.T) intake.Source {
	t.Helper()
	dir := t.TempDir()
	for name, text := range f {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return folder(t, dir)
}

func imports(t *testing.T, s *store.Store, f files, opt store.ImportOptions) store.Report {
	t.Helper()
	r, err := s.Import(context.Background(), byImport, f.source(t), opt)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func mustImport(t *testing.T, s *store.Store, f files) store.Report {
	t.Helper()
	r := imports(t, s, f, store.ImportOptions{})
	if !r.Stored {
		t.Fatal(r.Text())
	}
	return r
}

func counts(r store.Report, file string) string {
	for _, f := range r.Files {
		if f.File == file {
			return fmt.Sprintf("%d rows: %d %d %d", f.Rows, f.Recorded, f.AlreadyRecorded, f.Refused)
		}
	}
	return "no such file"
}

const layerHeader = "first_layer,printer,plate,started_at,grade,material,grader,job,graded_at,marks,readings,covered,note,underside\n"

// Each refusal names the file, the line, the column, what was found and what
// was expected, and stores nothing.
func TestRefusalsSayWhereAndWhat(t *testing.T) {
	for _, c := range []struct {
		name       string
		file, text string
		line       int
		column     string
		found      string
		expected   string // part of it
	}{
		{"an unknown file", "layers.csv", "a\n", 0, "", "layers.csv", "one of the bundle's files"},
		{"an unknown column", "cleanings.csv", "cleaning,plate,cleaned_at,method,colour\n", 1, "colour", "colour", "one of the columns cleaning plate"},
		{"a column twice", "cleanings.csv", "cleaning,plate,cleaned_at,method,method\n", 1, "method", "method a second time", "each column once"},
		{"a required column left out", "cleanings.csv", "cleaning,plate,cleaned_at\n", 1, "method", "", "the column method"},
		{"an empty file", "cleanings.csv", "", 1, "", "", "a header line"},
		{"a required value left out", "cleanings.csv", "cleaning,plate,cleaned_at,method\nC-1,T-1,2026-01-02T03:04:05Z,\n", 2, "method", "", "required"},
		{"an unknown code", "cleanings.csv", "cleaning,plate,cleaned_at,method\n\nC-1,T-1,2026-01-02T03:04:05Z,Wipe\n", 3, "method", "Wipe", "one of wipe wash deep coat"},
		{"too few cells", "cleanings.csv", "cleaning,plate,cleaned_at,method\nC-1,T-1,2026-01-02T03:04:05Z\n", 2, "", "3 cells", "4 cells"},
		{"a quote inside a cell", "cleanings.csv", "cleaning,plate,cleaned_at,method,note\nC-1,T-1,2026-01-02T03:04:05Z,wipe,5\" tall\n", 2, "", "", "quoted as a whole"},
		{"a quote left open", "cleanings.csv", "cleaning,plate,cleaned_at,method,note\nC-1,T-1,2026-01-02T03:04:05Z,wipe,\"open\n", 2, "", "", "ends with a quote"},
		{"NUL", "cleanings.csv", "cleaning,plate,cleaned_at,method,note\nC-1,T-1,2026-01-02T03:04:05Z,wipe,a\x00b\n", 2, "", "", "without NUL"},
		{"no UTF-8", "cleanings.csv", "cleaning,plate,cleaned_at,method,note\nC-1,T-1,2026-01-02T03:04:05Z,wipe,\xff\n", 2, "", "", "UTF-8"},
		{"a time without offset", "cleanings.csv", "cleaning,plate,cleaned_at,method\nC-1,T-1,2026-01-02T03:04:05,wipe\n", 2, "cleaned_at", "2026-01-02T03:04:05", "with its offset"},
		{"a time two days ahead", "cleanings.csv", "cleaning,plate,cleaned_at,method\nC-1,T-1,2026-07-03T12:00:01Z,wipe\n", 2, "cleaned_at", "2026-07-03T12:00:01Z", "24 h ahead"},
		{"a day that is not", "cleanings.csv", "cleaning,plate,cleaned_at,method\nC-1,T-1,2026-02-29T03:04:05Z,wipe\n", 2, "cleaned_at", "2026-02-29T03:04:05Z", "a time like"},
		{"blanks around an id", "cleanings.csv", "cleaning,plate,cleaned_at,method\n C-1,T-1,2026-01-02T03:04:05Z,wipe\n", 2, "cleaning", " C-1", "blanks at its ends"},
		{"an unknown plate", "cleanings.csv", "cleaning,plate,cleaned_at,method\nC-1,T-9,2026-01-02T03:04:05Z,wipe\n", 2, "plate", "T-9", "known plate"},
		{"a plate in other case", "cleanings.csv", "cleaning,plate,cleaned_at,method\nC-1,t-1,2026-01-02T03:04:05Z,wipe\n", 2, "plate", "t-1", "known plate"},
		{"an unknown printer, behind a cell of two lines", "services.csv", "service,printer,done_at,work,note\nV-1,R-1,2026-01-02T03:04:05Z,nozzle,\"two\nlines\"\nV-2,R-9,2026-01-02T03:04:05Z,nozzle,\n", 4, "printer", "R-9", "known printer"},
		{"a line end in an id", "services.csv", "service,printer,done_at,work\n\"V\n1\",R-1,2026-01-02T03:04:05Z,nozzle\n", 2, "service", "V\n1", "control characters"},
		{"a bed too small", "printers.csv", "printer,bed_x_mm,bed_y_mm\nR-1,49.9,220\n", 2, "bed_x_mm", "49.9", "from 50 to 2000"},
		{"tags that differ by case", "printers.csv", "printer,bed_x_mm,bed_y_mm\nR-1,220,220\nr-1,220,220\n", 3, "printer", "r-1", "more than case"},
		{"a decimal comma", "printers.csv", "printer,bed_x_mm,bed_y_mm\nR-1,\"220,5\",220\n", 2, "bed_x_mm", "220,5", "a number"},
		{"ten zones a side", "printers.csv", "printer,bed_x_mm,bed_y_mm,zone_cols\nR-1,220,220,10\n", 2, "zone_cols", "10", "1 to 9"},
		{"retired before it came", "printers.csv", "printer,bed_x_mm,bed_y_mm,in_service_from,retired_at\nR-1,220,220,2026-02-01T00:00:00Z,2026-01-01T00:00:00Z\n", 2, "retired_at", "2026-01-01T00:00:00Z", "not before in_service_from"},
		{"an unknown setting", "settings.csv", "key,value\ncolour,red\n", 2, "key", "colour", "one of time_zone"},
		{"a setting's value", "settings.csv", "key,value\ntime_zone,Mars/Olympus\n", 2, "value", "Mars/Olympus", "time zone"},
		{"a mark's severity", "first_layers.csv", layerHeader + "F-1,R-1,,2026-01-02T03:04:05Z,,,,,,A1:blobs:4,,,,\n", 2, "marks", "A1:blobs:4", "severity 1 to 3"},
		{"a mark twice in a zone", "first_layers.csv", layerHeader + "F-1,R-1,,2026-01-02T03:04:05Z,,,,,,A1:blobs:1 A1:blobs:2,,,,\n", 2, "marks", "A1:blobs", "once in a zone"},
		{"a zone outside the grid", "first_layers.csv", layerHeader + "F-1,R-1,,2026-01-02T03:04:05Z,,,,,,D1:blobs:1,,,,\n", 2, "marks", "D1", "A1 to C3"},
		{"a reading too thick", "first_layers.csv", layerHeader + "F-1,R-1,,2026-01-02T03:04:05Z,,,,,,,A1=1.2,,,\n", 2, "readings", "A1=1.2", "0.05 to 1 mm"},
		{"graded before it started", "first_layers.csv", layerHeader + "F-1,R-1,,2026-01-02T03:04:05Z,clean,,,,2026-01-02T03:00:00Z,,,,,\n", 2, "graded_at", "2026-01-02T03:00:00Z", "not before started_at"},
		{"heights and grid", "probes.csv", "probe,printer,probed_at,columns,rows,heights_mm\nM-1,R-1,2026-01-02T03:04:05Z,2,2,0.1 0.2 0.3\n", 2, "heights_mm", "3 heights", "2 columns times 2 rows"},
		{"a height out of range", "probes.csv", "probe,printer,probed_at,columns,rows,heights_mm\nM-1,R-1,2026-01-02T03:04:05Z,1,1,5.1\n", 2, "heights_mm", "5.1", "-5 to 5 mm"},
		{"a plate asked about probing", "disagreements.csv", "disagreement,subject_kind,subject,cause,at,reason\nD-1,plate,T-1,skipped_probing,2026-01-02T03:04:05Z,no\n", 2, "cause", "skipped_probing", "cleaning_gap"},
		{"evidence known before it happened", "evidence_sheets.csv", "evidence_sheet,subject_kind,subject,cause,at,known_at,because,state,definitions,sheet\nE-1,printer,R-1,skipped_probing,2026-01-02T03:04:05Z,2026-01-02T03:04:04Z,asked,quiet,1,{}\n", 2, "known_at", "2026-01-02T03:04:04Z", "not before at"},
		{"evidence that is no JSON", "evidence_sheets.csv", "evidence_sheet,subject_kind,subject,cause,at,known_at,because,state,definitions,sheet\nE-1,printer,R-1,skipped_probing,2026-01-02T03:04:05Z,2026-01-02T03:04:05Z,asked,quiet,1,{\n", 2, "sheet", "text that is no JSON", "JSON object"},
		{"a disagreement without a reason", "disagreements.csv", "disagreement,subject_kind,subject,cause,at,reason\nD-1,printer,R-1,skipped_probing,2026-01-02T03:04:05Z,\n", 2, "reason", "", "value"},
		{"an advice not followed without a reason", "advice_done.csv", "advice_done,first_layer,subject_kind,subject,at,answer,action\nA-1,F-1,printer,R-1,2026-01-02T03:04:05Z,disagreed,probe\n", 2, "reason", "", "why"},
		{"a proof of what was not done", "advice_done.csv", "advice_done,first_layer,subject_kind,subject,at,answer,action,good_needed,reason\nA-1,F-1,printer,R-1,2026-01-02T03:04:05Z,disagreed,probe,11,no\n", 2, "good_needed", "11", "nothing"},
		{"a case step without a reason", "case_steps.csv", "case_step,subject_kind,subject,cause,at,step,reason\nC-1,printer,R-1,skipped_probing,2026-01-02T03:04:05Z,closed,\n", 2, "reason", "", "value"},
		{"a test of what the finding is not about", "planned_tests.csv", "planned_test,subject_kind,subject,cause,task,begins_at,end_is,starts,share,fails_left,fails_done,power,reason\nQ-1,plate,T-1,cleaning_gap,probe,2026-01-02T03:04:05Z,,240,0.5,0.1,0.02,0.8,why\n", 2, "task", "probe", "wipe"},
		{"a test of every start", "planned_tests.csv", "planned_test,subject_kind,subject,cause,task,begins_at,end_is,starts,share,fails_left,fails_done,power,reason\nQ-1,plate,T-1,cleaning_gap,wipe,2026-01-02T03:04:05Z,,240,1,0.1,0.02,0.8,why\n", 2, "share", "1", "between"},
		{"the end of a test without a time", "planned_tests.csv", "planned_test,subject_kind,subject,cause,task,begins_at,end_is,starts,share,fails_left,fails_done,power,reason\nQ-1,plate,T-1,cleaning_gap,wipe,2026-01-02T03:04:05Z,size,240,0.5,0.1,0.02,0.8,why\n", 2, "ended_at", "", "when"},
		{"a policy that asks for nothing", "policies.csv", "policy,name,in_force_from,probe_after_swap,reason\nY-1,All,2026-01-02T03:04:05Z,no,why\n", 2, "clean_prints", "", "at least one rule"},
		{"an end that still asks", "policies.csv", "policy,name,in_force_from,ended,wash_prints,reason\nY-1,All,2026-01-02T03:04:05Z,yes,9,why\n", 2, "ended", "yes", "asks for nothing"},
		{"jobs of 9 to 3 plates", "policies.csv", "policy,name,in_force_from,wash_prints,job_plates_from,job_plates_to,reason\nY-1,All,2026-01-02T03:04:05Z,9,9,3,why\n", 2, "job_plates_to", "3", "at least job_plates_from"},
		{"a plate and a surface", "policies.csv", "policy,name,in_force_from,wash_prints,plate,surface,reason\nY-1,All,2026-01-02T03:04:05Z,9,T-1,glass,why\n", 2, "surface", "glass", "one plate"},
		{"a hold on an unknown plate", "holds.csv", "hold,subject_kind,subject,placed_at\nH-1,plate,R-1,2026-01-02T03:04:05Z\n", 2, "subject", "R-1", "known plate"},
		{"a void reason alone", "holds.csv", "hold,subject_kind,subject,placed_at,void_reason\nH-1,printer,R-1,2026-01-02T03:04:05Z,why\n", 2, "voided_at", "", "time of the voiding"},
		{"a removal before the fitting", "fittings.csv", "fitting,plate,printer,fitted_at,removed_at\nX-1,T-1,R-1,2026-01-02T03:04:05Z,2026-01-02T03:04:04Z\n", 2, "removed_at", "2026-01-02T03:04:04Z", "not before fitted_at"},
		{"a shift without length", "shifts.csv", "shift,person,starts_at,ends_at\nS,ines,2026-01-02T03:04:05Z,2026-01-02T03:04:05Z\n", 2, "ends_at", "2026-01-02T03:04:05Z", "after starts_at"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := open(t)
			r := imports(t, s, small().with(c.file, c.text), store.ImportOptions{})
			if r.Stored || r.ProblemsTotal != 1 || len(r.Problems) != 1 {
				t.Fatalf("want one problem and nothing stored, got\n%s", r.Text())
			}
			p := r.Problems[0]
			if p.File != c.file || p.Line != c.line || p.Column != c.column || c.found != "" && p.Found != c.found || !strings.Contains(p.Expected, c.expected) {
				t.Errorf("got %+v, want line %d, column %q, found %q, expected …%s…", p, c.line, c.column, c.found, c.expected)
			}
			if again := mustImport(t, s, small()); counts(again, "printers.csv") != "2 rows: 2 0 0" {
				t.Errorf("something was stored: %s", counts(again, "printers.csv"))
			}
		})
	}
}

func TestABundleNeedsPrintersAndPlates(t *testing.T) {
	r := imports(t, open(t), files{"printers.csv": small()["printers.csv"]}, store.ImportOptions{Partial: true})
	if r.Stored || len(r.Problems) != 1 || r.Problems[0].File != "plates.csv" {
		t.Errorf("got\n%s", r.Text())
	}
}

func TestABadLastRowLeavesNothing(t *testing.T) {
	s := open(t)
	var b strings.Builder
	b.WriteString(layerHeader)
	for i := range 3000 {
		fmt.Fprintf(&b, "F-%d,R-1,T-1,2026-01-02T03:04:05Z,clean,PLA,ines,,,,,,,\r\n", i)
	}
	b.WriteString("F-x,R-1,T-1,2026-01-02T03:04:05Z,perfect,PLA,ines,,,,,,,\r\n")
	r := imports(t, s, small().with("first_layers.csv", b.String()), store.ImportOptions{})
	if r.Stored || r.ProblemsTotal != 1 || r.Problems[0].Line != 3002 || counts(r, "first_layers.csv") != "3001 rows: 0 0 1" {
		t.Errorf("got\n%s", r.Text())
	}
	dir := t.TempDir()
	if _, err := s.Export(context.Background(), dir); err != nil {
		t.Fatal(err)
	}
	for _, table := range intake.Tables {
		if text, _ := os.ReadFile(filepath.Join(dir, table.File)); bytes.Count(text, []byte("\n")) != 1 {
			t.Errorf("%s holds rows after a refused import:\n%s", table.File, text)
		}
	}
}

func TestPartialStoresTheGoodRowsAndGivesBackTheOthers(t *testing.T) {
	s := open(t)
	bundle := small().
		with("printers.csv", "printer,bed_x_mm,bed_y_mm\nR-1,220,220\nR-2,30,300\n").
		with("cleanings.csv", "method,cleaning,plate,cleaned_at,note\r\nwipe,C-1,T-1,2026-01-02T03:04:05Z,\r\nscrub,C-2,T-1,2026-01-02T03:04:05Z,\"as it, stood\"\r\nwash,C-3,T-2,2026-01-02T03:04:05Z,").
		with("services.csv", "service,printer,done_at,work\nV-1,R-2,2026-01-02T03:04:05Z,nozzle\n").
		with("holds.csv", "hold,subject_kind,subject,placed_at,odd\nH-1,printer,R-1,2026-01-02T03:04:05Z,\n")
	refused := filepath.Join(t.TempDir(), "refused")
	r := imports(t, s, bundle, store.ImportOptions{Partial: true, RefusedDir: refused})
	for file, want := range map[string]string{"printers.csv": "2 rows: 1 0 1", "cleanings.csv": "3 rows: 2 0 1", "services.csv": "1 rows: 0 0 1", "holds.csv": "1 rows: 0 0 1"} {
		if got := counts(r, file); got != want {
			t.Errorf("%s: got %s, want %s", file, got, want)
		}
	}
	if !r.Stored || r.ProblemsTotal != 4 {
		t.Errorf("got\n%s", r.Text())
	}
	for file, want := range map[string]string{
		"printers.csv":  "printer,bed_x_mm,bed_y_mm\nR-2,30,300\n",
		"plates.csv":    "plate,surface\n",
		"cleanings.csv": "method,cleaning,plate,cleaned_at,note\r\nscrub,C-2,T-1,2026-01-02T03:04:05Z,\"as it, stood\"\r\n",
		"services.csv":  "service,printer,done_at,work\nV-1,R-2,2026-01-02T03:04:05Z,nozzle\n",
		"holds.csv":     "hold,subject_kind,subject,placed_at,odd\nH-1,printer,R-1,2026-01-02T03:04:05Z,\n",
	} {
		if got, err := os.ReadFile(filepath.Join(refused, file)); err != nil || string(got) != want {
			t.Errorf("refused %s: got %q %v, want %q", file, got, err, want)
		}
	}
	var told struct {
		Problems []fault.Problem `json:"problems"`
	}
	text, err := os.ReadFile(filepath.Join(refused, "problems.json"))
	if err != nil || json.Unmarshal(text, &told) != nil || len(told.Problems) != 4 || told.Problems[1].Line != 3 {
		t.Errorf("problems.json: %v %s", err, text)
	}
	// The folder is not written over.
	if _, err := s.Import(context.Background(), byImport, bundle.source(t), store.ImportOptions{Partial: true, RefusedDir: refused}); !fault.Is(err, fault.Invalid) {
		t.Errorf("a full folder for refused rows: got %v, want a refusal", err)
	}
	// Put right, it goes in.
	for file, replace := range map[string][2]string{"printers.csv": {"R-2,30,", "R-2,300,"}, "cleanings.csv": {"scrub", "deep"}, "holds.csv": {",odd", ",reason"}} {
		text, _ := os.ReadFile(filepath.Join(refused, file))
		_ = os.WriteFile(filepath.Join(refused, file), []byte(strings.Replace(string(text), replace[0], replace[1], 1)), 0o644)
	}
	again, err := s.Import(context.Background(), byImport, folder(t, refused), store.ImportOptions{})
	if err != nil || !again.Stored {
		t.Errorf("the refused bundle, put right: %v\n%s", err, again.Text())
	}
}

func TestUnknownNamesAreCreatedUnlessTheirFileIsThere(t *testing.T) {
	row := "F-1,R-1,T-1,2026-01-02T03:04:05Z,clean,PLA,ines,O-1,,,,,,\n"
	r := mustImport(t, open(t), small().with("first_layers.csv", layerHeader+row))
	if got := fmt.Sprint(r.Created); got != "[{person ines} {material PLA} {job O-1}]" && len(r.Created) != 3 {
		t.Errorf("created %s", got)
	}
	for file, text := range map[string]string{"materials.csv": "material\nPETG\n", "people.csv": "person\ntomas\n", "jobs.csv": "job\nO-2\n"} {
		r := imports(t, open(t), small().with("first_layers.csv", layerHeader+row).with(file, text), store.ImportOptions{})
		if r.Stored || len(r.Problems) != 1 || !strings.Contains(r.Problems[0].Expected, file) {
			t.Errorf("%s in the bundle: got\n%s", file, r.Text())
		}
	}
}

func TestThingsChangeOnlyWithUpdate(t *testing.T) {
	s := open(t)
	mustImport(t, s, small().with("first_layers.csv", layerHeader+"F-1,R-1,T-1,2026-01-02T03:04:05Z,,,,,,C3:blobs:1,,,,\n"))
	changed := func() files {
		return small().with("printers.csv", "printer,bed_x_mm,bed_y_mm,bay,zone_cols\nR-1,220.0,220,North,3\n")
	}
	r := imports(t, s, changed(), store.ImportOptions{})
	if r.Stored || len(r.Problems) != 1 || r.Problems[0].Column != "bay" || !strings.Contains(r.Problems[0].Expected, "--update") {
		t.Errorf("got\n%s", r.Text())
	}
	if r := imports(t, s, changed(), store.ImportOptions{Update: true}); !r.Stored || counts(r, "printers.csv") != "1 rows: 1 0 0" {
		t.Errorf("got\n%s", r.Text())
	}
	if r := mustImport(t, s, changed()); counts(r, "printers.csv") != "1 rows: 0 1 0" {
		t.Errorf("got\n%s", r.Text())
	}
	// A smaller grid would leave marks without a zone.
	r = imports(t, s, small().with("printers.csv", "printer,bed_x_mm,bed_y_mm,zone_cols\nR-1,220,220,2\n"), store.ImportOptions{Update: true})
	if r.Stored || len(r.Problems) != 1 || r.Problems[0].Column != "zone_cols" || !strings.Contains(r.Problems[0].Expected, "C3") {
		t.Errorf("got\n%s", r.Text())
	}
}

func TestAZipGoesInAsItsFolder(t *testing.T) {
	var buf bytes.Buffer
	w := zip.NewWriter(&buf)
	if err := w.AddFS(fstest.MapFS{
		"farm/printers.csv": {Data: []byte(small()["printers.csv"]), ModTime: time.Unix(0, 0)},
		"farm/plates.csv":   {Data: []byte(small()["plates.csv"]), ModTime: time.Unix(0, 0)},
		"farm/notes.txt":    {Data: []byte("other files are ignored"), ModTime: time.Unix(0, 0)},
	}); err != nil {
		t.Fatal(err)
	}
	_ = w.Close()
	src, err := intake.Zip(bytes.NewReader(buf.Bytes()), int64(buf.Len()), intake.UploadLimits)
	if err != nil {
		t.Fatal(err)
	}
	r, err := open(t).Import(context.Background(), byImport, src, store.ImportOptions{})
	if err != nil || !r.Stored || counts(r, "printers.csv") != "2 rows: 2 0 0" {
		t.Errorf("%v\n%s", err, r.Text())
	}
}
