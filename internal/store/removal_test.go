package store_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/notices"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

// TestALeaverGoesWithoutATrace removes a person who recorded, and looks for the
// handle and the name in every column of every table.
func TestALeaverGoesWithoutATrace(t *testing.T) {
	ctx := context.Background()
	s, url := fullFarm(t)
	if err := s.AddAccount(ctx, store.Act{Via: "command"}, "leavername", "manager", "$argon2id$hash"); err != nil {
		t.Fatal(err)
	}
	was, err := s.Thing(ctx, farm.KindPerson, "leavername")
	if err != nil {
		t.Fatal(err)
	}
	named := *was.(*farm.Person)
	named.Name = "Leavername Surname"
	if err := s.SaveThings(ctx, store.Act{Via: "page", Person: "keeper"}, farm.KindPerson, store.ThingEdit{Before: was, After: &named}); err != nil {
		t.Fatal(err)
	}
	account, err := s.AccountByHandle(ctx, "leavername")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.SetPin(ctx, store.Act{Via: "command"}, "leavername", "$argon2id$leavername"); err != nil {
		t.Fatal(err)
	}
	if err := s.LinkSignIn(ctx, store.Act{Via: "command"}, "leavername", "https://id.farm.example", "leavername-at-provider"); err != nil {
		t.Fatal(err)
	}
	if err := s.AskAddress(ctx, account.Person, "leavername@farm.example", strings.Repeat("c", 32), strings.Repeat("s", 32)); err != nil {
		t.Fatal(err)
	}
	if err := s.SaveNoticeSettings(ctx, account.Person, store.NoticeSettings{Hold: "mail", Finding: "app", Job: "off"}); err != nil {
		t.Fatal(err)
	}
	if err := s.BeginSecondFactor(ctx, account.Person, "SECRET"); err != nil {
		t.Fatal(err)
	}
	if err := s.ConfirmSecondFactor(ctx, store.Act{Via: "command"}, "leavername", "SECRET", 1, [][32]byte{{1}}); err != nil {
		t.Fatal(err)
	}
	if err := s.SetCalendarKey(ctx, store.Act{Via: "command"}, "leavername", [32]byte{2}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Tell(ctx, []notices.Notice{notices.Hold("printer", "P-001", s.Now(), time.UTC)}, time.UTC); err != nil {
		t.Fatal(err)
	}
	printer := anyPrinter(t, s)
	for _, body := range []string{
		`{"kind":"first_layer","id":"T-1","printer":"` + printer + `","started_at":"2026-03-01T07:00:00Z"}`,
		`{"kind":"first_layer","id":"T-1","printer":"` + printer + `","started_at":"2026-03-01T07:00:00Z","grade":"clean","graded_at":"2026-03-01T07:05:00Z","grader":"leavername"}`,
	} {
		if _, err := send(t, s, body); err != nil {
			t.Fatal(err)
		}
	}
	before := sealed(t, s)
	path, _ := backup(t, s)
	if err := s.RemoveLater(ctx, store.Act{Via: "command"}, "leavername", s.Now()); !fault.Is(err, fault.Conflict) {
		t.Errorf("somebody who may still sign in: got %v, want a conflict", err)
	}
	if err := s.DisableAccount(ctx, store.Act{Via: "command"}, "leavername"); err != nil {
		t.Fatal(err)
	}
	if err := s.RemoveLater(ctx, store.Act{Via: "page", Person: "keeper"}, "leavername", s.Now().Add(30*24*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if n, err := s.RemoveDue(ctx); err != nil || n != 0 {
		t.Errorf("before the time: %d removed, %v", n, err)
	}
	now := s.Now()
	s.SetClock(func() time.Time { return now.Add(31 * 24 * time.Hour) })
	if n, err := s.RemoveDue(ctx); err != nil || n != 1 {
		t.Fatalf("after the time: %d removed, %v", n, err)
	}
	if n, err := s.RemoveDue(ctx); err != nil || n != 0 {
		t.Errorf("once more: %d removed, %v", n, err)
	}
	s.SetClock(func() time.Time { return now })
	traces := func(url string) {
		t.Helper()
		conn := connect(t, url)
		for _, table := range strings.Split(one[string](t, conn, `SELECT string_agg(table_name, ' ') FROM information_schema.tables WHERE table_schema = 'public' AND table_type = 'BASE TABLE'`), " ") {
			if n := one[int](t, conn, `SELECT count(*)::int FROM `+table+` t WHERE t::text ILIKE '%leavername%'`); n != 0 {
				t.Errorf("table %s: %d rows hold the handle or the name", table, n)
			}
		}
		for _, table := range []string{"passwords", "pins", "second_factors", "recovery_codes", "sign_in_links", "calendar_keys", "mail_addresses", "notice_settings", "person_notices", "deliveries"} {
			if n := one[int](t, conn, `SELECT count(*)::int FROM `+table+` x JOIN people p ON p.id = x.person WHERE p.removed_at IS NOT NULL`); n != 0 {
				t.Errorf("table %s: %d rows of theirs are still there", table, n)
			}
		}
		if got := one[string](t, conn, `SELECT p.person FROM first_layers f JOIN people p ON p.id = f.grader WHERE f.ref = 'T-1'`); !strings.HasPrefix(got, "left-") {
			t.Errorf("the layer is graded by %q", got)
		}
	}
	traces(url)
	if a := sealed(t, s); a.Broken > 0 || a.Acts <= before.Acts {
		t.Errorf("the trail afterwards: %+v", a.Breaks)
	}
	if err := s.EnableAccount(ctx, store.Act{Via: "page"}, "left-1"); err == nil {
		t.Error("a removed person is switched on again")
	}
	// An older backup has the name; the list removes it again, and nobody of another farm.
	list, err := s.Removals(ctx)
	if err != nil || len(list) != 1 {
		t.Fatalf("the list: %v, %v", list, err)
	}
	again := testdb.NewEmpty(t)
	if _, err := store.Restore(ctx, again, path); err != nil {
		t.Fatal(err)
	}
	r, err := store.Open(ctx, again)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	other := list[0]
	other.Farm++
	if n, err := r.ApplyRemovals(ctx, []store.Removal{other}); err != nil || n != 0 {
		t.Errorf("another farm's list removes %d, %v", n, err)
	}
	if n, err := r.ApplyRemovals(ctx, append(list, list...)); err != nil || n != 1 {
		// The same person twice on a list counts once.
		t.Errorf("the list removes %d, %v, want 1", n, err)
	}
	traces(again)
	if a := sealed(t, r); a.Broken > 0 {
		t.Errorf("the trail after the restore: %+v", a.Breaks)
	}
}

func TestTheLastAdminIsNotRemoved(t *testing.T) {
	ctx := context.Background()
	s, _ := fullFarm(t)
	if err := s.RemovePerson(ctx, store.Act{Via: "command"}, "keeper"); !fault.Is(err, fault.Conflict) {
		t.Errorf("got %v, want a conflict", err)
	}
}
