package web

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// Screws of a printer: as many as it has and a few empty rows.
const (
	emptyScrews = 2
	mostScrews  = 24
)

var screwFields = []string{"screw", "x_mm", "y_mm", "pitch_mm"}

func screwName(field string, row int) string { return field + "-" + strconv.Itoa(row) }

// addScrews adds a printer's screws to its page and gives what changes call them.
func (s *Server) addScrews(ctx context.Context, p *views.SetupFormPage, form *thingForm, tag, here string) ([]store.ThingName, error) {
	list, err := s.store.Screws(ctx, tag)
	if err != nil {
		return nil, err
	}
	var names []store.ThingName
	var inUse []*farm.Screw
	for _, x := range list {
		names = append(names, store.ThingName{Kind: farm.KindScrew, Name: tag + " " + x.Screw})
		if x.RetiredAt.IsZero() {
			inUse = append(inUse, x)
		}
	}
	t := intake.TableOf(farm.KindScrew)
	seen := make([]string, len(inUse))
	for i, x := range inUse {
		seen[i] = packSeen(t, x)
	}
	packed, err := json.Marshal(seen)
	if err != nil {
		return nil, err
	}
	p.Screws = views.ScrewsForm{Action: here + "/screws", Problems: form.screwProblems, Hidden: []views.Fact{{Word: "seen", Value: string(packed)}}}
	rows := min(max(len(inUse)+emptyScrews, len(form.screwTyped)), mostScrews)
	wrong := map[string]string{}
	for _, q := range form.screwProblems {
		wrong[q.Field] = q.Words
	}
	for i := range rows {
		var row []views.Field
		for _, name := range screwFields {
			w := wordOf(farm.KindScrew, name)
			v := views.Field{Name: screwName(name, i), Label: w.Label, Unit: w.Unit, Kind: "number"}
			if name == "screw" {
				v.Kind, v.Longest = "text", 64
			}
			switch {
			case i < len(form.screwTyped):
				v.Value = form.screwTyped[i][name]
			case i < len(inUse):
				v.Value = t.Fields[t.Field(name)].Text(inUse[i])
			}
			v.Wrong = wrong[v.Name]
			row = append(row, v)
		}
		p.Screws.Rows = append(p.Screws.Rows, row)
	}
	return names, nil
}

// postScrews saves a printer's screws: rows with a name are added or changed,
// and a screw whose name is gone is retired.
func (s *Server) postScrews() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := s.openSetup(c, setupPrinters)
		if err != nil {
			return err
		}
		names := []string{"seen"}
		for i := range mostScrews {
			for _, f := range screwFields {
				names = append(names, screwName(f, i))
			}
		}
		sent, err := readForm(c, names...)
		if err != nil {
			return err
		}
		ctx, tag := c.Request().Context(), setupPrinters.nameOf(form.before)
		list, err := s.store.Screws(ctx, tag)
		if err != nil {
			return err
		}
		edits, err := s.readScrews(form, sent, tag, list)
		if err != nil {
			return err
		}
		if len(form.screwProblems) == 0 && len(edits) > 0 {
			err := s.store.SaveThings(ctx, pageAct(c), farm.KindScrew, edits...)
			switch {
			case fault.Is(err, fault.Conflict):
				form.screwTyped = nil
				form.screwProblems = []views.FormProblem{{Words: "Somebody else changed the screws meanwhile. Nothing was overwritten; the fields show what stands there now."}}
			case err != nil:
				return err
			}
		}
		if len(form.screwProblems) > 0 {
			return s.renderThing(c, http.StatusUnprocessableEntity, form)
		}
		return c.Redirect(http.StatusSeeOther, s.url("/setup/printers/"+url.PathEscape(tag)+"?saved=screws"))
	}
}

// readScrews compares what was sent with what whoever sent it had found.
func (s *Server) readScrews(form *thingForm, sent map[string]string, tag string, list []*farm.Screw) ([]store.ThingEdit, error) {
	t, now := intake.TableOf(farm.KindScrew), s.store.Now()
	var packed []string
	if json.Unmarshal([]byte(sent["seen"]), &packed) != nil || len(packed) > mostScrews {
		return nil, badRequest(fault.Problem{Column: "seen", Found: sent["seen"], Expected: "what the page itself sends"})
	}
	found := map[string]any{} // by name, as it was found
	for _, one := range packed {
		rec, err := unpackSeen(t, one, tag, now)
		if err != nil {
			return nil, err
		}
		found[rec.(*farm.Screw).Screw] = rec
	}
	known := map[string]*farm.Screw{} // retired ones too
	for _, x := range list {
		known[x.Screw] = x
	}
	var edits []store.ThingEdit
	taken := map[string]bool{}
	for i := range mostScrews {
		row := map[string]string{}
		for _, f := range screwFields {
			row[f] = sent[screwName(f, i)]
		}
		if _, given := sent[screwName("screw", i)]; !given {
			break
		}
		form.screwTyped = append(form.screwTyped, row)
		name := strings.TrimSpace(row["screw"])
		if name == "" {
			continue
		}
		texts := map[string]string{"printer": tag, "screw": name}
		for _, f := range screwFields[1:] {
			texts[f] = tidyNumber(row[f])
		}
		rec := t.New()
		for _, p := range intake.ParseFields(t, rec, texts, now) {
			form.screwProblems = append(form.screwProblems, views.FormProblem{Field: screwName(p.Column, i), Words: problemWords(farm.KindScrew, p, form.zone)})
		}
		if taken[name] {
			form.screwProblems = append(form.screwProblems, views.FormProblem{Field: screwName("screw", i), Words: "There is a screw “" + name + "” twice."})
		}
		taken[name] = true
		before := found[name]
		if before == nil && known[name] != nil && !known[name].RetiredAt.IsZero() {
			before = known[name] // it comes back
		}
		edits = append(edits, store.ThingEdit{Before: before, After: rec})
	}
	for name, before := range found {
		if !taken[name] {
			gone := *before.(*farm.Screw)
			gone.RetiredAt = now
			edits = append(edits, store.ThingEdit{Before: before, After: &gone})
		}
	}
	return edits, nil
}
