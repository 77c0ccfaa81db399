package web

import (
	"encoding/binary"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/graders"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

const (
	regradeLot    = 9                   // layers of one lot
	regradeOpen   = 7 * 24 * time.Hour  // how long one waits
	regradePhotos = 28 * 24 * time.Hour // of which lots are drawn
	regradeSheets = 48 * time.Hour      // sheets older than that have gone
	undoRegrade   = 10 * time.Minute    // the line with Undo stands so long
)

// regradeNames are the fields of the form.
var regradeNames = []string{"id", "marks", "bare", "brush", "grade", "do"}

// onlyPeople refuses who is not a person signed in: a second grade is somebody's own.
func onlyPeople(who Identity) error {
	if who.Person == 0 {
		return fault.New(fault.NotFound, "There is nothing here for a token: this is for people signed in by their own name.")
	}
	return nil
}

// regradeSeen reads which layers are meant.
func regradeSeen(text string) (photos bool, err error) {
	switch text {
	case "", "photo":
		return true, nil
	case "peeled":
		return false, nil
	}
	return false, badRequest(fault.Problem{Column: "seen", Found: text, Expected: "photo or peeled"})
}

func seenCode(photos bool) string {
	if photos {
		return "photo"
	}
	return "peeled"
}

// getRegrade shows the next layer of one's lot. Nothing of the first grade, of who gave
// it and of what became of the layer is on it; of a photo not even which layer it is.
func (s *Server) getRegrade() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "seen", "saved"); err != nil {
			return err
		}
		photos, err := regradeSeen(c.QueryParam("seen"))
		if err != nil {
			return err
		}
		return s.showRegrade(c, http.StatusOK, photos, nil, nil, "")
	}
}

// showRegrade renders the page; draw is the one that was sent, nil the next one.
func (s *Server) showRegrade(c echo.Context, status int, photos bool, draw *store.RegradeDraw, typed map[string]string, problem string) error {
	who, now, ctx := identity(c), s.now(), c.Request().Context()
	if err := onlyPeople(who); err != nil {
		return err
	}
	settings, err := s.store.Settings(ctx)
	if err != nil {
		return err
	}
	zone := settings.Zone()
	p := views.RegradePage{Shell: withClock(s.shell(c, "Grade again, blind", "/grade"), now, zone), Agreement: s.url("/agreement"), Seen: seenCode(photos),
		Lead: "Layers drawn by lot, with as many failed ones among them as others. You see nothing of the first grade; it may be your own. Ten seconds each."}
	p.Modes = []views.FilterRow{{Label: "Seen", Links: []views.FilterLink{{Word: "On a photo", Href: s.url("/regrade"), Current: photos}, {Word: "As a peeled sheet", Href: s.url("/regrade?seen=peeled"), Current: !photos}}}}
	if problem != "" {
		p.Problems = []views.FormProblem{{Words: problem}}
	}
	if err := s.regradeSaved(c, &p, who); err != nil {
		return err
	}
	left := 0
	if draw == nil {
		d, open, err := s.store.NextRegrade(ctx, who.Person, now.Add(-regradeOpen), photos)
		if fault.Is(err, fault.NotFound) {
			p.DrawTo = s.url("/regrade/draw")
			p.Empty = "No layer waits for you. Draw " + count(regradeLot) + " by lot of those with a photo of the last four weeks."
			if !photos {
				p.Empty = "No sheet waits for you. Draw " + count(regradeLot) + " by lot of the layers of the last two days whose sheets may still be there."
			}
			return render(c, status, views.Regrade(p))
		}
		if err != nil {
			return err
		}
		draw, left = &d, open
	}
	layer, err := s.store.FirstLayer(ctx, farm.ID{UUID: draw.FirstLayer})
	if err != nil {
		return err
	}
	printer, err := s.store.PrinterByTag(ctx, layer.Printer)
	if err != nil {
		return err
	}
	id := typed["id"]
	if id == "" {
		form, err := uuid.NewV7AtTime(now)
		if err != nil {
			return err
		}
		id = form.String()
	}
	canvas, err := regradeCanvas(typed, printer)
	if err != nil {
		return err
	}
	cols, rows := printer.ZoneCols, printer.ZoneRows
	a := &views.RegradeAsk{Action: s.url("/regrade/" + draw.ID.String()), ID: id, Marks: string(farm.AppendMarks(nil, canvas.marks)), Bare: string(farm.AppendZones(nil, canvas.bare)), Bed: canvas.bed(cols, rows),
		Brushes: brushes(commonBrushes, typed["brush"]), More: brushes(moreBrushes, typed["brush"]), Grades: gradeOptions, Pass: "Cannot tell from it", Script: s.asset("grade.js")}
	a.MoreOpen = slices.ContainsFunc(a.More, func(b views.Brush) bool { return b.Chosen })
	if left > 0 {
		a.Left = counted(left, "layer", "layers") + " of this lot to go."
	}
	if draw.Photo != nil {
		a.Photo = s.url("/regrade/" + draw.ID.String() + "/photo/file")
	} else {
		a.Pass = "The sheet is gone, or cannot be told"
		a.Sheet = []views.Fact{{Word: "Sheet from", Value: layer.Printer}, {Word: "Started", Value: clock(layer.StartedAt, zone)}}
		if layer.Plate != "" {
			a.Sheet = append(a.Sheet, views.Fact{Word: "Plate", Value: layer.Plate})
		}
		a.Sheet = append(a.Sheet, views.Fact{Word: "Take care", Value: "Let a hot bed cool as your workplace says before you reach in."})
	}
	p.Ask = a
	return render(c, status, views.Regrade(p))
}

// regradeCanvas is the map as the form has it.
func regradeCanvas(typed map[string]string, printer *farm.Printer) (painted, error) {
	marks, bad, expected := farm.ParseMarks(typed["marks"])
	if bad != "" {
		return painted{}, badRequest(fault.Problem{Column: "marks", Found: bad, Expected: expected})
	}
	bare, bad, expected := farm.ParseZones(typed["bare"])
	if bad != "" {
		return painted{}, badRequest(fault.Problem{Column: "bare", Found: bad, Expected: expected})
	}
	for _, m := range marks {
		if !m.Zone.In(printer.ZoneCols, printer.ZoneRows) {
			return painted{}, badRequest(fault.Problem{Column: "marks", Found: m.Zone.Text(), Expected: "a zone of its bed"})
		}
	}
	return painted{marks: marks, bare: bare}, nil
}

// regradeSaved says what was saved just now, and how it is taken back.
func (s *Server) regradeSaved(c echo.Context, p *views.RegradePage, who Identity) error {
	text := c.QueryParam("saved")
	if text == "" {
		return nil
	}
	r, err := s.ownRegrade(c, text, who)
	if fault.Is(err, fault.NotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	if !r.VoidedAt.IsZero() {
		p.Saved = "Taken back. It can be graded again."
		return nil
	}
	p.Saved = "Saved: " + gradeWord(r.Grade) + "."
	if s.now().Sub(r.GradedAt) < undoRegrade {
		p.Undo, p.Regrade = s.url("/regrade/undo"), r.ID.UUID.String()
	}
	return nil
}

// ownRegrade finds a second grade of one's own; NotFound for anybody else's.
func (s *Server) ownRegrade(c echo.Context, text string, who Identity) (*farm.Regrade, error) {
	none := fault.New(fault.NotFound, "There is no such second grade of yours.")
	id, err := uuid.FromString(text)
	if err != nil {
		return nil, none
	}
	rec, err := s.store.Event(c.Request().Context(), farm.KindRegrade, farm.ID{UUID: id})
	if err != nil {
		return nil, err
	}
	r, ok := rec.(*farm.Regrade)
	if !ok || r.Grader != who.Handle {
		return nil, none
	}
	return r, nil
}

// postRegradeDraw draws a lot, unless one is open.
func (s *Server) postRegradeDraw() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "seen")
		if err != nil {
			return err
		}
		who, now, ctx := identity(c), s.now(), c.Request().Context()
		if err := onlyPeople(who); err != nil {
			return err
		}
		photos, err := regradeSeen(form["seen"])
		if err != nil {
			return err
		}
		if _, _, err := s.store.NextRegrade(ctx, who.Person, now.Add(-regradeOpen), photos); err == nil {
			return c.Redirect(http.StatusSeeOther, s.url("/regrade?seen="+seenCode(photos)))
		} else if !fault.Is(err, fault.NotFound) {
			return err
		}
		var list []store.RegradeLayer
		if photos {
			list, err = s.store.RegradePhotos(ctx, who.Person, now.Add(-regradePhotos))
		} else {
			list, err = s.store.RegradeSheets(ctx, who.Person, now.Add(-regradeSheets))
		}
		if err != nil {
			return err
		}
		if len(list) == 0 {
			words := "There is no graded layer with a photo of the last four weeks that you were not shown. Take photos while grading, or grade a peeled sheet."
			if !photos {
				words = "There is no graded layer of the last two days that you were not asked for."
			}
			return s.showRegrade(c, http.StatusUnprocessableEntity, photos, nil, nil, words)
		}
		batch, err := uuid.NewV4()
		if err != nil {
			return err
		}
		candidates := make([]graders.Candidate, len(list))
		for i := range list {
			candidates[i] = graders.Candidate{Index: i, Grade: list[i].Grade}
		}
		var draws []store.RegradeDraw
		for place, x := range graders.Draw(candidates, regradeLot, binary.BigEndian.Uint64(batch[8:])^binary.BigEndian.Uint64(batch[:8])) {
			id, err := uuid.NewV4() // tells nothing of the layer
			if err != nil {
				return err
			}
			d := store.RegradeDraw{ID: id, Batch: batch, Place: place + 1, Person: who.Person, DrawnAt: now, FirstLayer: list[x.Index].ID, Chance: x.Chance}
			if photos {
				d.Photo = &list[x.Index].Photo
			}
			draws = append(draws, d)
		}
		if err := s.store.KeepRegradeDraws(ctx, draws); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/regrade?seen="+seenCode(photos)))
	}
}

// ownDraw finds one's own draw by the address.
func (s *Server) ownDraw(c echo.Context) (store.RegradeDraw, error) {
	who := identity(c)
	if err := onlyPeople(who); err != nil {
		return store.RegradeDraw{}, err
	}
	id, err := uuid.FromString(c.Param("id"))
	if err != nil {
		return store.RegradeDraw{}, fault.New(fault.NotFound, "There is no such layer to grade again.")
	}
	return s.store.RegradeDrawOf(c.Request().Context(), who.Person, id)
}

// getRegradePhoto serves the picture of a drawn layer to whom it was drawn for, under
// the draw's id: its own would lead to the layer.
func (s *Server) getRegradePhoto() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		d, err := s.ownDraw(c)
		if err != nil {
			return err
		}
		if d.Photo == nil {
			return fault.New(fault.NotFound, "There is no photo of it.")
		}
		jpg, err := s.store.Picture(c.Request().Context(), *d.Photo, false)
		if err != nil {
			return err
		}
		h := c.Response().Header()
		h.Set("Cache-Control", "private, no-store")
		h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
		h.Set(echo.HeaderContentDisposition, `inline; filename="layer.jpg"`)
		return c.Blob(http.StatusOK, "image/jpeg", jpg)
	}
}

// postRegrade takes a second grade, passes the layer over, or paints.
func (s *Server) postRegrade() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, regradeNames...)
		if err != nil {
			return err
		}
		d, err := s.ownDraw(c)
		if err != nil {
			return err
		}
		who, now, ctx := identity(c), s.now(), c.Request().Context()
		photos := d.Photo != nil
		next := s.url("/regrade?seen=" + seenCode(photos))
		layer, err := s.store.FirstLayer(ctx, farm.ID{UUID: d.FirstLayer})
		if err != nil {
			return err
		}
		printer, err := s.store.PrinterByTag(ctx, layer.Printer)
		if err != nil {
			return err
		}
		canvas, err := regradeCanvas(form, printer)
		if err != nil {
			return err
		}
		if code, tapped := strings.CutPrefix(form["do"], "zone-"); tapped {
			z, ok := farm.ParseZone(code)
			if !ok || !z.In(printer.ZoneCols, printer.ZoneRows) {
				return badRequest(fault.Problem{Column: "do", Found: code, Expected: "a zone of its bed"})
			}
			wrong := canvas.paint(z, form["brush"])
			form["marks"], form["bare"] = string(farm.AppendMarks(nil, canvas.marks)), string(farm.AppendZones(nil, canvas.bare))
			status := http.StatusOK
			if wrong != "" {
				status = http.StatusUnprocessableEntity
			}
			return s.showRegrade(c, status, photos, &d, form, wrong)
		}
		switch {
		case form["do"] == "pass":
			if err := s.store.PassRegrade(ctx, who.Person, d.ID); err != nil {
				return err
			}
			return c.Redirect(http.StatusSeeOther, next)
		case !slices.Contains(farm.Grades, form["grade"]):
			return s.showRegrade(c, http.StatusUnprocessableEntity, photos, &d, form, "Choose a grade, by what follows from the layer.")
		case form["grade"] == "clean" && len(canvas.marks) > 0:
			return s.showRegrade(c, http.StatusUnprocessableEntity, photos, &d, form, "Marks are painted on the map, and a clean layer shows none. Tap them away, or choose Cosmetic.")
		}
		id, err := uuid.FromString(form["id"])
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: form["id"], Expected: "the form's own number: open the page again"})
		}
		h := hand{id: id, now: now}
		at := h.opened()
		if at.Before(d.DrawnAt) {
			at = d.DrawnAt
		}
		r := handRecord{kind: farm.KindRegrade, id: h.own("regrade"), fields: map[string]string{"printer": layer.Printer, "first_layer": d.FirstLayer.String(), "grader": who.Handle, "graded_at": stamp(at), "noted_by": who.Handle,
			"grade": form["grade"], "marks": string(farm.AppendMarks(nil, canvas.marks)), "seen_from": seenCode(photos), "batch": d.Batch.String(), "chance": numberText(d.Chance)}}
		if err := s.recordOwn(c, r); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, next+"&saved="+r.id.String())
	}
}

// recordOwn stores one record of the sender's own, made by a page.
func (s *Server) recordOwn(c echo.Context, r handRecord) error {
	item, err := r.item(s.now())
	if err != nil {
		return err
	}
	if item.Err != nil {
		return item.Err
	}
	who, ctx := identity(c), c.Request().Context()
	refusal, err := s.fieldRights(ctx, who, &item)
	if err != nil {
		return err
	}
	if refusal != nil {
		return refusal
	}
	_, err = s.store.RecordAll(ctx, who.act("page"), []intake.Item{item})
	return err
}

// voidOwn takes a record back.
func (s *Server) voidOwn(c echo.Context, id uuid.UUID, reason string) error {
	who := identity(c)
	body, err := json.Marshal(map[string]any{"kind": intake.KindVoid, "id": uuid.NewV5(id, "void").String(), "record": id.String(), "voided_at": intake.Stamp(s.now()), "void_reason": reason, "voided_by": who.Handle})
	if err != nil {
		return err
	}
	item := intake.ParseRecord(body, "", s.now())
	if item.Err != nil {
		return item.Err
	}
	act := who.act("page")
	act.Why = reason
	_, err = s.store.RecordAll(c.Request().Context(), act, []intake.Item{item})
	return err
}

// postRegradeUndo takes one's own second grade back; the layer can be graded again.
func (s *Server) postRegradeUndo() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "regrade", "seen")
		if err != nil {
			return err
		}
		photos, err := regradeSeen(form["seen"])
		if err != nil {
			return err
		}
		who := identity(c)
		if err := onlyPeople(who); err != nil {
			return err
		}
		r, err := s.ownRegrade(c, form["regrade"], who)
		if err != nil {
			return err
		}
		if r.VoidedAt.IsZero() {
			if err := s.voidOwn(c, r.ID.UUID, "undone right after saving"); err != nil {
				return err
			}
		}
		return c.Redirect(http.StatusSeeOther, s.url("/regrade?seen="+seenCode(photos)+"&saved="+r.ID.UUID.String()))
	}
}
