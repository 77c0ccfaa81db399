package web

import (
	"fmt"
	"net/http"
	"net/url"
	"sort"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

const (
	waitingRead  = 20_000 // starts read at most: a day of a thousand printers
	waitingPage  = 60     // printers on one page
	waitingEach  = 6      // starts shown of one printer
	gradesRecent = 8
)

// getGrade lists the starts that wait to be graded: by printer in walking order,
// the oldest first.
func (s *Server) getGrade() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "printer", "bay", "page", "saved"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone, end := frame.Settings.Zone(), windowEnd(frame, now)
		p := views.GradeListPage{Shell: withClock(s.shell(c, "Grade", "/grade"), now, zone), Find: s.url("/grade"), Typed: c.QueryParam("printer"), Scan: s.scan()}
		p.DataThrough, p.Ends, p.Places = clock(end, zone), s.url("/outcomes"), s.walks()
		names, err := s.store.ThingNames(ctx, farm.KindPrinter, everInUse, 100_000)
		if err != nil {
			return err
		}
		if p.Typed != "" {
			book := newTagBook(names)
			tag, several := book.find(p.Typed)
			if tag != "" {
				return c.Redirect(http.StatusSeeOther, s.url("/grade/"+url.PathEscape(tag)))
			}
			p.Problem = book.refuses(p.Typed, "printer", several)
		}
		if len(names) <= mostSuggested {
			p.Suggest = names
		}
		page := 1
		if text := c.QueryParam("page"); text != "" {
			if page, err = strconv.Atoi(text); err != nil || page < 1 || page > 10_000 {
				return badRequest(fault.Problem{Column: "page", Found: text, Expected: "a page from 1"})
			}
		}
		list, err := s.store.WaitingStarts(ctx, end.Add(-gradeWithin), end, waitingRead)
		if err != nil {
			return err
		}
		s.waiting(&p, list, c.QueryParam("bay"), page, end, zone)
		if err := s.heldRows(ctx, &p, now); err != nil {
			return err
		}
		if p.Saved, err = s.saved(c, zone); err != nil {
			return err
		}
		if p.Hint, err = s.practiceHint(c); err != nil {
			return err
		}
		acts, err := s.store.HandActs(ctx, true, 0, gradesRecent)
		if err != nil {
			return err
		}
		for i := range acts {
			p.Recent = append(p.Recent, s.recentEntry(&acts[i], identity(c), zone))
		}
		status := http.StatusOK
		if p.Problem != "" {
			status = http.StatusUnprocessableEntity
		}
		return render(c, status, views.GradeList(p))
	}
}

// waiting lays the waiting starts out.
func (s *Server) waiting(p *views.GradeListPage, list []store.WaitingStart, bay string, page int, end time.Time, zone *time.Location) {
	bays := map[string]int{}
	at := map[string]int{}
	var printers [][]store.WaitingStart
	total := 0
	for _, x := range list {
		bays[x.Bay]++
		if bay != "" && x.Bay != bay {
			continue
		}
		total++
		i, ok := at[x.Printer]
		if !ok {
			i = len(printers)
			at[x.Printer] = i
			printers = append(printers, nil)
		}
		printers[i] = append(printers[i], x)
	}
	sort.SliceStable(printers, func(i, j int) bool {
		a, b := printers[i][0], printers[j][0]
		return walkingLess(&store.FloorPrinter{Printer: a.Printer, Bay: a.Bay}, &store.FloorPrinter{Printer: b.Printer, Bay: b.Bay})
	})
	p.Lead = "From the printer’s page or the Floor, a good layer is two taps."
	if total == 0 {
		p.Empty = "No start of the last 24 hours waits to be graded. Starts appear here as they are recorded; a layer nobody recorded is graded by its printer above."
	} else {
		p.Lead = fmt.Sprintf("%s on %s, started in the 24 hours up to %s. %s", counted(total, "start waits", "starts wait"), counted(len(printers), "printer", "printers"), clock(end, zone), p.Lead)
	}
	link := func(bay string, page int) string {
		v := url.Values{}
		if bay != "" {
			v.Set("bay", bay)
		}
		if page > 1 {
			v.Set("page", strconv.Itoa(page))
		}
		if len(v) == 0 {
			return s.url("/grade")
		}
		return s.url("/grade?" + v.Encode())
	}
	if len(bays) > 1 || bay != "" {
		var names []string
		for b := range bays {
			if b != "" {
				names = append(names, b)
			}
		}
		sort.Slice(names, func(i, j int) bool { return naturalLess(names[i], names[j]) })
		row := views.FilterRow{Label: "Bay", Links: []views.FilterLink{{Word: "All", Href: link("", 1), Current: bay == ""}}}
		for _, b := range names {
			row.Links = append(row.Links, views.FilterLink{Word: b, Count: count(bays[b]), Href: link(b, 1), Current: b == bay})
		}
		p.Filters = []views.FilterRow{row}
	}
	from := min((page-1)*waitingPage, len(printers))
	to := min(from+waitingPage, len(printers))
	if page > 1 {
		p.Pager.Newer = link(bay, page-1)
	}
	if to < len(printers) {
		p.Pager.Older = link(bay, page+1)
		p.Left = fmt.Sprintf("Printers %s to %s of %s.", count(from+1), count(to), count(len(printers)))
	}
	p.Pager.Plain = true
	for _, starts := range printers[from:to] {
		title := orCode(starts[0].Bay, "No bay")
		if n := len(p.Groups); n == 0 || p.Groups[n-1].Title != title {
			p.Groups = append(p.Groups, views.WaitingGroup{ID: "bay-" + strconv.Itoa(n+1), Title: title})
		}
		row := views.WaitingRow{Printer: starts[0].Printer}
		for i, x := range starts {
			if i == waitingEach {
				break // the rest is on the printer's own form
			}
			w := views.WaitingLink{Href: s.gradeHref(x.Printer, x.ID.String()), When: x.StartedAt.In(zone).Format("15:04"), ISO: iso(x.StartedAt), Ago: ago(x.StartedAt, end)}
			var with []string
			if x.Plate != "" {
				row.Plates = append(row.Plates, x.Plate)
				with = append(with, x.Plate)
			}
			w.With = joinWords(append(with, x.Material))
			row.Starts = append(row.Starts, w)
		}
		g := &p.Groups[len(p.Groups)-1]
		g.Rows = append(g.Rows, row)
	}
}
