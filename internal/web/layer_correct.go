package web

import (
	"net/http"
	"net/url"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// getCorrect shows a first layer's record to be corrected: another record with
// another id takes its place, and it is voided with a reason.
func (s *Server) getCorrect() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		f, printer, err := s.firstLayer(c)
		if err != nil {
			return err
		}
		if !f.VoidedAt.IsZero() {
			return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+f.ID.UUID.String()))
		}
		id, err := uuid.NewV7AtTime(s.now())
		if err != nil {
			return err
		}
		g, err := s.newGrading(c, printer, url.Values{}, id)
		if err != nil {
			return err
		}
		g.old, g.when = f, f.StartedAt
		g.prefill()
		return g.show(c, http.StatusOK)
	}
}

func (s *Server) postCorrect() echo.HandlerFunc {
	return func(c echo.Context) error {
		f, printer, err := s.firstLayer(c)
		if err != nil {
			return err
		}
		g, err := s.sentGrading(c, printer, f)
		if err != nil {
			return err
		}
		// The minute shown stands for the record's own instant.
		if g.when = f.StartedAt; g.text("when") != "" && g.text("when") != f.StartedAt.In(g.zone).Format(whenLayout) {
			g.readWhen()
		}
		return g.take(c)
	}
}

// voiding is the form that voids a first layer with a reason.
func (s *Server) voiding(c echo.Context, values url.Values, id uuid.UUID) (*hand, *farm.FirstLayer, error) {
	f, _, err := s.firstLayer(c)
	if err != nil {
		return nil, nil, err
	}
	act := &handAct{title: "Void a first layer on " + f.Printer, names: []string{"reason"}}
	act.page = func(h *hand) error {
		what := stateFor(gradeStates, f.Grade).Word
		h.page.Crumb, h.page.CrumbWord = s.url("/first-layers/"+f.ID.UUID.String()), "First layer on "+f.Printer
		h.page.Lead = what + ", started " + clock(f.StartedAt, h.zone) + ". Void it if this start never was. If something in it is wrong, correct it instead."
		h.page.Fields = []views.Field{{Name: "reason", Label: "Why it is voided", Kind: "area", Value: h.values.Get("reason"),
			Hint: "The record stays in the history as voided, with your name and this reason. For example: recorded twice."}}
		h.page.Submit = "Void this record"
		h.page.Danger = true
		if !f.VoidedAt.IsZero() {
			h.page.Action, h.page.Notice = "", "This record was voided, "+clock(f.VoidedAt, h.zone)+byWhom(f.VoidedBy)+": "+sentenceEnd(orNoRecord(f.VoidReason))
		}
		return nil
	}
	h, err := s.newHand(c, act, values, id)
	if err != nil {
		return nil, nil, err
	}
	h.page.Shell = withClock(s.shell(c, act.title, "/grade"), h.now, h.zone)
	h.page.Action = s.url("/first-layers/" + f.ID.UUID.String() + "/void")
	h.page.Alone = true
	h.when, h.person = h.opened(), h.who.Handle
	return h, f, nil
}

func (s *Server) getVoid() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		id, err := uuid.NewV7AtTime(s.now())
		if err != nil {
			return err
		}
		h, _, err := s.voiding(c, url.Values{}, id)
		if err != nil {
			return err
		}
		return h.show(c, http.StatusOK)
	}
}

func (s *Server) postVoid() echo.HandlerFunc {
	return func(c echo.Context) error {
		values, err := readHandForm(c, &handAct{names: []string{"reason"}})
		if err != nil {
			return err
		}
		id, err := uuid.FromString(values.Get("id"))
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: values.Get("id"), Expected: "the form's own number: open the form again"})
		}
		h, f, err := s.voiding(c, values, id)
		if err != nil {
			return err
		}
		switch reason := h.text("reason"); {
		case reason == "":
			h.wrong("reason", "Say why it is voided.")
		case len(reason) > 1000:
			h.wrong("reason", "Say it in fewer words: up to 1000 characters.")
		}
		if len(h.page.Problems) > 0 {
			return h.show(c, http.StatusUnprocessableEntity)
		}
		record := f.ID.UUID.String()
		_, saved, err := h.save([]handRecord{{kind: intake.KindVoid, id: h.own("void"), from: map[string]string{"void_reason": "reason"},
			fields: map[string]string{"record": record, "voided_at": stamp(h.opened()), "voided_by": h.who.Handle, "void_reason": h.text("reason")}}}, "")
		if err != nil {
			return err
		}
		if !saved {
			h.page.Problems = []views.FormProblem{{Words: "Somebody voided this record meanwhile. Nothing of yours was saved."}}
			return h.show(c, http.StatusConflict)
		}
		return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+record))
	}
}
