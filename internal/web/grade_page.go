package web

import (
	"net/url"
	"slices"
	"strings"

	"basecourse/internal/exposure"
	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// gradeWords are the grades as they are chosen, by what follows.
var gradeOptions = []views.Option{
	{Value: "clean", Word: "Clean layer", Note: "nothing to see"}, {Value: "cosmetic", Word: "Cosmetic", Note: "visible, the part still ships"},
	{Value: "marginal", Word: "Marginal", Note: "may not hold, or a visible underside may be refused: kept printing, under watch"},
	{Value: "failed", Word: "Failed", Note: "stopped, restarted or scrapped"},
}

// show renders the form as it stands.
func (g *grading) show(c echo.Context, status int) error {
	p := &g.grade
	p.Shell, p.Problems = g.page.Shell, g.page.Problems
	p.Printer, p.PlateTag, p.Plate = g.printer.Tag, g.text("plate"), g.text("plate")
	if g.old == nil {
		p.NoTag = g.s.url("/upkeep/no-tag?printer=" + url.QueryEscape(g.printer.Tag))
	}
	p.Script = g.s.asset("grade.js")
	p.Photo = views.PhotoPick{Script: g.s.asset("photos.js")}
	p.Bed = g.canvas.bed(g.printer.ZoneCols, g.printer.ZoneRows)
	p.Crumbs = []views.Fact{{Value: "Grade", Href: g.s.url("/grade")}, {Value: "Printer " + g.printer.Tag, Href: g.s.url("/printers/" + url.PathEscape(g.printer.Tag))}}
	p.Action = g.s.url("/grade/" + url.PathEscape(g.printer.Tag))
	start, started, latest := "new", "", g.text("latest")
	if g.start != nil {
		start, started = g.start.ID.UUID.String(), stamp(g.start.StartedAt)
	}
	if latest == "" && len(g.latest) > 0 {
		latest = g.latest[0].ID.UUID.String()
	}
	p.Hidden = []views.Fact{{Word: "id", Value: g.id.String()}, {Word: "start", Value: start}, {Word: "started", Value: started}, {Word: "latest", Value: latest},
		{Word: "marks", Value: string(farm.AppendMarks(nil, g.canvas.marks))}, {Word: "bare", Value: string(farm.AppendZones(nil, g.canvas.bare))}}
	if next := backTo(g.text("next")); next != "" {
		p.Hidden = append(p.Hidden, views.Fact{Word: "next", Value: next})
	}
	p.Quick, p.Submit = true, "Save grade"
	if g.old != nil {
		p.Crumbs = []views.Fact{{Value: "First layer on " + g.printer.Tag, Href: g.s.url("/first-layers/" + g.old.ID.UUID.String())}}
		p.Action = g.s.url("/first-layers/" + g.old.ID.UUID.String() + "/correct")
		p.Hidden = p.Hidden[:1:1]
		p.Hidden = append(p.Hidden, views.Fact{Word: "marks", Value: string(farm.AppendMarks(nil, g.canvas.marks))}, views.Fact{Word: "bare", Value: string(farm.AppendZones(nil, g.canvas.bare))})
		p.Quick, p.Submit = false, "Save correction"
	}
	g.startWords()
	var err error
	if g.old == nil {
		at := store.TestPlace{Printer: g.printer.Tag, Plate: g.floor.Plate}
		if g.floor.LastStart != nil {
			at.Last = *g.floor.LastStart
		}
		told, err := g.s.reminders(c.Request().Context(), g.who.act("page"), g.who.Handle, g.s.now(), at)
		if err != nil {
			return err
		}
		p.Reminders = drawnToSay(told[g.printer.Tag])
	}
	if p.Hint, err = g.s.practiceHint(c); err != nil {
		return err
	}
	if err := g.plateFields(); err != nil {
		return err
	}
	if err := g.probeFields(); err != nil {
		return err
	}
	g.looks()
	if err := g.readingFields(); err != nil {
		return err
	}
	if err := g.restFields(); err != nil {
		return err
	}
	if err := g.personField(); err != nil {
		return err
	}
	if g.old != nil {
		p.Reason = []views.Field{{Name: "reason", Label: "Why it is corrected", Kind: "area", Value: g.values.Get("reason"), Hint: "The record stays in the history as voided, with your name and this reason. For example: wrong plate."}}
	}
	for _, list := range [][]views.Field{p.Own, p.Fields, p.Probed, p.After, p.Rest, p.Reason} {
		beside(list, p.Problems)
	}
	for _, one := range []*views.Field{&p.Grade, &p.Seen, &p.Person, &p.Readings.Sort, &p.Readings.Instrument} {
		list := []views.Field{*one}
		beside(list, p.Problems)
		*one = list[0]
	}
	for _, row := range p.Readings.Rows {
		beside(row, p.Problems)
		p.Readings.Open = p.Readings.Open || slices.ContainsFunc(row, func(f views.Field) bool { return f.Wrong != "" || f.Value != "" })
	}
	p.Change = p.Change || slices.ContainsFunc(p.Fields, func(f views.Field) bool { return f.Wrong != "" })
	p.RestOpen = slices.ContainsFunc(p.Rest, func(f views.Field) bool { return f.Wrong != "" })
	return render(c, status, views.Grade(*p))
}

// looks asks what is seen, and what was decided: the part of the form that needs
// no record.
func (g *grading) looks() {
	p := &g.grade
	p.Brushes = brushes(commonBrushes, g.values.Get("brush"))
	p.More = append(brushes(moreBrushes, g.values.Get("brush")), views.Brush{Code: brushBare, Word: "Nothing printed here", Short: "nothing printed", Seen: "zones the print does not reach", Key: "n", Chosen: g.values.Get("brush") == brushBare})
	p.MoreOpen = slices.ContainsFunc(p.More, func(b views.Brush) bool { return b.Chosen })
	p.Seen = views.Field{Name: "seen_from", Label: "Looked at from", Kind: "choice", Optional: true, Options: orElse(g.options("seen_from", []views.Option{
		{Value: "above_printing", Word: "Above, printing"}, {Value: "above_done", Word: "Above, done"}, {Value: "underside", Word: "Its underside", Note: "peeled or taken off"}, {Value: "", Word: "Not said"}}))}
	grades := slices.Clone(gradeOptions)
	if p.Quick {
		grades = grades[1:] // clean is the button above
	}
	p.Grade = views.Field{Name: "grade", Label: "Grade", Kind: "choice", Options: g.options("grade", grades)}
	p.After = []views.Field{
		{Name: "decision", Label: "What was decided", Kind: "choice", Optional: true, Options: orElse(g.options("decision", []views.Option{
			{Value: "let_run", Word: "Let run"}, {Value: "nudged", Word: "Nudged"}, {Value: "stopped", Word: "Stopped"}, {Value: "", Word: "Not said"}}))},
		{Name: "outcome", Label: "How it ended", Kind: "choice", Optional: true, Options: orElse(g.options("outcome", outcomeOptions()))},
		{Name: "nudge", Label: "Nudged while it printed", Kind: "number", Unit: "mm", Optional: true, Value: g.values.Get("nudge"),
			Hint: g.nudgeHint()},
		{Name: "nudge_way", Label: "Which way", Kind: "choice", Optional: true, Options: orElse(g.options("nudge_way", []views.Option{
			{Value: "up", Word: "Nozzle up", Note: "away from the bed"}, {Value: "down", Word: "Nozzle down", Note: "towards the bed"}, {Value: "", Word: "No nudge"}}))},
	}
}

func (g *grading) nudgeHint() string {
	if g.printer.Tag == "" {
		return "All moves together, for example 0.04."
	}
	return "All moves together, for example 0.04; " + g.printer.Tag + " moves in steps of " + mm(orDefault(g.printer.ZStepMM, farm.DefaultZStepMM)) + "."
}

func outcomeOptions() []views.Option {
	out := make([]views.Option, 0, len(farm.Outcomes)+1)
	for _, code := range farm.Outcomes {
		out = append(out, views.Option{Value: code, Word: strings.ToUpper(wordFor(outcomeWords, code)[:1]) + wordFor(outcomeWords, code)[1:]})
	}
	return append(out, views.Option{Value: "", Word: "Not known yet"})
}

// startWords says which start is graded, and leads to the others that wait.
func (g *grading) startWords() {
	p := &g.grade
	when := views.Field{Name: "when", Label: "Started", Kind: "when", Value: orCode(g.text("when"), g.opened().In(g.zone).Format(whenLayout)),
		Hint: "In the farm's time, " + g.zone.String() + ".", Max: g.now.Add(1e9 * 60).In(g.zone).Format(whenLayout)}
	switch {
	case g.old != nil:
		p.Shell.Title = "Correct a first layer on " + g.printer.Tag
		p.Start = "The record of " + clock(g.old.StartedAt, g.zone) + ". Saving voids it and puts the corrected one in its place; both stay in the history."
		p.Own = []views.Field{when}
		return
	case g.start != nil:
		p.Start = "Started " + ago(g.start.StartedAt, g.now) + ", " + clock(g.start.StartedAt, g.zone) + "."
		if g.start.Material != "" {
			p.Start = strings.TrimSuffix(p.Start, ".") + ", " + g.start.Material + "."
		}
		p.Others = append(p.Others, views.Link{Word: "It is another start, not recorded yet", Href: g.s.gradeHref(g.printer.Tag, "new")})
	default:
		p.Start = "No start is waiting: saving records one. Change when it started if it was not just now."
		p.Own = []views.Field{when}
	}
	for i := len(g.latest) - 1; i >= 0; i-- {
		if f := g.latest[i]; waits(f) && (g.start == nil || g.start.ID.UUID != f.ID.UUID) && len(p.Others) < 6 {
			p.Others = append(p.Others, views.Link{Word: "Also waiting: " + f.StartedAt.In(g.zone).Format("15:04"), Href: g.s.gradeHref(g.printer.Tag, f.ID.UUID.String())})
		}
	}
	if g.floor.HeldAt != nil {
		p.Notice = g.printer.Tag + " is on hold since " + clock(*g.floor.HeldAt, g.zone) + ": " + orNoRecord(g.floor.HeldReason) + ". A layer that ran all the same can be graded; do not start jobs."
	} else if g.floor.PlateHeldAt != nil {
		p.Notice = "Plate " + g.floor.Plate + " is on hold since " + clock(*g.floor.PlateHeldAt, g.zone) + ": " + orNoRecord(g.floor.PlateReason) + ". A layer that ran all the same can be graded; swap the plate before the next start."
	}
}

// plateFields shows the plate as seen last, changeable.
func (g *grading) plateFields() error {
	p := &g.grade
	tag := g.text("plate")
	if tag != "" && tag == g.floor.Plate {
		p.PlateHow = "no record of a cleaning"
		if g.floor.SinceClean != nil {
			p.PlateHow = cleanedWords(g.floor.CleanMethod, *g.floor.SinceClean)
		}
	}
	if way := sideWords(g.text("plate_side"), g.text("plate_turned")); way != "" {
		p.PlateHow = strings.TrimPrefix(p.PlateHow+", "+way, ", ")
	}
	plate := views.Field{Name: "plate", Label: "Plate", Value: g.values.Get("plate"), Optional: true, Longest: 64, Scan: g.s.scan(), Hint: "Its tag, typed or scanned. Leave it empty where nobody knows."}
	names, err := g.s.store.ThingNames(g.ctx, farm.KindPlate, g.now, mostSuggested+1)
	if err != nil {
		return err
	}
	if len(names) <= mostSuggested {
		plate.Suggest = names
	}
	p.Fields = []views.Field{plate}
	if g.moveTo != "" {
		p.Fields = append(p.Fields, views.Field{Name: "move", Label: "Move " + g.moveTo + " here", Kind: "check", Value: g.moveTo})
	}
	p.Fields = append(p.Fields, sideField(g.hand, "Side up"), turnedField(g.hand))
	return nil
}

// probeFields says what the records tell of the probe, and asks where they do
// not, or where somebody may know better.
func (g *grading) probeFields() error {
	p := &g.grade
	f := &farm.FirstLayer{Printer: g.printer.Tag, StartedAt: g.when}
	if base := g.about(); base != nil {
		f = &farm.FirstLayer{ID: base.ID, Printer: g.printer.Tag, Plate: base.Plate, StartedAt: base.StartedAt, StartIs: base.StartIs, PlateSide: base.PlateSide, PlateTurned: base.PlateTurned, GradedAt: base.GradedAt}
	}
	u, err := g.s.under(g.ctx, f, g.printer, g.window())
	if err != nil {
		return err
	}
	p.Probe = u.probeSentence(f)
	said := g.text("probed")
	switch {
	case u.Skipped == exposure.Yes && !u.skipSaid:
		p.Probed = []views.Field{{Name: "probed", Label: "Probed before this start?", Kind: "choice", Optional: true,
			Options: orElse(g.options("probed", []views.Option{{Value: "yes", Word: "I did probe"}, {Value: "", Word: "As recorded"}}))}}
	case u.Skipped == exposure.Unknown || said != "":
		p.Probed = []views.Field{probedField(g.hand)}
	}
	return nil
}

func probedField(h *hand) views.Field {
	return views.Field{Name: "probed", Label: "Probed before this start?", Kind: "choice", Optional: true,
		Options: orElse(h.options("probed", []views.Option{{Value: "yes", Word: "Yes"}, {Value: "no", Word: "No"}, {Value: "", Word: "Not known"}}))}
}

func (g *grading) readingFields() error {
	r := &g.grade.Readings
	r.Sort = readingsSort(g.values)
	for row := g.printer.ZoneRows - 1; row >= 0; row-- {
		var line []views.Field
		for col := range g.printer.ZoneCols {
			name := "r-" + zoneCode(col, row)
			line = append(line, views.Field{Name: name, Label: zoneCode(col, row), Value: g.values.Get(name)})
		}
		r.Rows = append(r.Rows, line)
	}
	names, err := g.s.store.ThingNames(g.ctx, farm.KindInstrument, g.now, mostSuggested)
	r.Instrument = views.Field{Name: "instrument", Label: "Measured with", Value: g.values.Get("instrument"), Optional: true, Longest: 64, Suggest: names, Hint: "The instrument’s name on its label."}
	return err
}

func readingsSort(v url.Values) views.Field {
	return views.Field{Name: "readings_are", Label: "They were taken on", Kind: "choice", Options: []views.Option{
		{Value: "line", Word: "A single line or stripe", Chosen: v.Get("readings_are") != "patch"},
		{Value: "patch", Word: "A solid patch", Note: "reads near nominal though the nozzle is low", Chosen: v.Get("readings_are") == "patch"}}}
}

func (g *grading) restFields() error {
	materials, err := g.s.store.ThingNames(g.ctx, farm.KindMaterial, g.now, mostSuggested)
	if err != nil {
		return err
	}
	jobs, err := g.s.store.ThingNames(g.ctx, farm.KindJob, g.now, mostSuggested)
	if err != nil {
		return err
	}
	g.grade.Rest = restOf(g.values, materials, jobs)
	return nil
}

func restOf(v url.Values, materials, jobs []string) []views.Field {
	h := &hand{values: v}
	return []views.Field{
		{Name: "material", Label: "Material", Value: v.Get("material"), Suggest: materials, Optional: true, Longest: 64},
		{Name: "lot", Label: "Lot", Value: v.Get("lot"), Optional: true, Longest: 64},
		{Name: "job", Label: "Job", Value: v.Get("job"), Suggest: jobs, Optional: true, Longest: 64},
		{Name: "underside", Label: "The part’s underside", Kind: "choice", Optional: true, Options: orElse(h.options("underside", []views.Option{
			{Value: "shown", Word: "Shows"}, {Value: "hidden", Word: "Is hidden"}, {Value: "", Word: "As the job says"}}))},
		{Name: "layer_height_mm", Label: "Layer height", Kind: "number", Unit: "mm", Value: v.Get("layer_height_mm"), Optional: true, Hint: "Empty is 0.20."},
		{Name: "line_width_mm", Label: "Line width", Kind: "number", Unit: "mm", Value: v.Get("line_width_mm"), Optional: true, Hint: "Empty is 0.45."},
		{Name: "note", Label: "Note", Kind: "area", Value: v.Get("note"), Optional: true},
	}
}

// personField says who grades; managers may pick.
func (g *grading) personField() error {
	g.grade.Person = views.Field{Name: "person", Label: "Graded by", Kind: "fixed", Value: g.who.Handle}
	if g.old != nil && g.old.Grader != "" {
		g.grade.Person.Value = g.old.Grader
		g.grade.Person.Hint = "Stays while the grade and the marks stay."
	}
	if !g.who.anyPerson() {
		return nil
	}
	var err error
	g.grade.Person.Kind = "select"
	g.grade.Person.Options, err = g.crew(orCode(g.values.Get("person"), g.who.Handle))
	return err
}
