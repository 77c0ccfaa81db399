package web

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// floorWindow is how long ago a start may be for the Floor to go by it; its
// counts cover as much.
const floorWindow = LatelyDays * 24 * time.Hour

// floorPrinters is how many printers stand on one page of the Floor.
const floorPrinters = 200

// findingsPatience is how long pages that can do without findings wait for the
// first ones after a start.
const findingsPatience = time.Second

// staleAfter is how long after the last start the Floor says that its records
// have ended.
const staleAfter = 2 * 24 * time.Hour

// floorQuery is what the Floor's address may say.
type floorQuery struct {
	bay, state string
	walking    bool
	page       int // from 1
}

func readFloorQuery(c echo.Context) (floorQuery, error) {
	q := floorQuery{bay: c.QueryParam("bay"), state: c.QueryParam("state"), page: 1}
	if err := onlyParams(c, "bay", "state", "order", "page", "saved"); err != nil {
		return q, err
	}
	if _, ok := printerStates[q.state]; q.state != "" && !ok {
		return q, badRequest(fault.Problem{Column: "state", Found: q.state, Expected: "one of " + strings.Join(printerStateOrder, ", ")})
	}
	switch order := c.QueryParam("order"); order {
	case "", "worst":
	case "walking":
		q.walking = true
	default:
		return q, badRequest(fault.Problem{Column: "order", Found: order, Expected: "worst or walking"})
	}
	if text := c.QueryParam("page"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 1_000_000 {
			return q, badRequest(fault.Problem{Column: "page", Found: text, Expected: "the number of a page, from 1"})
		}
		q.page = n
	}
	return q, nil
}

// href is the address of the Floor as asked for.
func (q floorQuery) href(s *Server) string {
	v := url.Values{}
	if q.bay != "" {
		v.Set("bay", q.bay)
	}
	if q.state != "" {
		v.Set("state", q.state)
	}
	if q.walking {
		v.Set("order", "walking")
	}
	if q.page > 1 {
		v.Set("page", strconv.Itoa(q.page))
	}
	if len(v) == 0 {
		return s.url("/floor")
	}
	return s.url("/floor") + "?" + v.Encode()
}

func (s *Server) getFloor() echo.HandlerFunc {
	return func(c echo.Context) error {
		q, err := readFloorQuery(c)
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		a := s.asks(frame, now)
		a.late = s.crowd.many() && !wantsNewest(c.Request().Header)
		stands, found, version, err := s.standsAsked(ctx, frame, a, "")
		if err != nil {
			return err
		}
		shell := withClock(s.shell(c, "Floor", "/floor"), now, frame.Settings.Zone())
		page := s.floorPage(shell, stands, q, frame, now)
		page.Live, page.Script, page.Again = s.url("/live?seen="+version.String()), s.asset("live.js"), q.href(s)
		if page.Saved, err = s.savedHere(c, frame.Settings.Zone()); err != nil {
			return err
		}
		page.Places = s.walks()
		if len(stands) == 0 {
			page.Places = nil
			page.First = s.firstSteps(c, "Every printer appears here with its next action. Add printers or import a bundle.")
		} else {
			page.Notice = findingsNotice(found, frame, now)
			if page.Looked, err = s.farmLooked(ctx, frame, a); err != nil {
				return err
			}
		}
		return render(c, http.StatusOK, views.Floor(page))
	}
}

// findingsNotice says what is missing where the findings are, or that they are
// not of now.
func findingsNotice(found *FindingList, frame store.Frame, now time.Time) string {
	switch {
	case found.Missing:
		return "Findings could not be read just now; states and next actions go by what happened last."
	case found.Working:
		return "Findings and counts are being worked out; until then states and next actions go by what happened last. Load the page again in a moment."
	case !found.AsOf.IsZero() && now.Sub(found.AsOf) > findingsOld:
		return "Findings and counts are as of " + clock(found.AsOf, frame.Settings.Zone()) + "; newer ones are being worked out."
	}
	return ""
}

// findingsOld is the age from which the Floor says of when its findings are.
const findingsOld = 15 * time.Minute

// floorPage builds the Floor.
func (s *Server) floorPage(shell views.Shell, all []stand, q floorQuery, frame store.Frame, now time.Time) views.FloorPage {
	p := views.FloorPage{Shell: shell}
	end := windowEnd(frame, now)
	zone := frame.Settings.Zone()
	p.DataThrough = clock(end, zone)
	if len(all) == 0 {
		p.Lead = "No printers yet."
		return p
	}
	p.Lead = floorLead(all)
	if end.Before(now) {
		p.Lead += fmt.Sprintf(" Records end %s, %s.", clock(end, zone), ago(end, now))
	}
	s.floorFilters(&p, all, q)
	var shown []*stand
	for i := range all {
		if x := &all[i]; (q.bay == "" || x.row.Bay == q.bay) && (q.state == "" || x.state == q.state) {
			shown = append(shown, x)
		}
	}
	p.Showing = q.sentence(len(shown))
	if q.bay != "" || q.state != "" {
		p.Clear = floorQuery{walking: q.walking}.href(s)
	}
	if len(shown) == 0 {
		p.Empty = "No printer fits these filters."
		return p
	}
	if q.walking {
		sort.SliceStable(shown, func(i, j int) bool { return walkingLess(&shown[i].row, &shown[j].row) })
	} else {
		worstFirst(shown)
	}
	shown = s.floorCut(&p, shown, q)
	p.Groups = s.groups(shown, func(x *stand) string {
		switch {
		case q.walking && x.row.Bay == "":
			return "No bay"
		case q.walking:
			return x.row.Bay
		case needs(x.state):
			return "Needs someone"
		}
		return printerStates[x.state].Word
	})
	p.Sub = fmt.Sprintf("Counts are failures of graded first layers in the %d days up to %s.", LatelyDays, clock(end, zone))
	return p
}

// sentence says what is shown.
func (q floorQuery) sentence(n int) string {
	what := counted(n, "printer", "printers")
	if q.state != "" {
		what += ", state " + printerStates[q.state].Word
	}
	if q.bay != "" {
		what += ", in " + q.bay
	}
	if q.walking {
		return what + ", in walking order"
	}
	return what + ", worst expected loss first"
}

// floorCut keeps the printers of one page, and links to the others.
func (s *Server) floorCut(p *views.FloorPage, shown []*stand, q floorQuery) []*stand {
	pages := (len(shown) + floorPrinters - 1) / floorPrinters
	if pages == 1 {
		return shown
	}
	q.page = min(q.page, pages)
	from := (q.page - 1) * floorPrinters
	to := min(from+floorPrinters, len(shown))
	p.Cut = fmt.Sprintf("%s to %s of %s", count(from+1), count(to), counted(len(shown), "printer", "printers"))
	for n := 1; n <= pages; n++ {
		at := q
		at.page = n
		p.Pages = append(p.Pages, views.FilterLink{Word: count(n), Href: at.href(s), Current: n == q.page})
	}
	return shown[from:to]
}

func floorLead(all []stand) string {
	need, inService := 0, 0
	for i := range all {
		if needs(all[i].state) {
			need++
		}
		if all[i].state != "retired" {
			inService++
		}
	}
	switch need {
	case 0:
		return fmt.Sprintf("Nothing needs anyone: %s in service.", counted(inService, "printer", "printers"))
	case 1:
		return fmt.Sprintf("1 of %s needs someone.", counted(inService, "printer", "printers"))
	default:
		return fmt.Sprintf("%s of %s need someone.", count(need), counted(inService, "printer", "printers"))
	}
}

// baysAsLinks is up to how many bays are links; more are a choice of one.
const baysAsLinks = 8

// floorFilters are links, and a form where there are many bays: every choice
// keeps the others and begins at the first page.
func (s *Server) floorFilters(p *views.FloorPage, all []stand, q floorQuery) {
	q.page = 1
	with := func(change func(*floorQuery)) string {
		at := q
		change(&at)
		return at.href(s)
	}
	byState, byBay := map[string]int{}, map[string]int{}
	for i := range all {
		x := &all[i]
		if q.bay == "" || x.row.Bay == q.bay {
			byState[x.state]++
		}
		if x.row.Bay != "" {
			byBay[x.row.Bay]++
		}
	}
	states := views.FilterRow{Label: "State", Links: []views.FilterLink{{Word: "All", Href: with(func(q *floorQuery) { q.state = "" }), Current: q.state == ""}}}
	for _, code := range printerStateOrder {
		if byState[code] > 0 || q.state == code {
			states.Links = append(states.Links, views.FilterLink{Word: printerStates[code].Word, Count: count(byState[code]),
				Href: with(func(q *floorQuery) { q.state = code }), Current: q.state == code})
		}
	}
	p.Filters = []views.FilterRow{states}
	if len(byBay) > 1 || q.bay != "" {
		names := slices.Collect(maps.Keys(byBay))
		sort.Slice(names, func(i, j int) bool { return naturalLess(names[i], names[j]) })
		if len(names) <= baysAsLinks {
			bays := views.FilterRow{Label: "Bay", Links: []views.FilterLink{{Word: "All", Href: with(func(q *floorQuery) { q.bay = "" }), Current: q.bay == ""}}}
			for _, b := range names {
				bays.Links = append(bays.Links, views.FilterLink{Word: b, Count: count(byBay[b]), Href: with(func(q *floorQuery) { q.bay = b }), Current: q.bay == b})
			}
			p.Filters = append(p.Filters, bays)
		} else {
			p.Bays = bayChoice(s.url("/floor"), names, byBay, q)
		}
	}
	p.Filters = append(p.Filters, views.FilterRow{Label: "Order", Links: []views.FilterLink{
		{Word: "Worst first", Href: with(func(q *floorQuery) { q.walking = false }), Current: !q.walking},
		{Word: "Walking order", Href: with(func(q *floorQuery) { q.walking = true }), Current: q.walking},
	}})
}

// bayChoice is the form in which one of many bays is chosen.
func bayChoice(action string, names []string, byBay map[string]int, q floorQuery) *views.Choice {
	ch := &views.Choice{Action: action, Label: "Bay", Name: "bay", ID: "floor-bay", Options: []views.Option{{Value: "", Word: "All bays", Chosen: q.bay == ""}}}
	for _, b := range names {
		ch.Options = append(ch.Options, views.Option{Value: b, Word: b + " (" + count(byBay[b]) + ")", Chosen: q.bay == b})
	}
	if q.bay != "" && byBay[q.bay] == 0 {
		ch.Options = append(ch.Options, views.Option{Value: q.bay, Word: q.bay + " (0)", Chosen: true})
	}
	if q.state != "" {
		ch.Kept = append(ch.Kept, views.Option{Word: "state", Value: q.state})
	}
	if q.walking {
		ch.Kept = append(ch.Kept, views.Option{Word: "order", Value: "walking"})
	}
	return ch
}

// groups cuts an ordered list where its heading changes. Within a group, what
// needs someone is told in full, and the rest is small.
func (s *Server) groups(list []*stand, heading func(*stand) string) []views.FloorGroup {
	var out []views.FloorGroup
	for _, x := range list {
		title := heading(x)
		if len(out) == 0 || out[len(out)-1].Title != title {
			out = append(out, views.FloorGroup{ID: "group-" + strconv.Itoa(len(out)+1), Title: title})
		}
		g := &out[len(out)-1]
		if row := s.floorRow(x); needs(x.state) {
			g.Rows = append(g.Rows, row)
		} else {
			g.Calm = append(g.Calm, row)
		}
	}
	for i := range out {
		out[i].Count = counted(len(out[i].Rows)+len(out[i].Calm), "printer", "printers")
	}
	return out
}

func (s *Server) floorRow(x *stand) views.FloorRow {
	f := &x.row
	tag := url.PathEscape(f.Printer)
	r := views.FloorRow{
		Tag: f.Printer, Href: s.url("/printers/" + tag), Bay: f.Bay, Plate: f.Plate,
		State: printerStates[x.state], Why: x.why, Next: x.next,
	}
	if x.log != "" {
		r.NextHref = s.url(x.log)
	}
	for _, l := range x.drawn {
		r.Drawn = append(r.Drawn, l.Says)
	}
	if x.state != "retired" {
		r.Grade = s.url("/grade/" + tag)
	}
	if f.Plate != "" {
		r.PlateHref = s.url("/plates/" + url.PathEscape(f.Plate))
		r.PlateNote = "no record of a cleaning"
		if f.SinceClean != nil {
			r.PlateNote = cleanedWords(f.CleanMethod, *f.SinceClean)
		}
	}
	if f.SinceProbe != nil {
		r.Probe = "probed " + counted(*f.SinceProbe, "start", "starts") + " ago"
		if *f.SinceProbe == 0 {
			r.Probe = "probed since the last start"
		}
	}
	if n := x.lately; n.Started > 0 {
		r.Figures = count(n.Failures) + " of " + count(n.Graded) + " failed; " + count(n.Graded) + " of " + count(n.Started) + " graded"
		if n.Graded == 0 {
			r.Figures = coverage(n.Graded, n.Started)
		}
		if x.ofPlate {
			r.Figures = f.Printer + ": " + r.Figures
		}
	}
	return r
}

// cleanedWords says how a plate was cleaned and how many prints ago.
func cleanedWords(method string, prints int) string {
	word := strings.ToLower(wordFor(methodWords, method))
	if prints == 0 {
		return word + ", not used since"
	}
	return word + " " + counted(prints, "print", "prints") + " ago"
}
