package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

var findingStateOrder = []string{"raised", "watching", "quiet", "too_little_data"}

// findingsQuery is what the address of the list may say.
type findingsQuery struct {
	state, kind, cause, bay string
	caseIs                  string // where the case stands; "" any
	page                    int    // from 1; only with a state
}

func (s *Server) getFindings() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "state", "kind", "cause", "bay", "case", "page"); err != nil {
			return err
		}
		q := findingsQuery{state: c.QueryParam("state"), kind: c.QueryParam("kind"), cause: c.QueryParam("cause"), bay: c.QueryParam("bay"), caseIs: c.QueryParam("case"), page: 1}
		for _, x := range []struct {
			name, value string
			list        []string
		}{
			{"state", q.state, findingStateOrder}, {"kind", q.kind, []string{"printer", "plate"}}, {"cause", q.cause, []string{"skipped_probing", "cleaning_gap"}}, {"case", q.caseIs, farm.CaseSteps},
		} {
			if x.value != "" && !slices.Contains(x.list, x.value) {
				return badRequest(fault.Problem{Column: x.name, Found: x.value, Expected: "one of " + strings.Join(x.list, ", ")})
			}
		}
		if text := c.QueryParam("page"); text != "" {
			n, err := strconv.Atoi(text)
			if err != nil || n < 1 || n > 1e6 || q.state == "" {
				return badRequest(fault.Problem{Column: "page", Found: text, Expected: "a whole number from 1, together with state"})
			}
			q.page = n
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		latest := s.cfg.Findings.Latest
		if f, ok := s.cfg.Findings.(FreshFindings); ok {
			latest = f.Fresh
		}
		list, err := latest(ctx, now, frame.Version)
		if err != nil {
			return err
		}
		bays, err := s.store.Bays(ctx, now, q.bay != "")
		if err != nil {
			return err
		}
		said, err := s.store.Disagreements(ctx, now)
		if err != nil {
			return err
		}
		shell := withClock(s.shell(c, "Findings", "/findings"), now, frame.Settings.Zone())
		shell.DataThrough = clock(list.To, frame.Settings.Zone())
		page := s.findingsPage(shell, list, q, bays, said)
		page.Reports = s.reportLinks(c, act{"Reports", "/reports", "/reports", false}, act{"This week", "/reports/weeks/:week", "/reports/weeks/" + weekName(windowEnd(frame, now), frame.Settings.Zone()), false})
		if len(list.Items) == 0 && list.FirstLayers == 0 {
			page.First, page.Empty = s.firstSteps(c, page.Empty+" Add printers or import a bundle."), ""
		}
		if page.RiskOff, err = s.riskWarning(ctx, now); err != nil {
			return err
		}
		page.More = s.links([]act{{"How alike we grade", "/agreement", "/agreement", false}, {"Risk: said and happened", "/risk", "/risk", false}})
		return render(c, http.StatusOK, views.Findings(page))
	}
}

// findingsPage builds the list: by evidence, then by failures that could have
// been avoided.
func (s *Server) findingsPage(shell views.Shell, list *FindingList, q findingsQuery, bays store.Bays, said []*farm.Disagreement) views.FindingsPage {
	p := views.FindingsPage{Shell: shell, Lead: findingsLead(list)}
	if len(list.Items) == 0 {
		p.Empty = "Findings appear here once first layers with grades are recorded. A printer needs about 100 graded layers before anything can be said."
		return p
	}
	p.Sub = fmt.Sprintf("Window up to %s: %s of %s failed; %s. Most avoidable failures first. “Goes with” is what the records show; only what a lot decided can show a cause.",
		shell.DataThrough, count(list.Failures), counted(list.Graded, "graded first layer", "graded first layers"), coverage(list.Graded, list.FirstLayers))
	s.findingsFilters(&p, list, q, bays)
	var shown []Finding
	for _, f := range list.Items {
		if (q.state == "" || f.State == q.state) && q.fits(&f, bays) {
			shown = append(shown, f)
		}
	}
	if len(shown) == 0 {
		p.Empty = "No finding fits these filters."
	}
	sortFindings(shown)
	total := len(shown)
	if q.state != "" {
		from := min((q.page-1)*findingRows, total)
		shown = shown[from:min(from+findingRows, total)]
		p.Pager = s.findingsPager(q, total)
		if total > 0 && len(shown) == 0 {
			p.Empty = "There is no such page of this list."
		}
	}
	against := map[[3]string][]*farm.Disagreement{}
	for _, d := range said {
		key := [3]string{d.SubjectKind, d.Subject, d.Cause}
		against[key] = append(against[key], d)
	}
	for _, f := range shown {
		title := evidenceStates[f.State].Word
		if len(p.Groups) == 0 || p.Groups[len(p.Groups)-1].Title != title {
			p.Groups = append(p.Groups, views.FindingGroup{ID: "group-" + f.State, Title: title})
		}
		g := &p.Groups[len(p.Groups)-1]
		row := s.findingRow(f)
		row.Disagree = disagreeWords(against[[3]string{f.Kind, f.Subject, f.Cause}])
		g.Rows = append(g.Rows, row)
	}
	for i := range p.Groups {
		g := &p.Groups[i]
		n, state := len(g.Rows), g.Rows[0].State.Code
		g.Count = counted(n, "finding", "findings")
		if most := groupRows[state]; q.state == "" && n > most {
			g.Rows = g.Rows[:most]
			more := q
			more.state = state
			g.More, g.MoreHref = fmt.Sprintf("Show all %s", count(n)), s.findingsHref(more)
			g.Count += fmt.Sprintf(", the first %d shown", most)
		}
		if q.state != "" && total > n {
			first := (q.page-1)*findingRows + 1
			g.Count = fmt.Sprintf("%s to %s of %s findings", count(first), count(first+n-1), count(total))
		}
	}
	return p
}

// findingRows is how many findings of one state stand on a page; groupRows is
// how many of each state are shown when all states are.
const findingRows = 50

var groupRows = map[string]int{"raised": findingRows, "watching": 20, "quiet": 10, "too_little_data": 10}

// fits tells whether a finding passes the filters other than its state. A plate
// is in the bay of the printer it was seen on last.
func (q *findingsQuery) fits(f *Finding, bays store.Bays) bool {
	if q.caseIs != "" && f.Case != q.caseIs || q.kind != "" && f.Kind != q.kind || q.cause != "" && f.Cause != q.cause {
		return false
	}
	return q.bay == "" || f.Kind == "printer" && bays.Printers[f.Subject] == q.bay || f.Kind == "plate" && bays.Plates[f.Subject] == q.bay
}

func (s *Server) findingsPager(q findingsQuery, total int) views.Pager {
	p := views.Pager{Plain: true}
	at := func(page int) string { q.page = page; return s.findingsHref(q) }
	now := q.page
	if now > 1 {
		p.First, p.Newer = at(1), at(now-1)
	}
	if now*findingRows < total {
		p.Older = at(now + 1)
	}
	return p
}

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

// findingsFilters are links, and a form where there are many bays: every choice
// keeps the others and begins at the first page.
func (s *Server) findingsFilters(p *views.FindingsPage, list *FindingList, q findingsQuery, bays store.Bays) {
	byState := map[string]int{}
	for _, f := range list.Items {
		if q.fits(&f, bays) {
			byState[f.State]++
		}
	}
	link := func(word, n string, current bool, set func(*findingsQuery)) views.FilterLink {
		to := q
		to.page = 1
		set(&to)
		return views.FilterLink{Word: word, Count: n, Href: s.findingsHref(to), Current: current}
	}
	state := views.FilterRow{Label: "Evidence", Links: []views.FilterLink{link("All", "", q.state == "", func(q *findingsQuery) { q.state = "" })}}
	for _, code := range findingStateOrder {
		state.Links = append(state.Links, link(evidenceStates[code].Word, count(byState[code]), q.state == code, func(q *findingsQuery) { q.state = code }))
	}
	kind := views.FilterRow{Label: "Thing"}
	for _, x := range [][2]string{{"", "All"}, {"printer", "Printers"}, {"plate", "Plates"}} {
		kind.Links = append(kind.Links, link(x[1], "", q.kind == x[0], func(q *findingsQuery) { q.kind = x[0] }))
	}
	cause := views.FilterRow{Label: "Goes with"}
	for _, x := range [][2]string{{"", "All"}, {"skipped_probing", "Skipped probing"}, {"cleaning_gap", "Long cleaning gaps"}} {
		cause.Links = append(cause.Links, link(x[1], "", q.cause == x[0], func(q *findingsQuery) { q.cause = x[0] }))
	}
	about := views.FilterRow{Label: "Case", Links: []views.FilterLink{link("All", "", q.caseIs == "", func(q *findingsQuery) { q.caseIs = "" })}}
	byCase := map[string]int{}
	for _, f := range list.Items {
		byCase[f.Case]++
	}
	for _, code := range farm.CaseSteps {
		if byCase[code] > 0 || q.caseIs == code {
			about.Links = append(about.Links, link(wordFor(caseWords, code), count(byCase[code]), q.caseIs == code, func(q *findingsQuery) { q.caseIs = code }))
		}
	}
	p.Filters = []views.FilterRow{state, about, kind, cause}
	names := bayNames(bays)
	switch {
	case len(names) > baysAsLinks:
		p.Bays = s.findingsBays(names, q)
	case len(names) > 1 || q.bay != "":
		row := views.FilterRow{Label: "Bay", Links: []views.FilterLink{link("All", "", q.bay == "", func(q *findingsQuery) { q.bay = "" })}}
		for _, name := range names {
			row.Links = append(row.Links, link(name, "", q.bay == name, func(q *findingsQuery) { q.bay = name }))
		}
		p.Filters = append(p.Filters, row)
	}
}

// findingsBays is the form in which one of many bays is chosen.
func (s *Server) findingsBays(names []string, q findingsQuery) *views.Choice {
	ch := &views.Choice{Action: s.url("/findings"), Label: "Bay", Name: "bay", ID: "findings-bay", Options: []views.Option{{Value: "", Word: "All bays", Chosen: q.bay == ""}}}
	if q.bay != "" && !slices.Contains(names, q.bay) {
		names = append(names, q.bay)
	}
	for _, name := range names {
		ch.Options = append(ch.Options, views.Option{Value: name, Word: name, Chosen: q.bay == name})
	}
	for _, kept := range [][2]string{{"state", q.state}, {"kind", q.kind}, {"cause", q.cause}} {
		if kept[1] != "" {
			ch.Kept = append(ch.Kept, views.Option{Word: kept[0], Value: kept[1]})
		}
	}
	return ch
}

// bayNames are the bays of printers as people count them.
func bayNames(bays store.Bays) []string {
	var names []string
	for _, bay := range bays.Printers {
		if !slices.Contains(names, bay) {
			names = append(names, bay)
		}
	}
	sort.Slice(names, func(i, j int) bool { return naturalLess(names[i], names[j]) })
	return names
}

// findingsHref is the address of the list with these filters.
func (s *Server) findingsHref(q findingsQuery) string {
	v := url.Values{}
	for name, value := range map[string]string{"state": q.state, "kind": q.kind, "cause": q.cause, "bay": q.bay, "case": q.caseIs} {
		if value != "" {
			v.Set(name, value)
		}
	}
	if q.page > 1 && q.state != "" {
		v.Set("page", strconv.Itoa(q.page))
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
		} else if n := f.Avoidable * float64(f.N) / 100; n >= 0.5 && (f.State == "raised" || f.State == "watching") {
			r.InAll = "about " + count(int(math.Round(n))) + " in the window"
		}
	}
	return r
}
