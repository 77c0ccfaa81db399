package web_test

import (
	"net/url"
	"slices"
	"strings"
	"testing"

	"basecourse/internal/webtest"

	"golang.org/x/net/html"
)

// everyKind is one record of each kind that happens to printer P-1 or plate L-1.
var everyKind = []string{
	`{"kind":"first_layer","id":"F1","printer":"P-1","plate":"L-1","started_at":"2026-03-08T08:00:00Z","grade":"failed","grader":"wei","graded_at":"2026-03-08T08:20:00Z","marks":"A1:blobs:2","plate_side":"a","plate_turned":"yes","nudge_mm":-0.04,"outcome":"restarted"}`,
	`{"kind":"first_layer","id":"F2","printer":"P-1","plate":"L-1","started_at":"2026-03-08T09:00:00Z","grade":"clean","graded_at":"2026-03-08T09:20:00Z","plate_side":"a"}`,
	`{"kind":"probe","id":"M1","printer":"P-1","probed_at":"2026-03-08T07:00:00Z","plate":"L-1","columns":2,"rows":2,"heights_mm":[0.1,-0.12,0,0.05],"bed_temp_c":60}`,
	`{"kind":"probe","id":"M2","printer":"P-1","probed_at":"2026-03-08T07:30:00Z"}`,
	`{"kind":"void","record":"M2","voided_at":"2026-03-08T07:40:00Z","voided_by":"wei","void_reason":"wrong printer"}`,
	`{"kind":"probe_skipped","id":"S1","printer":"P-1","at":"2026-03-08T08:30:00Z","reason":"hurry","person":"wei"}`,
	`{"kind":"offset_change","id":"O1","printer":"P-1","changed_at":"2026-03-08T08:31:00Z","from_mm":-1.2,"to_mm":-1.16,"reason":"too low"}`,
	`{"kind":"service","id":"V1","printer":"P-1","done_at":"2026-03-08T08:32:00Z","work":"nozzle","noted_at":"2026-03-10T08:00:00Z"}`,
	`{"kind":"fitting","id":"X1","plate":"L-1","printer":"P-1","fitted_at":"2026-03-08T06:00:00Z","plate_side":"a"}`,
	`{"kind":"cleaning","id":"C1","plate":"L-1","cleaned_at":"2026-03-08T06:30:00Z","method":"wash","agent":"dish_soap","person":"wei"}`,
	`{"kind":"plate_state","id":"T1","plate":"L-1","at":"2026-03-08T06:40:00Z","state":"in_use"}`,
	`{"kind":"hold","id":"H1","subject_kind":"printer","subject":"P-1","placed_at":"2026-03-08T10:00:00Z","released_at":"2026-03-08T11:00:00Z","reason":"probe bent","release_reason":"new probe"}`,
	`{"kind":"hold","id":"H2","subject_kind":"plate","subject":"L-1","placed_at":"2026-03-08T10:00:00Z","reason":"bent"}`,
	`{"kind":"disagreement","id":"D1","subject_kind":"printer","subject":"P-1","cause":"skipped_probing","at":"2026-03-08T12:00:00Z","person":"wei","reason":"it was the tip"}`,
	`{"kind":"disagreement","id":"D2","subject_kind":"plate","subject":"L-1","cause":"cleaning_gap","at":"2026-03-08T12:00:00Z","person":"wei","reason":"bent plate"}`,
}

func TestHistoriesHoldEveryKindInWords(t *testing.T) {
	site := webtest.New(t)
	stored(t, site, little())
	for _, r := range send(t, site.As("boss", "manager"), everyKind...) {
		if r.Result != "recorded" {
			t.Fatalf("%s: %+v", r.ID, r.Error)
		}
	}
	c := site.As("amara", "operator")
	for path, want := range map[string]map[string]string{
		"/printers/P-1": {
			"first_layer": "Failed plate L-1 · side A, turned 180° · blobs · nozzle down 0.04 mm (towards the bed) · restarted · by wei", "probe": "Probed plate L-1 · mesh range 0.22 mm",
			"probe_skipped": "Probing skipped in a hurry · by wei", "offset_change": "Offset changed \u22121.20 mm to \u22121.16 mm · too low",
			"service": "Service nozzle Late entry, entered 2026-03-10 ", "fitting": "Plate fitted plate L-1 · side A", "hold": "probe bent · released 2026-03-08 11:00 · new probe",
			"disagreement": "Disagreed with a finding skipped probing · it was the tip · by wei",
		},
		"/plates/L-1": {
			"first_layer": "Clean layer printer P-1 · side A", "cleaning": "Washed dish soap · by wei", "plate_state": "In use", "fitting": "Plate fitted printer P-1", "hold": "Hold placed Hold bent", "disagreement": "bent plate",
		},
	} {
		for kind, words := range want {
			lines := c.Page(path + "?kind=" + kind).All("li[data-event]")
			found := slices.ContainsFunc(lines, func(n *html.Node) bool { return strings.Contains(plain(webtest.Text(n)), words) })
			if !found {
				t.Errorf("%s?kind=%s: no line says %q: %q", path, kind, words, c.Page(path+"?kind="+kind).Texts("li[data-event]"))
			}
			if slices.ContainsFunc(lines, func(n *html.Node) bool { return webtest.Attr(n, "data-event") != kind }) {
				t.Errorf("%s?kind=%s shows other kinds too", path, kind)
			}
		}
		kinds := map[string]bool{}
		for _, n := range c.Page(path).All("li[data-event]") {
			kinds[webtest.Attr(n, "data-event")] = true
		}
		if len(kinds) != len(want) {
			t.Errorf("%s: the whole history has kinds %v, want %d", path, kinds, len(want))
		}
	}
	voided := plain(c.Page("/printers/P-1").Text("li.voided"))
	if !strings.Contains(voided, "Voided 2026-03-08 07:40 by wei: wrong printer") {
		t.Errorf("voided: got %q", voided)
	}
	printer := plain(c.Page("/printers/P-1").Text("main"))
	for _, want := range []string{
		"Failed, last 84 days: 1 of 2 2 of 2 layers graded.", "2 × 2 0.22 mm L-1 60 °C", "By printer: bed of P-1 2 graded layers, all plates",
		"A1 , front left: 1 of 2 Blobs: 1", "L-1 2026-03-08 06:00 fitted still there last seen 2026-03-08 09:00 2 side A, turned 180°",
	} {
		if !strings.Contains(printer, want) {
			t.Errorf("the printer's page lacks %q:\n%s", want, printer)
		}
	}
	if strings.Contains(printer, "2026-03-08 07:30 Probed none kept") {
		t.Error("a voided probe stands among the probes")
	}
	// The plate lay turned: its blobs belong to its own back right.
	plate := plain(c.Page("/plates/L-1").Text("main"))
	for _, want := range []string{"By plate: L-1 side A 2 graded layers, all printers; 1 lay turned and are turned back, 1 say nothing", "C3 , back right: 1 of 2 Blobs: 1", "bent no record in force", "Plate L-1 Hold", "Settle the reason, then release L-1."} {
		if !strings.Contains(plate, want) {
			t.Errorf("the plate's page lacks %q:\n%s", want, plate)
		}
	}
}

func TestMarksAreSummedOverAsManyLayersAsAsked(t *testing.T) {
	site := demoSite(t)
	c := site.As("amara", "operator")
	for query, want := range map[string]string{"": "100 first layers", "?layers=20": "The latest 20 first layers", "?layers=500": "first layers"} {
		p := c.Page("/printers/P-001" + query)
		if got := p.Texts(".sums .sub")[0]; !strings.Contains(got, want) {
			t.Errorf("%s: got %q, want %q", query, got, want)
		}
		for _, n := range p.All(".map td .of") {
			k, of, ok := strings.Cut(webtest.Text(n), " of ")
			if !ok || k == "" || of == "" {
				t.Errorf("%s: a cell says %q", query, webtest.Text(n))
			}
		}
	}
	for _, bad := range []string{"layers=7", "layers=x", "kind=cleaning", "kind=odd", "before=x"} {
		if a := c.Get("/printers/P-001?" + bad); a.Status != 400 {
			t.Errorf("%s: got %d, want 400", bad, a.Status)
		}
	}
	if p := c.Page("/plates/L-107?kind=hold"); !strings.Contains(p.Text(".past .empty"), "No entries of this kind") {
		t.Errorf("a kind without entries: got %q", p.Text(".past"))
	}
	// A filter and its pages stay together.
	p := c.Page("/printers/P-001?kind=first_layer&layers=20")
	older, err := url.Parse(webtest.Attr(p.One(".pager a[rel=next]"), "href"))
	if err != nil || older.Query().Get("kind") != "first_layer" || older.Query().Get("layers") != "20" {
		t.Errorf("older entries: got %v %v", older, err)
	}
}
