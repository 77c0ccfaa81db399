package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strings"

	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

var findingStateOrder = []string{"raised", "watching", "quiet", "too_little_data"}

// findingsQuery is what the address of the list may say.
type findingsQuery struct{ state, kind, cause string }

func (s *Server) getFindings() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "state", "kind", "cause"); err != nil {
			return err
		}
		q := findingsQuery{c.QueryParam("state"), c.QueryParam("kind"), c.QueryParam("cause")}
		for _, x := range []struct {
			name, value string
			list        []string
		}{
			{"state", q.state, findingStateOrder}, {"kind", q.kind, []string{"printer", "plate"}}, {"cause", q.cause, []string{"skipped_probing", "cleaning_gap"}},
		} {
			if x.value != "" && !slices.Contains(x.list, x.value) {
				return badRequest(fault.Problem{Column: x.name, Found: x.value, Expected: "one of " + strings.Join(x.list, ", ")})
			}
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		list, err := s.cfg.Findings.Latest(ctx, now)
		if err != nil {
			return err
		}
		shell := withClock(s.shell(c, "Findings", "/findings"), now, frame.Settings.Zone())
		shell.DataThrough = clock(list.To, frame.Settings.Zone())
		page := s.findingsPage(shell, list, q)
		if len(list.Items) == 0 && list.FirstLayers == 0 {
			page.First, page.Empty = s.firstSteps(c, page.Empty+" Add printers or import a bundle."), ""
		}
		return render(c, http.StatusOK, views.Findings(page))
	}
}

// findingsPage builds the list: by evidence, then by failures that could have
// been avoided.
func (s *Server) findingsPage(shell views.Shell, list *FindingList, q findingsQuery) views.FindingsPage {
	p := views.FindingsPage{Shell: shell, Lead: findingsLead(list)}
	if len(list.Items) == 0 {
		p.Empty = "Findings appear here once first layers with grades are recorded. A printer needs about 100 graded layers before anything can be said."
		return p
	}
	p.Sub = fmt.Sprintf("Window up to %s: %s of %s failed; %s. “Goes with” is what the records show; only a planned test can show a cause.",
		shell.DataThrough, count(list.Failures), counted(list.Graded, "graded first layer", "graded first layers"), coverage(list.Graded, list.FirstLayers))
	p.Filters = s.findingsFilters(list, q)
	var shown []Finding
	for _, f := range list.Items {
		if (q.state == "" || f.State == q.state) && (q.kind == "" || f.Kind == q.kind) && (q.cause == "" || f.Cause == q.cause) {
			shown = append(shown, f)
		}
	}
	if len(shown) == 0 {
		p.Empty = "No finding fits these filters."
	}
	sortFindings(shown)
	for _, f := range shown {
		title := evidenceStates[f.State].Word
		if len(p.Groups) == 0 || p.Groups[len(p.Groups)-1].Title != title {
			p.Groups = append(p.Groups, views.FindingGroup{ID: "group-" + f.State, Title: title})
		}
		g := &p.Groups[len(p.Groups)-1]
		g.Rows = append(g.Rows, s.findingRow(f))
	}
	for i := range p.Groups {
		g := &p.Groups[i]
		n, state := len(g.Rows), g.Rows[0].State.Code
		g.Count = counted(n, "finding", "findings")
		if q.state == "" && (state == "quiet" || state == "too_little_data") && n > calmRows {
			g.Rows = g.Rows[:calmRows]
			g.More, g.MoreHref = fmt.Sprintf("Show all %s", count(n)), s.findingsHref(findingsQuery{state, q.kind, q.cause})
			g.Count += fmt.Sprintf(", the first %d shown", calmRows)
		}
	}
	return p
}

// calmRows is how many findings that ask for nothing are shown unless asked for.
const calmRows = 10

func findingsLead(list *FindingList) string {
	raised := 0
	for _, f := range list.Items {
		if f.State == "raised" {
			raised++
		}
	}
	switch {
	case len(list.Items) == 0:
		return "Nothing to weigh yet."
	case raised == 0:
		return "Nothing raised: no machine's failures go with skipped probing or long cleaning gaps beyond chance."
	default:
		return fmt.Sprintf("%s raised of %s asked.", count(raised), counted(len(list.Items), "question", "questions"))
	}
}

// sortFindings: worst evidence first, then most failures avoidable over the
// window, then by subject.
func sortFindings(list []Finding) {
	avoidable := func(f *Finding) float64 {
		if math.IsNaN(f.Avoidable) {
			return 0
		}
		return f.Avoidable * float64(f.N) / 100
	}
	sort.SliceStable(list, func(i, j int) bool {
		a, b := &list[i], &list[j]
		if x, y := slices.Index(findingStateOrder, a.State), slices.Index(findingStateOrder, b.State); x != y {
			return x < y
		}
		if x, y := avoidable(a), avoidable(b); x != y {
			return x > y
		}
		if a.Subject != b.Subject {
			return naturalLess(a.Subject, b.Subject)
		}
		return a.Cause > b.Cause
	})
}

func (s *Server) findingsFilters(list *FindingList, q findingsQuery) []views.FilterRow {
	link := s.findingsHref
	byState := map[string]int{}
	for _, f := range list.Items {
		if (q.kind == "" || f.Kind == q.kind) && (q.cause == "" || f.Cause == q.cause) {
			byState[f.State]++
		}
	}
	state := views.FilterRow{Label: "Evidence", Links: []views.FilterLink{{Word: "All", Href: link(findingsQuery{"", q.kind, q.cause}), Current: q.state == ""}}}
	for _, code := range findingStateOrder {
		state.Links = append(state.Links, views.FilterLink{Word: evidenceStates[code].Word, Count: count(byState[code]), Href: link(findingsQuery{code, q.kind, q.cause}), Current: q.state == code})
	}
	kind := views.FilterRow{Label: "Thing", Links: []views.FilterLink{
		{Word: "All", Href: link(findingsQuery{q.state, "", q.cause}), Current: q.kind == ""},
		{Word: "Printers", Href: link(findingsQuery{q.state, "printer", q.cause}), Current: q.kind == "printer"},
		{Word: "Plates", Href: link(findingsQuery{q.state, "plate", q.cause}), Current: q.kind == "plate"},
	}}
	cause := views.FilterRow{Label: "Goes with", Links: []views.FilterLink{
		{Word: "All", Href: link(findingsQuery{q.state, q.kind, ""}), Current: q.cause == ""},
		{Word: "Skipped probing", Href: link(findingsQuery{q.state, q.kind, "skipped_probing"}), Current: q.cause == "skipped_probing"},
		{Word: "Long cleaning gaps", Href: link(findingsQuery{q.state, q.kind, "cleaning_gap"}), Current: q.cause == "cleaning_gap"},
	}}
	return []views.FilterRow{state, kind, cause}
}

// findingsHref is the address of the list with these filters.
func (s *Server) findingsHref(q findingsQuery) string {
	v := url.Values{}
	for name, value := range map[string]string{"state": q.state, "kind": q.kind, "cause": q.cause} {
		if value != "" {
			v.Set(name, value)
		}
	}
	if len(v) == 0 {
		return s.url("/findings")
	}
	return s.url("/findings") + "?" + v.Encode()
}

func (s *Server) findingHref(kind, subject, cause string) string {
	return s.url("/findings/" + kind + "/" + url.PathEscape(subject) + "/" + cause)
}

func (s *Server) findingRow(f Finding) views.FindingRow {
	r := views.FindingRow{
		Kind: f.Kind, Subject: f.Subject, Href: s.findingHref(f.Kind, f.Subject, f.Cause),
		Cause: f.Cause, CauseWord: wordFor(causeWords, f.Cause), State: stateFor(evidenceStates, f.State),
		Case: wordFor(caseWords, f.Case), Summary: f.Summary,
		Counts: count(f.Failures) + " of " + count(f.N),
	}
	if !math.IsNaN(f.Avoidable) {
		r.Avoidable = perHundredRange(f.Avoidable, f.AvoidableLow, f.AvoidableHigh)
		if f.AvoidableHigh <= 0 {
			r.Avoidable = "none" // the figures stand on the evidence page
		}
	}
	return r
}
