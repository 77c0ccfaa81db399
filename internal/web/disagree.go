package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// postDisagreement keeps what a person says against a finding.
func (s *Server) postDisagreement() echo.HandlerFunc {
	return func(c echo.Context) error {
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		form, err := readForm(c, "id", "reason")
		if err != nil {
			return err
		}
		e, err := s.cfg.Findings.Evidence(c.Request().Context(), q.kind, q.tag, q.cause, s.now())
		if err != nil {
			return err
		}
		err = s.keepByPage(c, map[string]any{
			"kind": farm.KindDisagreement, "id": form["id"], "subject_kind": q.kind, "subject": q.tag, "cause": q.cause,
			"at": intake.Stamp(s.now()), "state": e.State, "person": identity(c).Handle, "reason": strings.TrimSpace(form["reason"]),
		})
		if fault.Is(err, fault.Conflict) {
			err = nil // the same form sent twice: the first one stands
		}
		if problem := formProblem(err, map[string]string{"reason": "Say why the finding is wrong, in a few words."}); problem != "" {
			return s.showFinding(c, http.StatusUnprocessableEntity, q, views.DisagreeForm{Reason: form["reason"], Problem: problem})
		}
		if err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.findingHref(q.kind, q.tag, q.cause)+"#disagreements")
	}
}

// postWithdrawal voids a disagreement: one's own, or for a manager anybody's.
func (s *Server) postWithdrawal() echo.HandlerFunc {
	return func(c echo.Context) error {
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		form, err := readForm(c, "reason")
		if err != nil {
			return err
		}
		said, err := s.store.DisagreementsWith(c.Request().Context(), q.kind, q.tag, q.cause)
		if err != nil {
			return err
		}
		for _, d := range said {
			if d.ID.UUID.String() != c.Param("id") {
				continue
			}
			if !mayWithdraw(identity(c), d) {
				return fault.New(fault.Forbidden, "Only whoever said it, or a manager, withdraws it.")
			}
			reason := strings.TrimSpace(form["reason"])
			if reason == "" {
				reason = "no reason given"
			}
			if d.VoidedAt.IsZero() {
				err = s.keepByPage(c, map[string]any{"kind": intake.KindVoid, "record": d.ID.UUID.String(), "voided_at": intake.Stamp(s.now()),
					"voided_by": identity(c).Handle, "void_reason": reason})
			}
			if err != nil {
				return err
			}
			return c.Redirect(http.StatusSeeOther, s.findingHref(q.kind, q.tag, q.cause)+"#disagreements")
		}
		return fault.New(fault.NotFound, "There is no such disagreement with this finding.")
	}
}

// keepByPage records what a form says, checked as any record of the API is.
func (s *Server) keepByPage(c echo.Context, record map[string]any) error {
	item, err := pageItem(record, s.store.Now())
	if err != nil {
		return err
	}
	_, err = s.store.Record(c.Request().Context(), pageAct(c), item)
	return err
}

// pageItem reads it; empty fields are left out.
func pageItem(record map[string]any, now time.Time) (intake.Item, error) {
	for name, v := range record {
		if v == "" {
			delete(record, name)
		}
	}
	body, err := json.Marshal(record)
	if err != nil {
		return intake.Item{}, err
	}
	return intake.ParseRecord(body, "", now), nil
}

// formProblem finds the sentence for the field of a form that was refused; ""
// when the error is none of the reader's.
func formProblem(err error, words map[string]string) string {
	var refusal *fault.Error
	if !errors.As(err, &refusal) || refusal.Kind != fault.Invalid {
		return ""
	}
	for _, p := range refusal.Problems {
		name := strings.TrimPrefix(p.Pointer, "/")
		if p.Column != "" {
			name = p.Column
		}
		if w := words[name]; w != "" && p.Found == "" {
			return w
		} else if w != "" {
			return sentence("expected " + p.Expected)
		}
	}
	return ""
}

func mayWithdraw(who Identity, d *farm.Disagreement) bool {
	return who.Handle != "" && who.Handle == d.Person || roleRank(who.Role) >= roleRank(roleManager)
}

// fillSaid lists what was said against a finding and offers the form.
func (s *Server) fillSaid(c echo.Context, p *views.FindingPage, said []*farm.Disagreement, form views.DisagreeForm, zone *time.Location) {
	who := identity(c)
	for _, d := range said {
		v := views.Disagreement{ID: d.ID.UUID.String(), Who: orSomebody(d.Person), When: clock(d.At, zone), ISO: iso(d.At), Reason: d.Reason}
		if d.State != "" {
			v.Then = "when it was " + strings.ToLower(stateFor(evidenceStates, d.State).Word)
		}
		if !d.VoidedAt.IsZero() {
			v.Withdrawn = "Withdrawn " + clock(d.VoidedAt, zone) + " by " + orSomebody(d.VoidedBy) + ": " + orNoRecord(d.VoidReason)
		} else if mayWithdraw(who, d) {
			v.Withdraw = s.findingHref(p.Kind, p.Subject, p.Cause) + "/disagreements/" + v.ID + "/withdraw"
		}
		p.Said = append(p.Said, v)
	}
	if id, err := uuid.NewV7(); err == nil {
		form.Action, form.ID = s.findingHref(p.Kind, p.Subject, p.Cause)+"/disagreements", id.String()
		p.Form = form
	}
}

func orSomebody(person string) string {
	if person == "" {
		return "somebody"
	}
	return person
}

// disagreeWords says on a line of the list who disagrees.
func disagreeWords(said []*farm.Disagreement) string {
	switch len(said) {
	case 0:
		return ""
	case 1:
		return orSomebody(said[0].Person) + " disagrees"
	default:
		return count(len(said)) + " disagree"
	}
}
