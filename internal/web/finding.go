package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"sort"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/stats"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

func (s *Server) getFinding() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		kind, cause := c.Param("kind"), c.Param("cause")
		tag, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		if kind != "printer" && kind != "plate" || cause != "skipped_probing" && cause != "cleaning_gap" || kind == "plate" && cause == "skipped_probing" {
			return fault.New(fault.NotFound, "There is no such question: printers are asked about skipped_probing and cleaning_gap, plates about cleaning_gap.")
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		e, err := s.cfg.Findings.Evidence(ctx, kind, tag, cause, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		shell := withClock(s.shell(c, findingTitle(e), "/findings"), now, zone)
		shell.DataThrough = clock(e.To, zone)
		return render(c, http.StatusOK, views.Finding(s.findingPage(shell, e, zone)))
	}
}

// findingTitle says what is asked or answered, as a sentence without an end.
func findingTitle(e *Evidence) string {
	cause := wordFor(causeWords, e.Cause)
	switch {
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
		p.Compare = probeTable(e)
		p.CompareBy = "Compared are “probed, nothing since” and “no probe since the last start”. Layers probed and then swapped or serviced stand by themselves."
	} else {
		p.Compare = gapTable(e)
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

// adviceFor says what to do about a finding, why, how sure, and what would
// settle it.
func adviceFor(e *Evidence) views.Advice {
	probing := e.Cause == "skipped_probing"
	a := views.Advice{Because: exposedWords(e)}
	switch {
	case e.State == "raised" && probing:
		a.Tone, a.Do = "act", "Probe "+e.Subject+" before every start."
	case e.State == "raised" && e.Kind == "plate":
		a.Tone, a.Do = "act", fmt.Sprintf("Wash plate %s before it reaches %s prints.", e.Subject, figure(math.Floor(e.GapSplit)+1))
	case e.State == "raised":
		a.Tone, a.Do = "act", fmt.Sprintf("On %s, use plates washed at most %s prints ago.", e.Subject, figure(e.GapSplit))
	case e.Reverse && probing:
		a.Tone, a.Do = "soon", "Look at the probe and the nozzle tip of "+e.Subject+"."
		a.Because = "its failures go with probing, not with leaving it out."
	case e.Reverse:
		a.Tone, a.Do = "soon", "Look at rinse, cloth and release layer of "+e.Subject+"."
		a.Because = "its failures go with fresh cleaning, not with long gaps."
	case e.State == "watching" && probing:
		a.Tone, a.Do = "soon", "Keep an eye on "+e.Subject+" and record every probe and every skip."
	case e.State == "watching":
		a.Tone, a.Do = "soon", "Keep an eye on "+e.Subject+" and record every cleaning."
	case e.State == "too_little_data":
		a.Do, a.Because = "Grade more layers of "+e.Subject+".", ""
		if e.Settle != "" {
			a.Change = e.Settle + "."
		}
		a.Sure = "cannot tell."
		return a
	default:
		a.Do = "Leave it. Nothing here asks for more " + map[bool]string{true: "probing", false: "cleaning"}[probing] + "."
	}
	a.Sure = sureWords(e)
	if e.State == "raised" {
		a.Change = "a test: for the next starts, a lot decides which get a washed plate."
		if probing {
			a.Change = "a test: for the next starts, a lot decides which are probed."
		}
	}
	return a
}

// sureWords: the chance that this is no false alarm, in the fixed words, with
// the interval of what could be avoided.
func sureWords(e *Evidence) string {
	word := "cannot tell"
	switch {
	case math.IsNaN(e.Q):
	case e.Q <= 0.05:
		word = "clear"
	case e.Q <= 0.20:
		word = "likely"
	case e.Q <= 0.50:
		word = "may be"
	}
	if math.IsNaN(e.Avoidable) {
		return word + "."
	}
	if e.AvoidableHigh <= 0 {
		return word + ". Avoidable: none seen."
	}
	return fmt.Sprintf("%s. Avoidable: %s of 100 layers.", word, perHundredRange(e.Avoidable, e.AvoidableLow, e.AvoidableHigh))
}

func exposedWords(e *Evidence) string {
	rest, restFailed := e.N-e.NExposed, e.Failures-e.FailuresExposed
	for _, c := range e.Cells {
		if c.Code == "void" {
			rest, restFailed = rest-c.Graded, restFailed-c.Failures
		}
	}
	with, without := "without a probe", "with one"
	if e.Cause == "cleaning_gap" {
		with, without = "after more than "+figure(e.GapSplit)+" prints", "after "+figure(e.GapSplit)+" or fewer"
	}
	return fmt.Sprintf("%s of %s layers failed %s, %s of %s %s.", count(e.FailuresExposed), count(e.NExposed), with, count(restFailed), count(rest), without)
}

var probeCellWords = map[string]string{
	"valid": "Probed, nothing since", "skipped": "No probe since the last start",
	"void": "Probed, then swapped or serviced", "unknown": "No record",
}

func probeTable(e *Evidence) views.Table {
	t := views.Table{Caption: "Failed first layers by probe", Sub: tableSub(e), Columns: countColumns("Probe")}
	for _, c := range e.Cells {
		t.Rows = append(t.Rows, countRow(wordFor(probeCellWords, c.Code), c))
	}
	return t
}

func gapTable(e *Evidence) views.Table {
	t := views.Table{Caption: "Failed first layers by prints since the plate was cleaned", Sub: tableSub(e), Columns: countColumns("Prints since cleaned")}
	for _, c := range e.Cells {
		word := fmt.Sprintf("%d to %d", c.Low, c.High)
		switch {
		case c.Code == "unknown":
			word = "No record"
		case c.High < 0:
			word = fmt.Sprintf("%d and more", c.Low)
		case c.High == c.Low:
			word = fmt.Sprintf("%d", c.Low)
		}
		t.Rows = append(t.Rows, countRow(word, c))
	}
	return t
}

func tableSub(e *Evidence) string {
	return fmt.Sprintf("%s, %s", e.Subject, coverage(e.Graded, e.Starts))
}

func countColumns(first string) []views.Column {
	return []views.Column{{Word: first}, {Word: "Failed", Number: true, Wide: true}, {Word: "Good", Number: true, Wide: true}, {Word: "Failed of graded, likely range"}, {Word: "Graded of started"}}
}

func countRow(word string, c EvidenceCell) views.Row {
	w := stats.Wilson(c.Failures, c.Graded, 0.95)
	of, how := rateWords(c.Failures, c.Graded, w.Low, w.High)
	return views.Row{Cells: []views.Cell{{Text: word}, {Text: count(c.Failures)}, {Text: count(c.Graded - c.Failures)},
		{Text: of, Note: how}, {Text: count(c.Graded) + " of " + count(c.Started)}}}
}

func estimateTable(e *Evidence) views.Table {
	if math.IsNaN(e.Plain) && math.IsNaN(e.Avoidable) {
		return views.Table{}
	}
	what := "without a probe minus with a valid one"
	if e.Cause == "cleaning_gap" {
		what = "long gaps minus short ones"
	}
	t := views.Table{Caption: "Failures per 100 layers", Sub: "likely range in brackets", Columns: []views.Column{{Word: "Figure"}, {Word: "Plain, as counted", Number: true}, {Word: "Adjusted", Number: true}}}
	t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: "Difference, " + what}, {Text: perHundredRange(e.Plain, e.PlainLow, e.PlainHigh)}, {Text: "–"}}})
	t.Rows = append(t.Rows, views.Row{Strong: true, Cells: []views.Cell{{Text: "Avoidable of all its layers"}, {Text: plainAvoidable(e)}, {Text: perHundredRange(e.Avoidable, e.AvoidableLow, e.AvoidableHigh)}}})
	if !math.IsNaN(e.OddsRatio) {
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: oddsWords(e.Cause)}, {Text: "–"}, {Text: rangeWords(e.OddsRatio, e.OddsLow, e.OddsHigh)}}})
	}
	return t
}

func oddsWords(cause string) string {
	if cause == "cleaning_gap" {
		return "Odds of failing, times, for each doubling of the gap"
	}
	return "Odds of failing without a probe, times"
}

// plainAvoidable is the plain difference spread over all layers compared.
func plainAvoidable(e *Evidence) string {
	if math.IsNaN(e.Plain) || e.N == 0 {
		return "–"
	}
	return perHundred(e.Plain * float64(e.NExposed) / float64(e.N))
}

// marksTable lists marks among failures beside the same marks among good
// layers, most frequent among failures first.
func marksTable(e *Evidence) (views.Table, string) {
	if len(e.Marks) == 0 {
		return views.Table{}, ""
	}
	list := append([]MarkCount(nil), e.Marks...)
	sort.SliceStable(list, func(i, j int) bool { return list[i].Failed > list[j].Failed })
	t := views.Table{
		Caption: "Layers that show each mark",
		Sub:     fmt.Sprintf("%s and %s", counted(e.FailedLayers, "failed layer", "failed layers"), counted(e.GoodLayers, "good layer", "good layers")),
		Columns: []views.Column{{Word: "Mark"}, {Word: "Of failed", Number: true}, {Word: "Of good", Number: true}},
	}
	for _, m := range list {
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: wordFor(markWords, m.Mark)},
			{Text: count(m.Failed) + " of " + count(e.FailedLayers)}, {Text: count(m.Good) + " of " + count(e.GoodLayers)}}})
	}
	line := "Over- and under-squish point at height: probe or tram. Blobs, dragged lines and contamination point at grip: clean."
	return t, line
}

// tagParam gives the tag or id in an address as the sender meant it: they may
// hold characters that are escaped there. What cannot be one is not found.
func tagParam(c echo.Context, name string) (string, error) {
	v := c.Param(name)
	if c.Request().URL.RawPath != "" {
		if plain, err := url.PathUnescape(v); err == nil {
			v = plain
		}
	}
	if !farm.ValidKey(v, 64) {
		return "", fault.New(fault.NotFound, "There is no page at this address.")
	}
	return v, nil
}
