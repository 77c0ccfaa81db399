package web

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/intake"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// renderPolicy shows a policy, or the form of a new one.
func (s *Server) renderPolicy(c echo.Context, status int, form *policyForm) error {
	ctx, now := c.Request().Context(), s.now()
	settings, err := s.store.Settings(ctx)
	if err != nil {
		return err
	}
	zone, money := settings.Zone(), settings.Text("currency")
	form.zone = zone
	title, action := "Add a policy", s.url("/setup/add-policy")
	if form.line != nil {
		title, action = form.line.name, s.policyHref(form.line.name)
	}
	p := views.PolicyPage{Shell: withClock(s.shell(c, title, "/setup"), now, zone), Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Policies", Href: s.url("/setup/policies")}},
		Saved: form.saved, Action: action, Looked: form.looked && len(form.problems) == 0, Submit: "Put in force"}
	var last *farm.Policy
	if form.line != nil {
		p.State = policyState(form.line, now)
		last = form.line.newest()
		if v := form.line.at(now); v != nil {
			x := assess.PolicyOf(v)
			p.Says = append(p.Says, sentence(ruleWords(&x.Rules))+" "+sentenceCase(whereWords(&x.Scope))+".", "Since "+clock(v.InForceFrom, zone)+", by "+orSomebody(v.Person)+": "+sentenceEnd(v.Reason))
		} else if last != nil {
			p.Says = append(p.Says, "It comes into force on "+clock(last.InForceFrom, zone)+".")
		}
		p.Submit = "Put the change in force"
	}
	if p.Groups, p.Problems, err = s.policyGroups(ctx, form, last); err != nil {
		return err
	}
	if len(p.Problems) > 0 {
		p.Trouble = "Not saved yet"
	}
	if p.Looked {
		p.Preview = s.previewPart(form, money)
	}
	id, err := uuid.NewV7AtTime(now)
	if err != nil {
		return err
	}
	token := views.Fact{Word: "id", Value: id.String()}
	if sent := form.typed["id"]; sent != "" && form.typed["ended"] == "" {
		token.Value = sent
	}
	p.Hidden = []views.Fact{token}
	if form.line != nil {
		if err := s.policyPast(ctx, c, form.line, &p); err != nil {
			return err
		}
		if v := form.line.at(now); v != nil && v.Ended == "" {
			p.End = views.PolicyEnd{Action: action, Word: "End " + form.line.name, Hidden: []views.Fact{{Word: "id", Value: id.String()}},
				Reason: views.Field{Name: "end_reason", Label: "Why it ends", Kind: "text", Longest: 300}}
			if form.typed["ended"] != "" {
				p.End.Reason.Value = form.typed["reason"]
				for i := range p.Problems {
					if q := &p.Problems[i]; q.Field == "reason" {
						q.Field, p.End.Reason.Wrong = "end_reason", q.Words
					}
				}
			}
		}
		if last != nil && len(form.line.versions) > 0 && len(form.typed) == 0 {
			p.Back = views.SetupAct{Word: "Take the newest version back", Action: action,
				Note:   "It is voided, not deleted; what was in force before it is so again.",
				Hidden: []views.Fact{{Word: "act", Value: "back"}, {Word: "version", Value: last.ID.UUID.String()}}}
		}
	}
	return render(c, status, views.Policy(p))
}

// policyGroups are the form's questions, filled in with what was typed, or with the
// policy as it is.
func (s *Server) policyGroups(ctx context.Context, form *policyForm, last *farm.Policy) ([]views.PolicyGroup, []views.FormProblem, error) {
	t := intake.TableOf(farm.KindPolicy)
	var problems []views.FormProblem
	wrong := map[string]string{}
	ending := form.typed["ended"] != "" // what is wrong then stands at that form
	for _, q := range form.problems {
		words := problemWords(farm.KindPolicy, q, form.zone)
		if q.Column == "clean_prints" && q.Found == "" {
			words = "Say what it asks for: how often to wipe, wash or probe."
		}
		if !ending {
			wrong[q.Column] = strings.TrimSpace(wrong[q.Column] + " " + words)
		}
		problems = append(problems, views.FormProblem{Field: q.Column, Words: words})
	}
	now := s.now()
	field := func(name string) (views.Field, error) {
		f := &t.Fields[t.Field(name)]
		w := wordOf(farm.KindPolicy, name)
		v := views.Field{Name: name, Label: w.Label, Hint: w.Hint, Unit: w.Unit, Wrong: wrong[name], Kind: "text", Optional: name != "name" && name != "reason", Longest: 64}
		if ending || len(form.typed) == 0 {
			if last != nil && name != "reason" && name != "in_force_from" {
				v.Value = typedText(f, last, form.zone)
			}
		} else {
			v.Value = form.typed[name]
		}
		switch f.Type {
		case intake.Number, intake.Whole:
			v.Kind, v.Longest = "number", 0
		case intake.Time:
			v.Kind = "when"
		case intake.Code:
			if slices.Contains(policyEvents, name) {
				v.Kind, v.On, v.Value, v.Optional = "check", v.Value == "yes", "yes", false
				return v, nil
			}
			v.Kind, v.Options, v.Optional = "select", codeOptions(f, v.Value), false
			v.Options[0].Word = "any"
		case intake.Key:
			names, err := s.store.ThingNames(ctx, f.Ref, now, 500)
			if err != nil {
				return v, err
			}
			v.Suggest = names
		}
		if name == "reason" {
			v.Longest = 300
		}
		return v, nil
	}
	var groups []views.PolicyGroup
	for _, g := range []struct {
		title, note string
		fields      []string
	}{
		{"Name and reason", "", []string{"name", "reason"}},
		{"Asks for", "What is left empty is not asked for. A wash counts as a wipe too. Clean plates cold and ventilated; local rules and the maker’s instructions come first.", policyRules},
		{"A probe no longer holds", "Events come first: after one of these it is probed before the next start, however young the probe is.", policyEvents},
		{"Where", "What is left empty does not narrow it.", policyScope},
		{"When", "", []string{"in_force_from"}},
	} {
		x := views.PolicyGroup{Title: g.title, Note: g.note}
		if form.line != nil && len(groups) == 0 {
			x.Title, g.fields = "Reason for the change", g.fields[1:]
		}
		for _, name := range g.fields {
			f, err := field(name)
			if err != nil {
				return nil, nil, err
			}
			x.Fields = append(x.Fields, f)
		}
		groups = append(groups, x)
	}
	return groups, problems, nil
}

// policyPast lists a policy's versions, and what came of them as far as the kept
// records of the window tell.
func (s *Server) policyPast(ctx context.Context, c echo.Context, line *policyLine, p *views.PolicyPage) error {
	care, err := s.cfg.Policies.Care(ctx, s.now())
	if err != nil {
		return err
	}
	zone := care.Zone()
	p.Versions = views.Table{Caption: "Versions of " + line.name, Columns: []views.Column{{Word: "In force from"}, {Word: "Asks"}, {Word: "Where", Wide: true}, {Word: "By"}, {Word: "Why"}}}
	for _, v := range slices.Backward(line.versions) {
		x := assess.PolicyOf(v)
		row := views.Row{Cells: []views.Cell{{Text: clock(v.InForceFrom, zone)}, {Text: sentence(ruleWords(&x.Rules))}, {Text: sentenceCase(whereWords(&x.Scope))}, {Text: orNoRecord(v.Person)}, {Text: v.Reason}}}
		if !v.VoidedAt.IsZero() {
			row.Cells[0].Note = "voided " + clock(v.VoidedAt, zone) + " by " + orSomebody(v.VoidedBy) + ": " + orNoRecord(v.VoidReason)
		} else if !v.InForceFrom.After(s.now()) {
			row.Cells[0].Href = s.policyHref(line.name) + "/versions/" + v.ID.UUID.String()
			row.Cells[0].Note = "what came of it"
		}
		p.Versions.Rows = append(p.Versions.Rows, row)
	}
	// The version in force, on the page itself.
	if v := line.at(s.now()); v != nil {
		e, err := s.effectPart(ctx, care, line, v, zone)
		if err != nil {
			return err
		}
		p.Effects = append(p.Effects, e)
	}
	return nil
}

// getPolicyVersion shows what was expected of one version beside what came of it,
// read out of the records whenever it was.
func (s *Server) getPolicyVersion() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		line, err := s.openPolicy(c)
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		i := slices.IndexFunc(line.versions, func(v *farm.Policy) bool {
			return v.ID.UUID.String() == c.Param("id") && v.VoidedAt.IsZero() && !v.InForceFrom.After(now)
		})
		if i < 0 {
			return noSuchVersion()
		}
		v := line.versions[i]
		care, err := s.cfg.Policies.Care(ctx, now)
		if err != nil {
			return err
		}
		if from, _ := care.Window(); v.InForceFrom.Add(-assess.Month).Before(from) {
			until := v.InForceFrom.Add(assess.Month)
			if until.After(care.At) {
				until = care.At
			}
			if care, err = s.cfg.Policies.CareAt(ctx, until); err != nil {
				return err
			}
		}
		zone := care.Zone()
		p := views.PolicyPage{Shell: withClock(s.shell(c, line.name+", "+clock(v.InForceFrom, zone), "/setup"), now, zone),
			Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Policies", Href: s.url("/setup/policies")}, {Value: line.name, Href: s.policyHref(line.name)}}}
		x := assess.PolicyOf(v)
		p.Says = []string{sentence(ruleWords(&x.Rules)) + " " + sentenceCase(whereWords(&x.Scope)) + ".", "By " + orSomebody(v.Person) + ": " + sentenceEnd(v.Reason)}
		e, err := s.effectPart(ctx, care, line, v, zone)
		if err != nil {
			return err
		}
		e.Look = views.Link{}
		p.Effects = []views.PolicyEffect{e}
		return render(c, http.StatusOK, views.Policy(p))
	}
}
