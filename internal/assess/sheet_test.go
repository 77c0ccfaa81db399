package assess_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/trial"

	"github.com/gofrs/uuid/v5"
)

// keepOne asks for a sheet and has it worked out.
func keepOne(t *testing.T, s *store.Store, a *assess.Assessor, kind, tag, cause string) *farm.EvidenceSheet {
	t.Helper()
	ctx := context.Background()
	id, _ := uuid.NewV7()
	if err := a.WantSheet(ctx, store.SheetWanted{ID: id, SubjectKind: kind, Tag: tag, Cause: cause, Via: "command"}); err != nil {
		t.Fatal(err)
	}
	if n, err := a.KeepSheets(ctx, 0); err != nil || n != 1 {
		t.Fatalf("%d sheets, %v", n, err)
	}
	kept, err := s.EvidenceSheet(ctx, farm.ID{UUID: id})
	if err != nil {
		t.Fatal(err)
	}
	return kept
}

// sheetTested is a printer whose probing sim farm 9 skips at harm: raised, and on test.
const sheetTested = "P-012"

// lotsOf adds what lots drew of probing: of the standing lot until a month before the end, of a
// planned test of one printer in its last month.
func lotsOf(t *testing.T, b *farm.Bundle, today time.Time) {
	t.Helper()
	id := func(kind farm.Kind, text string) farm.ID {
		x, err := farm.NewID(kind, text)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	begins := today.AddDate(0, 0, -30)
	test := farm.PlannedTest{ID: id(farm.KindPlannedTest, "T-1"), SubjectKind: "printer", Subject: sheetTested, Cause: "skipped_probing", Task: "probe", BeginsAt: begins, Starts: 20, Share: 0.5,
		FailsLeft: 0.2, FailsDone: 0.05, Power: 0.8, Reason: "is it the probe?"}
	b.PlannedTests = append(b.PlannedTests, test)
	for i := range b.FirstLayers {
		f := &b.FirstLayers[i]
		if f.StartedAt.Before(today.AddDate(0, 0, -80)) {
			continue
		}
		d := farm.Draw{ID: id(farm.KindDraw, fmt.Sprint("D-", i)), Printer: f.Printer, Task: "probe", DrawnAt: f.StartedAt.Add(-time.Minute), Arm: "leave", Chance: 0.5, Saves: farm.Unknown(), Why: farm.DrawnLot}
		if d.DrawnAt.After(begins) {
			if d.Why = "T-1"; f.Printer != sheetTested {
				continue
			}
		}
		if trial.Number(nil, f.Printer, f.StartedAt.UnixMicro(), "probe") < 0.5 {
			d.Arm = "do"
		}
		b.Draws = append(b.Draws, d)
	}
}

// A sheet says the same to the byte after a year of other records: later ones, ones
// that came late, grades filled in, corrections, voidings, changed settings and things.
func TestASheetStaysTheSameToTheByte(t *testing.T) {
	ctx := context.Background()
	s := open(t)
	sc, _ := simfarm.Named("both")
	sc.Printers, sc.Plates, sc.Bays = 16, 24, 2
	b := simfarm.Run(sc, 9).Bundle()
	today := b.FirstLayers[len(b.FirstLayers)-1].StartedAt.Add(10 * time.Hour)
	lotsOf(t, b, today)
	s.SetClock(func() time.Time { return today })
	if report, err := s.ImportFarm(ctx, byImport, b, store.ImportOptions{}); err != nil || !report.Stored {
		t.Fatal(err)
	}
	a := assess.New(s)
	var kept []*farm.EvidenceSheet
	printer, plate := "", ""
	for _, f := range ask(t, a, assess.AsOf{}).Items {
		if f.State != "raised" || f.Kind == "printer" && (printer != "" || f.Cause != "skipped_probing") || f.Kind == "plate" && plate != "" {
			continue
		}
		if kept = append(kept, keepOne(t, s, a, f.Kind, f.Subject, f.Cause)); f.Kind == "printer" {
			printer = f.Subject
		} else {
			plate = f.Subject
		}
	}
	if printer == "" || plate == "" {
		t.Fatalf("raised: printer %q, plate %q", printer, plate)
	}
	for _, k := range kept {
		sheet, err := assess.ReadSheet([]byte(k.Sheet))
		if err != nil {
			t.Fatal(err)
		}
		again, _ := sheet.JSON()
		if string(again) != k.Sheet {
			t.Errorf("read and written it is another:\n%s\n%s", k.Sheet, again)
		}
		checkSheet(t, sheet)
		checkLots(t, sheet)
	}
	// A year later.
	year := today.AddDate(1, 0, 0)
	layer := func(id, printer, plate string, at time.Time, more string) {
		send(t, s, year, fmt.Sprintf(`{"kind":"first_layer","id":%q,"printer":%q,"plate":%q,"started_at":%q%s}`, id, printer, plate, at.Format(time.RFC3339), more))
	}
	graded := func(at time.Time) string {
		return fmt.Sprintf(`,"grade":"failed","graded_at":%q,"grader":"amara"`, at.Add(5*time.Minute).Format(time.RFC3339))
	}
	for i := range 40 {
		late := today.Add(-time.Duration(i*7+1) * time.Hour)
		layer(fmt.Sprintf("late-%d", i), printer, plate, late, graded(late))
		after := today.Add(time.Duration(i*5+1) * time.Hour)
		layer(fmt.Sprintf("after-%d", i), printer, plate, after, graded(after))
		send(t, s, year, fmt.Sprintf(`{"kind":"probe","id":"probe-%d","printer":%q,"probed_at":%q}`, i, printer, late.Add(-time.Minute).Format(time.RFC3339)))
		send(t, s, year, fmt.Sprintf(`{"kind":"cleaning","id":"clean-%d","plate":%q,"method":"wipe","cleaned_at":%q}`, i, plate, late.Add(-time.Minute).Format(time.RFC3339)))
	}
	send(t, s, year, fmt.Sprintf(`{"kind":"planned_test","id":"T-1","subject_kind":"printer","subject":%q,"cause":"skipped_probing","task":"probe","begins_at":%q,"starts":20,"share":0.5,"fails_left":0.2,"fails_done":0.05,"power":0.8,"reason":"is it the probe?","ended_at":%q,"end_is":"size","end_reason":"full"}`,
		sheetTested, today.AddDate(0, 0, -30).UTC().Format(time.RFC3339Nano), today.Add(-time.Hour).UTC().Format(time.RFC3339Nano)))
	voided, filled := 0, 0
	for i := range b.FirstLayers {
		f := &b.FirstLayers[i]
		switch {
		case f.Printer == printer && f.Grade != "" && f.VoidedAt.IsZero() && voided < 30:
			send(t, s, year, fmt.Sprintf(`{"kind":"void","record":%q,"voided_at":%q,"void_reason":"wrong"}`, f.ID.UUID, year.Format(time.RFC3339)))
			voided++
		case f.Printer == printer && f.Grade == "" && f.VoidedAt.IsZero() && filled < 20:
			send(t, s, year, fmt.Sprintf(`{"kind":"first_layer","id":%q,"printer":%q,"started_at":%q,"grade":"failed","graded_at":%q}`, f.ID.UUID, printer, f.StartedAt.UTC().Format(time.RFC3339Nano), f.StartedAt.Add(time.Hour).UTC().Format(time.RFC3339)))
			filled++
		}
	}
	if voided != 30 || filled == 0 {
		t.Fatalf("%d voided, %d filled", voided, filled)
	}
	if before := ask(t, assess.New(s), assess.AsOf{At: today}); question(t, before, printer, "skipped_probing").N == 0 {
		t.Fatal("nothing there")
	}
	s.SetClock(func() time.Time { return year })
	for _, k := range kept {
		c, err := assess.New(s).CheckSheet(ctx, k)
		if err != nil {
			t.Fatal(err)
		}
		if !c.Same {
			t.Errorf("%s: %s %+v", k.Subject, c.Says(), c.Differs)
		}
	}
	// It is the records known then that hold it: as known now it is another.
	other := *kept[0]
	other.KnownAt = year
	if c, err := assess.New(s).CheckSheet(ctx, &other); err != nil || c.Same || c.Records || !c.Definitions {
		t.Errorf("as known now: %+v, %v", c, err)
	}
	// One that was kept by the definitions before is worked out by these: 1 had nothing of lots,
	// 2 went through all layers of a large farm, 3 knew of no grime without harm. These are such
	// sheets of their time, byte for byte.
	for _, version := range []string{"1", "2", "3"} {
		text, err := os.ReadFile("testdata/sheets/definitions-" + version + ".json")
		if err != nil {
			t.Fatal(err)
		}
		old := *kept[0]
		old.Definitions, old.Sheet = version, string(text)
		if c, err := assess.New(s).CheckSheet(ctx, &old); err != nil || !c.Same || !strings.Contains(c.Says(), "by definitions "+version) {
			t.Errorf("of definitions %s: %+v, %v", version, c, err)
		}
	}
	// A sheet of other definitions says so; one that was tampered with is told.
	older := *kept[0]
	older.Definitions, older.Sheet = "0", strings.Replace(older.Sheet, fmt.Sprintf(`"version":%d`, assess.DefinitionsVersion), `"version":0`, 1)
	if c, err := assess.New(s).CheckSheet(ctx, &older); err != nil || c.Same || c.Definitions || !strings.Contains(c.Says(), "definitions 0") {
		t.Errorf("other definitions: %+v, %v", c, err)
	}
	forged := *kept[0]
	forged.Sheet = strings.Replace(forged.Sheet, `"state":"raised"`, `"state":"quiet"`, 1)
	if c, err := assess.New(s).CheckSheet(ctx, &forged); err != nil || c.Same || !c.Records || len(c.Differs) == 0 || c.Differs[0].Where == "" {
		t.Errorf("forged: %+v, %v", c, err)
	}
}

// checkLots holds what a sheet says of lots against what lotsOf drew: a coin that nobody followed.
func checkLots(t *testing.T, s *assess.Sheet) {
	t.Helper()
	if s.SubjectKind != "printer" { // only probing was drawn
		if s.Lots.Starts != nil || len(s.Lots.Tests) != 0 {
			t.Errorf("%s: %+v", s.Subject, s.Lots)
		}
		return
	}
	d := s.Lots.Starts
	if d == nil || d.Drawn < 500 || d.Graded == 0 || d.Done.Graded+d.Left.Graded != d.Graded || d.Done.Failures+d.Left.Failures == 0 || !(d.Low < 0 && d.High > 0) || !(d.Low < d.Spared && d.Spared < d.High) {
		t.Errorf("%s: of draws %+v", s.Subject, d)
	}
	if len(s.Lots.Tests) != 1 {
		t.Fatalf("%s: tests %+v", s.Subject, s.Lots.Tests)
	}
	x := s.Lots.Tests[0]
	if x.Standing != "running" || x.Ended != nil || x.Drawn < 100 || x.Size != 20 || x.Done.Graded+x.Left.Graded != 20 || !(x.P > 0 && x.P <= 1) || !(x.Low <= x.Spared && x.Spared <= x.High) {
		t.Errorf("%s: of its test %+v", s.Subject, x)
	}
}

// checkSheet holds a sheet of the demo's against itself.
func checkSheet(t *testing.T, s *assess.Sheet) {
	t.Helper()
	text, _ := s.JSON()
	if s.State != "raised" {
		t.Errorf("%s is %s", s.Subject, s.State)
	}
	var started, graded, failures int
	for _, c := range s.Counts {
		started, graded, failures = started+c.Started, graded+c.Graded, failures+c.Failures
	}
	if started != s.Coverage.Started || graded != s.Coverage.Graded {
		t.Errorf("%s: groups add up to %d of %d, coverage says %+v", s.Subject, graded, started, s.Coverage)
	}
	by := map[string]int{}
	for _, x := range s.Exclusions {
		by[x.Code] = x.Layers
	}
	if by["ungraded"] != s.Coverage.Started-s.Coverage.Graded || s.Adjusted.N != s.Coverage.Graded-by["unknown_exposure"] {
		t.Errorf("%s: exclusions %+v, of %+v and %d compared", s.Subject, s.Exclusions, s.Coverage, s.Adjusted.N)
	}
	for _, code := range []string{"ungraded", "unknown_exposure", "restart", "late", "voided", "since_midnight"} {
		if _, ok := by[code]; !ok {
			t.Errorf("%s: no %s among the exclusions", s.Subject, code)
		}
	}
	for _, x := range s.Stratified {
		sum := 0
		for _, st := range x.Largest {
			sum += st.ExposedFailed + st.ExposedHeld + st.RestFailed + st.RestHeld
		}
		if x.By == "grader" && len(x.Largest) > 0 {
			t.Error("graders are listed")
		}
		if x.By == "week" && sum != s.Adjusted.N-by["restart"]-by["void_probe"] {
			t.Errorf("%s: weeks add up to %d", s.Subject, sum)
		}
		if !(x.OddsRatio > 1) || !(x.Low < x.OddsRatio && x.OddsRatio < x.High) {
			t.Errorf("%s by %s: odds ratio %g (%g to %g)", s.Subject, x.By, x.OddsRatio, x.Low, x.High)
		}
	}
	if len(s.Sensitivity) != 4 {
		t.Errorf("%d variants", len(s.Sensitivity))
	}
	for _, v := range s.Sensitivity {
		t.Logf("%s %s: %d of its layers, %d in the farm, %d graders: %s, q %.3g, avoidable %.2f (%.2f to %.2f)", s.Subject, v.Code, v.Changes, v.Farm, v.Graders, v.State, v.Q, v.Avoidable, v.AvoidableLow, v.AvoidableHigh)
		if !v.Fitted && v.SheetAnswer != s.Adjusted {
			t.Errorf("nothing is otherwise, yet the answer is: %+v", v)
		}
	}
	if s.ChangeMind.HeldExposed == nil && s.ChangeMind.FailedRest == nil {
		t.Errorf("%s: nothing would change it", s.Subject)
	}
	t.Logf("%s: %s; %d bytes; would change: %+v", s.Subject, s.Summary, len(text), s.ChangeMind)
	if s.SubjectKind == "plate" && len(s.Curve) == 0 || bytes.Contains(text, []byte("amara")) {
		t.Errorf("%s: no curve, or a person's name", s.Subject)
	}
}
