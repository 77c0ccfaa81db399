package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// The fields of a policy's form, by group.
var (
	policyScope  = []string{"surface", "material", "printer", "plate", "job_plates_from", "job_plates_to"}
	policyRules  = []string{"clean_prints", "clean_hours", "wash_prints", "probe_starts", "probe_hours"}
	policyEvents = []string{"probe_after_swap", "probe_after_service", "probe_after_move", "probe_after_temperature"}
	policyFields = slices.Concat([]string{"name"}, policyScope, policyRules, policyEvents, []string{"in_force_from", "reason"})
)

// policyForm is one version in the making.
type policyForm struct {
	line     *policyLine // nil: a new policy
	typed    map[string]string
	rec      *farm.Policy
	problems []fault.Problem
	looked   bool
	preview  assess.Preview
	stands   assess.Preview // as policies stand
	zone     *time.Location
	saved    string
}

// getAddPolicy shows the form of a new policy, filled in where a suggestion led here.
func (s *Server) getAddPolicy() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, policyFields...); err != nil {
			return err
		}
		form := &policyForm{typed: map[string]string{}}
		for _, name := range policyFields {
			if v := c.QueryParam(name); v != "" && len(v) <= 300 {
				form.typed[name] = v
			}
		}
		if len(form.typed) > 0 {
			if err := s.readPolicy(c, form); err != nil {
				return err
			}
			if len(form.problems) > 0 {
				return s.renderPolicy(c, http.StatusOK, form)
			}
			if err := s.look(c.Request().Context(), form); err != nil {
				return err
			}
		}
		return s.renderPolicy(c, http.StatusOK, form)
	}
}

func (s *Server) postAddPolicy() echo.HandlerFunc {
	return func(c echo.Context) error { return s.changePolicy(c, nil) }
}

func (s *Server) getPolicy() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		line, err := s.openPolicy(c)
		if err != nil {
			return err
		}
		return s.renderPolicy(c, http.StatusOK, &policyForm{line: line, saved: map[string]string{"yes": "Saved. Upkeep asks by it from now on.", "later": "Saved. It comes into force at its time.", "ended": "Ended. Upkeep asks no more by it.", "back": "The version is taken back."}[c.QueryParam("saved")]})
	}
}

func (s *Server) postPolicy() echo.HandlerFunc {
	return func(c echo.Context) error {
		line, err := s.openPolicy(c)
		if err != nil {
			return err
		}
		return s.changePolicy(c, line)
	}
}

// changePolicy looks at, saves, ends or takes back a version.
func (s *Server) changePolicy(c echo.Context, line *policyLine) error {
	sent, err := readForm(c, append([]string{"act", "id", "version", "end_reason"}, policyFields...)...)
	if err != nil {
		return err
	}
	ctx, now := c.Request().Context(), s.now()
	form := &policyForm{line: line, typed: sent}
	act := sent["act"]
	if line == nil && act != "look" && act != "save" || !slices.Contains([]string{"look", "save", "end", "back"}, act) {
		return badRequest(fault.Problem{Column: "act", Found: act, Expected: "one of the page's own buttons"})
	}
	if line != nil && sent["name"] != "" {
		return badRequest(fault.Problem{Column: "name", Found: sent["name"], Expected: "the name left as it is"})
	}
	if act == "back" {
		return s.takePolicyBack(c, line, sent["version"])
	}
	if act == "end" {
		v := line.at(now)
		if v == nil || v.Ended != "" {
			return fault.New(fault.Conflict, "The policy has ended already, or has not begun.")
		}
		form.typed = map[string]string{"id": sent["id"], "reason": sent["end_reason"], "ended": "yes"}
		for _, name := range policyScope {
			form.typed[name] = intake.TableOf(farm.KindPolicy).Fields[intake.TableOf(farm.KindPolicy).Field(name)].Text(v)
		}
	}
	if err := s.readPolicy(c, form); err != nil {
		return err
	}
	if len(form.problems) > 0 {
		return s.renderPolicy(c, http.StatusUnprocessableEntity, form)
	}
	if err := s.look(ctx, form); err != nil {
		return err
	}
	if act == "look" {
		return s.renderPolicy(c, http.StatusOK, form)
	}
	rec := form.rec
	rec.Forecast = forecastOf(&form.preview)
	result, err := s.store.Record(ctx, pageAct(c), intake.Item{Kind: farm.KindPolicy, ID: rec.ID, Rec: rec})
	if fault.Is(err, fault.Conflict) && result.ID == rec.ID {
		err = nil // the same form sent twice: the first one stands
	}
	if err != nil {
		return err
	}
	saved := "yes"
	switch {
	case act == "end":
		saved = "ended"
	case rec.InForceFrom.After(now):
		saved = "later"
	}
	return c.Redirect(http.StatusSeeOther, s.policyHref(rec.Name)+"?saved="+saved)
}

// takePolicyBack voids the newest version.
func (s *Server) takePolicyBack(c echo.Context, line *policyLine, version string) error {
	last := line.newest()
	if last == nil || last.ID.UUID.String() != version {
		return fault.New(fault.Conflict, "Something was changed since. Look at the versions again before taking one back.")
	}
	if err := s.keepByPage(c, map[string]any{"kind": intake.KindVoid, "record": version, "voided_at": intake.Stamp(s.now()), "voided_by": identity(c).Handle, "void_reason": "taken back"}); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, s.policyHref(line.name)+"?saved=back")
}

// newest is the version that comes into force last, of those that count.
func (l *policyLine) newest() *farm.Policy {
	for _, p := range slices.Backward(l.versions) {
		if p.VoidedAt.IsZero() {
			return p
		}
	}
	return nil
}

// readPolicy makes a record of what was typed; what is wrong stands in problems.
func (s *Server) readPolicy(c echo.Context, form *policyForm) error {
	ctx, now := c.Request().Context(), s.now()
	zone, err := s.farmZone(ctx)
	if err != nil {
		return err
	}
	form.zone = zone
	t := intake.TableOf(farm.KindPolicy)
	texts := map[string]string{"policy": form.typed["id"], "ended": form.typed["ended"], "person": identity(c).Handle, "name": strings.TrimSpace(form.typed["name"])}
	if texts["policy"] == "" {
		id, err := uuid.NewV7AtTime(now)
		if err != nil {
			return err
		}
		texts["policy"] = id.String()
	}
	if form.line != nil {
		texts["name"] = form.line.name
	}
	for _, name := range slices.Concat(policyScope, policyRules, policyEvents, []string{"in_force_from", "reason"}) {
		text, problem := canonical(&t.Fields[t.Field(name)], form.typed[name], nil, zone)
		if problem != nil {
			form.problems = append(form.problems, *problem)
			continue
		}
		texts[name] = text
	}
	if texts["in_force_from"] == "" {
		texts["in_force_from"] = intake.Stamp(now)
	}
	for name, text := range texts {
		if text == "" && name != "name" && name != "reason" {
			delete(texts, name)
		}
	}
	rec := t.New()
	form.problems = append(form.problems, intake.ParseFields(t, rec, texts, s.store.Now())...)
	form.rec = rec.(*farm.Policy)
	p := form.rec
	p.NotedAt, p.NotedBy = now, p.Person
	for kind, name := range map[farm.Kind]string{farm.KindPrinter: p.Printer, farm.KindPlate: p.Plate, farm.KindMaterial: p.Material} {
		if name == "" {
			continue
		}
		if _, err := s.store.Thing(ctx, kind, name); fault.Is(err, fault.NotFound) {
			form.problems = append(form.problems, fault.Problem{Column: string(kind), Found: name, Expected: "one that is in Setup"})
		} else if err != nil {
			return err
		}
	}
	if form.line == nil && p.Name != "" {
		there, err := s.store.PolicyVersions(ctx, p.Name)
		if err != nil {
			return err
		}
		if len(there) > 0 && !slices.ContainsFunc(there, func(q *farm.Policy) bool { return q.ID == p.ID }) {
			form.problems = append(form.problems, fault.Problem{Column: "name", Found: p.Name, Expected: "another name: there is a policy of this one, change it on its own page"})
		}
	}
	slices.SortStableFunc(form.problems, func(a, b fault.Problem) int {
		return slices.Index(policyFields, a.Column) - slices.Index(policyFields, b.Column)
	})
	return nil
}

// look works out what the version would have asked for last month.
func (s *Server) look(ctx context.Context, form *policyForm) error {
	care, err := s.cfg.Policies.Care(ctx, s.now())
	if err != nil {
		return err
	}
	list, err := s.store.Policies(ctx, time.Time{})
	if err != nil {
		return err
	}
	now := s.now()
	stand := upkeep.InForce(assess.PoliciesOf(list), now)
	x := assess.PolicyOf(form.rec)
	changed := slices.DeleteFunc(slices.Clone(stand), func(p upkeep.Policy) bool { return p.Name == x.Name })
	if !x.Ended {
		changed = append(changed, x)
	}
	if form.preview, err = care.Preview(ctx, changed, &x.Scope); err != nil {
		return err
	}
	form.stands, err = care.Preview(ctx, stand, &x.Scope)
	form.looked = true
	return err
}

// forecastOf is what stays with the version, per 100 starts.
func forecastOf(p *assess.Preview) farm.PolicyForecast {
	f := farm.NoForecast()
	f.Starts = float64(p.Done.Starts)
	if p.Done.Starts == 0 {
		return f
	}
	per := func(x float64) float64 { return math.Round(x*1e6/f.Starts) / 1e4 }
	was, is := p.Minutes(&p.Done), p.Minutes(&p.Asked)
	f.FailuresWas, f.Failures = per(p.Done.Expected), per(p.Asked.Expected)
	f.FailuresSaved, f.FailuresSavedLow, f.FailuresSavedHigh = per(p.Saved), per(p.Low), per(p.High)
	f.WipesWas, f.Wipes = per(float64(p.Done.Wipes)), per(float64(p.Asked.Wipes))
	f.WashesWas, f.Washes = per(float64(p.Done.Washes)), per(float64(p.Asked.Washes))
	f.ProbesWas, f.Probes = per(float64(p.Done.Probes)), per(float64(p.Asked.Probes))
	f.PersonMinutesWas, f.PersonMinutes = per(was.Person), per(is.Person)
	f.MachineMinutesWas, f.MachineMinutes = per(was.Machine), per(is.Machine)
	return f
}

// previewPart says what the policy would have asked for.
func (s *Server) previewPart(form *policyForm, money string) views.PolicyPreview {
	p := &form.preview
	if p.Done.Starts == 0 {
		return views.PolicyPreview{Title: "No start in its scope in the last four weeks", Says: []string{"So there is nothing to compare with. It may be put in force all the same."}}
	}
	was, is := p.Minutes(&p.Done), p.Minutes(&p.Asked)
	out := views.PolicyPreview{}
	person := is.Person - was.Person
	switch {
	case math.Abs(p.Saved) < 0.05:
		out.Title = "It would have changed the failures by next to none"
	case p.Saved > 0:
		out.Title = fmt.Sprintf("It would have avoided about %s of %s failures", figure(p.Saved), figure(p.Done.Expected))
	default:
		out.Title = fmt.Sprintf("It would have cost about %s failures beyond %s", figure(-p.Saved), figure(p.Done.Expected))
	}
	out.Says = append(out.Says, fmt.Sprintf("By the model %s, for %s %s of people’s time. Four weeks to %s, %s.", fewerWords(p.Saved, p.Low, p.High), minutesWords(math.Abs(person)), moreOrLess(person), clock(p.To, form.zone), counted(p.Done.Starts, "start", "starts")))
	if worth := p.Worth(p.Saved); worth != 0 {
		out.Says = append(out.Says, fmt.Sprintf("All told %s %s, likely %s to %s.", amount(math.Abs(worth), money), map[bool]string{true: "cheaper", false: "dearer"}[worth > 0], amount(p.Worth(p.Low), money), amount(p.Worth(p.High), money)))
	}
	out.Says = append(out.Says, "Worked out by making the starts anew with what policies ask for done each time and nothing else; where no policy says how often, it stays as it was done. Upkeep goes on asking for more where that pays.")
	st := &form.stands
	now, then := st.Minutes(&st.Asked), is
	num := func(n int) views.Cell { return views.Cell{Text: count(n)} }
	minutes := func(x float64) views.Cell { return views.Cell{Text: count(int(math.Round(x)))} }
	out.Table = views.Table{Caption: "Last four weeks, in its scope", Columns: []views.Column{{Word: ""}, {Word: "As done", Number: true}, {Word: "As policies stand", Number: true}, {Word: "With this", Number: true}},
		Rows: []views.Row{
			{Cells: []views.Cell{{Text: "Wipes"}, num(p.Done.Wipes), num(st.Asked.Wipes), num(p.Asked.Wipes)}},
			{Cells: []views.Cell{{Text: "Washes"}, num(p.Done.Washes), num(st.Asked.Washes), num(p.Asked.Washes)}},
			{Cells: []views.Cell{{Text: "Probes"}, num(p.Done.Probes), num(st.Asked.Probes), num(p.Asked.Probes)}},
			{Cells: []views.Cell{{Text: "Person minutes"}, minutes(was.Person), minutes(now.Person), minutes(then.Person)}},
			{Cells: []views.Cell{{Text: "Machine minutes"}, minutes(was.Machine), minutes(now.Machine), minutes(then.Machine)}},
			{Cells: []views.Cell{{Text: "Failures expected by the model", Note: "failed: " + count(p.Done.Failures) + " of " + count(p.Done.Graded) + " graded"}, {Text: figure(p.Done.Expected)}, {Text: figure(st.Asked.Expected)}, {Text: figure(p.Asked.Expected)}}},
		}}
	out.Table.Columns[0].Word = "What"
	return out
}

// fewerWords say how many failures are fewer, or more, with the likely range.
func fewerWords(x, low, high float64) string {
	if x < -0.05 {
		return figure(-x) + " failures more, likely " + plainSign(-high) + " to " + plainSign(-low)
	}
	return figure(math.Max(x, 0)) + " failures fewer, likely " + plainSign(low) + " to " + plainSign(high)
}

// plainSign writes a number whose sign is said only where it is below zero.
func plainSign(x float64) string {
	switch {
	case math.Abs(x) < 0.05:
		return "0"
	case x < 0:
		return minus + figure(-x)
	}
	return figure(x)
}

func minutesWords(m float64) string {
	return duration(time.Duration(math.Round(m)) * time.Minute)
}

func moreOrLess(x float64) string {
	if x < 0 {
		return "less"
	}
	return "more"
}
