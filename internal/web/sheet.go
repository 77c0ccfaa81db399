package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// keptShown is how many kept sheets a finding's page lists.
const keptShown = 8

// sheetPart lists the evidence that was kept of a finding and offers to keep it.
func (s *Server) sheetPart(c echo.Context, q findingParam, zone *time.Location) (views.SheetPart, error) {
	var p views.SheetPart
	ctx := c.Request().Context()
	kept, err := s.store.SheetsOf(ctx, q.kind, q.tag, q.cause)
	if err != nil {
		return p, err
	}
	wanted, err := s.store.SheetsWanted(ctx, q.kind, q.tag, q.cause)
	if err != nil {
		return p, err
	}
	for _, w := range wanted {
		p.Kept = append(p.Kept, views.SheetLine{Href: s.sheetHref(w.ID), When: clock(w.At, zone), ISO: iso(w.At), Says: wantedWords(&w)})
	}
	for _, k := range kept {
		if k.Voided {
			continue
		}
		if len(p.Kept) >= keptShown {
			p.More = "Older ones stand in the history."
			break
		}
		p.Kept = append(p.Kept, views.SheetLine{Href: s.sheetHref(k.ID), When: clock(k.At, zone), ISO: iso(k.At), State: stateFor(evidenceStates, k.State), Says: sheetBecause(k.Because, k.Person)})
	}
	if roleRank(identity(c).Role) < roleRank(roleManager) {
		return p, nil
	}
	if id, err := uuid.NewV7(); err == nil {
		p.Action, p.ID = s.findingHref(q.kind, q.tag, q.cause)+"/sheets", id.String()
	}
	return p, nil
}

func (s *Server) sheetHref(id uuid.UUID) string { return s.url("/findings/sheets/" + id.String()) }

func wantedWords(w *store.SheetWanted) string {
	if w.Failed != "" {
		return "not kept: " + w.Failed
	}
	return "being worked out"
}

func sheetBecause(because, person string) string {
	if because == "raised" {
		return "when it was raised"
	}
	return "asked for by " + orSomebody(person)
}

// postSheet asks for a finding's evidence as of now. It is worked out in the
// background; what it says stands from now on.
func (s *Server) postSheet() echo.HandlerFunc {
	return func(c echo.Context) error {
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		form, err := readForm(c, "id")
		if err != nil {
			return err
		}
		id, err := uuid.FromString(form["id"])
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: form["id"], Expected: "the id that the form carries"})
		}
		ctx := c.Request().Context()
		if _, err := s.cfg.Findings.Evidence(ctx, q.kind, q.tag, q.cause, s.now()); err != nil {
			return err // there is no such question
		}
		if err := s.cfg.Heights.WantSheet(ctx, store.SheetWanted{ID: id, SubjectKind: q.kind, Tag: q.tag, Cause: q.cause, Person: identity(c).Handle, Via: "page"}); err != nil {
			return err
		}
		s.awaitSheet(ctx, id)
		return c.Redirect(http.StatusSeeOther, s.sheetHref(id))
	}
}

// How long a page waits for a sheet that is being worked out, and how often it looks.
const (
	sheetWait = 6 * time.Second
	sheetLook = 250 * time.Millisecond
)

// awaitSheet waits a little for a sheet, so that on most farms the next page shows it.
func (s *Server) awaitSheet(ctx context.Context, id uuid.UUID) {
	if s.cfg.Heights == nil || !s.cfg.Heights.WorksSheets() {
		return
	}
	for begun := time.Now(); time.Since(begun) < sheetWait && ctx.Err() == nil; {
		if w, err := s.store.SheetWanted(ctx, id); err != nil || w.Failed != "" {
			return
		}
		select {
		case <-ctx.Done():
		case <-time.After(sheetLook):
		}
	}
}

// sheetAt reads the sheet an address names: kept, or wanted.
func (s *Server) sheetAt(c echo.Context) (*farm.EvidenceSheet, *store.SheetWanted, error) {
	id, err := uuid.FromString(c.Param("id"))
	if err != nil {
		return nil, nil, fault.New(fault.NotFound, "There is no page at this address.")
	}
	kept, err := s.store.EvidenceSheet(c.Request().Context(), farm.ID{UUID: id})
	if err == nil || !fault.Is(err, fault.NotFound) {
		return kept, nil, err
	}
	w, wantErr := s.store.SheetWanted(c.Request().Context(), id)
	if wantErr != nil {
		return nil, nil, err
	}
	return nil, &w, nil
}

func (s *Server) getSheet() echo.HandlerFunc { return s.showSheet(false) }

// getSheetCheck works the sheet out anew and compares.
func (s *Server) getSheetCheck() echo.HandlerFunc { return s.showSheet(true) }

func (s *Server) showSheet(check bool) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		kept, wanted, err := s.sheetAt(c)
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		shell := withClock(s.shell(c, "Evidence kept", "/findings"), now, zone)
		if kept == nil {
			p := views.ReportPage{Shell: shell, Crumbs: s.sheetCrumbs(wanted.SubjectKind, wanted.Tag, wanted.Cause), Lead: "As of " + clock(wanted.At, zone) + ": " + wantedWords(wanted) + "."}
			if wanted.Failed == "" {
				p.Sub = "It will say what was known at that time, however long it takes. On a large farm that may be a minute."
				p.Actions = []views.Link{{Word: "Look again", Href: s.sheetHref(wanted.ID), Main: true}}
			}
			return render(c, http.StatusOK, views.Report(p))
		}
		sheet, err := assess.ReadSheet([]byte(kept.Sheet))
		if err != nil {
			return fault.New(fault.NotFound, "What was kept here is no sheet that this program reads.")
		}
		p := s.sheetReport(kept, sheet, zone).page(shell)
		p.State = stateFor(evidenceStates, sheet.State)
		p.Crumbs = s.sheetCrumbs(kept.SubjectKind, kept.Subject, kept.Cause)
		p.DataThrough = clock(sheet.AsOf.Time(), zone)
		href := s.sheetHref(kept.ID.UUID)
		p.Downloads = []views.Link{{Word: "The sheet as JSON", Href: href + "/sheet.json"}, {Word: "Its figures as CSV", Href: href + "/figures.csv"}}
		p.Actions = []views.Link{{Word: "Work it out anew and compare", Href: href + "/check"}}
		if check {
			k, err := s.cfg.Heights.CheckSheet(ctx, kept)
			if err != nil {
				return err
			}
			p.Check, p.Actions = checkView(k), nil
		}
		return render(c, http.StatusOK, views.Report(p))
	}
}

func checkView(k *assess.Check) *views.ReportCheck {
	v := &views.ReportCheck{Same: k.Same, Says: k.Says(), Differs: views.Table{Caption: "Where they differ", Columns: []views.Column{{Word: "Place"}, {Word: "Kept"}, {Word: "Now"}}}}
	for _, d := range k.Differs {
		v.Differs.Rows = append(v.Differs.Rows, views.Row{Cells: []views.Cell{{Text: d.Where}, {Text: d.Kept}, {Text: d.Now}}})
	}
	if k.More > 0 {
		v.Differs.Sub = fmt.Sprintf("and %d further places", k.More)
	}
	return v
}

func (s *Server) sheetCrumbs(kind, tag, cause string) []views.Link {
	return []views.Link{{Word: "All findings", Href: s.url("/findings")}, {Word: tag + ", " + wordFor(causeWords, cause), Href: s.findingHref(kind, tag, cause)}}
}

// getSheetJSON gives the sheet byte for byte as it was kept.
func (s *Server) getSheetJSON() echo.HandlerFunc {
	return func(c echo.Context) error {
		kept, err := s.keptSheet(c)
		if err != nil {
			return err
		}
		return writeRawJSON(c, []byte(kept.Sheet))
	}
}

func (s *Server) getSheetCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		kept, err := s.keptSheet(c)
		if err != nil {
			return err
		}
		zone, err := s.farmZone(c.Request().Context())
		if err != nil {
			return err
		}
		sheet, err := assess.ReadSheet([]byte(kept.Sheet))
		if err != nil {
			return fault.New(fault.NotFound, "What was kept here is no sheet that this program reads.")
		}
		return s.sendReport(c, "csv", s.sheetReport(kept, sheet, zone), nil)
	}
}

func (s *Server) keptSheet(c echo.Context) (*farm.EvidenceSheet, error) {
	if err := onlyParams(c); err != nil {
		return nil, err
	}
	kept, wanted, err := s.sheetAt(c)
	if err == nil && kept == nil {
		err = fault.New(fault.NotFound, "The sheet as of %s is not worked out yet.", iso(wanted.At))
	}
	return kept, err
}

// sheetReport says a sheet in words.
func (s *Server) sheetReport(kept *farm.EvidenceSheet, x *assess.Sheet, zone *time.Location) *report {
	cause := wordFor(causeWords, x.Cause)
	r := &report{code: "evidence_sheet", name: "evidence-" + x.Subject + "-" + x.Cause + "-" + x.AsOf.Time().In(zone).Format(time.DateOnly), from: x.Window.From.Time(), to: x.Window.To.Time(),
		title: "Evidence: " + x.Subject + ", " + cause, lead: x.Summary,
		sub: "Kept " + sheetBecause(kept.Because, kept.Person) + ". Nothing on this sheet changes any more; the finding's own page goes on."}
	fact := func(name, word, says, note string, value any) {
		r.facts = append(r.facts, reportFact{name: name, word: word, says: says, note: note, value: value})
	}
	fact("as_of", "Data as of", clock(x.AsOf.Time(), zone), "known at "+clock(x.KnownAt.Time(), zone), iso(x.AsOf.Time()))
	fact("window", "Window", clock(r.from, zone)+" to "+clock(r.to, zone), "fitted to "+clock(x.FitWindow.From.Time(), zone)+" to "+clock(x.FitWindow.To.Time(), zone), nil)
	fact("started", "Coverage", coverage(x.Coverage.Graded, x.Coverage.Started), "", x.Coverage.Graded)
	fact("n", "Compared", counted(x.Adjusted.N, "graded layer", "graded layers"), counted(x.Adjusted.Failures, "failure", "failures"), x.Adjusted.N)
	fact("farm", "The whole farm", counted(x.Farm.FirstLayers, "first layer", "first layers"), count(x.Farm.Graded)+" graded, "+counted(x.Farm.Failures, "failure", "failures"), x.Farm.FirstLayers)
	fact("definitions", "Definitions", "version "+strconv.Itoa(x.Definitions.Version), "", x.Definitions.Version)
	fact("records", "Records it rests on", "SHA-256 "+x.Farm.Digest[:min(16, len(x.Farm.Digest))]+"…", "the whole of it stands in the JSON", x.Farm.Digest)
	if x.Case != nil {
		note := ""
		if n := len(x.CaseTrail); n > 0 {
			note = "since " + clock(x.CaseTrail[n-1].At.Time(), zone)
		}
		fact("case", "Case", wordFor(caseWords, *x.Case), note, *x.Case)
	}
	if b := x.ByChoice; b != nil {
		says := "the same"
		if b.Disagree {
			says = "another: graded by choice, too thin to say"
		}
		fact("by_choice", "All that was graded, by choice too, says", says, perHundredRange(float64(b.Avoidable), float64(b.AvoidableLow), float64(b.AvoidableHigh))+" of 100 avoidable; the figures here rest on the look list, "+counted(b.Listed, "layer", "layers"), b.State)
	}
	r.parts = []reportPart{sheetExclusions(x), sheetCounts(x)}
	if len(x.Curve) > 1 {
		part := reportPart{id: "gap_curve", title: "Failures by prints since the plate was cleaned", columns: []reportColumn{{"prints_since_clean", "", true}, {"per_100", "", true}, {"low", "", true}, {"high", "", true}}, chart: gapChart(sheetEvidence(x), "#counts", "")}
		for _, p := range x.Curve {
			part.rows = append(part.rows, []reportCell{{value: p.Gap}, {value: finite(float64(p.At))}, {value: finite(float64(p.Low))}, {value: finite(float64(p.High))}})
		}
		r.parts = append(r.parts, part)
	}
	r.parts = append(r.parts, sheetAnswers(x))
	if x.Lots != nil { // sheets of the first definitions say nothing of lots
		r.parts = append(r.parts, sheetLots(x, zone))
	}
	r.parts = append(r.parts, sheetStrata(x), sheetLargest(x), sheetMarks(x), sheetSensitivity(x), sheetTurns(x), sheetDefinitions(x))
	return r
}

// sheetEvidence is as much of a sheet as the drawing of the gap curve needs.
func sheetEvidence(x *assess.Sheet) *Evidence {
	e := &Evidence{Finding: Finding{Kind: x.SubjectKind, Subject: x.Subject, Cause: x.Cause, State: x.State, Starts: x.Coverage.Started, Graded: x.Coverage.Graded, N: x.Adjusted.N, Failures: x.Adjusted.Failures,
		OddsRatio: float64(x.Adjusted.OddsRatio), OddsLow: float64(x.Adjusted.OddsLow), OddsHigh: float64(x.Adjusted.OddsHigh), Reverse: x.Reverse}, GapSplit: float64(x.GapSplit)}
	for _, c := range x.Counts {
		if c.Code != "band" {
			continue
		}
		cell := EvidenceCell{Code: "band", Low: *c.Low, High: -1, Mean: float64(*c.Low), Started: c.Started, Graded: c.Graded, Failures: c.Failures}
		if c.High != nil {
			cell.High, cell.Mean = *c.High, float64(*c.Low+*c.High)/2
		}
		if c.Graded == 0 {
			cell.Mean = math.NaN()
		}
		e.Cells = append(e.Cells, cell)
	}
	for _, p := range x.Curve {
		e.Curve = append(e.Curve, CurvePoint{p.Gap, float64(p.At), float64(p.Low), float64(p.High)})
	}
	return e
}

var exclusionWords = map[string][2]string{
	"ungraded":         {"Started, not graded", "in no rate"},
	"unknown_exposure": {"Graded, not known what they started under", "in neither side"},
	"void_probe":       {"Probed, then swapped or serviced", "in neither side"},
	"restart":          {"Restarts", "out of adjusted and stratified figures"},
	"since_midnight":   {"Since the last midnight", "counted, not in the fit"},
	"late":             {"Noted more than a day late", "counted; left out in one comparison below"},
	"voided":           {"Voided records", "left out everywhere"},
}

func sheetExclusions(x *assess.Sheet) reportPart {
	p := reportPart{id: "exclusions", title: "What is left out", columns: []reportColumn{{"code", "", false}, {"what", "Layers of " + x.Subject, false}, {"layers", "How many", true}, {"out_of", "Out of what", false}}}
	for _, e := range x.Exclusions {
		w := exclusionWords[e.Code]
		p.rows = append(p.rows, []reportCell{{value: e.Code}, {text: w[0], value: w[0]}, told(e.Layers), {text: w[1], value: e.OutOf}})
	}
	return p
}

func sheetCounts(x *assess.Sheet) reportPart {
	p := reportPart{id: "counts", title: "What was counted", columns: append([]reportColumn{{"group", "Group", false}}, ratedColumns...)}
	for _, c := range x.Counts {
		word := wordFor(probeCellWords, c.Code)
		if c.Code == "band" {
			cell := EvidenceCell{Low: *c.Low, High: -1}
			if c.High != nil {
				cell.High = *c.High
			}
			word = bandWords(cell)
		}
		if c.Started > 0 || c.Code != "unknown" && c.Code != "void" {
			p.rows = append(p.rows, append([]reportCell{inWords(word)}, rated(c.Started, c.Graded, c.Failures)...))
		}
	}
	if x.Cause == "cleaning_gap" {
		p.columns[0].word = "Prints since cleaned"
	}
	return p
}

func sheetAnswers(x *assess.Sheet) reportPart {
	a := &x.Adjusted
	p := reportPart{id: "figures", title: "Plain and adjusted", columns: []reportColumn{{"figure", "Figure", false}, {"value", "Value, likely range", false}, {"low", "", true}, {"high", "", true}}, after: []string{x.Why}}
	row := func(word, text string, v, low, high float64) {
		p.rows = append(p.rows, []reportCell{inWords(word), {text: text, value: finite(v)}, {value: finite(low)}, {value: finite(high)}})
	}
	row("Plain difference, failures of 100", perHundredRange(float64(x.Plain.Difference), float64(x.Plain.Low), float64(x.Plain.High)), float64(x.Plain.Difference), float64(x.Plain.Low), float64(x.Plain.High))
	row("Avoidable of 100, adjusted", perHundredRange(float64(a.Avoidable), float64(a.AvoidableLow), float64(a.AvoidableHigh)), float64(a.Avoidable), float64(a.AvoidableLow), float64(a.AvoidableHigh))
	row(oddsWords(x.Cause), rangeWords(float64(a.OddsRatio), float64(a.OddsLow), float64(a.OddsHigh)), float64(a.OddsRatio), float64(a.OddsLow), float64(a.OddsHigh))
	nan := math.NaN()
	q := "–"
	if !math.IsNaN(float64(a.Q)) {
		q = falseWords(float64(a.Q)) + " (raised at " + percent(float64(x.Farm.FalseDiscoveryRate)) + " and less)"
	}
	row("Of findings this strong, false", q, float64(a.Q), nan, nan)
	return p
}

var factorWords = map[string]string{"plate": "plate", "printer": "printer", "material": "material", "grader": "grader", "week": "week"}

func sheetStrata(x *assess.Sheet) reportPart {
	p := reportPart{id: "stratified", title: "Within strata", columns: []reportColumn{{"by", "Compared within each", false}, {"strata", "Strata", true}, {"informative", "That say something", true}, {"odds_ratio", "Odds of failing, times", false}, {"low", "", true}, {"high", "", true}, {"p_value", "", true}, {"alike", "Are they alike", false}},
		after: []string{"Mantel–Haenszel over the strata of one kind at a time, restarts left out. Where the odds stay up within each plate, material, grader and week, none of these by itself explains them."}}
	for _, t := range x.Stratified {
		alike := "cannot tell"
		switch v := float64(t.Alike); {
		case v < 0.05:
			alike = "no: they differ beyond chance"
		case v >= 0.05:
			alike = "no sign that they differ"
		}
		p.rows = append(p.rows, []reportCell{inWords(wordFor(factorWords, t.By)), told(t.Strata), told(t.Informative), {text: rangeWords(float64(t.OddsRatio), float64(t.Low), float64(t.High)), value: finite(float64(t.OddsRatio))},
			{value: finite(float64(t.Low))}, {value: finite(float64(t.High))}, {value: finite(float64(t.P))}, {text: alike, value: finite(float64(t.Alike))}})
	}
	return p
}

func sheetLargest(x *assess.Sheet) reportPart {
	p := reportPart{id: "strata", title: "The largest strata", columns: []reportColumn{{"by", "Kind", false}, {"name", "Stratum", false}, {"exposed", "Failed, exposed", false}, {"exposed_failed", "", true}, {"exposed_held", "", true}, {"rest", "Failed, not exposed", false}, {"rest_failed", "", true}, {"rest_held", "", true}}}
	for _, t := range x.Stratified {
		for _, y := range t.Largest {
			p.rows = append(p.rows, []reportCell{inWords(wordFor(factorWords, t.By)), inWords(y.Name), {text: ofWords(y.ExposedFailed, y.ExposedFailed+y.ExposedHeld)}, {value: y.ExposedFailed}, {value: y.ExposedHeld}, {text: ofWords(y.RestFailed, y.RestFailed+y.RestHeld)}, {value: y.RestFailed}, {value: y.RestHeld}})
		}
	}
	return p
}

func ofWords(k, n int) string { return count(k) + " of " + count(n) }

func sheetMarks(x *assess.Sheet) reportPart {
	p := reportPart{id: "marks", title: "What the layers show", empty: "No mark was noted.", columns: []reportColumn{{"mark", "Mark", false}, {"failed_exposed", "Failed, exposed", true}, {"failed_rest", "Failed, not exposed", true}, {"good_exposed", "Good, exposed", true}, {"good_rest", "Good, not exposed", true}},
		after: []string{"Over- and under-squish point at height: probe or tram. Blobs, dragged lines and contamination point at grip: clean."}}
	for _, m := range x.Marks {
		p.rows = append(p.rows, []reportCell{{text: wordFor(markWords, m.Mark), value: m.Mark}, told(m.FailedExposed), told(m.FailedRest), told(m.GoodExposed), told(m.GoodRest)})
	}
	return p
}

var variantWords = map[string]string{"late_left_out": "Late records left out", "missing_skipped": "Every missing probe taken as skipped", "missing_unknown": "Every missing probe taken as unknown", "strict_left_out": "Strict graders left out"}

func sheetSensitivity(x *assess.Sheet) reportPart {
	p := reportPart{id: "sensitivity", title: "Had it been counted otherwise", columns: []reportColumn{{"code", "", false}, {"what", "Taken otherwise", false}, {"changes", "Layers it changes", false}, {"farm_changes", "", true}, {"state", "Evidence", false}, {"avoidable", "Avoidable of 100", false}, {"low", "", true}, {"high", "", true}, {"q_value", "Of such, false", false}, {"n", "", true}, {"failures", "", true}, {"fitted", "", false}},
		after: []string{"Each is the whole farm read and fitted again. Where nothing of the farm counts otherwise the answer is the same, and nothing was fitted."}}
	for _, v := range x.Sensitivity {
		changes := count(v.Changes) + " of its own"
		switch {
		case !v.Fitted:
			changes = "none in the farm"
		case v.Code == "strict_left_out":
			changes += ", " + counted(v.Graders, "grader", "graders")
		}
		q := "–"
		if !math.IsNaN(float64(v.Q)) {
			q = falseWords(float64(v.Q))
		}
		p.rows = append(p.rows, []reportCell{{value: v.Code}, inWords(wordFor(variantWords, v.Code)), {text: changes, value: v.Changes}, {value: v.Farm}, {text: stateFor(evidenceStates, v.State).Word, value: v.State},
			{text: perHundredRange(float64(v.Avoidable), float64(v.AvoidableLow), float64(v.AvoidableHigh)), value: finite(float64(v.Avoidable))}, {value: finite(float64(v.AvoidableLow))}, {value: finite(float64(v.AvoidableHigh))},
			{text: q, value: finite(float64(v.Q))}, {value: v.N}, {value: v.Failures}, {value: v.Fitted}})
	}
	return p
}

// sheetTurns says what would change the answer, with numbers.
func sheetTurns(x *assess.Sheet) reportPart {
	m := &x.ChangeMind
	p := reportPart{id: "what_would_change_it", title: "What would change our mind", columns: []reportColumn{{"kind", "", false}, {"layers", "", true}}}
	exposed, rest := "after a skipped probe", "after a valid probe"
	if x.Cause == "cleaning_gap" {
		exposed, rest = "at long gaps", "on a plate just cleaned"
	}
	level := percent(float64(x.Farm.FalseDiscoveryRate))
	add := func(kind string, n *int, yes, no string) {
		cell := reportCell{}
		if n != nil {
			cell.value = *n
			p.lead = append(p.lead, fmt.Sprintf(yes, counted(*n, "further layer", "further layers")))
		} else {
			p.lead = append(p.lead, no)
		}
		p.rows = append(p.rows, []reportCell{{value: kind}, cell})
	}
	switch {
	case m.Needs != nil:
		add("needs", m.Needs, "Nothing can be said yet: about %s that are graded would settle it.", "")
	case x.Reverse:
		p.lead = append(p.lead, "The evidence points the other way; see the finding's page for where to look.")
	case x.State == "raised":
		add("held_though_exposed", m.HeldExposed, "%s that hold "+exposed+" would bring the share of false findings above "+level+".", "Not even "+count(m.MostHeld)+" further layers that hold "+exposed+" would take it back.")
		add("failed_without", m.FailedRest, "%s that fail "+rest+" would do so too.", "Not even "+count(m.MostFailed)+" further layers that fail "+rest+" would take it back.")
	default:
		if m.LeastAvoidable {
			p.lead = append(p.lead, "It is sure enough, but fewer are avoidable than the "+figure(float64(x.Farm.LeastAvoidable))+" of 100 from which findings are raised.")
		}
		add("failed_exposed", m.FailedExposed, "%s that fail "+exposed+", with the marks most failures here show, would raise it.", "Not even "+count(m.MostFailed)+" further layers that fail "+exposed+" with the marks most failures here show would raise it.")
		add("held_without", m.HeldRest, "%s that hold "+rest+" would raise it.", "No number of layers that hold "+rest+" looked at would raise it.")
	}
	p.after = []string{"Worked out with such layers spread over the window, all else of the farm as it is."}
	return p
}

func sheetDefinitions(x *assess.Sheet) reportPart {
	p := reportPart{id: "definitions", title: "Definitions, version " + strconv.Itoa(x.Definitions.Version), columns: []reportColumn{{"word", "Word", false}, {"means", "What it means here", false}}, after: []string{strings.TrimSpace(x.Definitions.Method)}}
	for _, w := range x.Definitions.Words {
		p.rows = append(p.rows, []reportCell{inWords(w.Word), inWords(w.Means)})
	}
	return p
}
