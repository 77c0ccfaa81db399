package web_test

import (
	"context"
	"net/url"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/webtest"
)

// gradeSite is handSite with starts: P-1 has one waiting with plate L-1, P-3 has
// none.
func gradeSite(t *testing.T) *webtest.Site {
	t.Helper()
	site := handSite(t)
	startOn(t, site, "P-1", "S-1", "L-1", at.Add(-20*time.Minute))
	return site
}

// startOn records a start that waits, as a machine does.
func startOn(t *testing.T, site *webtest.Site, printer, id, plate string, when time.Time) {
	t.Helper()
	a := site.WithToken("machine-"+id, "operator").Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"first_layer","id":"`+id+`","printer":"`+printer+`","plate":"`+plate+`","started_at":"`+when.Format(time.RFC3339)+`","material":"PLA"}]}`)
	if a.Status != 200 || !strings.Contains(a.Body, `"recorded"`) {
		t.Fatalf("recording a start: %d %s", a.Status, a.Body)
	}
}

func layerAt(t *testing.T, site *webtest.Site, location string) *farm.FirstLayer {
	t.Helper()
	path, _, _ := strings.Cut(location, "?")
	id, err := farm.NewID(farm.KindFirstLayer, strings.TrimPrefix(path, "/first-layers/"))
	if err != nil {
		t.Fatal(err)
	}
	f, err := site.Store.FirstLayer(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func startID(t *testing.T, text string) string {
	t.Helper()
	id, err := farm.NewID(farm.KindFirstLayer, text)
	if err != nil {
		t.Fatal(err)
	}
	return id.UUID.String()
}

func TestAGoodLayerIsOneButtonOnTheRecordedStart(t *testing.T) {
	site := gradeSite(t)
	c := site.As("amara", "operator")
	p := c.Page("/grade/P-1")
	if got := plain(p.Text("main")); !strings.Contains(got, "Started 20 min ago") || !strings.Contains(got, "Plate L-1") {
		t.Errorf("the form says: %q", got)
	}
	form := opened(t, c, "/grade/P-1")
	a := c.Form("/grade/P-1", with(form, "do", "clean"))
	if a.Status != 303 {
		t.Fatalf("got %d: %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	f := layerAt(t, site, a.Header.Get("Location"))
	if f.ID.UUID.String() != startID(t, "S-1") || f.Grade != "clean" || f.Grader != "amara" || f.Plate != "L-1" || f.PlateSide != "a" || !f.GradedAt.Equal(at) {
		t.Errorf("stored: %+v", f)
	}
	saved := c.Page(a.Header.Get("Location"))
	if got := saved.Text(".saved"); !strings.Contains(got, "Saved: clean layer P-1.") || !strings.Contains(got, "Undo") {
		t.Errorf("said back: %q", got)
	}
	if again := c.Form("/grade/P-1", with(form, "do", "clean")); again.Status != 303 || again.Header.Get("Location") != a.Header.Get("Location") {
		t.Errorf("the same form again: got %d %s, want the same answer", again.Status, again.Header.Get("Location"))
	}
	undo := c.Form("/upkeep/undo", url.Values{"entry": {strings.Split(a.Header.Get("Location"), "saved=")[1]}, "next": {"/grade"}})
	if undo.Status != 303 || !strings.HasPrefix(undo.Header.Get("Location"), "/grade?saved=") {
		t.Fatalf("undo: got %d %s", undo.Status, undo.Header.Get("Location"))
	}
	list := c.Page(undo.Header.Get("Location"))
	if got := list.Text(".saved"); !strings.Contains(got, "Undone: clean layer P-1.") {
		t.Errorf("undone: %q", got)
	}
	if got := list.Texts(".waiting li"); len(got) != 1 || !strings.Contains(plain(got[0]), "P-1") {
		t.Errorf("waiting after the undo: %q, want the start back", got)
	}
}

func TestABadLayerWithoutAScript(t *testing.T) {
	site := gradeSite(t)
	c := site.As("amara", "operator")
	form := opened(t, c, "/grade/P-3")
	if form.Get("start") != "new" {
		t.Fatalf("a printer without starts begins with start %q", form.Get("start"))
	}
	tap := func(zone string) {
		t.Helper()
		a := c.Form("/grade/P-3", with(form, "do", "zone-"+zone))
		if a.Status != 200 {
			t.Fatalf("a tap on %s: got %d", zone, a.Status)
		}
		form.Set("marks", webtest.Attr(a.Page(t).One("#f-marks[type=hidden]"), "value"))
		form.Set("bare", webtest.Attr(a.Page(t).One("#f-bare"), "value"))
	}
	if a := c.Form("/grade/P-3", with(form, "do", "zone-A1")); a.Status != 422 || !strings.Contains(a.Page(t).Text("[data-problems]"), "Choose a mark first") {
		t.Errorf("a tap without a mark: got %d", a.Status)
	}
	form.Set("brush", "nozzle_low")
	for _, z := range []string{"A1", "A1", "A2", "C3", "C3", "C3", "C3"} {
		tap(z)
	}
	form.Set("brush", "not_printed")
	tap("B2")
	if got := form.Get("marks") + " / " + form.Get("bare"); got != "A1:nozzle_low:2 A2:nozzle_low:1 / B2" {
		t.Fatalf("painted: %s", got)
	}
	refused := c.Form("/grade/P-3", with(form, "do", "save", "r-A1", "21", "nudge", "0,04"))
	words := plain(strings.Join(refused.Page(t).Texts("[data-problems] li"), " | "))
	for _, want := range []string{"Choose a grade", "A1: thickness must be between 0.05 and 1.00 mm. Did you mean 0.21 mm?", "Say whether the nozzle went up or down"} {
		if !strings.Contains(words, want) {
			t.Errorf("refused with %q, lacks %q", words, want)
		}
	}
	if got := webtest.Attr(refused.Page(t).One("#f-r-A1"), "value"); got != "21" {
		t.Errorf("what was typed: %q", got)
	}
	a := c.Form("/grade/P-3", with(form, "do", "save", "grade", "failed", "r-A1", "0,18 0.17 mm", "r-C3", "0.21p", "nudge", "0,04", "nudge_way", "up", "decision", "stopped", "outcome", "restarted",
		"seen_from", "underside", "plate", "l4", "plate_side", "b", "plate_turned", "yes", "probed", "no", "material", "PETG", "note", "ridges"))
	if a.Status != 303 {
		t.Fatalf("got %d: %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	f := layerAt(t, site, a.Header.Get("Location"))
	got := strings.Join([]string{f.Grade, string(farm.AppendMarks(nil, f.Marks)), string(farm.AppendReadings(nil, f.Readings)), string(farm.AppendZones(nil, f.Covered)), f.SeenFrom, f.Plate, f.PlateSide, f.PlateTurned,
		f.Probed, f.Decision, f.Outcome, f.Material, f.Note, f.Grader}, "|")
	want := "failed|A1:nozzle_low:2 A2:nozzle_low:1|A1=0.17 A1=0.18 C3=0.21p|A1 A2 A3 B1 B3 C1 C2 C3|underside|L-4|b|yes|no|stopped|restarted|PETG|ridges|amara"
	if got != want || f.NudgeMM != 0.04 || !f.StartedAt.Equal(at) {
		t.Errorf("stored %s nudge %v at %s\nwant   %s", got, f.NudgeMM, f.StartedAt, want)
	}
	page := plain(c.Page(a.Header.Get("Location")).Text("main"))
	for _, want := range []string{"Saved: failed P-3.", "Probing was skipped, as somebody said", "No record of a cleaning of L-4 before.", "By printer: bed of P-3", "By plate: L-4 side B", "nozzle up 0.04", "Recorded"} {
		if !strings.Contains(page, want) {
			t.Errorf("the layer's page lacks %q: %s", want, page)
		}
	}
}

func TestConflictsWhileGrading(t *testing.T) {
	site := gradeSite(t)
	amara, ines := site.As("amara", "operator"), site.As("ines", "operator")
	form := opened(t, amara, "/grade/P-1")
	if a := ines.Form("/grade/P-1", with(opened(t, ines, "/grade/P-1"), "do", "clean")); a.Status != 303 {
		t.Fatalf("the first: %d", a.Status)
	}
	late := amara.Form("/grade/P-1", with(form, "grade", "failed", "note", "kept"))
	p := late.Page(t)
	if late.Status != 409 || !strings.Contains(p.Text("[data-problems]"), "Somebody graded this start meanwhile: Clean layer by ines") || p.Text("#f-note") != "kept" {
		t.Errorf("graded meanwhile: %d %q", late.Status, p.Text("main"))
	}
	// A plate that is on another printer.
	own := with(opened(t, amara, "/grade/P-3"), "plate", "L-2", "do", "clean")
	a := amara.Form("/grade/P-3", own)
	if a.Status != 422 || !strings.Contains(a.Page(t).Text("#w-plate"), "Plate L-2 is on P-2. Move it here, or pick another plate.") {
		t.Fatalf("a plate elsewhere: %d", a.Status)
	}
	if a := amara.Form("/grade/P-3", with(own, "move", "L-2")); a.Status != 303 {
		t.Errorf("moved here: %d", a.Status)
	}
	if got := amara.Form("/grade/P-3", with(own, "plate", "L-99")); got.Status != 422 || !strings.Contains(got.Page(t).Text("#w-plate"), "There is no plate") {
		t.Errorf("a plate nobody knows: %d", got.Status)
	}
	// A start that was recorded while the form was open.
	open := opened(t, amara, "/grade/P-2")
	startOn(t, site, "P-2", "S-2", "L-4", at.Add(-time.Minute))
	seen := amara.Form("/grade/P-2", with(open, "do", "clean"))
	if seen.Status != 409 || !strings.Contains(seen.Page(t).Text("[data-problems]"), "was recorded meanwhile") {
		t.Errorf("recorded meanwhile: %d", seen.Status)
	}
	open.Set("latest", webtest.Attr(seen.Page(t).One("#f-latest"), "value"))
	if a := amara.Form("/grade/P-2", with(open, "do", "clean")); a.Status != 303 {
		t.Errorf("saved as its own all the same: %d", a.Status)
	}
	// Another plate than the start says: voided and replaced, and undone as a whole.
	startOn(t, site, "P-1", "S-3", "L-1", at.Add(-time.Minute))
	swap := amara.Form("/grade/P-1", with(opened(t, amara, "/grade/P-1"), "plate", "L-4", "move", "L-4", "do", "clean"))
	if swap.Status != 303 {
		t.Fatalf("another plate: %d %v", swap.Status, swap.Page(t).Texts("[data-problems] li"))
	}
	if f := layerAt(t, site, swap.Header.Get("Location")); f.Plate != "L-4" || f.Material != "PLA" || f.Replaces.UUID.String() != startID(t, "S-3") {
		t.Errorf("replaced by %+v", f)
	}
	entry := strings.Split(swap.Header.Get("Location"), "saved=")[1]
	for range 2 { // an undo sent twice is one
		if u := amara.Form("/upkeep/undo", url.Values{"entry": {entry}, "next": {"/grade"}}); u.Status != 303 {
			t.Fatalf("undo: %d", u.Status)
		}
		starts, err := site.Store.LatestStarts(context.Background(), "P-1", at, 1)
		if err != nil || starts[0].Grade != "" || starts[0].Plate != "L-1" {
			t.Errorf("after the undo: %+v, %v; want the start as it was", starts, err)
		}
	}
	for path, want := range map[string]int{"/grade/NONE": 404, "/grade/P-1?start=nothing": 404, "/grade/P-1?x=1": 400, "/grade?printer=p1": 303, "/grade?printer=zz": 422, "/grade?page=0": 400} {
		if a := amara.Get(path); a.Status != want {
			t.Errorf("%s: got %d, want %d", path, a.Status, want)
		}
	}
	if a := amara.Form("/grade/P-1", with(opened(t, amara, "/grade/P-1"), "marks", "Z9:what:1")); a.Status != 400 {
		t.Errorf("marks that cannot be: %d, want 400", a.Status)
	}
}

func TestCorrectingAndVoiding(t *testing.T) {
	site := gradeSite(t)
	amara, ines := site.As("amara", "operator"), site.As("ines", "operator")
	where, _, _ := strings.Cut(amara.Form("/grade/P-1", with(opened(t, amara, "/grade/P-1"), "grade", "cosmetic", "marks", "A1:blobs:1", "note", "small")).Header.Get("Location"), "?")
	form := opened(t, ines, where+"/correct")
	if form.Get("grade") != "cosmetic" || form.Get("marks") != "A1:blobs:1" || form.Get("material") != "PLA" {
		t.Fatalf("the form begins with %v", form)
	}
	if a := ines.Form(where+"/correct", form); a.Status != 422 || !strings.Contains(a.Page(t).Text("#w-reason"), "Say why") {
		t.Errorf("without a reason: %d", a.Status)
	}
	a := ines.Form(where+"/correct", with(form, "plate_turned", "yes", "reason", "it lay turned"))
	if a.Status != 303 {
		t.Fatalf("got %d: %v", a.Status, a.Page(t).Texts("[data-problems] li"))
	}
	old, now := layerAt(t, site, where), layerAt(t, site, a.Header.Get("Location"))
	if old.VoidReason != "it lay turned" || old.VoidedBy != "ines" || now.Replaces.UUID != old.ID.UUID || now.PlateTurned != "yes" || now.Grader != "amara" || now.NotedBy != "ines" || !now.StartedAt.Equal(old.StartedAt) {
		t.Errorf("old %+v\nnew %+v", old, now)
	}
	if again := ines.Form(where+"/correct", with(form, "plate_turned", "yes", "reason", "it lay turned")); again.Status != 303 || again.Header.Get("Location") != a.Header.Get("Location") {
		t.Errorf("the correction sent twice: %d %s", again.Status, again.Header.Get("Location"))
	}
	if late := amara.Form(where+"/correct", with(opened(t, amara, where), "id", "0197a000-0000-7000-8000-000000000000", "grade", "failed", "marks", "", "bare", "", "reason", "x", "do", "save")); late.Status != 409 {
		t.Errorf("correcting what is voided: %d, want 409", late.Status)
	}
	voided := ines.Page(where)
	if got := plain(voided.Text("main")); !strings.Contains(got, "by ines: it lay turned.") || !strings.Contains(got, "replaces it") {
		t.Errorf("the voided record's page: %q", got)
	}
	there := strings.Split(a.Header.Get("Location"), "?")[0]
	judged := ines.Form(there+"/correct", with(opened(t, ines, there+"/correct"), "grade", "failed", "reason", "came off"))
	if f := layerAt(t, site, judged.Header.Get("Location")); f.Grade != "failed" || f.Grader != "ines" {
		t.Errorf("another grade: %s by %s, want the corrector's", f.Grade, f.Grader)
	}
	last := strings.Split(judged.Header.Get("Location"), "?")[0]
	if a := ines.Form(last+"/void", with(opened(t, ines, last+"/void"), "reason", "")); a.Status != 422 {
		t.Errorf("voiding without a reason: %d", a.Status)
	}
	if a := ines.Form(last+"/void", with(opened(t, ines, last+"/void"), "reason", "never ran")); a.Status != 303 || layerAt(t, site, last).VoidReason != "never ran" {
		t.Errorf("voiding: %d", a.Status)
	}
	if got := plain(ines.Page(last).Text("main")); !strings.Contains(got, "Voided") || !strings.Contains(got, "never ran") {
		t.Errorf("the page: %q", got)
	}
}

func TestManagersGradeForOthersAndOperatorsDoNot(t *testing.T) {
	site := gradeSite(t)
	amara, max := site.As("amara", "operator"), site.As("max", "manager")
	if a := amara.Form("/grade/P-1", with(opened(t, amara, "/grade/P-1"), "do", "clean", "person", "max")); a.Status != 403 {
		t.Errorf("an operator for another: %d", a.Status)
	}
	a := max.Form("/grade/P-1", with(opened(t, max, "/grade/P-1"), "do", "clean", "person", "amara"))
	if a.Status != 303 || layerAt(t, site, a.Header.Get("Location")).Grader != "amara" {
		t.Errorf("a manager for another: %d", a.Status)
	}
}
