package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// findingParam names one question.
type findingParam struct{ kind, tag, cause string }

func findingParams(c echo.Context) (findingParam, error) {
	q := findingParam{kind: c.Param("kind"), cause: c.Param("cause")}
	var err error
	if q.tag, err = tagParam(c, "tag"); err != nil {
		return q, err
	}
	if q.kind != "printer" && q.kind != "plate" || q.cause != "skipped_probing" && q.cause != "cleaning_gap" || q.kind == "plate" && q.cause == "skipped_probing" {
		return q, fault.New(fault.NotFound, "There is no such question: printers are asked about skipped_probing and cleaning_gap, plates about cleaning_gap.")
	}
	return q, nil
}

func (s *Server) getFinding() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		q, err := findingParams(c)
		if err != nil {
			return err
		}
		return s.showFinding(c, http.StatusOK, q, views.DisagreeForm{})
	}
}

// showFinding writes the evidence page; form is what was typed into it before.
func (s *Server) showFinding(c echo.Context, status int, q findingParam, form views.DisagreeForm) error {
	return s.showFindingCase(c, status, q, form, caseForm{})
}

// showFindingCase writes it with what was typed about its case.
func (s *Server) showFindingCase(c echo.Context, status int, q findingParam, form views.DisagreeForm, about caseForm) error {
	ctx, now := c.Request().Context(), s.now()
	frame, err := s.store.Frame(ctx, now)
	if err != nil {
		return err
	}
	e, err := s.cfg.Findings.Evidence(ctx, q.kind, q.tag, q.cause, now)
	if err != nil {
		return err
	}
	said, err := s.store.DisagreementsWith(ctx, q.kind, q.tag, q.cause)
	if err != nil {
		return err
	}
	zone := frame.Settings.Zone()
	shell := withClock(s.shell(c, findingTitle(e), "/findings"), now, zone)
	shell.DataThrough = clock(e.To, zone)
	page := s.findingPage(shell, e, zone)
	s.fillSaid(c, &page, said, form, zone)
	page.Actions = s.findingActions(e)
	if err := s.fillCase(ctx, identity(c), &page, e, about, zone); err != nil {
		return err
	}
	if page.Sheets, err = s.sheetPart(c, q, zone); err != nil {
		return err
	}
	return render(c, status, views.Finding(page))
}

// findingActions are the acts a finding asks for, and saying that it is wrong.
func (s *Server) findingActions(e *Evidence) []views.Link {
	with := "?" + e.Kind + "=" + url.QueryEscape(e.Subject)
	var acts []act
	if e.State == "raised" || e.State == "watching" {
		if e.Cause == "skipped_probing" {
			acts = []act{{"Log a probe", "/upkeep/probe", "/upkeep/probe" + with, false}}
		} else {
			acts = []act{{"Log a cleaning", "/upkeep/clean", "/upkeep/clean" + with, false}}
		}
	}
	return append(s.links(acts), views.Link{Word: "I disagree", Href: "#disagreements"})
}

// findingTitle says what is asked or answered, as a sentence without an end.
func findingTitle(e *Evidence) string {
	cause := wordFor(causeWords, e.Cause)
	switch {
	case e.State == "raised" && e.Lot != nil && e.Lot.Low > 0:
		return e.Subject + ": failures caused by " + cause
	case e.State == "raised":
		return e.Subject + ": failures go with " + cause
	case e.Reverse && e.Cause == "skipped_probing":
		return e.Subject + ": failures go with probing"
	case e.Reverse:
		return e.Subject + ": failures go with fresh cleaning"
	default:
		return e.Subject + ": do failures go with " + cause + "?"
	}
}

// findingPage builds the evidence page.
func (s *Server) findingPage(shell views.Shell, e *Evidence, zone *time.Location) views.FindingPage {
	p := views.FindingPage{
		Shell: shell, Crumb: s.url("/findings"), Kind: e.Kind, Subject: e.Subject, Cause: e.Cause,
		SubjHref: s.url("/" + e.Kind + "s/" + url.PathEscape(e.Subject)),
		State:    stateFor(evidenceStates, e.State), Case: wordFor(caseWords, e.Case), Summary: e.Summary,
		Advice: adviceFor(e), Differ: e.Differ, Method: e.Method,
	}
	if e.Cause == "skipped_probing" {
		p.Compare, p.Apart = probeTables(e)
		p.Figures = s.findingCSV(e)
		p.CompareBy = "Compared are layers with a valid probe and layers without one."
		p.ApartLine = "A probe before a swap or a service is neither a skip nor a valid probe, so these layers enter neither side."
		if len(p.Apart.Rows) > 0 && p.Apart.Rows[0].Cells[0].Text == probeCellWords["unknown"] {
			p.ApartLine = "Whether these starts were probed is not recorded, so they enter neither side."
		}
	} else {
		p.Compare, p.Curve = gapTable(e), gapChart(e, "#counts", s.findingCSV(e))
		p.CompareBy = fmt.Sprintf("Half of the farm's graded layers start at %s prints or fewer since their plate was wiped or washed.", figure(e.GapSplit))
	}
	p.Estimates = estimateTable(e)
	p.Marks, p.MarksLine = marksTable(e)
	p.Facts = []views.Fact{
		{Word: "Window", Value: clock(e.From, zone) + " to " + clock(e.To, zone)},
		{Word: "Started", Value: counted(e.Starts, "first layer", "first layers"), Note: coverage(e.Graded, e.Starts)},
		{Word: "Compared", Value: counted(e.N, "graded layer", "graded layers"), Note: "graded, and known what it started under"},
	}
	if e.Restarts > 0 {
		p.Facts = append(p.Facts, views.Fact{Word: "Restarts", Value: counted(e.Restarts, "start", "starts"),
			Note: "within an hour of a failed layer on the same printer and plate; a missing probe there is not read as a cause"})
	}
	p.Facts = append(p.Facts, lotFacts(e)...)
	if !math.IsNaN(e.Q) {
		p.Facts = append(p.Facts, views.Fact{Word: "By chance alone", Value: "of findings at least as strong as this, " + falseWords(e.Q) + " would be false"})
	}
	return p
}

// falseWords says a share of false findings: "about 4 %", "under 1 %".
func falseWords(q float64) string {
	if w := percent(q); strings.HasPrefix(w, "under") || strings.HasPrefix(w, "over") {
		return w
	}
	return "about " + percent(q)
}
