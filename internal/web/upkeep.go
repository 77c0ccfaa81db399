package web

import (
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

// carePage is how many rows of a list stand on one page.
const carePage = 25

// The lists of the Upkeep page.
var careLists = []struct{ code, word string }{
	{"due", "Due"}, {"plates", "Plates since cleaned"}, {"printers", "Printers since probed"}, {"holds", "Holds"}, {"away", "Plates in wash or set aside"},
}

// careQuery is what the page's address may say.
type careQuery struct {
	list, bay, only string
	person          string // whose shift; "" everybody's
	shift, walking  bool   // what comes due by the end of the shift, too; as one walks
	page            int
}

func (s *Server) getUpkeep() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "list", "bay", "only", "page", "saved", "when", "order", "person", "already"); err != nil {
			return err
		}
		q, err := readCareQuery(c)
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		v := careView{s: s, q: q, now: now, zone: frame.Settings.Zone(), end: windowEnd(frame, now)}
		p := views.UpkeepPage{Shell: withClock(s.shell(c, "Upkeep", "/upkeep"), now, v.zone), All: s.url("/upkeep/recent")}
		if p.RiskOff, err = s.riskWarning(ctx, now); err != nil {
			return err
		}
		p.DataThrough = clock(v.end, v.zone)
		p.Lead = "What the records say was done, and how long ago. Log here what you did."
		if q.list == "due" {
			p.Lead = "What to do before the next starts, because it saves more than it costs. One tap logs it done."
		}
		for _, a := range handActs {
			p.Acts = append(p.Acts, views.ActLink{Word: a.word, Href: s.url("/upkeep/" + a.slug)})
		}
		if p.Saved, err = s.savedHere(c, v.zone); err != nil {
			return err
		}
		twice, err := s.store.TwoPlaces(ctx, now, mostAsked)
		if err != nil {
			return err
		}
		p.Ask = s.asksWhich(twice, "")
		switch q.list {
		case "due":
			err = s.dueList(c, q, frame, now, &p)
		case "plates":
			var list []store.PlateCare
			if list, err = s.store.PlatesCare(ctx, v.end); err == nil {
				p.List, p.Filters = v.plates(list)
			}
		case "away": // what was done to them is not asked for
			var spots []store.Spot
			spots, err = s.store.Spots(ctx, v.now)
			list := make([]store.PlateCare, 0, len(spots))
			for _, x := range spots {
				if !x.Retired {
					list = append(list, store.PlateCare{Spot: x})
				}
			}
			p.List, p.Filters = v.plates(list)
		case "printers":
			var list []store.PrinterCare
			window := time.Duration(frame.Settings.Number("start_window_minutes") * float64(time.Minute))
			if list, err = s.store.PrintersCare(ctx, v.end, window); err == nil {
				p.List, p.Filters = v.printers(list)
			}
		case "holds":
			p.List, err = s.holdList(c, &v)
			p.Filters = []views.FilterRow{v.listFilter()}
		}
		if err != nil {
			return err
		}
		acts, err := s.store.HandActs(ctx, false, 0, recentShown)
		if err != nil {
			return err
		}
		for i := range acts {
			p.Recent = append(p.Recent, s.recentEntry(&acts[i], identity(c), v.zone))
		}
		return render(c, http.StatusOK, views.Upkeep(p))
	}
}

func readCareQuery(c echo.Context) (careQuery, error) {
	q := careQuery{list: c.QueryParam("list"), bay: c.QueryParam("bay"), only: c.QueryParam("only"), page: 1}
	if q.list == "" {
		q.list = "due"
	}
	known := false
	for _, l := range careLists {
		known = known || l.code == q.list
	}
	only := map[string][]string{"due": {""}, "plates": {"", "on", "off", "no_record"}, "printers": {"", "changed", "no_record"}, "holds": {""}, "away": {"", "in_wash", "set_aside"}}[q.list]
	switch {
	case !known:
		return q, badRequest(fault.Problem{Column: "list", Found: q.list, Expected: "due, plates, printers, holds or away"})
	case !slices.Contains(only, q.only):
		return q, badRequest(fault.Problem{Column: "only", Found: q.only, Expected: "one of the page's own filters"})
	}
	q.person = c.QueryParam("person")
	switch when, order := c.QueryParam("when"), c.QueryParam("order"); {
	case q.list != "due" && (when != "" || order != "" || q.person != ""):
		return q, badRequest(fault.Problem{Column: "list", Found: q.list, Expected: "due, where when, order or person is given"})
	case when != "" && when != "now" && when != "shift":
		return q, badRequest(fault.Problem{Column: "when", Found: when, Expected: "now or shift"})
	case order != "" && order != "saves" && order != "walking":
		return q, badRequest(fault.Problem{Column: "order", Found: order, Expected: "saves or walking"})
	default:
		q.shift, q.walking = when == "shift", order == "walking"
	}
	if text := c.QueryParam("page"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 10_000 {
			return q, badRequest(fault.Problem{Column: "page", Found: text, Expected: "a page from 1"})
		}
		q.page = n
	}
	return q, nil
}

// careView turns lists of care into what is shown of them.
type careView struct {
	s    *Server
	q    careQuery
	now  time.Time
	end  time.Time // where the records end
	zone *time.Location
}

func (v *careView) link(q careQuery) string {
	p := v.params(q)
	if len(p) == 0 {
		return v.s.url("/upkeep")
	}
	return v.s.url("/upkeep?" + p.Encode())
}

func (v *careView) params(q careQuery) url.Values {
	p := url.Values{}
	if q.shift {
		p.Set("when", "shift")
	}
	if q.walking {
		p.Set("order", "walking")
	}
	if q.person != "" {
		p.Set("person", q.person)
	}
	if q.list != "due" {
		p.Set("list", q.list)
	}
	if q.bay != "" {
		p.Set("bay", q.bay)
	}
	if q.only != "" {
		p.Set("only", q.only)
	}
	if q.page > 1 {
		p.Set("page", strconv.Itoa(q.page))
	}
	return p
}

func (v *careView) listFilter() views.FilterRow {
	row := views.FilterRow{Label: "Show"}
	for _, l := range careLists {
		row.Links = append(row.Links, views.FilterLink{Word: l.word, Href: v.link(careQuery{list: l.code}), Current: v.q.list == l.code})
	}
	return row
}

// onlyFilter narrows by what the list knows; counts are within the bay.
func (v *careView) onlyFilter(label string, codes, words []string, counts map[string]int) views.FilterRow {
	row := views.FilterRow{Label: label}
	for i, code := range codes {
		if code != "" && counts[code] == 0 && v.q.only != code {
			continue
		}
		row.Links = append(row.Links, views.FilterLink{Word: words[i], Count: count(counts[code]), Href: v.link(careQuery{list: v.q.list, bay: v.q.bay, only: code}), Current: v.q.only == code})
	}
	return row
}

// at is the list of a bay, "" all, from its first page.
func (v *careView) at(bay string) string {
	q := v.q
	q.bay, q.page = bay, 1
	return v.link(q)
}

func (v *careView) bayFilter(counts map[string]int) []views.FilterRow {
	names := make([]string, 0, len(counts))
	for b := range counts {
		if b != "" {
			names = append(names, b)
		}
	}
	if len(names) < 2 && v.q.bay == "" {
		return nil
	}
	sort.Slice(names, func(i, j int) bool { return naturalLess(names[i], names[j]) })
	row := views.FilterRow{Label: "Bay", Links: []views.FilterLink{{Word: "All", Href: v.at(""), Current: v.q.bay == ""}}}
	for _, b := range names {
		row.Links = append(row.Links, views.FilterLink{Word: b, Count: count(counts[b]), Href: v.at(b), Current: v.q.bay == b})
	}
	return []views.FilterRow{row}
}

// cut gives the rows of the page asked for and leads to its neighbours.
func cut[T any](v *careView, l *views.CareList, list []T) []T { return cutBy(v, l, list, carePage) }

func cutBy[T any](v *careView, l *views.CareList, list []T, most int) []T {
	total := len(list)
	from := min((v.q.page-1)*most, total)
	to := min(from+most, total)
	l.Count = count(total)
	if total > most {
		l.Count = count(from+1) + " to " + count(to) + " of " + count(total)
	}
	q := v.q
	if v.q.page > 1 {
		q.page = v.q.page - 1
		l.Pager.Newer = v.link(q)
	}
	if to < total {
		q.page = v.q.page + 1
		l.Pager.Older = v.link(q)
	}
	return list[from:to]
}

// plateFits tells whether a plate belongs to a part of the list.
func plateFits(p *store.PlateCare, only string) bool {
	switch only {
	case "on":
		return p.Printer != ""
	case "off":
		return p.Printer == ""
	case "no_record":
		return p.SinceClean == nil
	case "in_wash", "set_aside":
		return p.State == only
	}
	return true
}

func (v *careView) plates(all []store.PlateCare) (views.CareList, []views.FilterRow) {
	away := v.q.list == "away"
	counts, bays := map[string]int{}, map[string]int{}
	codes, words, label := []string{"", "on", "off", "no_record"}, []string{"All", "On a printer", "Not on one", "No record of a cleaning"}, "Plates"
	if away {
		codes, words = []string{"", "in_wash", "set_aside"}, []string{"All", "In wash", "Set aside"}
	}
	var list []store.PlateCare
	for i := range all {
		p := &all[i]
		if (p.State == "in_use") == away || p.State == "retired" {
			continue
		}
		if plateFits(p, v.q.only) {
			bays[p.Bay]++
		}
		if v.q.bay != "" && p.Bay != v.q.bay {
			continue
		}
		for _, code := range codes {
			if plateFits(p, code) {
				counts[code]++
			}
		}
		if plateFits(p, v.q.only) {
			list = append(list, *p)
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return plateBefore(&list[i], &list[j], away) })
	filters := []views.FilterRow{v.listFilter(), v.onlyFilter(label, codes, words, counts)}
	if !away {
		filters = append(filters, v.bayFilter(bays)...)
	}
	l := views.CareList{Title: "Plates by prints since they were cleaned", Sub: "Most prints first; plates without a record of a cleaning come last. Counted are starts on any printer, up to " + clock(v.end, v.zone) + ".",
		Columns: []views.Column{{Word: "Plate"}, {Word: "Prints since", Number: true}, {Word: "Cleaned"}, {Word: "Where", Wide: true}}}
	if away {
		l.Title, l.Sub = "Plates in wash or set aside", "The longest away first."
		l.Columns = []views.Column{{Word: "Plate"}, {Word: "Since"}, {Word: "Why"}}
		l.Choose = []views.ActLink{{Word: "Log where they are", Href: v.s.url("/upkeep/state")}, {Word: "Log their cleaning", Href: v.s.url("/upkeep/clean")}}
	} else {
		l.Choose = []views.ActLink{{Word: "Log their cleaning", Href: v.s.url("/upkeep/clean")}, {Word: "Log where they go", Href: v.s.url("/upkeep/state")}}
	}
	shown := cut(v, &l, list)
	for i := range shown {
		l.Rows = append(l.Rows, v.plateRow(&shown[i], away))
	}
	if len(shown) == 0 {
		l.Choose = nil
		l.Empty = "No plate fits these filters."
		switch {
		case len(all) == 0:
			l.Empty = "Plates appear here once they are in the farm. Import plates.csv, or add them in Setup."
		case away && v.q.only == "":
			l.Empty = "No plate is in wash or set aside."
		}
	}
	return l, filters
}

func plateBefore(a, b *store.PlateCare, away bool) bool {
	switch {
	case away && a.StateAt != nil && b.StateAt != nil && !a.StateAt.Equal(*b.StateAt):
		return a.StateAt.Before(*b.StateAt)
	case !away && (a.SinceClean == nil) != (b.SinceClean == nil):
		return a.SinceClean != nil
	case !away && a.SinceClean != nil && *a.SinceClean != *b.SinceClean:
		return *a.SinceClean > *b.SinceClean
	}
	return naturalLess(a.Plate, b.Plate)
}

func (v *careView) plateRow(p *store.PlateCare, away bool) views.CareRow {
	r := views.CareRow{Kind: "plate", Tag: p.Plate, Act: views.ActLink{Word: "Cleaning", Href: v.s.url("/upkeep/clean?plate=" + url.QueryEscape(p.Plate))}}
	if p.HeldAt != nil {
		r.State = printerStates["hold"]
	}
	head := views.Cell{Text: p.Plate, Href: v.s.url("/plates/" + url.PathEscape(p.Plate)), Note: wordFor(surfaceWords, p.Surface)}
	if away {
		r.State = plateStateStates[p.State]
		r.Act = views.ActLink{Word: "Back", Href: v.s.url("/upkeep/state?plate=" + url.QueryEscape(p.Plate))}
		r.Cells = []views.Cell{head, {Text: ago(*p.StateAt, v.now), Note: clock(*p.StateAt, v.zone)}, {Text: orNoRecord(p.StateReason)}}
		return r
	}
	since, cleaned := "no record", views.Cell{Text: "no record"}
	if p.SinceClean != nil {
		since = count(*p.SinceClean)
	}
	if p.LastCleaned != nil {
		cleaned = views.Cell{Text: wordFor(methodWords, p.Method) + " " + ago(*p.LastCleaned, v.now), Note: clock(*p.LastCleaned, v.zone)}
		if p.Coated != nil {
			cleaned.Note += "; coated since"
		}
	}
	where := views.Cell{Text: spotWord(&p.Spot)}
	if p.Printer != "" {
		where.Href = v.s.url("/printers/" + url.PathEscape(p.Printer))
	}
	r.Cells = []views.Cell{head, {Text: since}, cleaned, where}
	return r
}

func printerFits(p *store.PrinterCare, only string) bool {
	switch only {
	case "changed":
		return p.Serviced != nil || p.Swapped != nil
	case "no_record":
		return p.Since == nil
	}
	return true
}

func (v *careView) printers(all []store.PrinterCare) (views.CareList, []views.FilterRow) {
	counts, bays := map[string]int{}, map[string]int{}
	codes := []string{"", "changed", "no_record"}
	var list []store.PrinterCare
	for i := range all {
		p := &all[i]
		if printerFits(p, v.q.only) {
			bays[p.Bay]++
		}
		if v.q.bay != "" && p.Bay != v.q.bay {
			continue
		}
		for _, code := range codes {
			if printerFits(p, code) {
				counts[code]++
			}
		}
		if printerFits(p, v.q.only) {
			list = append(list, *p)
		}
	}
	sort.SliceStable(list, func(i, j int) bool {
		a, b := &list[i], &list[j]
		switch {
		case (a.Since == nil) != (b.Since == nil):
			return a.Since != nil
		case a.Since != nil && *a.Since != *b.Since:
			return *a.Since > *b.Since
		}
		return naturalLess(a.Printer, b.Printer)
	})
	l := views.CareList{Title: "Printers by starts since their last probe", Sub: "Most starts first; printers without a record of a probe come last. Counted up to " + clock(v.end, v.zone) + "; a zero alone is no probe.",
		Columns: []views.Column{{Word: "Printer"}, {Word: "Starts since", Number: true}, {Word: "Probed"}, {Word: "Since then", Wide: true}}}
	shown := cut(v, &l, list)
	for i := range shown {
		l.Rows = append(l.Rows, v.printerRow(&shown[i]))
	}
	if len(shown) == 0 {
		l.Empty = "No printer fits these filters."
		if len(all) == 0 {
			l.Empty = "Printers appear here once they are in the farm. Import printers.csv, or add them in Setup."
		}
	}
	filters := []views.FilterRow{v.listFilter(), v.onlyFilter("Printers", codes, []string{"All", "Plate or machine changed since the probe", "No record of a probe"}, counts)}
	return l, append(filters, v.bayFilter(bays)...)
}

func (v *careView) printerRow(p *store.PrinterCare) views.CareRow {
	tag := url.QueryEscape(p.Printer)
	r := views.CareRow{Kind: "printer", Tag: p.Printer, Act: views.ActLink{Word: "Probe", Href: v.s.url("/upkeep/probe?printer=" + tag)}}
	since, probed := "no record", views.Cell{Text: "no record"}
	if p.Since != nil {
		since = count(*p.Since)
	}
	if p.LastProbe != nil {
		probed = views.Cell{Text: ago(*p.LastProbe, v.now), Note: clock(*p.LastProbe, v.zone)}
		if p.Extent == "part" {
			probed.Note += ", in part"
		}
	}
	var then []string
	if p.Swapped != nil {
		how := " seen on it "
		if p.Fitted {
			how = " fitted "
		}
		then = append(then, p.SwappedTo+how+ago(*p.Swapped, v.now))
	}
	if p.Serviced != nil {
		then = append(then, wordFor(workWords, p.Work)+" "+ago(*p.Serviced, v.now))
	}
	if len(then) > 0 {
		r.State = views.State{Code: "stale", Word: "Stale", Sign: "half", Tone: "soon"}
	}
	if p.Recorded != "all" {
		then = append(then, map[string]string{"some": "only some of its probes are recorded", "none": "its probes are not recorded"}[p.Recorded])
	}
	if len(then) == 0 {
		then = []string{"–"}
	}
	head := views.Cell{Text: p.Printer, Href: v.s.url("/printers/" + url.PathEscape(p.Printer)), Note: p.Bay}
	r.Cells = []views.Cell{head, {Text: since}, probed, {Text: strings.Join(then, "; ")}}
	return r
}

func (s *Server) holdList(c echo.Context, v *careView) (views.CareList, error) {
	holds, err := s.store.OpenHolds(c.Request().Context(), v.now)
	if err != nil {
		return views.CareList{}, err
	}
	l := views.CareList{Title: "Holds in force", Sub: "The oldest first.", Columns: []views.Column{{Word: "On hold"}, {Word: "Since"}, {Word: "Why"}, {Word: "By", Wide: true}}}
	for _, h := range cut(v, &l, holds) {
		path := "/printers/"
		if h.SubjectKind == "plate" {
			path = "/plates/"
		}
		l.Rows = append(l.Rows, views.CareRow{Kind: h.SubjectKind, Tag: h.Subject, State: printerStates["hold"],
			Act: views.ActLink{Word: "Release", Href: s.url("/upkeep/release?" + h.SubjectKind + "=" + url.QueryEscape(h.Subject))},
			Cells: []views.Cell{{Text: h.Subject, Href: s.url(path + url.PathEscape(h.Subject)), Note: h.SubjectKind}, {Text: ago(h.PlacedAt, v.now), Note: clock(h.PlacedAt, v.zone)},
				{Text: orNoRecord(h.Reason)}, {Text: orNoRecord(h.Person)}}})
	}
	if len(holds) == 0 {
		l.Empty = "No hold is in force. A printer or plate that must not be used is put on hold with its reason."
	}
	return l, nil
}
