package web_test

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"github.com/gofrs/uuid/v5"
	"golang.org/x/net/html"
)

// handSite is a small farm at a fixed present: P-1 with L-1 on it (side a), P-2
// with L-2, P-3 empty; L-3 set aside, L-4 in the rack; P-2 on hold.
func handSite(t *testing.T, change ...func(*web.Config)) *webtest.Site {
	t.Helper()
	site := webtest.New(t, append([]func(*web.Config){func(c *web.Config) { c.Now = func() time.Time { return at } }}, change...)...)
	b := little()
	third, l3, l4 := b.Printers[0], b.Plates[0], b.Plates[0]
	third.Tag, third.Bay = "P-3", "Bay 2"
	l3.Tag, l4.Tag = "L-3", "L-4"
	b.Printers, b.Plates = append(b.Printers, third), append(b.Plates, l3, l4)
	id := func(kind farm.Kind, text string) farm.ID {
		i, err := farm.NewID(kind, text)
		if err != nil {
			t.Fatal(err)
		}
		return i
	}
	b.Settings = []farm.Setting{{Key: "time_zone", Value: "Africa/Johannesburg"}}
	fitted := at.Add(-48 * time.Hour)
	b.Fittings = []farm.Fitting{
		{ID: id(farm.KindFitting, "X-1"), Plate: "L-1", Printer: "P-1", FittedAt: fitted, PlateSide: "a"},
		{ID: id(farm.KindFitting, "X-2"), Plate: "L-2", Printer: "P-2", FittedAt: fitted},
	}
	b.PlateStates = []farm.PlateState{{ID: id(farm.KindPlateState, "S-1"), Plate: "L-3", At: fitted, State: "set_aside", Reason: "bent tab"}}
	b.Holds = []farm.Hold{{ID: id(farm.KindHold, "H-1"), SubjectKind: "printer", Subject: "P-2", PlacedAt: fitted, Reason: "heater drops out", Person: ""}}
	stored(t, site, b)
	return site
}

// opened gets an act's form and gives the fields it comes with.
func opened(t *testing.T, c *webtest.Client, path string) url.Values {
	t.Helper()
	form := url.Values{}
	p := c.Page(path)
	for _, n := range slices.Concat(p.All("form.record input"), p.All("form.record textarea"), p.All("form.record select")) {
		name, kind := webtest.Attr(n, "name"), webtest.Attr(n, "type")
		chosen := slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == "checked" })
		switch {
		case name == "", (kind == "radio" || kind == "checkbox") && !chosen:
		case n.Data == "textarea":
			form.Set(name, webtest.Text(n))
		case n.Data == "select":
			form.Set(name, "")
		default:
			form.Set(name, webtest.Attr(n, "value"))
		}
	}
	for _, n := range p.All("form.record option[selected]") {
		form.Set(webtest.Attr(n.Parent, "name"), webtest.Attr(n, "value"))
	}
	form.Set("do", "save")
	return form
}

// with sets fields of a form: name, value, name, value.
func with(form url.Values, pairs ...string) url.Values {
	out := url.Values{}
	for k, v := range form {
		out[k] = slices.Clone(v)
	}
	for i := 0; i < len(pairs); i += 2 {
		out.Set(pairs[i], pairs[i+1])
	}
	return out
}

// history says what stands in a thing's history, newest first, voided ones
// marked.
func historyLines(c *webtest.Client, path string) []string {
	var out []string
	for _, n := range c.Page(path).All("li[data-event]") {
		out = append(out, plain(webtest.Text(n)))
	}
	return out
}

func TestEveryActIsSavedAndSaidBack(t *testing.T) {
	for _, x := range []struct {
		name, path string
		fields     []string
		thing      string // whose history tells
		history    string // what its newest line says
		saved      string
	}{
		{"a wipe of one plate", "/upkeep/clean?plate=L-1", []string{"method", "wipe", "agent", "isopropyl alcohol", "note", "twice"}, "/plates/L-1", "Wiped isopropyl alcohol, twice · by amara", "Saved: wiped L-1."},
		{"a wash of many", "/upkeep/clean?plate=L-1&plate=L-3", []string{"method", "wash", "plate_side", "b", "agent", "dish soap and hot water"}, "/plates/L-3", "Washed side B · dish soap", "Saved: washed L-1, L-3."},
		{"a cleaning of a printer's plate", "/upkeep/clean?printer=P-2", []string{"method", "deep"}, "/plates/L-2", "Washed deep", "Saved: washed deep L-2."},
		{"a cleaning of a bay's plates", "/upkeep/clean?bay=Bay+1", []string{"method", "coat", "agent", "glue stick"}, "/plates/L-2", "Coated", "Saved: coated L-1, L-2."},
		{"tags typed without care", "/upkeep/clean", []string{"plates", "l1, L-003\nL-2.U", "method", "wipe"}, "/plates/L-3", "Wiped", "Saved: wiped L-1, L-2, L-3."},
		{"a probe", "/upkeep/probe?printer=P-1", []string{"extent", "full", "bed_temp_c", "60 °C", "soak_minutes", "12,5"}, "/printers/P-1", "Probed plate L-1", "Saved: probed P-1."},
		{"a probe with a mesh", "/upkeep/probe?printer=P-1", []string{"extent", "part", "mesh", "0.01, 0.02, nan\n−0.03 0.04 0.05", "mesh_first", "back"}, "/printers/P-1", "Probed in part", "Saved: probed in part P-1."},
		{"a skip", "/upkeep/skip?printer=P-1", []string{"reason", "hurry", "note", "rush job"}, "/printers/P-1", "Probing skipped in a hurry · rush job", "Saved: probe skipped P-1."},
		{"a fitting", "/upkeep/fit?plate=L-4&printer=P-3", []string{"plate_side", "b", "plate_turned", "yes"}, "/printers/P-3", "Plate fitted plate L-4", "Saved: fitted L-4."},
		{"a swap", "/upkeep/fit?plate=L-4&printer=P-1", []string{"old_plate", "in_wash"}, "/plates/L-1", "In wash taken off P-1", "Saved: fitted L-4."},
		{"taking off", "/upkeep/take-off?printer=P-1", []string{"went", "set_aside", "reason", "scratched"}, "/plates/L-1", "Set aside scratched", "Saved: taken off L-1."},
		{"an offset change", "/upkeep/offset?printer=P-1", []string{"from_mm", "0,10 mm", "to_mm", "0.06", "direction", "down", "reason", "gaps"}, "/printers/P-1", "Offset changed", "Saved: offset changed P-1."},
		{"a service", "/upkeep/service?printer=P-1", []string{"work", "nozzle"}, "/printers/P-1", "Service nozzle", "Saved: service P-1."},
		{"a plate state", "/upkeep/state?plate=L-3", []string{"state", "in_use"}, "/plates/L-3", "In use", "Saved: in use L-3."},
		{"a hold", "/upkeep/hold?printer=P-1", []string{"reason", "noise from the gantry"}, "/printers/P-1", "Hold placed Hold noise from the gantry", "Saved: held P-1."},
		{"a hold of a plate", "/upkeep/hold?plate=L-4", []string{"reason", "crack"}, "/plates/L-4", "Hold placed", "Saved: held L-4."},
		{"a release", "/upkeep/release?printer=P-2", []string{"reason", "heater changed"}, "/printers/P-2", "released 2026-03-09 16:00", "Saved: released P-2."},
	} {
		t.Run(x.name, func(t *testing.T) {
			site := handSite(t)
			c := site.As("amara", "operator")
			form := with(opened(t, c, x.path), x.fields...)
			path, _, _ := strings.Cut(x.path, "?")
			a := c.Form(path, form)
			if a.Status != 303 {
				t.Fatalf("got %d, want 303: %s", a.Status, plain(strings.Join(a.Page(t).Texts("[data-problems] li"), " / ")))
			}
			if lines := historyLines(c, x.thing); !strings.Contains(lines[0]+lines[min(1, len(lines)-1)], x.history) {
				t.Errorf("the history of %s begins %q, want %q", x.thing, lines[0], x.history)
			}
			there := a.Header.Get("Location")
			line := c.Page(there).Text(".saved")
			if !strings.Contains(line, x.saved) || !strings.Contains(line, "Undo") {
				t.Errorf("said back: %q, want %q with an undo", line, x.saved)
			}
			// Sent again, as after a bad connection: the same answer, one entry.
			again := c.Form(path, form)
			if again.Status != 303 || again.Header.Get("Location") != there {
				t.Errorf("sent again: got %d to %q, want 303 to %q: %v", again.Status, again.Header.Get("Location"), there, again.Page(t).Texts("[data-problems] li"))
			}
			if n := len(c.Page("/upkeep/recent").All(".recent li")); n != 1 {
				t.Errorf("%d entries logged, want one", n)
			}
			// And taken back.
			undo := c.Form("/upkeep/undo", url.Values{"entry": {strings.TrimPrefix(there, "/upkeep?saved=")}, "next": {"/upkeep"}})
			if undo.Status != 303 {
				t.Fatalf("undo: got %d: %s", undo.Status, undo.Body)
			}
			if line := c.Page(undo.Header.Get("Location")).Text(".saved"); !strings.HasPrefix(line, "Undone: ") {
				t.Errorf("after the undo: %q", line)
			}
			if n := len(c.Page("/upkeep/recent").All(".recent li.voided")); n != 1 {
				t.Error("the list does not show the entry as undone")
			}
		})
	}
}

func TestWhatIsWrongIsSaidAtItsPlaceAndNothingIsSaved(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	for _, x := range []struct {
		name, path string
		fields     []string
		want       map[string]string // field: words
	}{
		{"nothing filled in", "/upkeep/clean", nil, map[string]string{"plates": "Name at least one plate.", "method": "Say how"}},
		{"plates nobody knows", "/upkeep/clean", []string{"plates", "L-1\nL-77\nX9", "method", "wipe"}, map[string]string{"plates": "There is no plate “L-77”"}},
		{"a printer without a plate", "/upkeep/clean", []string{"printers", "P-3", "method", "wipe"}, map[string]string{"printers": "No plate is known to be on P-3."}},
		{"a code that is none", "/upkeep/clean?plate=L-1", []string{"method", "lick"}, map[string]string{"method": "Choose one of the answers."}},
		{"tomorrow", "/upkeep/clean?plate=L-1", []string{"method", "wipe", "when", "2026-03-10T16:00"}, map[string]string{"when": "must not lie after now, 2026-03-09 16:00"}},
		{"no time", "/upkeep/clean?plate=L-1", []string{"method", "wipe", "when", "yesterday"}, map[string]string{"when": "for example 2026-03-09 16:00"}},
		{"the year one", "/upkeep/clean?plate=L-1", []string{"method", "wipe", "when", "0001-03-09T16:00"}, map[string]string{"when": "Check the year"}},
		{"a long note", "/upkeep/clean?plate=L-1", []string{"method", "wipe", "note", strings.Repeat("x", 10001)}, map[string]string{"note": "up to 10000 characters"}},
		{"a probe of nothing", "/upkeep/probe", []string{"bed_temp_c", "900", "soak_minutes", "long"}, map[string]string{"printer": "Give the tag of the printer.", "extent": "Say what was probed.", "bed_temp_c": "0 to 200", "soak_minutes": "minutes"}},
		{"a ragged mesh", "/upkeep/probe?printer=P-1", []string{"extent", "full", "mesh", "0.1 0.2\n0.3", "mesh_first", "front"}, map[string]string{"mesh": "as many as the other rows have"}},
		{"a mesh with a word", "/upkeep/probe?printer=P-1", []string{"extent", "full", "mesh", "0.1 0.2\n0.3 high", "mesh_first", "front"}, map[string]string{"mesh": "Line 2, character 5: found “high”"}},
		{"a mesh without its front", "/upkeep/probe?printer=P-1", []string{"extent", "full", "mesh", "0.1 0.2\n0.3 0.4"}, map[string]string{"mesh_first": "front or its back"}},
		{"a mesh of one row", "/upkeep/probe?printer=P-1", []string{"extent", "full", "mesh", "0.1 0.2 0.3 0.4", "mesh_first", "front"}, map[string]string{"mesh": "Line 1, character 1: found 4 numbers, and no second row of its kind, expected at least 2 rows"}},
		{"a mesh in other units", "/upkeep/probe?printer=P-1", []string{"extent", "full", "mesh", "12.5 µm 20.5\n13.5 11.5", "mesh_first", "front"}, map[string]string{"mesh": "heights in mm, and no other unit"}},
		{"a mesh that says otherwise", "/upkeep/probe?printer=P-1", []string{"extent", "full", "mesh", "first row is the front\n0.1 0.2\n0.3 0.4", "mesh_first", "back"}, map[string]string{"mesh_first": "that is what the text says"}},
		{"a mesh placed twice", "/upkeep/probe?printer=P-1", []string{"extent", "full", "mesh", "10 10 0.1\n200 10 0.2\n10 200 0.3\n200 200 0.4", "x_min_mm", "20"}, map[string]string{"x_min_mm": "Leave this out"}},
		{"edges the wrong way round", "/upkeep/probe?printer=P-1", []string{"extent", "full", "x_min_mm", "200", "x_max_mm", "10"}, map[string]string{"x_max_mm": "not less than"}},
		{"a skip without reason", "/upkeep/skip?printer=P-1", nil, map[string]string{"reason": "Say why it was left out."}},
		{"a plate on another printer", "/upkeep/fit?plate=L-2&printer=P-3", nil, map[string]string{"plate": "Plate L-2 is on P-2."}},
		{"a plate set aside", "/upkeep/fit?plate=L-3&printer=P-3", nil, map[string]string{"plate": "It is set aside: bent tab."}},
		{"a plate that is there already", "/upkeep/fit?plate=L-1&printer=P-1", nil, map[string]string{"plate": "Plate L-1 is on P-1 already."}},
		{"nothing to take off", "/upkeep/take-off?printer=P-3", nil, map[string]string{"printer": "No plate is known to be on P-3"}},
		{"the wrong direction", "/upkeep/offset?printer=P-1", []string{"from_mm", "0.10", "to_mm", "0.14", "direction", "down"}, map[string]string{"direction": "is nozzle up 0.04 mm"}},
		{"a lost decimal point", "/upkeep/offset?printer=P-1", []string{"from_mm", "0.19", "to_mm", "21"}, map[string]string{"to_mm": "Did you mean 0.21 mm?"}},
		{"no change", "/upkeep/offset?printer=P-1", []string{"from_mm", "0.19", "to_mm", "0.19"}, map[string]string{"to_mm": "nothing changed"}},
		{"no offset", "/upkeep/offset?printer=P-1", nil, map[string]string{"to_mm": "Give the offset"}},
		{"a service of what", "/upkeep/service?printer=P-9", nil, map[string]string{"printer": "There is no printer “P-9”", "work": "Say what was done."}},
		{"a state of nothing", "/upkeep/state", nil, map[string]string{"plates": "Name at least one plate.", "state": "Say where they are now."}},
		{"a hold without reason", "/upkeep/hold?printer=P-1", nil, map[string]string{"reason": "Say why"}},
		{"a hold of what", "/upkeep/hold", []string{"subject", "Z-1"}, map[string]string{"subject": "There is no printer or plate “Z-1”"}},
		{"a second hold", "/upkeep/hold?printer=P-2", []string{"reason", "also noise"}, map[string]string{"": "P-2 is on hold already"}},
		{"a release without reason", "/upkeep/release?printer=P-2", nil, map[string]string{"reason": "Say why it may go on"}},
		{"a release before the hold", "/upkeep/release?printer=P-2", []string{"reason", "x", "when", "2026-03-01T08:00"}, map[string]string{"when": "It cannot be released before."}},
	} {
		t.Run(x.name, func(t *testing.T) {
			form := with(opened(t, c, x.path), x.fields...)
			path, _, _ := strings.Cut(x.path, "?")
			a := c.Form(path, form)
			p := a.Page(t)
			if a.Status != 422 {
				t.Fatalf("got %d, want 422: %s", a.Status, plain(p.Text("main")))
			}
			for field, words := range x.want {
				if summary := plain(p.Text("[data-problems]")); !strings.Contains(summary, words) {
					t.Errorf("the summary %q lacks %q", summary, words)
				}
				if field == "" {
					continue
				}
				if beside := plain(p.Text("#w-" + field)); !strings.Contains(beside, words) {
					t.Errorf("beside %s: %q, want %q", field, beside, words)
				}
				if len(p.All("[data-problems] a[href='#f-"+field+"']")) == 0 || len(p.All("#f-"+field)) != 1 {
					t.Errorf("%s: the summary does not lead to the field", field)
				}
			}
			for i := 0; i < len(x.fields); i += 2 {
				if x.fields[i] == "note" && !strings.Contains(a.Body, x.fields[i+1]) {
					t.Error("what was typed is lost")
				}
			}
		})
	}
	if n := len(c.Page("/upkeep/recent").All(".recent li")); n != 0 {
		t.Errorf("%d entries were saved, want none", n)
	}
}

func TestAPlateOnAnotherPrinterMovesWhenItIsSaidTwice(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	form := opened(t, c, "/upkeep/fit?plate=L-2&printer=P-1")
	p := c.Form("/upkeep/fit", form).Page(t)
	sure := webtest.Attr(p.One("input[name=sure]"), "value")
	if got := plain(webtest.Text(p.One("input[name=sure]").Parent)); got != "Yes: L-2 was moved to P-1" {
		t.Errorf("it asks %q", got)
	}
	if a := c.Form("/upkeep/fit", with(form, "sure", "something else")); a.Status != 422 {
		t.Errorf("another yes: got %d, want it asked again", a.Status)
	}
	if a := c.Form("/upkeep/fit", with(form, "sure", sure)); a.Status != 303 {
		t.Fatalf("with the yes: got %d", a.Status)
	}
	if got := plain(c.Page("/plates/L-2").Text(".facts")); !strings.Contains(got, "On printer P-1") {
		t.Errorf("the plate's facts: %q", got)
	}
}

func TestALateEntrySaysSo(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	a := c.Form("/upkeep/clean", with(opened(t, c, "/upkeep/clean?plate=L-1"), "method", "wipe", "when", "2026-03-07T09:30"))
	if a.Status != 303 {
		t.Fatalf("got %d", a.Status)
	}
	p := c.Page(a.Header.Get("Location"))
	if got := p.Text(".saved"); !strings.Contains(got, "Late entry: it happened 2026-03-07 09:30.") {
		t.Errorf("said back: %q", got)
	}
	if got := p.Text(".recent li"); !strings.Contains(got, "Late entry: it happened 2026-03-07 09:30") {
		t.Errorf("the list: %q", got)
	}
	if got := historyLines(c, "/plates/L-1")[1]; !strings.Contains(got, "2026-03-07 09:30") && !strings.Contains(got, "Late entry") {
		t.Errorf("the history: %q", got)
	}
	// The clocks of this zone do not change; those of another do.
	if err := importSettings(site, "Europe/Berlin"); err != nil {
		t.Fatal(err)
	}
	gone := c.Form("/upkeep/clean", with(opened(t, c, "/upkeep/clean?plate=L-1"), "method", "wipe", "when", "2025-03-30T02:30"))
	if got := gone.Page(t).Text("#w-when"); gone.Status != 422 || !strings.Contains(got, "There was no such time") {
		t.Errorf("an hour that was left out: got %d %q", gone.Status, got)
	}
}

func importSettings(site *webtest.Site, zone string) error {
	_, err := site.Store.ImportFarm(context.Background(), store.Act{Via: "import"}, &farm.Bundle{Settings: []farm.Setting{{Key: "time_zone", Value: zone}}}, store.ImportOptions{Update: true})
	return err
}

func TestListsOfPlatesAreAddedToBeforeTheyAreSaved(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	form := opened(t, c, "/upkeep/clean")
	added := c.Form("/upkeep/clean", with(form, "plates", "L-4", "printers", "p1 P-2", "method", "wash", "note", "kept", "do", "add"))
	p := added.Page(t)
	if added.Status != 200 || p.Text("#f-plates") != "L-4 L-1 L-2" {
		t.Errorf("printers' plates added: got %d, list %q", added.Status, p.Text("#f-plates"))
	}
	if webtest.Attr(p.One("#f-note"), "value") != "kept" || len(p.All("input[name=method][value=wash][checked]")) != 1 || len(p.All("[data-problems]")) != 0 {
		t.Error("what was filled in is lost, or problems are said before saving")
	}
	unseen := c.Form("/upkeep/clean", with(form, "plates", "L-4", "bay", "Bay 1", "method", "wash"))
	if p := unseen.Page(t); unseen.Status != 200 || !strings.Contains(p.Text(".notice"), "Look at it, then save") || p.Text("#f-plates") != "L-4 L-1 L-2" {
		t.Errorf("saved with a bay chosen: got %d, %q", unseen.Status, p.Text("main"))
	}
	var many []string
	for i := range 301 {
		many = append(many, fmt.Sprintf("L-%d", i%4+1), "")
	}
	if a := c.Form("/upkeep/clean", with(form, "plates", strings.Join(many, "\n"), "method", "wash")); a.Status != 303 {
		t.Errorf("tags scanned many times: got %d, want each once", a.Status)
	}
}

func TestAMeshIsShownAsItLiesBeforeItIsSaved(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	form := with(opened(t, c, "/upkeep/probe?printer=P-1"), "extent", "full", "mesh", "[0.01, 0.02]\n[-0.03, nan]", "mesh_first", "back", "do", "look")
	p := c.Form("/upkeep/probe", form).Page(t)
	table := plain(p.Text(".mesh-map"))
	if !strings.Contains(table, "Read as 2 columns × 2 rows") || !strings.Contains(table, "column 1, row 2, back left: 0.01 column 2, row 2, back right: ▲ 0.02 column 1, row 1, front left: ▼ −0.03 column 2, row 1, front right: –") {
		t.Errorf("the mesh as read: %q", table)
	}
	if want := "Is the low corner really front left (−0.03 mm), and the high one back right (0.02 mm)?"; !strings.Contains(table, want) {
		t.Errorf("the mesh as read: %q, want it to ask %q", table, want)
	}
	if got := p.Text("#f-mesh"); !strings.Contains(got, "nan") || len(p.All("details.more[open]")) != 1 {
		t.Errorf("the pasted text: %q, want it kept and in sight", got)
	}
	a := c.Form("/upkeep/probe", with(form, "do", "save"))
	if a.Status != 303 {
		t.Fatalf("got %d", a.Status)
	}
	id := uuid.NewV5(uuid.Must(uuid.FromString(form.Get("id"))), "probe/P-1")
	rec, err := site.Store.Event(context.Background(), farm.KindProbe, farm.ID{UUID: id})
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(rec.(*farm.Probe).Columns, rec.(*farm.Probe).Rows, rec.(*farm.Probe).HeightsMM); got != "2 2 [-0.03 NaN 0.01 0.02]" {
		t.Errorf("stored: %s; want it row-major from the front left", got)
	}
	placed := with(opened(t, c, "/upkeep/probe?printer=P-2"), "extent", "full", "mesh", "x y z\n10 10 0.1\n200 10 0.2\n10 180 0.3\n200 180 0.4", "do", "save")
	if a := c.Form("/upkeep/probe", placed); a.Status != 303 {
		t.Fatalf("a mesh with positions: got %d %s", a.Status, a.Page(t).Text("main"))
	}
	rec, err = site.Store.Event(context.Background(), farm.KindProbe, farm.ID{UUID: uuid.NewV5(uuid.Must(uuid.FromString(placed.Get("id"))), "probe/P-2")})
	if err != nil {
		t.Fatal(err)
	}
	if p := rec.(*farm.Probe); fmt.Sprint(p.HeightsMM, p.XMinMM, p.XMaxMM, p.YMinMM, p.YMaxMM) != "[0.1 0.2 0.3 0.4] 10 200 10 180" {
		t.Errorf("stored: %v from %v to %v, %v to %v", p.HeightsMM, p.XMinMM, p.XMaxMM, p.YMinMM, p.YMaxMM)
	}
}

func TestTheSameFormSentAtOnceIsStoredOnce(t *testing.T) {
	site := handSite(t)
	c := site.As("amara", "operator")
	form := with(opened(t, c, "/upkeep/clean?plate=L-1&plate=L-2"), "method", "wipe")
	var wait sync.WaitGroup
	for range 5 {
		wait.Go(func() {
			if a := c.Form("/upkeep/clean", form); a.Status != 303 {
				t.Errorf("got %d, want every sender told that it is saved", a.Status)
			}
		})
	}
	wait.Wait()
	if n := len(c.Page("/upkeep/recent").All(".recent li")); n != 1 {
		t.Errorf("%d entries, want one", n)
	}
	changed := c.Form("/upkeep/clean", with(form, "method", "wash"))
	if got := changed.Page(t).Text("[data-problems]"); changed.Status != 422 || !strings.Contains(got, "This form was saved before with other content") {
		t.Errorf("the form changed and sent again: got %d, %q", changed.Status, got)
	}
}

func TestWhoMayLogForWhomAndUndo(t *testing.T) {
	site := handSite(t)
	amara, ines, max := site.As("amara", "operator"), site.As("ines", "operator"), site.As("max", "manager")
	if len(amara.Page("/upkeep/service?printer=P-1").All("select[name=person]")) != 0 {
		t.Error("an operator is offered other people")
	}
	a := amara.Form("/upkeep/service", with(opened(t, amara, "/upkeep/service?printer=P-1"), "work", "bed", "person", "ines"))
	if a.Status != 403 {
		t.Errorf("an operator logs for another: got %d, want 403", a.Status)
	}
	a = max.Form("/upkeep/service", with(opened(t, max, "/upkeep/service?printer=P-1"), "work", "bed", "person", "ines"))
	if a.Status != 303 {
		t.Fatalf("a manager logs for another: got %d", a.Status)
	}
	if got := max.Page("/upkeep").Text(".recent li"); !strings.Contains(got, "done by ines") || !strings.Contains(got, "Saved by max") {
		t.Errorf("the list: %q", got)
	}
	entry := strings.TrimPrefix(a.Header.Get("Location"), "/upkeep?saved=")
	if got := ines.Page("/upkeep/undo?entry=" + entry); len(got.All("form.record")) != 0 || !strings.Contains(got.Text("main"), "Somebody else logged this") {
		t.Error("the undo of another person's entry is open")
	}
	if a := ines.Form("/upkeep/undo", url.Values{"entry": {entry}, "reason": {"no"}}); a.Status != 403 {
		t.Errorf("undoing another person's entry: got %d, want 403", a.Status)
	}
	if a := max.Form("/upkeep/undo", url.Values{"entry": {entry}, "do": {"save"}}); a.Status != 422 || !strings.Contains(a.Page(t).Text("#w-reason"), "Say why") {
		t.Errorf("an undo from the list without a reason: got %d, want it asked", a.Status)
	}
	if a := max.Form("/upkeep/undo", url.Values{"entry": {entry}, "reason": {"wrong printer"}, "do": {"save"}}); a.Status != 303 {
		t.Errorf("an undo with a reason: got %d", a.Status)
	}
	if got := historyLines(max, "/printers/P-1"); !strings.Contains(got[0], "by max: wrong printer") {
		t.Errorf("the history: %q", got[0])
	}
	for path, want := range map[string]int{"/upkeep/undo?entry=x": 400, "/upkeep/undo?entry=99999": 404, "/upkeep/undo": 303, "/upkeep?saved=0": 400, "/upkeep?saved=99999": 200,
		"/upkeep/clean?plates=L-1": 400, "/upkeep?list=none": 400, "/upkeep?page=0": 400, "/upkeep?only=on&list=holds": 400, "/upkeep?page=99": 200, "/upkeep/recent?before=1": 200} {
		if a := max.Get(path); a.Status != want {
			t.Errorf("%s: got %d, want %d", path, a.Status, want)
		}
	}
	if a := max.Form("/upkeep/service", url.Values{"id": {"x"}}); a.Status != 400 {
		t.Errorf("a form without its number: got %d, want 400", a.Status)
	}
	if a := max.Form("/upkeep/service", url.Values{"id": {"0197a000-0000-7000-8000-000000000000"}, "grade": {"clean"}}); a.Status != 400 {
		t.Errorf("a field nobody knows: got %d, want 400", a.Status)
	}
}
