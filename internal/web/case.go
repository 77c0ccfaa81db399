package web

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// caseForm is what was typed into the form about a case.
type caseForm struct{ step, reason, problem string }

// stepWords say what a step means where it is chosen.
var stepWords = map[string]string{"on_test": "a test or a change of habit shall show it", "upheld": "it was shown", "not_upheld": "it was shown to be otherwise",
	"suspected": "open again: raised, not shown", "closed": "nothing more is done about it"}

// fillCase tells where the case of a finding stands and what may follow.
func (s *Server) fillCase(ctx context.Context, who Identity, p *views.FindingPage, e *Evidence, form caseForm, zone *time.Location) error {
	steps, err := s.store.CaseStepsOf(ctx, e.Kind, e.Subject, e.Cause)
	if err != nil {
		return err
	}
	tests, err := s.store.TestsOf(ctx, e.Kind, e.Subject, e.Cause)
	if err != nil {
		return err
	}
	manager := roleRank(who.Role) >= roleRank(roleManager)
	here := s.findingHref(e.Kind, e.Subject, e.Cause)
	v := &p.CaseOf
	last := lastStep(steps)
	now := caseNow(last, e)
	v.Now, p.Case = wordFor(caseWords, now), wordFor(caseWords, now)
	switch {
	case last != nil && last.Step == "closed" && e.State == "raised":
		v.Lead = "Closed " + clock(last.At, zone) + ", and the evidence is raised. Open it again if that is news."
	case last != nil && e.State != "raised" && last.Step != "closed":
		v.Lead = wordFor(caseWords, last.Step) + " since " + clock(last.At, zone) + "; the evidence is " + strings.ToLower(stateFor(evidenceStates, e.State).Word) + " now. What was decided stands until somebody decides otherwise."
	case last != nil:
		v.Lead = wordFor(caseWords, last.Step) + " since " + clock(last.At, zone) + "."
	case e.State == "raised":
		v.Lead = "Suspected: the evidence is raised and nobody has decided on it. A manager plans a test or decides, with a reason."
	default:
		v.Lead = "No case: it begins when the evidence is raised, or when a manager takes it up."
	}
	running := false
	for _, t := range tests {
		word := "Test of " + wordFor(testedWords, t.Task) + " since " + clock(t.BeginsAt, zone)
		if t.EndedAt.IsZero() {
			running = true
			word += ", running"
		} else {
			word += ", ended"
		}
		v.Tests = append(v.Tests, views.Link{Word: word, Href: s.url("/tests/" + t.ID.UUID.String())})
	}
	for _, x := range steps {
		l := views.CaseLine{Word: wordFor(caseWords, x.Step), When: clock(x.At, zone), ISO: iso(x.At), By: orSomebody(x.Person), Reason: x.Reason}
		if x.State != "" {
			l.By += ", when the evidence was " + strings.ToLower(stateFor(evidenceStates, x.State).Word)
		}
		if !x.VoidedAt.IsZero() {
			l.Voided = "Taken back " + clock(x.VoidedAt, zone) + " by " + orSomebody(x.VoidedBy) + ": " + orNoRecord(x.VoidReason)
		} else if manager && x == last {
			l.Undo = here + "/case/" + x.ID.UUID.String() + "/undo"
		}
		v.Trail = append(v.Trail, l)
	}
	if !manager {
		return nil
	}
	if !running {
		v.Plan = here + "/test"
	}
	id, err := uuid.NewV7AtTime(s.now())
	if err != nil {
		return err
	}
	v.Action, v.ID, v.Reason, v.Problem = here+"/case", id.String(), form.reason, form.problem
	for _, code := range nextSteps(now) {
		v.Next = append(v.Next, views.Option{Value: code, Word: wordFor(caseWords, code), Note: stepWords[code], Chosen: code == form.step})
	}
	return nil
}

// lastStep is the one that says where the case stands; nil none.
func lastStep(steps []*farm.CaseStep) *farm.CaseStep {
	for _, x := range slices.Backward(steps) {
		if x.VoidedAt.IsZero() {
			return x
		}
	}
	return nil
}

// caseNow is where a case stands by its steps as they are recorded this instant; "" no
// case.
func caseNow(last *farm.CaseStep, e *Evidence) string {
	switch {
	case last != nil:
		return last.Step
	case e.State == "raised":
		return "suspected"
	}
	return ""
}

// nextSteps may follow where a case stands; "" is no case.
func nextSteps(now string) []string {
	if now == "" {
		return []string{"suspected", "on_test", "closed"}
	}
	return farm.CaseFollow[now]
}

// postCaseStep records a step.
func (s *Server) postCaseStep() echo.HandlerFunc {
	return func(c echo.Context) error {
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		form, err := readForm(c, "id", "step", "reason")
		if err != nil {
			return err
		}
		e, err := s.cfg.Findings.Evidence(c.Request().Context(), q.kind, q.tag, q.cause, s.now())
		if err != nil {
			return err
		}
		typed := caseForm{step: form["step"], reason: form["reason"]}
		steps, err := s.store.CaseStepsOf(c.Request().Context(), q.kind, q.tag, q.cause)
		if err != nil {
			return err
		}
		now := caseNow(lastStep(steps), e)
		again := slices.ContainsFunc(steps, func(x *farm.CaseStep) bool { return x.ID.UUID.String() == form["id"] })
		switch {
		case again: // the same form sent twice: the first one stands
			return c.Redirect(http.StatusSeeOther, s.findingHref(q.kind, q.tag, q.cause)+"#case")
		case typed.step == "":
			typed.problem = "Choose where it stands from now on."
		case !slices.Contains(nextSteps(now), typed.step):
			typed.problem = "It stands as " + strings.ToLower(wordFor(caseWords, now)) + " by now: look at what may follow."
		case strings.TrimSpace(typed.reason) == "":
			typed.problem = "Say why, in a few words."
		}
		if typed.problem != "" {
			return s.showFindingCase(c, http.StatusUnprocessableEntity, q, views.DisagreeForm{}, typed)
		}
		if err := s.keepByPage(c, map[string]any{"kind": farm.KindCaseStep, "id": form["id"], "subject_kind": q.kind, "subject": q.tag, "cause": q.cause, "at": intake.Stamp(s.now()),
			"step": typed.step, "state": e.State, "person": identity(c).Handle, "reason": strings.TrimSpace(typed.reason)}); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.findingHref(q.kind, q.tag, q.cause)+"#case")
	}
}

// postCaseUndo takes back the last step, with a reason.
func (s *Server) postCaseUndo() echo.HandlerFunc {
	return func(c echo.Context) error {
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		form, err := readForm(c, "reason")
		if err != nil {
			return err
		}
		steps, err := s.store.CaseStepsOf(c.Request().Context(), q.kind, q.tag, q.cause)
		if err != nil {
			return err
		}
		last := lastStep(steps)
		if last == nil || last.ID.UUID.String() != c.Param("id") {
			return fault.New(fault.Conflict, "That is not the last step of the case by now. Look at the page again.")
		}
		reason := strings.TrimSpace(form["reason"])
		if reason == "" {
			reason = "no reason given"
		}
		if err := s.keepByPage(c, map[string]any{"kind": intake.KindVoid, "record": last.ID.UUID.String(), "voided_at": intake.Stamp(s.now()), "voided_by": identity(c).Handle, "void_reason": reason}); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.findingHref(q.kind, q.tag, q.cause)+"#case")
	}
}
