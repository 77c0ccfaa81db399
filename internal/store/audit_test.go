package store_test

import (
	"context"
	"strings"
	"testing"

	"basecourse/internal/farm"
	"basecourse/internal/store"
)

func sealed(t *testing.T, s *store.Store) *store.Audit {
	t.Helper()
	ctx := context.Background()
	for {
		n, err := s.Seal(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			break
		}
	}
	a, err := s.Verify(ctx, "")
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestTheTrailIsWhole seals a farm with everything in it, then records, grades,
// voids and changes on, and finds nothing broken.
func TestTheTrailIsWhole(t *testing.T) {
	ctx := context.Background()
	s, _ := fullFarm(t)
	first := sealed(t, s)
	if first.Broken > 0 || first.Waiting > 0 || first.Acts < 3 || first.Head == "" {
		t.Fatalf("a new farm's trail: %+v", first)
	}
	printer := anyPrinter(t, s)
	for _, body := range []string{
		`{"kind":"first_layer","id":"T-1","printer":"` + printer + `","started_at":"2026-03-01T07:00:00Z"}`,
		`{"kind":"first_layer","id":"T-1","printer":"` + printer + `","started_at":"2026-03-01T07:00:00Z","grade":"clean","graded_at":"2026-03-01T07:05:00Z","grader":"newcomer"}`,
		`{"kind":"first_layer","id":"T-2","printer":"` + printer + `","started_at":"2026-03-01T08:00:00Z","grade":"failed","graded_at":"2026-03-01T08:05:00Z"}`,
		`{"kind":"hold","id":"TH-1","subject_kind":"printer","subject":"` + printer + `","placed_at":"2026-03-01T09:00:00Z","reason":"noise"}`,
		`{"kind":"hold","id":"TH-1","subject_kind":"printer","subject":"` + printer + `","placed_at":"2026-03-01T09:00:00Z","reason":"noise","released_at":"2026-03-01T10:00:00Z","release_reason":"gone"}`,
		`{"kind":"void","record":"T-2","voided_at":"2026-03-01T11:00:00Z","void_reason":"another printer","voided_by":"newcomer","replaced_by":"T-1"}`,
	} {
		if r, err := send(t, s, body); err != nil || r.Outcome != store.Recorded {
			t.Fatalf("%s: %v %v", body, r, err)
		}
		if a := sealed(t, s); a.Broken > 0 {
			t.Fatalf("after %s: %+v", body, a.Breaks)
		}
	}
	a := sealed(t, s)
	if a.Acts != first.Acts+6 || a.Head == first.Head {
		t.Errorf("%d acts with head %.8s after %d with %.8s", a.Acts, a.Head, first.Acts, first.Head)
	}
	if again, err := s.Verify(ctx, strings.ToUpper(first.Head)); err != nil || !again.HeadFound {
		t.Errorf("the head noted before is not found: %v", err)
	}
	if again, err := s.Verify(ctx, strings.Repeat("0", 64)); err != nil || again.HeadFound {
		t.Errorf("a head that never was is found: %v", err)
	}
}

// TestTamperingShows changes the tables as somebody with the database's rights
// could, triggers out of the way.
func TestTamperingShows(t *testing.T) {
	s, url := fullFarm(t)
	printer := anyPrinter(t, s)
	for _, body := range []string{
		`{"kind":"first_layer","id":"T-1","printer":"` + printer + `","started_at":"2026-03-01T07:00:00Z"}`,
		`{"kind":"first_layer","id":"T-1","printer":"` + printer + `","started_at":"2026-03-01T07:00:00Z","grade":"failed","graded_at":"2026-03-01T07:05:00Z"}`,
	} {
		if _, err := send(t, s, body); err != nil {
			t.Fatal(err)
		}
	}
	if a := sealed(t, s); a.Broken > 0 {
		t.Fatalf("before: %+v", a.Breaks)
	}
	conn, ctx := connect(t, url), context.Background()
	for _, x := range []struct{ name, sql, want string }{
		{"a filled field", `UPDATE first_layers SET grade = 'clean' WHERE ref = 'T-1'`, "T-1"},
		{"a field as recorded", `UPDATE first_layers SET started_at = started_at, lot = 'other' WHERE ref = 'T-1'`, "act"},
		{"an imported row", `UPDATE cleanings SET method = 'deep' WHERE id = (SELECT id FROM cleanings WHERE method <> 'deep' LIMIT 1)`, "by import"},
		{"the text of a change", `UPDATE changes SET became = 'clean' WHERE became = 'failed'`, "act"},
		{"who did it", `UPDATE acts SET person = (SELECT max(id) FROM people) WHERE id = (SELECT max(id) FROM acts)`, "act"},
		{"when", `UPDATE acts SET at = at - interval '1 minute' WHERE id = (SELECT max(id) FROM acts)`, "act"},
		{"a change gone", `DELETE FROM changes WHERE id = (SELECT max(id) FROM changes)`, "act"},
		{"a record gone", `DELETE FROM first_layers WHERE ref = 'T-1'`, "act"},
		{"a row nobody recorded", `INSERT INTO services (id, done_at, noted_at, arrived_at, printer, work) SELECT gen_random_uuid(), now(), now(), now(), min(id), 'bed' FROM printers`, "nobody recorded"},
		{"an act nobody sealed", `INSERT INTO acts (at, via) VALUES (now(), 'page')`, "never sealed"},
		{"the chain cut", `UPDATE seals SET seq = 2 WHERE seq = 1`, "seal 1 is gone"},
		{"the chain cut short", `DELETE FROM seals WHERE seq = (SELECT max(seq) FROM seals)`, "never sealed"},
		{"a seal's digest", `UPDATE seals SET digests = decode(repeat('00', octet_length(digests)), 'hex')`, "does not follow"},
	} {
		tx, err := conn.Begin(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for _, table := range []string{"first_layers", "cleanings", "changes", "acts", "seals", "services", "records"} {
			if _, err := tx.Exec(ctx, `ALTER TABLE `+table+` DISABLE TRIGGER USER`); err != nil {
				t.Fatal(err)
			}
		}
		if tag, err := tx.Exec(ctx, x.sql); err != nil || tag.RowsAffected() == 0 {
			t.Fatalf("%s: nothing was tampered with (%v)", x.name, err)
		}
		// Looked at from within, so that the next case finds the farm whole.
		a, err := store.VerifyIn(ctx, tx)
		if err != nil {
			t.Fatal(err)
		}
		if err := tx.Rollback(ctx); err != nil {
			t.Fatal(err)
		}
		if a.Broken == 0 || !strings.Contains(a.Breaks[0].What, x.want) && x.want != "T-1" {
			t.Errorf("%s: got %+v, want a break that says %q", x.name, a.Breaks, x.want)
		}
	}
	if a := sealed(t, s); a.Broken > 0 {
		t.Errorf("afterwards: %+v", a.Breaks)
	}
}

// TestTheTrailOnlyGrows: the database itself refuses.
func TestTheTrailOnlyGrows(t *testing.T) {
	s, url := fullFarm(t)
	sealed(t, s)
	conn := connect(t, url)
	for _, table := range []string{"acts", "changes", "records", "seals"} {
		for _, sql := range []string{`UPDATE %s SET ` + map[string]string{"acts": "why = 'x'", "changes": "was = 'x'", "records": "digest = 0", "seals": "link = link"}[table], `DELETE FROM %s`, `TRUNCATE %s CASCADE`} {
			if _, err := conn.Exec(context.Background(), strings.ReplaceAll(sql, "%s", table)); err == nil || !strings.Contains(err.Error(), "23001") {
				t.Errorf("%s on %s: got %v, want a refusal", sql, table, err)
			}
		}
	}
	if _, err := conn.Exec(context.Background(), `DELETE FROM changed_names`); err == nil {
		t.Error("names of people go without a removal")
	}
}

// TestPeopleStandInTheTrailByNumber looks for handles and names in the tables of
// the trail.
func TestPeopleStandInTheTrailByNumber(t *testing.T) {
	ctx := context.Background()
	s, url := fullFarm(t)
	before, err := s.Thing(ctx, farm.KindPerson, "keeper")
	if err != nil {
		t.Fatal(err)
	}
	after := *before.(*farm.Person)
	after.Name = "Kepa Etxe"
	if err := s.SaveThings(ctx, store.Act{Via: "page", Person: "keeper"}, farm.KindPerson, store.ThingEdit{Before: before, After: &after}); err != nil {
		t.Fatal(err)
	}
	conn := connect(t, url)
	for _, text := range []string{"keeper", "Kepa"} {
		if n := one[int](t, conn, `SELECT count(*)::int FROM changes WHERE concat_ws(' ', thing, was, became) LIKE '%`+text+`%'`); n != 0 {
			t.Errorf("%q stands in %d changes", text, n)
		}
	}
	changes, err := s.ThingChanges(ctx, 10, store.ThingName{Kind: farm.KindPerson, Name: "keeper"})
	if err != nil || len(changes) == 0 || changes[0].Became != "Kepa Etxe" || changes[0].Thing != "keeper" || changes[0].Person != "keeper" {
		t.Errorf("the changes of a person: %+v, %v", changes, err)
	}
	if a := sealed(t, s); a.Broken > 0 {
		t.Errorf("%+v", a.Breaks)
	}
}
