package store_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

var byAPI = store.Act{Via: "api", Device: "tablet 3", Why: "test"}

func send(t *testing.T, s *store.Store, body string) (store.Result, error) {
	t.Helper()
	item := intake.ParseRecord([]byte(body), "", clock)
	if item.Err != nil {
		t.Fatalf("%s: %v", body, item.Err)
	}
	return s.Record(context.Background(), byAPI, item)
}

func farmWithThings(t *testing.T) (*store.Store, string) {
	t.Helper()
	url := testdb.New(t)
	s, err := store.Open(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	s.SetClock(func() time.Time { return clock })
	mustImport(t, s, small().with("jobs.csv", "job,underside\nO-1,shown\n").with("people.csv", "person\nines\ntomas\n"))
	return s, url
}

// The rules of recording an id again: a repeat says nothing new, empty fields of
// a first layer are filled once, anything else under a known id is a conflict.
var recordedAgain = []struct {
	body string
	want string // outcome, or the refusal's kind and first field
}{
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T08:00:00+01:00","job":"O-1"}`, "recorded"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z","job":"O-1"}`, "already_recorded"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z","grade":null,"note":""}`, "already_recorded"},
	{`{"kind":"first_layer","id":"e9b7a5a5-0000-4000-8000-000000000001","printer":"R-1","started_at":"2026-03-01T07:00:00Z"}`, "recorded"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-2","started_at":"2026-03-01T07:00:00Z"}`, "conflict printer"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:01Z"}`, "conflict started_at"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z","grade":"marginal","grader":"ines","graded_at":"2026-03-01T07:20:00Z","marks":[{"zone":"B2","mark":"blobs","severity":1},{"zone":"A1","mark":"dragged","severity":2}],"material":"PLA"}`, "recorded"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z","grade":"marginal","marks":"A1:dragged:2 B2:blobs:1"}`, "already_recorded"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z","grade":"clean"}`, "conflict grade"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z","marks":"A1:dragged:2"}`, "conflict marks"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z","outcome":"detached","layer_height_mm":0.250}`, "recorded"},
	{`{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z","layer_height_mm":0.25}`, "already_recorded"},
	{`{"kind":"cleaning","id":"F-1","plate":"T-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}`, "recorded"},
	{`{"kind":"cleaning","id":"F-1","plate":"T-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe","note":"more"}`, "conflict note"},
	{`{"kind":"cleaning","id":"e9b7a5a5-0000-4000-8000-000000000001","plate":"T-1","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}`, "conflict cleaning"},
	{`{"kind":"hold","id":"H-1","subject_kind":"plate","subject":"T-2","placed_at":"2026-03-01T07:00:00Z","reason":"bent"}`, "recorded"},
	{`{"kind":"hold","id":"H-1","subject_kind":"plate","subject":"T-2","placed_at":"2026-03-01T07:00:00Z","released_at":"2026-03-01T08:00:00Z","released_by":"tomas"}`, "recorded"},
	{`{"kind":"hold","id":"H-1","subject_kind":"plate","subject":"T-2","placed_at":"2026-03-01T07:00:00Z","released_at":"2026-03-01T09:00:00Z"}`, "conflict released_at"},
	{`{"kind":"hold","id":"H-1","subject_kind":"plate","subject":"T-2","placed_at":"2026-03-01T07:00:00Z","person":"ines"}`, "conflict person"},
	{`{"kind":"fitting","id":"X-1","plate":"T-1","printer":"R-1","fitted_at":"2026-03-01T07:00:00Z"}`, "recorded"},
	{`{"kind":"fitting","id":"X-1","plate":"T-1","printer":"R-1","fitted_at":"2026-03-01T07:00:00Z","removed_at":"2026-03-01T09:00:00Z"}`, "recorded"},
	{`{"kind":"probe","id":"M-1","printer":"R-9","probed_at":"2026-03-01T07:00:00Z"}`, "invalid printer"},
	{`{"kind":"probe","id":"M-1","printer":"R-1","probed_at":"2026-03-01T07:00:00Z","columns":2,"rows":1,"heights_mm":[0.1,null]}`, "recorded"},
	{`{"kind":"probe","id":"M-1","printer":"R-1","probed_at":"2026-03-01T07:00:00Z","columns":2,"rows":1,"heights_mm":"0.10 nan"}`, "already_recorded"},
	{`{"kind":"void","record":"F-1","voided_at":"2026-03-02T07:00:00Z","void_reason":"twice"}`, "invalid record"},
	{`{"kind":"void","record":"M-1","voided_at":"2026-03-02T07:00:00Z","void_reason":"twice"}`, "recorded"},
	{`{"kind":"void","record":"M-1","voided_at":"2026-03-02T07:00:00Z","void_reason":"twice"}`, "already_recorded"},
	{`{"kind":"void","record":"M-1","voided_at":"2026-03-02T07:00:00Z","void_reason":"other"}`, "conflict void_reason"},
	{`{"kind":"void","record":"M-9","voided_at":"2026-03-02T07:00:00Z","void_reason":"twice"}`, "invalid record"},
	{`{"kind":"void","record":"H-1","voided_at":"2026-03-02T07:00:00Z","void_reason":"wrong plate","replaced_by":"H-2"}`, "invalid replaced_by"},
	{`{"kind":"hold","id":"H-2","subject_kind":"plate","subject":"T-1","placed_at":"2026-03-01T07:00:00Z"}`, "recorded"},
	{`{"kind":"disagreement","id":"D-1","subject_kind":"printer","subject":"R-1","cause":"skipped_probing","at":"2026-03-01T07:00:00Z","person":"ines","reason":"it was the tip"}`, "recorded"},
	{`{"kind":"advice_done","id":"A-1","first_layer":"F-1","subject_kind":"printer","subject":"R-1","at":"2026-03-01T07:00:00Z","answer":"done","action":"probe","cause":"bed_shape","good_needed":11,"expected_rate":0.19,"person":"ines"}`, "recorded"},
	{`{"kind":"advice_done","id":"A-1","first_layer":"F-1","subject_kind":"printer","subject":"R-1","at":"2026-03-01T07:00:00Z","answer":"done","action":"probe","good_needed":12}`, "conflict good_needed"},
	{`{"kind":"planned_test","id":"PT-1","subject_kind":"printer","subject":"R-1","cause":"skipped_probing","task":"probe","begins_at":"2026-03-01T07:00:00Z","starts":240,"share":0.5,"fails_left":0.12,"fails_done":0.03,"power":0.8,"person":"ines","reason":"why"}`, "recorded"},
	{`{"kind":"planned_test","id":"PT-1","subject_kind":"printer","subject":"R-1","cause":"skipped_probing","task":"probe","begins_at":"2026-03-01T07:00:00Z","starts":300,"share":0.5,"fails_left":0.12,"fails_done":0.03,"power":0.8,"reason":"why"}`, "conflict starts"},
	{`{"kind":"planned_test","id":"PT-1","subject_kind":"printer","subject":"R-1","cause":"skipped_probing","task":"probe","begins_at":"2026-03-01T07:00:00Z","ended_at":"2026-03-02T07:00:00Z","starts":240,"share":0.5,"fails_left":0.12,"fails_done":0.03,"power":0.8,"reason":"why","end_is":"other","end_reason":"moved","ended_by":"ines"}`, "recorded"},
	{`{"kind":"case_step","id":"CS-1","subject_kind":"printer","subject":"R-1","cause":"skipped_probing","at":"2026-03-01T07:00:00Z","step":"on_test","test":"PT-1","person":"ines","reason":"why"}`, "recorded"},
	{`{"kind":"case_step","id":"CS-1","subject_kind":"printer","subject":"R-1","cause":"skipped_probing","at":"2026-03-01T07:00:00Z","step":"closed","reason":"why"}`, "conflict step"},
	{`{"kind":"handover","id":"V-1","at":"2026-03-01T14:00:00Z","shift_from":"2026-03-01T06:00:00Z","shift_to":"2026-03-01T14:00:00Z","person":"ines","says":"On hold: 0"}`, "recorded"},
	{`{"kind":"handover","id":"V-1","at":"2026-03-01T14:00:00Z","says":"On hold: 1"}`, "conflict says"},
	{`{"kind":"evidence_sheet","id":"E-1","subject_kind":"printer","subject":"R-1","cause":"skipped_probing","at":"2026-03-01T07:00:00Z","known_at":"2026-03-01T07:00:00Z","because":"asked","state":"quiet","definitions":"1","sheet":"{}"}`, "recorded"},
	{`{"kind":"handover_entry","id":"W-1","handover":"V-1","at":"2026-03-01T14:10:00Z","what":"receipt","person":"ines"}`, "recorded"},
	{`{"kind":"task_skipped","id":"T-1","printer":"R-1","plate":"T-1","task":"wipe","at":"2026-03-01T07:00:00Z","reason":"trusted","person":"ines"}`, "recorded"},
	{`{"kind":"task_skipped","id":"T-1","printer":"R-1","task":"wipe","at":"2026-03-01T07:00:00Z","reason":"hurry"}`, "conflict reason"},
	{`{"kind":"draw","id":"L-1","printer":"R-1","plate":"T-1","task":"wipe","drawn_at":"2026-03-01T07:00:00Z","arm":"do","chance":0.5,"why":"lot"}`, "recorded"},
	{`{"kind":"draw","id":"L-1","printer":"R-1","plate":"T-1","task":"wipe","drawn_at":"2026-03-01T07:00:00Z","arm":"leave","chance":0.5,"why":"lot"}`, "conflict arm"},
	{`{"kind":"policy","id":"Y-1","name":"All","in_force_from":"2026-03-01T07:00:00Z","clean_prints":8,"reason":"where we begin"}`, "recorded"},
	{`{"kind":"policy","id":"Y-1","name":"All","in_force_from":"2026-03-01T07:00:00Z","clean_prints":8,"reason":"where we begin"}`, "already_recorded"},
	{`{"kind":"policy","id":"Y-1","name":"All","in_force_from":"2026-03-01T07:00:00Z","clean_prints":9,"reason":"where we begin"}`, "conflict clean_prints"},
	{`{"kind":"policy","id":"Y-2","name":"R","printer":"R-1","plate":"T-9","in_force_from":"2026-03-01T07:00:00Z","clean_prints":8,"reason":"why"}`, "invalid plate"},
	{`{"kind":"policy","id":"Y-2","name":"R","printer":"R-1","plate":"T-1","in_force_from":"2026-03-01T07:00:00Z","clean_prints":8,"reason":"why"}`, "recorded"},
	{`{"kind":"void","record":"Y-2","voided_at":"2026-03-02T07:00:00Z","void_reason":"wrong plate"}`, "recorded"},
	{`{"kind":"disagreement","id":"D-2","subject_kind":"plate","subject":"R-1","cause":"cleaning_gap","at":"2026-03-01T07:00:00Z","reason":"no"}`, "invalid subject"},
	{`{"kind":"void","record":"H-1","voided_at":"2026-03-02T07:00:00Z","void_reason":"wrong plate","voided_by":"ines","replaced_by":"H-2"}`, "recorded"},
}

// One by one, and all in one go.
func TestRecordingAgain(t *testing.T) {
	for name, all := range map[string]bool{"alone": false, "together": true} {
		t.Run(name, func(t *testing.T) { recordAgain(t, all) })
	}
}

func recordAgain(t *testing.T, all bool) {
	s, url := farmWithThings(t)
	each := make([]store.Each, len(recordedAgain))
	var items []intake.Item
	for i, c := range recordedAgain {
		if all {
			items = append(items, intake.ParseRecord([]byte(c.body), "", clock))
			continue
		}
		each[i].Result, each[i].Err = send(t, s, c.body)
	}
	if all {
		var err error
		if each, err = s.RecordEach(context.Background(), byAPI, items); err != nil {
			t.Fatal(err)
		}
	}
	for i, c := range recordedAgain {
		err := each[i].Err
		got := string(each[i].Result.Outcome)
		if err != nil {
			got = string(fault.KindOf(err))
			var f *fault.Error
			if asFault(err, &f) && len(f.Problems) > 0 {
				got += " " + f.Problems[0].Column
			}
		}
		if got != c.want {
			t.Errorf("%d %s\ngot %s (%v), want %s", i, c.body, got, err, c.want)
		}
	}
	conn := connect(t, url)
	for sql, want := range map[string]string{
		`SELECT underside::text FROM first_layers WHERE ref = 'F-1'`: "shown", // the job's flag, frozen at grading
		`SELECT filled_at::text FROM first_layers WHERE ref = 'F-1'`: "2026-07-01 12:00:00+00",
		`SELECT string_agg(format('%s=%s', field, coalesce(p.person, became)), ' ' ORDER BY c.id) FROM changes c JOIN first_layers f ON f.id = c.record LEFT JOIN people p ON '#' || p.id = c.became WHERE f.ref = 'F-1'`: "grade=marginal grader=ines graded_at=2026-03-01T07:20:00Z material=PLA marks=A1:dragged:2 B2:blobs:1 underside=shown layer_height_mm=0.25 outcome=detached",
		`SELECT replaces_ref FROM holds WHERE ref = 'H-2'`:                                            "H-1",
		`SELECT void_arrived_at::text FROM holds WHERE ref = 'H-1'`:                                   "2026-07-01 12:00:00+00",
		`SELECT DISTINCT via || '/' || device || '/' || why FROM acts WHERE via = 'api'`:              "api/tablet 3/test",
		`SELECT string_agg(field, ' ' ORDER BY c.id) FROM changes c JOIN probes p ON p.id = c.record`: "voided_at void_reason",
	} {
		if got := one[string](t, conn, sql+` `); got != want {
			t.Errorf("%s\ngot  %s\nwant %s", sql, got, want)
		}
	}
}

func asFault(err error, f **fault.Error) bool {
	for err != nil {
		if e, ok := err.(*fault.Error); ok {
			*f = e
			return true
		}
		u, ok := err.(interface{ Unwrap() error })
		if !ok {
			return false
		}
		err = u.Unwrap()
	}
	return false
}

// The same rules hold when the rows come in one bundle, or in another one later;
// also for a big first import, which takes the indexes away meanwhile.
func TestRepeatsInBundles(t *testing.T) {
	const rows = layerHeader +
		"F-1,R-1,T-1,2026-01-02T03:04:05Z,,,,,,,,,,\n" +
		"F-2,R-1,T-1,2026-01-02T04:04:05Z,clean,PLA,,,,,,,,\n" +
		"F-1,R-1,T-1,2026-01-02T04:04:05+01:00,,,,,,,,,,\n" + // the same instant
		"F-1,R-1,T-1,2026-01-02T03:04:05Z,failed,,,,,A1:blobs:1,,,,\n" + // graded later
		"F-1,R-1,T-1,2026-01-02T03:04:05Z,failed,,,,,,,,a note,\n" +
		"F-2,R-1,T-1,2026-01-02T04:04:05Z,failed,,,,,,,,,\n" + // conflict
		"F-3,R-1,T-1,2026-01-02T05:04:05Z,,,,,,,,,,\n" +
		"F-3,R-1,T-1,2026-01-02T05:04:05Z,,,,,,,,,,\n"
	for name, above := range map[string]int64{"with indexes": 1 << 40, "with indexes lifted": 0} {
		t.Run(name, func(t *testing.T) {
			defer store.SetLiftAbove(store.SetLiftAbove(above))
			s := open(t)
			r := imports(t, s, small().with("first_layers.csv", rows), store.ImportOptions{Partial: true})
			if got := counts(r, "first_layers.csv"); got != "8 rows: 5 2 1" || r.ProblemsTotal != 1 || r.Problems[0].Line != 7 || r.Problems[0].Column != "grade" {
				t.Errorf("got %s\n%s", got, r.Text())
			}
			again := imports(t, s, small().with("first_layers.csv", rows), store.ImportOptions{Partial: true})
			if got := counts(again, "first_layers.csv"); got != "8 rows: 0 7 1" {
				t.Errorf("again: got %s\n%s", got, again.Text())
			}
			dir := t.TempDir()
			if _, err := s.Export(context.Background(), dir); err != nil {
				t.Fatal(err)
			}
			text, _ := os.ReadFile(filepath.Join(dir, "first_layers.csv"))
			for _, want := range []string{"F-1,R-1,T-1,2026-01-02T03:04:05Z,,failed,", "A1:blobs:1", "a note", "F-2,R-1,T-1,2026-01-02T04:04:05Z,,clean,"} {
				if !strings.Contains(string(text), want) {
					t.Errorf("the export lacks %q:\n%s", want, text)
				}
			}
		})
	}
}

func TestLiftedIndexesAreAllThereAfterwards(t *testing.T) {
	defer store.SetLiftAbove(store.SetLiftAbove(0))
	url := testdb.New(t)
	conn := connect(t, url)
	before := one[string](t, conn, shape)
	s, err := store.Open(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	r, err := s.Import(context.Background(), byImport, folder(t, "../../testdata/sample-farm"), store.ImportOptions{})
	if err != nil || counts(r, "first_layers.csv") != "10684 rows: 10631 53 0" {
		t.Fatalf("%v\n%s", err, r.Text())
	}
	if after := one[string](t, conn, shape); after != before {
		t.Errorf("the schema changed\nbefore\n%s\nafter\n%s", before, after)
	}
	if n := one[int](t, conn, `SELECT count(*)::int FROM pg_trigger WHERE tgenabled <> 'O'`); n != 0 {
		t.Errorf("%d triggers are left off", n)
	}
}

func TestTheSameRecordTwentyTimesAtOnce(t *testing.T) {
	s, url := farmWithThings(t)
	var wg sync.WaitGroup
	var mu sync.Mutex
	outcomes := map[store.Outcome]int{}
	for range 20 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			item := intake.ParseRecord([]byte(`{"kind":"first_layer","id":"F-77","printer":"R-1","plate":"T-1","material":"new stuff","started_at":"2026-03-01T07:00:00Z"}`), "", clock)
			r, err := s.Record(context.Background(), byAPI, item)
			if err != nil {
				t.Error(err)
			}
			mu.Lock()
			outcomes[r.Outcome]++
			mu.Unlock()
		}()
	}
	wg.Wait()
	if outcomes[store.Recorded] != 1 || outcomes[store.AlreadyRecorded] != 19 {
		t.Errorf("got %v, want one recorded and 19 already recorded", outcomes)
	}
	if n := one[int](t, connect(t, url), `SELECT count(*)::int FROM first_layers`); n != 1 {
		t.Errorf("got %d rows, want 1", n)
	}
}

// The constraints stand in the database, whoever writes.
func TestTheDatabaseRefusesWhatMayNotBe(t *testing.T) {
	s, url := farmWithThings(t)
	if _, err := send(t, s, `{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z"}`); err != nil {
		t.Fatal(err)
	}
	conn := connect(t, url)
	const layer = `INSERT INTO first_layers (id, started_at, noted_at, arrived_at, printer, %s) VALUES (gen_random_uuid(), '2026-01-01Z', '2026-01-01Z', '2026-01-01Z', %s)`
	for _, c := range []struct{ sql, state string }{
		{fmt.Sprintf(layer, "plate", "1, 999"), "23503"},
		{fmt.Sprintf(layer, "plate", "999, NULL"), "23503"},
		{fmt.Sprintf(layer, "grader", "1, 999"), "23503"},
		{fmt.Sprintf(layer, "grade", "1, 'perfect'"), "22P02"},
		{fmt.Sprintf(layer, "graded_at", "1, '2025-01-01Z'"), "23514"},
		{fmt.Sprintf(layer, "nudge_mm", "1, 1.01"), "23514"},
		{fmt.Sprintf(layer, "nudge_mm", "1, 'NaN'"), "23514"},
		{fmt.Sprintf(layer, "marks", "1, 'A1:blobs:4'"), "23514"},
		{fmt.Sprintf(layer, "readings", "1, 'A1 0.2'"), "23514"},
		{fmt.Sprintf(layer, "covered", "1, 'J1'"), "23514"},
		{fmt.Sprintf(layer, "voided_at", "1, '2026-01-01Z'"), "23514"},
		{`INSERT INTO probes (id, probed_at, noted_at, arrived_at, printer, columns, rows, heights_mm) VALUES (gen_random_uuid(), now(), now(), now(), 1, 1, 1, '{5.1}')`, "23514"},
		{`INSERT INTO probes (id, probed_at, noted_at, arrived_at, printer, columns, rows, heights_mm) VALUES (gen_random_uuid(), now(), now(), now(), 1, 2, 1, '{0.1}')`, "23514"},
		{`INSERT INTO holds (id, placed_at, noted_at, arrived_at, subject_kind, plate) VALUES (gen_random_uuid(), now(), now(), now(), 'printer', 1)`, "23514"},
		{`INSERT INTO printers (printer, bed_x_mm, bed_y_mm) VALUES ('r-1', 100, 100)`, "23505"},
		{`INSERT INTO printers (printer, bed_x_mm, bed_y_mm) VALUES ('R-7', 49, 100)`, "23514"},
		{`INSERT INTO records SELECT id, happened_at, arrived_at, digest, act, owner, kind FROM records`, "23505"},
		{`INSERT INTO records SELECT gen_random_uuid(), happened_at, arrived_at, digest, 999, owner, kind FROM records`, "23503"},
		{`DELETE FROM first_layers`, "23001"},
		{`DELETE FROM printers WHERE false`, "23001"},
		{`TRUNCATE records CASCADE`, "23001"},
		{`UPDATE first_layers SET plate = 999`, "23503"},
	} {
		_, err := conn.Exec(context.Background(), c.sql)
		if got := store.SQLState(err); got != c.state {
			t.Errorf("%s\ngot %q (%v), want %s", c.sql, got, err, c.state)
		}
	}
	if _, err := conn.Exec(context.Background(), `UPDATE printers SET id = 999 WHERE id = 1`); err == nil {
		t.Error("a printer was renumbered")
	}
}

// All tables locked, or the database gone: Busy within six seconds, never a hang.
func TestLocksAndSilenceAreBusy(t *testing.T) {
	s, url := farmWithThings(t)
	conn := connect(t, url)
	if _, err := conn.Exec(context.Background(), `BEGIN; LOCK TABLE records, printers, first_layers`); err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	_, err := send(t, s, `{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z"}`)
	if !fault.Is(err, fault.Busy) || time.Since(begun) > 6*time.Second {
		t.Errorf("locked: got %v after %v, want busy within 6 s", err, time.Since(begun))
	}
	_, _ = conn.Exec(context.Background(), `ROLLBACK`)
	_, _ = conn.Exec(context.Background(), `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()`)
	failed := 0
	for range 5 {
		if _, err := send(t, s, `{"kind":"first_layer","id":"F-1","printer":"R-1","started_at":"2026-03-01T07:00:00Z"}`); err != nil {
			if !fault.Is(err, fault.Busy) {
				t.Errorf("terminated: got %v, want busy", err)
			}
			failed++
		}
	}
	if failed > 2 {
		t.Errorf("%d calls failed after all connections were cut, want at most 2", failed)
	}
}

func TestTheReportsJSONIsTheContracts(t *testing.T) {
	r := mustImport(t, open(t), small())
	b, err := json.Marshal(r)
	want := `{"files":[{"file":"printers.csv","rows":2,"recorded":2,"already_recorded":0,"refused":0},{"file":"plates.csv","rows":2,"recorded":2,"already_recorded":0,"refused":0}],"created":[],"problems":[],"problems_total":0}`
	if err != nil || string(b) != want {
		t.Errorf("got %s\nwant %s", b, want)
	}
}
