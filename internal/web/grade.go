package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// A recorded start is graded for as long as its first layer can be looked at: a
// day. Older ones are reached by their own page.
const gradeWithin = 24 * time.Hour

// grading is one first layer being graded or corrected: a hand form with a map.
type grading struct {
	*hand
	printer *farm.Printer
	floor   store.FloorPrinter
	frame   store.Frame
	latest  []*farm.FirstLayer // starts of the printer within a day, newest first
	start   *farm.FirstLayer   // the recorded start that is graded; nil: a start of its own
	old     *farm.FirstLayer   // the record that is corrected
	canvas  painted
	moveTo  string // a plate that is elsewhere, which may be moved here
	grade   views.GradePage
}

// gradeNames are the fields of the form beside those of every form by hand. started
// is for a device that cannot deliver the form and makes a record of it.
var gradeNames = []string{"start", "started", "latest", "plate", "plate_side", "plate_turned", "move", "brush", "marks", "bare", "grade", "seen_from", "decision", "outcome",
	"nudge", "nudge_way", "probed", "readings_are", "instrument", "material", "lot", "job", "underside", "layer_height_mm", "line_width_mm", "note", "reason", "next"}

// newGrading reads what the form stands on. values are the form's, or the
// address's when it is opened.
func (s *Server) newGrading(c echo.Context, printer *farm.Printer, values url.Values, id uuid.UUID) (*grading, error) {
	act := &handAct{slug: "", title: "Grade " + printer.Tag, names: slices.Clone(gradeNames)}
	for z := range zonesOf(printer.ZoneCols, printer.ZoneRows) {
		act.names = append(act.names, "r-"+z.Text())
	}
	h, err := s.newHand(c, act, values, id)
	if err != nil {
		return nil, err
	}
	g := &grading{hand: h, printer: printer}
	g.page.Shell = withClock(s.shell(c, act.title, "/grade"), h.now, h.zone)
	g.when, g.person = h.opened(), h.who.Handle
	if g.frame, err = s.store.Frame(h.ctx, h.now); err != nil {
		return nil, err
	}
	list, err := s.store.Floor(h.ctx, h.now, g.window(), printer.Tag)
	if err != nil {
		return nil, err
	}
	if len(list) == 1 {
		g.floor = list[0]
	}
	all, err := s.store.LatestStarts(h.ctx, printer.Tag, h.now, 24)
	if err != nil {
		return nil, err
	}
	for _, f := range all {
		if h.now.Sub(f.StartedAt) <= gradeWithin {
			g.latest = append(g.latest, f)
		}
	}
	return g, nil
}

func (g *grading) window() time.Duration {
	return time.Duration(g.frame.Settings.Number("start_window_minutes") * float64(time.Minute))
}

// waits tells whether a start is there to be graded.
func waits(f *farm.FirstLayer) bool {
	return f.Grade == "" && f.Outcome == "" && f.Unseen == "" && f.VoidedAt.IsZero()
}

// choose settles which start is graded: the one asked for, else the printer's
// latest when it waits, else one of its own.
func (g *grading) choose(asked string) error {
	switch {
	case asked == "new":
		return nil
	case asked == "":
		if len(g.latest) > 0 && waits(g.latest[0]) {
			g.start = g.latest[0]
		}
		return nil
	}
	id, err := farm.NewID(farm.KindFirstLayer, asked)
	if err != nil || id.IsZero() {
		return badRequest(fault.Problem{Column: "start", Found: asked, Expected: "the id of a recorded start, or new"})
	}
	f, err := g.s.store.FirstLayer(g.ctx, id)
	if err != nil {
		return err
	}
	if f.Printer != g.printer.Tag {
		return fault.New(fault.NotFound, "There is no start %s on %s.", fault.Quote(asked), g.printer.Tag)
	}
	g.start = f
	return nil
}

// about is the record whose fields the form begins with; nil there is none.
func (g *grading) about() *farm.FirstLayer {
	if g.old != nil {
		return g.old
	}
	return g.start
}

// prefill puts what is known into a form that is opened: what the record says,
// and the plate as it was seen last. Facts nobody said are never filled in.
func (g *grading) prefill() {
	v := url.Values{}
	if f := g.about(); f != nil {
		for name, text := range recordTexts(f) {
			switch name {
			case "marks", "readings", "covered", "nudge_mm", "grader", "started_at", "first_layer", "printer":
			default:
				v.Set(name, text)
			}
		}
		g.canvas = paintedOf(f, g.printer.ZoneCols, g.printer.ZoneRows)
		if farm.Known(f.NudgeMM) {
			way := "up"
			if f.NudgeMM < 0 {
				way = "down"
			}
			v.Set("nudge", numberText(max(f.NudgeMM, -f.NudgeMM)))
			v.Set("nudge_way", way)
		}
		for _, r := range f.Readings {
			text := numberText(r.MM)
			if r.Patch {
				text += "p"
			}
			name := "r-" + r.Zone.Text()
			v.Set(name, strings.TrimSpace(v.Get(name)+" "+text))
		}
		if g.old != nil {
			v.Set("when", f.StartedAt.In(g.zone).Format(whenLayout))
			v.Set("person", f.Grader)
		}
	}
	if v.Get("plate") == "" && g.old == nil {
		v.Set("plate", g.floor.Plate)
	}
	if g.old == nil && v.Get("plate") != "" && v.Get("plate_side") == "" && v.Get("plate_turned") == "" {
		g.prefillWay(v)
	}
	g.values = v
}

// prefillWay fills in how the plate lies: as its last start here or its fitting
// said, whichever is later.
func (g *grading) prefillWay(v url.Values) {
	kept, err := g.s.store.LatestOf(g.ctx, store.Thing{Printer: g.floor.ID}, 1, string(farm.KindFitting))
	if err != nil {
		return // context only: the form asks
	}
	var fitted time.Time
	for _, e := range kept[string(farm.KindFitting)] {
		if e.VoidedAt == nil && e.Other == v.Get("plate") && !e.At.After(g.now) {
			fitted = e.At
			v.Set("plate_side", e.Side)
			v.Set("plate_turned", e.Turned)
		}
	}
	for _, f := range g.latest {
		if f.Plate == v.Get("plate") && f.StartedAt.After(fitted) && (f.PlateSide != "" || f.PlateTurned != "") {
			v.Set("plate_side", f.PlateSide)
			v.Set("plate_turned", f.PlateTurned)
			return
		}
	}
}

// recordTexts gives a first layer's own fields as they are recorded; empty ones
// are left out.
func recordTexts(f *farm.FirstLayer) map[string]string {
	out := map[string]string{}
	t := intake.TableOf(farm.KindFirstLayer)
	for i := range t.Fields {
		if x := &t.Fields[i]; i > 0 && !x.Meta && !x.Empty(f) {
			out[x.Name] = x.Text(f)
		}
	}
	return out
}

// readMap reads the map's state from the form, and paints where a zone was
// tapped.
func (g *grading) readMap() error {
	marks, bad, expected := farm.ParseMarks(g.values.Get("marks"))
	if bad != "" {
		return badRequest(fault.Problem{Column: "marks", Found: bad, Expected: expected})
	}
	bare, bad, expected := farm.ParseZones(g.values.Get("bare"))
	if bad != "" {
		return badRequest(fault.Problem{Column: "bare", Found: bad, Expected: expected})
	}
	g.canvas = painted{marks: marks, bare: bare}
	for _, m := range marks {
		if !m.Zone.In(g.printer.ZoneCols, g.printer.ZoneRows) {
			return badRequest(fault.Problem{Column: "marks", Found: m.Zone.Text(), Expected: "a zone of " + g.printer.Tag})
		}
	}
	code, tapped := strings.CutPrefix(g.values.Get("do"), "zone-")
	if !tapped {
		return nil
	}
	z, ok := farm.ParseZone(code)
	if !ok || !z.In(g.printer.ZoneCols, g.printer.ZoneRows) {
		return badRequest(fault.Problem{Column: "do", Found: code, Expected: "a zone of " + g.printer.Tag})
	}
	if wrong := g.canvas.paint(z, g.values.Get("brush")); wrong != "" {
		g.wrong("brush", wrong)
	}
	return nil
}

// fields reads the form into the fields of a record, as text; what is wrong is
// noted at its field.
func (g *grading) fields() (map[string]string, error) {
	grade := g.text("grade")
	if g.text("do") == "clean" {
		grade = "clean"
		g.values.Set("grade", "clean")
	}
	switch {
	case grade == "" && (g.old == nil || g.old.Grade != ""):
		g.wrong("grade", "Choose a grade, by what follows from the layer.")
	case grade != "" && !slices.Contains(farm.Grades, grade):
		g.wrong("grade", "Choose one of the grades.")
	case grade == "clean" && len(g.canvas.marks) > 0:
		g.wrong("grade", "Marks are painted on the map, and a clean layer shows none. Tap them away, or choose Cosmetic.")
	}
	f := map[string]string{
		"grade": grade, "seen_from": g.code("seen_from", farm.SeenFroms, ""), "decision": g.code("decision", farm.Decisions, ""), "outcome": g.code("outcome", farm.Outcomes, ""),
		"plate_side": g.code("plate_side", farm.Sides, ""), "plate_turned": g.code("plate_turned", farm.YesNo, ""), "probed": g.code("probed", farm.YesNo, ""),
		"underside": g.code("underside", farm.Undersides, ""), "material": g.text("material"), "lot": g.text("lot"), "job": g.text("job"), "note": g.text("note"),
		"instrument":      g.text("instrument"),
		"layer_height_mm": numberText(g.number("layer_height_mm", "mm", 0.05, 1, "Layer height must be between 0.05 and 1.00 mm.")),
		"line_width_mm":   numberText(g.number("line_width_mm", "mm", 0.1, 3, "Line width must be between 0.1 and 3 mm.")),
		"marks":           string(farm.AppendMarks(nil, g.canvas.marks)),
		"covered":         string(farm.AppendZones(nil, g.canvas.covered(g.printer.ZoneCols, g.printer.ZoneRows))),
		"readings":        g.readReadings(), "nudge_mm": g.readNudge(),
	}
	if len(g.canvas.bare) == g.printer.ZoneCols*g.printer.ZoneRows {
		g.wrong("marks", "Every zone says that nothing was printed there. Tap those that were printed on.")
	}
	for _, name := range []string{"material", "lot", "job", "instrument"} {
		if !farm.ValidKey(f[name], 64) && f[name] != "" {
			g.wrong(name, "Say it in up to 64 characters.")
		}
	}
	if slices.ContainsFunc(g.canvas.marks, func(m farm.Mark) bool { return m.Mark == "other" }) && f["note"] == "" {
		g.wrong("note", "Say in a few words what is seen: Something else is painted on the map.")
	}
	if g.start != nil && g.start.LookedBecause == "" && (onList(g.start.LookDrawn) || strings.HasPrefix(backTo(g.text("next")), "/round")) {
		f["looked_because"] = lookedBecause(g.start.LookDrawn)
	}
	var err error
	f["plate"], err = g.readPlate()
	return f, err
}

func (g *grading) readReadings() string {
	patch := g.code("readings_are", []string{"line", "patch"}, "") == "patch"
	var list []farm.Reading
	for z := range zonesOf(g.printer.ZoneCols, g.printer.ZoneRows) {
		name := "r-" + z.Text()
		got, wrong := readingsTyped(z, g.text(name), patch)
		if wrong != "" {
			g.wrong(name, wrong)
		}
		list = append(list, got...)
	}
	farm.SortReadings(list)
	return string(farm.AppendReadings(nil, list))
}

// readNudge reads how far the nozzle was moved while it printed, and which way.
func (g *grading) readNudge() string {
	way := g.code("nudge_way", []string{"up", "down"}, "")
	x := g.number("nudge", "mm", 0, 1, "A nudge is between 0 and 1.00 mm, for example 0.04; which way is asked beside it.")
	switch {
	case !farm.Known(x):
		return ""
	case x > 0 && way == "":
		g.wrong("nudge_way", "Say whether the nozzle went up or down.")
		return ""
	case way == "down":
		x = -x
	}
	return numberText(x + 0)
}

// readPlate finds the plate that is meant, and asks where it is known to be on
// another printer.
func (g *grading) readPlate() (string, error) {
	typed := g.text("plate")
	if typed == "" {
		return "", nil
	}
	facts, err := g.s.store.PlateFacts(g.ctx, typed, g.when, g.when)
	if fault.Is(err, fault.NotFound) {
		names, err2 := g.s.store.ThingNames(g.ctx, farm.KindPlate, everInUse, 100_000)
		if err2 != nil {
			return "", err2
		}
		tag := g.one(newTagBook(names), "plate", "plate")
		if tag == "" {
			return "", nil
		}
		g.values.Set("plate", tag)
		facts, err = g.s.store.PlateFacts(g.ctx, tag, g.when, g.when)
	}
	if err != nil {
		return "", err
	}
	at := facts.Printer
	if f := g.about(); f != nil && f.Plate == facts.Plate {
		return facts.Plate, nil // as recorded with the start
	}
	if at != "" && at != g.printer.Tag && g.text("move") != facts.Plate {
		g.moveTo = facts.Plate
		g.wrong("plate", "Plate "+facts.Plate+" is on "+at+". Move it here, or pick another plate.")
	}
	return facts.Plate, nil
}

// everInUse asks for all things, retired ones too.
var everInUse = time.Unix(0, 0).UTC()

// getGradePrinter shows the form for a printer.
func (s *Server) getGradePrinter() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "start", "seen", "next"); err != nil {
			return err
		}
		printer, err := s.gradePrinter(c)
		if err != nil {
			return err
		}
		id, err := uuid.NewV7AtTime(s.now())
		if err != nil {
			return err
		}
		g, err := s.newGrading(c, printer, url.Values{}, id)
		if err != nil {
			return err
		}
		if err := g.choose(c.QueryParam("start")); err != nil {
			return err
		}
		if g.start != nil && !waits(g.start) {
			return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+g.start.ID.UUID.String()))
		}
		g.prefill()
		if seen := c.QueryParam("seen"); slices.Contains(farm.SeenFroms, seen) {
			g.values.Set("seen_from", seen) // where somebody stands who came from such a list
		}
		g.values.Set("next", backTo(c.QueryParam("next")))
		return g.show(c, http.StatusOK)
	}
}

// gradePrinter finds the printer an address names, also written without care.
func (s *Server) gradePrinter(c echo.Context) (*farm.Printer, error) {
	tag, err := tagParam(c, "tag")
	if err != nil {
		return nil, err
	}
	return s.store.PrinterByTag(c.Request().Context(), tag)
}

func (s *Server) postGradePrinter() echo.HandlerFunc {
	return func(c echo.Context) error {
		printer, err := s.gradePrinter(c)
		if err != nil {
			return err
		}
		g, err := s.sentGrading(c, printer, nil)
		if err != nil {
			return err
		}
		if err := g.choose(orCode(g.text("start"), "new")); err != nil {
			return err
		}
		if g.start == nil {
			g.readWhen()
		} else {
			g.when = g.start.StartedAt
		}
		return g.take(c)
	}
}

// sentGrading reads a form that was sent.
func (s *Server) sentGrading(c echo.Context, printer *farm.Printer, old *farm.FirstLayer) (*grading, error) {
	names := &handAct{names: slices.Clone(gradeNames)}
	for z := range zonesOf(printer.ZoneCols, printer.ZoneRows) {
		names.names = append(names.names, "r-"+z.Text())
	}
	values, err := readHandForm(c, names)
	if err != nil {
		return nil, err
	}
	id, err := uuid.FromString(values.Get("id"))
	if err != nil {
		return nil, badRequest(fault.Problem{Column: "id", Found: values.Get("id"), Expected: "the form's own number: open the form again"})
	}
	g, err := s.newGrading(c, printer, values, id)
	if err != nil {
		return nil, err
	}
	g.old = old
	return g, nil
}

// gradeHref is the address at which a recorded start is graded.
func (s *Server) gradeHref(printer, start string) string {
	return s.url("/grade/" + url.PathEscape(printer) + "?start=" + start)
}
