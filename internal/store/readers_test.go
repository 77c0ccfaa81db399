package store_test

import (
	"context"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

func TestEveryEventIsFoundByItsId(t *testing.T) {
	ctx, s := context.Background(), open(t)
	src := folder(t, "../../testdata/bundles/everything")
	if r, err := s.Import(ctx, byImport, src, store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatalf("%v\n%s", err, r.Text())
	}
	for _, table := range intake.Tables {
		if !table.Event {
			continue
		}
		in, err := src.Open(table.File)
		if err != nil {
			t.Fatal(err)
		}
		reader, err := intake.NewReader(table, in, clock)
		if err != nil {
			t.Fatal(err)
		}
		var row intake.Row
		for rec := table.New(); ; {
			more, err := reader.Next(&row, rec)
			if err != nil {
				t.Fatal(err)
			}
			if !more {
				break
			}
			id := *table.Fields[0].At(rec).(*farm.ID)
			got, err := s.Event(ctx, table.Kind, farm.ID{UUID: id.UUID})
			if err != nil {
				t.Errorf("%s %s: %v", table.Kind, id.Text(), err)
				continue
			}
			for _, f := range table.Fields {
				if !f.Empty(rec) && !f.Same(rec, got) {
					t.Errorf("%s %s %s: got %q, want %q", table.Kind, id.Text(), f.Name, f.Text(got), f.Text(rec))
				}
			}
		}
	}
	id, _ := farm.NewID(farm.KindProbe, "nobody")
	if _, err := s.Event(ctx, farm.KindProbe, id); !fault.Is(err, fault.NotFound) {
		t.Errorf("an unknown id: got %v, want not found", err)
	}
}

func TestSettingsHoldsAndNamesAreRead(t *testing.T) {
	ctx, s := context.Background(), open(t)
	if r, err := s.Import(ctx, byImport, folder(t, "../../testdata/bundles/everything"), store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatalf("%v\n%s", err, r.Text())
	}
	settings, err := s.Settings(ctx)
	if err != nil || settings.Text("currency") != "CHF" || settings.Number("failure_minutes") != 30 {
		t.Errorf("settings: got %v %v", settings, err)
	}
	for at, want := range map[string][]string{
		"2026-03-02T06:00:00Z": {"H-1"}, // the printer's, not yet released
		"2026-03-02T10:00:00Z": {"H-2"}, // the voided one never counts
		"2026-03-01T00:00:00Z": nil,
	} {
		when, _ := time.Parse(time.RFC3339, at)
		holds, err := s.OpenHolds(ctx, when)
		if err != nil || len(holds) != len(want) || len(holds) > 0 && holds[0].ID.Ref != want[0] {
			t.Errorf("holds at %s: got %v %v, want %v", at, holds, err, want)
		}
	}
	people, err := s.People(ctx, "ines", 2)
	if err != nil || len(people) != 2 || people[0].Handle != "no-role" || people[1].Handle != "tomas" {
		t.Errorf("people: got %v %v", people, err)
	}
	jobs, err := s.Jobs(ctx, "", 10)
	if err != nil || len(jobs) != 2 || jobs[0].Material != "PLA" {
		t.Errorf("jobs: got %v %v", jobs, err)
	}
	materials, err := s.Materials(ctx, "", 10)
	if err != nil || len(materials) != 2 || materials[0].Note != "dry it\ntwo lines" {
		t.Errorf("materials: got %v %v", materials, err)
	}
}

func TestDisagreementsAreReadUntilWithdrawn(t *testing.T) {
	ctx, s := context.Background(), open(t)
	if r, err := s.Import(ctx, byImport, folder(t, "../../testdata/bundles/everything"), store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatalf("%v\n%s", err, r.Text())
	}
	refs := func(list []*farm.Disagreement, err error) string {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		out := ""
		for _, d := range list {
			out += d.ID.Ref + " "
		}
		return out
	}
	for at, want := range map[string]string{"2026-03-02T09:40:30Z": "D-1 ", "2026-03-03T00:00:00Z": "D-3 D-1 ", "2026-03-01T00:00:00Z": ""} {
		when, _ := time.Parse(time.RFC3339, at)
		if got := refs(s.Disagreements(ctx, when)); got != want {
			t.Errorf("in force at %s: got %q, want %q", at, got, want)
		}
	}
	for _, c := range [][4]string{{"printer", "R-02", "skipped_probing", "D-1 "}, {"printer", "R-02", "cleaning_gap", ""}, {"plate", "T-5", "cleaning_gap", "D-2 "}, {"plate", "none", "cleaning_gap", ""}} {
		if got := refs(s.DisagreementsWith(ctx, c[0], c[1], c[2])); got != c[3] {
			t.Errorf("%v: got %q", c, got)
		}
	}
}

// Going back drops what the older schema has no place for, and nothing else.
func TestGoingBackDropsDisagreementsAlone(t *testing.T) {
	ctx := context.Background()
	url := testdb.New(t)
	s, err := store.Open(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.SetClock(func() time.Time { return clock })
	if r, err := s.Import(ctx, byImport, folder(t, "../../testdata/bundles/everything"), store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatalf("%v\n%s", err, r.Text())
	}
	conn := connect(t, url)
	holds := one[int](t, conn, `SELECT count(*)::int FROM records WHERE kind = 'hold'`)
	s.Close()
	if err := store.MigrateTo(ctx, url, 2); err != nil {
		t.Fatal(err)
	}
	conn = connect(t, url)
	if got := one[int](t, conn, `SELECT count(*)::int FROM records WHERE kind = 'hold'`); got != holds || holds == 0 {
		t.Errorf("%d holds in the id table, before %d", got, holds)
	}
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatal(err)
	}
	if got := one[int](t, connect(t, url), `SELECT count(*)::int FROM disagreements`); got != 0 {
		t.Errorf("%d disagreements came back", got)
	}
}
