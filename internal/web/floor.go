package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// floorWindow is what the Floor's counts cover.
const floorWindow = 14 * 24 * time.Hour

// staleAfter is how long after the last start the Floor says that its records
// have ended.
const staleAfter = 2 * 24 * time.Hour

// floorQuery is what the Floor's address may say.
type floorQuery struct {
	bay, state string
	walking    bool
}

func (s *Server) getFloor() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "bay", "state", "order"); err != nil {
			return err
		}
		q := floorQuery{bay: c.QueryParam("bay"), state: c.QueryParam("state"), walking: c.QueryParam("order") == "walking"}
		if _, ok := printerStates[q.state]; q.state != "" && !ok {
			return badRequest(fault.Problem{Column: "state", Found: q.state, Expected: "one of " + strings.Join(printerStateOrder, ", ")})
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		stands, missing, err := s.stands(ctx, frame, now, "")
		if err != nil {
			return err
		}
		shell := withClock(s.shell(c, "Floor", "/floor"), now, frame.Settings.Zone())
		page := s.floorPage(shell, stands, q, frame, now)
		if len(stands) == 0 {
			page.First = s.firstSteps(c, "Every printer appears here with its next action. Add printers or import a bundle.")
		}
		if missing {
			page.Lead += " Findings could not be read just now."
		}
		return render(c, http.StatusOK, views.Floor(page))
	}
}

// stands reads and judges every printer (or one) as of now; missing tells that
// the findings could not be had.
func (s *Server) stands(ctx context.Context, frame store.Frame, now time.Time, printer string) (out []stand, missing bool, err error) {
	end := windowEnd(frame, now)
	window := time.Duration(frame.Settings.Number("start_window_minutes") * float64(time.Minute))
	u, known := s.usual.get(now)
	if !known && printer != "" {
		// One printer is compared with the others, so all are read once.
		if _, _, err := s.stands(ctx, frame, now, ""); err != nil {
			return nil, false, err
		}
		u, _ = s.usual.get(now)
	}
	list, err := s.store.Floor(ctx, end.Add(-floorWindow), end, window, printer)
	if err != nil {
		return nil, false, err
	}
	found, err := s.latestFindings(ctx, now)
	if err != nil {
		return nil, false, err
	}
	if printer == "" {
		u = usualOf(list, found.GapSplit)
		s.usual.set(u, now)
	}
	by := map[[2]string][]Finding{}
	for _, f := range found.Items {
		key := [2]string{f.Kind, f.Subject}
		by[key] = append(by[key], f)
	}
	out = make([]stand, 0, len(list))
	for _, f := range list {
		about := slices.Clone(by[[2]string{"printer", f.Printer}])
		if f.Plate != "" {
			about = append(about, by[[2]string{"plate", f.Plate}]...)
		}
		out = append(out, standOf(f, about, u, end))
	}
	return out, found.Missing, nil
}

// latestFindings gives the findings, or none when they cannot be had just now:
// the Floor goes on without them, and says so.
func (s *Server) latestFindings(ctx context.Context, now time.Time) (*FindingList, error) {
	found, err := s.cfg.Findings.Latest(ctx, now)
	if fault.Is(err, fault.Busy) {
		s.log.WarnContext(ctx, "findings not read", "error", err.Error())
		return &FindingList{Missing: true, GapSplit: math.NaN()}, nil
	}
	return found, err
}

// usualKept is how long what is usual on the farm is remembered between
// readings of the whole Floor.
const usualKept = 10 * time.Minute

// usualMemory remembers what is usual, for pages about one printer.
type usualMemory struct {
	mu    sync.Mutex
	value usually
	at    time.Time
}

func (m *usualMemory) get(now time.Time) (usually, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.value, !m.at.IsZero() && now.Sub(m.at) < usualKept
}

func (m *usualMemory) set(u usually, now time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.value, m.at = u, now
}

// windowEnd is where the records end: the latest start, or now while records
// keep coming.
func windowEnd(frame store.Frame, now time.Time) time.Time {
	if frame.LatestStart.IsZero() || now.Sub(frame.LatestStart) <= staleAfter {
		return now
	}
	return frame.LatestStart
}

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
	p.Filters = s.floorFilters(all, q)
	var shown []stand
	for _, x := range all {
		if (q.bay == "" || x.row.Bay == q.bay) && (q.state == "" || x.state == q.state) {
			shown = append(shown, x)
		}
	}
	if len(shown) == 0 {
		p.Empty = "No printer fits these filters."
	}
	if q.walking {
		sort.SliceStable(shown, func(i, j int) bool { return walkingLess(&shown[i].row, &shown[j].row) })
		p.Groups = s.groups(shown, func(x *stand) string {
			if x.row.Bay == "" {
				return "No bay"
			}
			return x.row.Bay
		})
	} else {
		worstFirst(shown)
		p.Groups = s.groups(shown, func(x *stand) string {
			if needs(x.state) {
				return "Needs someone"
			}
			return printerStates[x.state].Word
		})
	}
	p.Sub = fmt.Sprintf("Counts are failures of graded first layers in the 14 days up to %s.", clock(end, zone))
	return p
}

func floorLead(all []stand) string {
	need, inService := 0, 0
	for _, x := range all {
		if needs(x.state) {
			need++
		}
		if x.state != "retired" {
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

// floorFilters are links: every choice keeps the others.
func (s *Server) floorFilters(all []stand, q floorQuery) []views.FilterRow {
	link := func(q floorQuery) string {
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
		if len(v) == 0 {
			return s.url("/floor")
		}
		return s.url("/floor") + "?" + v.Encode()
	}
	byState, byBay := map[string]int{}, map[string]int{}
	for _, x := range all {
		if q.bay == "" || x.row.Bay == q.bay {
			byState[x.state]++
		}
		if x.row.Bay != "" {
			byBay[x.row.Bay]++
		}
	}
	states := views.FilterRow{Label: "State", Links: []views.FilterLink{{Word: "All", Href: link(floorQuery{q.bay, "", q.walking}), Current: q.state == ""}}}
	for _, code := range printerStateOrder {
		if byState[code] > 0 || q.state == code {
			states.Links = append(states.Links, views.FilterLink{Word: printerStates[code].Word, Count: count(byState[code]),
				Href: link(floorQuery{q.bay, code, q.walking}), Current: q.state == code})
		}
	}
	rows := []views.FilterRow{states}
	if len(byBay) > 1 || q.bay != "" {
		names := make([]string, 0, len(byBay))
		for b := range byBay {
			names = append(names, b)
		}
		sort.Slice(names, func(i, j int) bool { return naturalLess(names[i], names[j]) })
		bays := views.FilterRow{Label: "Bay", Links: []views.FilterLink{{Word: "All", Href: link(floorQuery{"", q.state, q.walking}), Current: q.bay == ""}}}
		for _, b := range names {
			bays.Links = append(bays.Links, views.FilterLink{Word: b, Count: count(byBay[b]), Href: link(floorQuery{b, q.state, q.walking}), Current: q.bay == b})
		}
		rows = append(rows, bays)
	}
	return append(rows, views.FilterRow{Label: "Order", Links: []views.FilterLink{
		{Word: "Worst first", Href: link(floorQuery{q.bay, q.state, false}), Current: !q.walking},
		{Word: "Walking order", Href: link(floorQuery{q.bay, q.state, true}), Current: q.walking},
	}})
}

// groups cuts an ordered list where its heading changes.
func (s *Server) groups(list []stand, heading func(*stand) string) []views.FloorGroup {
	var out []views.FloorGroup
	for i := range list {
		x := &list[i]
		title := heading(x)
		if len(out) == 0 || out[len(out)-1].Title != title {
			out = append(out, views.FloorGroup{ID: fmt.Sprintf("group-%d", len(out)+1), Title: title})
		}
		g := &out[len(out)-1]
		g.Rows = append(g.Rows, s.floorRow(x))
	}
	for i := range out {
		out[i].Count = counted(len(out[i].Rows), "printer", "printers")
	}
	return out
}

func (s *Server) floorRow(x *stand) views.FloorRow {
	f := x.row
	r := views.FloorRow{
		Tag: f.Printer, Href: s.url("/printers/" + url.PathEscape(f.Printer)), Bay: f.Bay, Plate: f.Plate,
		State: printerStates[x.state], Why: x.why, Next: x.next, Calm: !needs(x.state),
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
	if f.Started > 0 {
		r.Figures = fmt.Sprintf("%s of %s failed; %s of %s graded", count(f.Failures), count(f.Graded), count(f.Graded), count(f.Started))
		if f.Graded == 0 {
			r.Figures = coverage(f.Graded, f.Started)
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

// onlyParams refuses parameters nobody knows, by name, and ones given twice.
func onlyParams(c echo.Context, names ...string) error {
	for name, values := range c.QueryParams() {
		if !slices.Contains(names, name) || len(values) > 1 {
			expected := "no parameters"
			if len(names) > 0 {
				expected = "at most once each of " + strings.Join(names, ", ")
			}
			return badRequest(fault.Problem{Column: name, Found: name, Expected: expected})
		}
	}
	return nil
}

// orNaN turns an absent number into NaN.
func orNaN(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}
