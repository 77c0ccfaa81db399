package store_test

import (
	"context"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
)

var byPage = store.Act{Via: "page", Person: "amara"}

func printer(tag string) *farm.Printer {
	return &farm.Printer{Tag: tag, BedXMM: 250, BedYMM: 210, ZStepMM: math.NaN()}
}

// columnsOfProblems names the fields a refusal speaks of.
func columnsOfProblems(err error) string {
	f, ok := err.(*fault.Error)
	if !ok {
		return ""
	}
	var list []string
	for _, p := range f.Problems {
		list = append(list, p.Column)
	}
	return strings.Join(list, " ")
}

func TestThingsAreAddedChangedAndTheirChangesKept(t *testing.T) {
	s, ctx := open(t), context.Background()
	if err := s.AddAccount(ctx, store.Act{Via: "command"}, "amara", "admin", "hash"); err != nil {
		t.Fatal(err)
	}
	if err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{After: printer("P-1")}); err != nil {
		t.Fatal(err)
	}
	got, err := s.Thing(ctx, farm.KindPrinter, "P-1")
	if err != nil {
		t.Fatal(err)
	}
	before := got.(*farm.Printer)
	if before.ZoneCols != 3 || before.ZStepMM != 0.01 || before.ProbingRecorded != "all" {
		t.Errorf("a new printer: got %+v, want the defaults", before)
	}
	after := *before
	after.Bay, after.Name, after.ZoneCols = "North", "", 4
	if err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{Before: before, After: &after}); err != nil {
		t.Fatal(err)
	}
	changes, err := s.ThingChanges(ctx, 10, store.ThingName{Kind: farm.KindPrinter, Name: "P-1"})
	if err != nil {
		t.Fatal(err)
	}
	if c := changes[0]; c.Field != "zone_cols" || c.Was != "3" || c.Became != "4" || c.Person != "amara" || c.Via != "page" {
		t.Errorf("the last change: got %+v, want zone_cols from 3 to 4 by amara", c)
	}
	emptied := after
	emptied.Bay = ""
	if err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{Before: &after, After: &emptied}); err != nil {
		t.Fatal(err)
	}
	if got, _ := s.Thing(ctx, farm.KindPrinter, "P-1"); got.(*farm.Printer).Bay != "" {
		t.Errorf("an emptied bay: got %q", got.(*farm.Printer).Bay)
	}
}

func TestWhatSomebodyElseSavedIsNotOverwritten(t *testing.T) {
	s, ctx := open(t), context.Background()
	before := printer("P-1")
	before.Bay, before.ZoneCols, before.ZoneRows, before.ZStepMM, before.ProbingRecorded = "North", 3, 3, 0.01, "all"
	if err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{After: before}); err != nil {
		t.Fatal(err)
	}
	theirs, mine := *before, *before
	theirs.Bay, mine.Name = "South", "The old one"
	if err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{Before: before, After: &theirs}); err != nil {
		t.Fatal(err)
	}
	err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{Before: before, After: &mine})
	if !fault.Is(err, fault.Conflict) || columnsOfProblems(err) != "bay" {
		t.Fatalf("saving over somebody else: got %v, want a conflict about the bay", err)
	}
	got, _ := s.Thing(ctx, farm.KindPrinter, "P-1")
	if p := got.(*farm.Printer); p.Bay != "South" || p.Name != "" {
		t.Errorf("afterwards: got %+v, want theirs whole", p)
	}
	same := theirs
	if err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{Before: before, After: &same}); err != nil {
		t.Errorf("wanting what stands there already: got %v", err)
	}
}

func TestTagsDifferByMoreThanCase(t *testing.T) {
	s, ctx := open(t), context.Background()
	if err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{After: printer("P-1")}); err != nil {
		t.Fatal(err)
	}
	for _, tag := range []string{"P-1", "p-1"} {
		if err := s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{After: printer(tag)}); !fault.Is(err, fault.Conflict) || columnsOfProblems(err) != "printer" {
			t.Errorf("%s: got %v, want a conflict about the tag", tag, err)
		}
	}
	// Twenty at once: one gets it, nobody sees a defect.
	var wait sync.WaitGroup
	results := make([]error, 20)
	for i := range results {
		wait.Go(func() {
			results[i] = s.SaveThings(ctx, byPage, farm.KindPrinter, store.ThingEdit{After: printer([]string{"Q-7", "q-7"}[i%2])})
		})
	}
	wait.Wait()
	good := 0
	for _, err := range results {
		if err == nil {
			good++
		} else if !fault.Is(err, fault.Conflict) {
			t.Errorf("got %v, want a conflict", err)
		}
	}
	if good != 1 {
		t.Errorf("%d of 20 were added, want 1", good)
	}
}

func TestAJobNamesAMaterialThatIsKnown(t *testing.T) {
	s, ctx := open(t), context.Background()
	job := &farm.Job{Job: "O-1", Material: "PLA", HoursPerPlate: math.NaN(), FirstLayerMinutes: math.NaN(), Value: math.NaN(), LateFeePerHour: math.NaN()}
	if err := s.SaveThings(ctx, byPage, farm.KindJob, store.ThingEdit{After: job}); !fault.Is(err, fault.Invalid) || columnsOfProblems(err) != "material" {
		t.Errorf("got %v, want the material refused", err)
	}
	if list, total, err := s.Things(ctx, farm.KindMaterial, "", 0, 10); err != nil || total != 0 || len(list) != 0 {
		t.Errorf("afterwards there are %d materials, want none made by the way", total)
	}
}

func TestTheLastAdminStays(t *testing.T) {
	s, ctx := open(t), context.Background()
	command := store.Act{Via: "command"}
	for _, h := range []string{"amara", "jonas"} {
		if err := s.AddAccount(ctx, command, h, "admin", "hash"); err != nil {
			t.Fatal(err)
		}
	}
	demote := func(h string) error {
		return s.SaveThings(ctx, byPage, farm.KindPerson, store.ThingEdit{Before: &farm.Person{Handle: h, Role: "admin"}, After: &farm.Person{Handle: h, Role: "operator"}})
	}
	// Both step down at once: one stays.
	var wait sync.WaitGroup
	results := make([]error, 2)
	for i, h := range []string{"amara", "jonas"} {
		wait.Go(func() { results[i] = demote(h) })
	}
	wait.Wait()
	if (results[0] == nil) == (results[1] == nil) {
		t.Fatalf("stepping down at once: got %v, want one to go through", results)
	}
	last := "amara"
	if results[0] == nil {
		last = "jonas"
	}
	if err := s.DisableAccount(ctx, byPage, last); !fault.Is(err, fault.Conflict) {
		t.Errorf("switching the last admin off: got %v, want a conflict", err)
	}
	report, err := s.ImportFarm(ctx, byImport, &farm.Bundle{People: []farm.Person{{Handle: last, Role: "manager"}}}, store.ImportOptions{Update: true})
	if err != nil || report.Stored || report.ProblemsTotal != 1 || report.Problems[0].Column != "role" {
		t.Errorf("importing another role for the last admin: got %+v, %v; want the row refused", report, err)
	}
}

func TestAPersonIsSwitchedOffAndOnAgain(t *testing.T) {
	s, ctx := open(t), context.Background()
	command := store.Act{Via: "command"}
	if err := s.SaveThings(ctx, byPage, farm.KindPerson, store.ThingEdit{After: &farm.Person{Handle: "wei"}}); err != nil {
		t.Fatal(err)
	}
	if err := s.SetPassword(ctx, command, "wei", "hash"); err != nil {
		t.Fatal(err)
	}
	first, err := s.AccountByHandle(ctx, "wei")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.DisableAccount(ctx, command, "wei"); err != nil {
		t.Fatal(err)
	}
	if _, err := s.AccountByHandle(ctx, "wei"); !fault.Is(err, fault.NotFound) {
		t.Errorf("switched off: got %v, want not found", err)
	}
	if err := s.SetPassword(ctx, command, "wei", "other"); !fault.Is(err, fault.NotFound) {
		t.Errorf("a password for somebody switched off: got %v, want not found", err)
	}
	s.SetClock(func() time.Time { return clock.Add(time.Minute) })
	if err := s.EnableAccount(ctx, command, "wei"); err != nil {
		t.Fatal(err)
	}
	again, err := s.AccountByHandle(ctx, "wei")
	if err != nil || !again.ChangedAt.After(first.ChangedAt) {
		t.Errorf("switched on again: got %+v, %v; want sessions from before to be void", again, err)
	}
	states, err := s.AccountStates(ctx, []string{"wei", "nobody"})
	if err != nil || len(states) != 1 || !states["wei"].HasPassword || states["wei"].DisabledAt != nil {
		t.Errorf("got %+v, %v", states, err)
	}
}
