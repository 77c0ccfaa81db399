package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// take saves a sent form, or shows it again: painted, looked at, or refused.
func (g *grading) take(c echo.Context) error {
	g.readPerson()
	if err := g.readMap(); err != nil {
		return err
	}
	if do := g.text("do"); strings.HasPrefix(do, "zone-") || do == "look" {
		if do == "look" {
			if _, err := g.readPlate(); err != nil {
				return err
			}
		} else if len(g.page.Problems) == 0 {
			return g.show(c, http.StatusOK)
		}
		return g.show(c, map[bool]int{true: http.StatusOK, false: http.StatusUnprocessableEntity}[len(g.page.Problems) == 0])
	}
	fields, err := g.fields()
	if err != nil {
		return err
	}
	if g.old != nil && g.text("reason") == "" {
		g.wrong("reason", "Say why the record is corrected.")
	}
	if len(g.page.Problems) > 0 {
		return g.show(c, http.StatusUnprocessableEntity)
	}
	if meanwhile := g.meanwhile(); meanwhile {
		return g.show(c, http.StatusConflict)
	}
	act, id, saved, err := g.store(g.records(fields))
	if err != nil {
		return err
	}
	if !saved {
		status := http.StatusUnprocessableEntity
		if g.start != nil || g.old != nil { // somebody may have been quicker in this very moment
			base := g.about()
			if now, err := g.s.store.FirstLayer(g.ctx, base.ID); err == nil && (now.Grade != base.Grade || !now.VoidedAt.IsZero()) {
				g.page.Problems = nil
				if g.old != nil {
					g.old = now
				} else {
					g.start = now
				}
				g.meanwhile()
				status = http.StatusConflict
			}
		}
		return g.show(c, status)
	}
	next := backTo(g.text("next"))
	if next == "" {
		next = "/first-layers/" + id.String()
	}
	return c.Redirect(http.StatusSeeOther, g.s.url(withSaved(next, strconv.FormatInt(act, 10))))
}

// meanwhile tells whether something happened since the form was opened that
// makes it about something else. The same form sent again is no such thing.
func (g *grading) meanwhile() bool {
	own := g.own("first_layer")
	say := func(f *farm.FirstLayer, what string) {
		g.wrong("", what)
		g.grade.Others = append(g.grade.Others, views.Link{Word: "Look at that record", Href: g.s.url("/first-layers/" + f.ID.UUID.String())},
			views.Link{Word: "Grade " + g.printer.Tag + " anew", Href: g.s.url("/grade/" + url.PathEscape(g.printer.Tag))})
	}
	if base := g.about(); base != nil {
		switch {
		case !base.VoidedAt.IsZero():
			if rec, err := g.s.store.FirstLayer(g.ctx, farm.ID{UUID: own}); err == nil && rec.Replaces.UUID == base.ID.UUID {
				return false
			}
			say(base, "This record was voided meanwhile: "+orNoRecord(base.VoidReason)+". Nothing of yours was saved.")
			return true
		case g.old == nil && base.Grade != "" && !(base.GradedAt.Equal(g.gradedAt()) && base.Grader == g.person):
			say(base, "Somebody graded this start meanwhile: "+stateFor(gradeStates, base.Grade).Word+byWhom(base.Grader)+", "+clock(base.GradedAt, g.zone)+
				". Nothing of yours was saved. If that grade is wrong, correct it on its page.")
			return true
		}
		return false
	}
	// A start of its own: was one recorded since, which this grade belongs to?
	for _, f := range g.latest {
		if id := f.ID.UUID.String(); f.ID.UUID != own && waits(f) && id != g.text("latest") && !f.ArrivedAt.Before(g.opened()) {
			g.wrong("", "A start of "+g.printer.Tag+" at "+clock(f.StartedAt, g.zone)+" was recorded meanwhile. Save again to grade it as a start of its own, or grade that one.")
			g.values = cloneValues(g.values)
			g.values.Set("latest", id)
			g.grade.Others = append(g.grade.Others, views.Link{Word: "Grade the start at " + f.StartedAt.In(g.zone).Format("15:04"), Href: g.s.gradeHref(g.printer.Tag, id)})
			return true
		}
	}
	return false
}

// records makes the records a sent form becomes: the start filled in, a start
// of its own, or a record that replaces another one.
func (g *grading) records(f map[string]string) []gradeRecord {
	base := g.about()
	was := map[string]string{}
	if base != nil {
		was = recordTexts(base)
	}
	if f["grade"] != "" {
		f["grader"], f["graded_at"] = g.person, stamp(g.gradedAt())
		judged := g.old == nil || f["grade"] != was["grade"] || f["marks"] != was["marks"]
		if !judged && (g.person == was["grader"] || !g.who.anyPerson()) { // somebody's judgement stays theirs
			f["grader"], f["graded_at"] = was["grader"], was["graded_at"]
		}
	}
	f["printer"] = g.printer.Tag
	if base == nil || g.old != nil {
		f["started_at"] = stamp(g.when)
	} else {
		f["started_at"] = was["started_at"]
	}
	if g.old == nil && g.start != nil && !g.changes(was, f) {
		// Fill the recorded start: only what it does not say yet.
		return []gradeRecord{{id: base.ID.UUID, fields: f}}
	}
	if g.old == nil && g.start == nil {
		f["noted_by"] = g.who.Handle
		return []gradeRecord{{id: g.own("first_layer"), fields: f}}
	}
	for name, text := range was { // what the form does not ask stays
		if _, asked := f[name]; !asked {
			f[name] = text
		}
	}
	f["noted_by"] = g.who.Handle
	reason := g.text("reason")
	if g.old == nil {
		reason = "corrected when it was graded"
	}
	id := g.own("first_layer")
	return []gradeRecord{{id: id, fields: f}, {void: base.ID.UUID, by: id, reason: reason}}
}

// gradedAt is when the form was opened, so that a form sent twice says the same;
// never before the start.
func (g *grading) gradedAt() time.Time {
	at := g.opened()
	start := g.when
	if g.old == nil && g.start != nil {
		start = g.start.StartedAt
	}
	if at.Before(start) {
		return start
	}
	return at
}

// changes tells whether the form says something else than the record.
func (g *grading) changes(was, f map[string]string) bool {
	for name, text := range was {
		if now, asked := f[name]; asked && now != text {
			return true
		}
	}
	return false
}

// gradeRecord is one record to store: a first layer, or the voiding of one.
type gradeRecord struct {
	id     uuid.UUID
	fields map[string]string
	void   uuid.UUID
	by     uuid.UUID
	reason string
}

// gradeFrom names the form's fields behind the record's.
var gradeFrom = map[string]string{"started_at": "when", "grader": "person", "nudge_mm": "nudge", "readings": "readings_are", "covered": "marks", "graded_at": "when"}

// store saves the records together; what is refused stands at its field.
func (g *grading) store(list []gradeRecord) (act int64, id uuid.UUID, saved bool, err error) {
	var records []handRecord
	for _, r := range list {
		if r.void != uuid.Nil {
			records = append(records, handRecord{kind: intake.KindVoid, id: g.own("void/" + r.void.String()), fields: map[string]string{"record": r.void.String(),
				"voided_at": stamp(g.opened()), "voided_by": g.who.Handle, "void_reason": r.reason, "replaced_by": r.by.String()}, from: map[string]string{"void_reason": "reason"}})
			continue
		}
		records = append(records, handRecord{kind: farm.KindFirstLayer, id: r.id, fields: r.fields, from: gradeFrom, about: g.printer.Tag})
	}
	// Whoever corrects a record keeps its grader's name where the grade stands.
	kept := ""
	if g.old != nil {
		kept = g.old.Grader
	}
	act, saved, err = g.save(records, kept)
	return act, list[0].id, saved, err
}
