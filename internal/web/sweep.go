package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/firstlayer"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

const (
	sweepPage   = 40  // printers on one page
	sweepAtOnce = 500 // starts closed by one tap
)

// unseenWithin is how long ago a start may be to stand in the morning sweep: over a
// weekend with a day to spare.
const unseenWithin = endsWithin

// sweepAct stands for taps in the sweep where an act is wanted: it has no form of its own.
var sweepAct = handAct{slug: "sweep", title: "Morning sweep"}

// unseenPrinters gives the printers with starts that ended unseen, in walking order,
// each with how many.
func (s *Server) unseenPrinters(ctx context.Context, end time.Time) (list []store.OpenEndCount, starts int, err error) {
	if list, err = s.store.UnseenCounts(ctx, end.Add(-unseenWithin), end); err != nil {
		return nil, 0, err
	}
	sort.Slice(list, func(i, j int) bool {
		return walkingLess(&store.FloorPrinter{Printer: list[i].Printer, Bay: list[i].Bay}, &store.FloorPrinter{Printer: list[j].Printer, Bay: list[j].Bay})
	})
	for _, n := range list {
		starts += n.Starts
	}
	return list, starts, nil
}

// getSweep lists the starts that ended unseen, by printer in walking order.
func (s *Server) getSweep() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "page", "saved", "already"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		page, err := pageParam(c)
		if err != nil {
			return err
		}
		zone, end := frame.Settings.Zone(), windowEnd(frame, now)
		printers, starts, err := s.unseenPrinters(ctx, end)
		if err != nil {
			return err
		}
		id, err := uuid.NewV7AtTime(now)
		if err != nil {
			return err
		}
		p := views.SweepPage{Shell: withClock(s.shell(c, sweepAct.title, "/grade"), now, zone), Action: s.url("/sweep"), Nights: s.url("/sweep/nights"),
			Hidden: []views.Fact{{Word: "id", Value: id.String()}, {Word: "page", Value: strconv.Itoa(page)}}, Notice: sweptAlready(c.QueryParam("already"))}
		p.DataThrough = clock(end, zone)
		says := firstlayer.FarmOf(frame.Settings, nil)
		p.Caution = says.Caution(firstlayer.Hot)
		if starts == 0 {
			p.Lead = "Starts whose first layer nobody saw stand here once their print is over."
			p.Empty = "Of the three days up to " + clock(end, zone) + " no start ended unseen."
		} else {
			p.Lead = fmt.Sprintf("%s on %s ended with nobody having seen the first layer, in the three days up to %s. Look at the underside as the part comes off.",
				counted(starts, "start", "starts"), counted(len(printers), "printer", "printers"), clock(end, zone))
		}
		from := min((page-1)*sweepPage, len(printers))
		to := min(from+sweepPage, len(printers))
		shown := make([]string, 0, to-from)
		for _, x := range printers[from:to] {
			shown = append(shown, x.Printer)
		}
		list, err := s.store.UnseenStarts(ctx, end.Add(-unseenWithin), end, shown)
		if err != nil {
			return err
		}
		s.sweepRows(&p, list, shown, now, zone)
		link := func(n int) string { return s.url(sweepAddress(n)) }
		p.Pager.Plain = true
		if page > 1 {
			p.Pager.Newer = link(page - 1)
		}
		if to < len(printers) {
			p.Pager.Older = link(page + 1)
		}
		if from > 0 || to < len(printers) {
			p.Left = fmt.Sprintf("Printers %s to %s of %s, in walking order.", count(from+1), count(to), count(len(printers)))
		}
		if p.Saved, err = s.savedHere(c, zone); err != nil {
			return err
		}
		return render(c, http.StatusOK, views.Sweep(p))
	}
}

// sweepAddress is the sweep's address without the base path.
func sweepAddress(page int) string {
	if page < 2 {
		return "/sweep"
	}
	return "/sweep?page=" + strconv.Itoa(page)
}

// pageParam reads the number of a page, 1 without one.
func pageParam(c echo.Context) (int, error) {
	text := c.QueryParam("page")
	if text == "" {
		return 1, nil
	}
	page, err := strconv.Atoi(text)
	if err != nil || page < 1 || page > 10_000 {
		return 0, badRequest(fault.Problem{Column: "page", Found: text, Expected: "a page from 1"})
	}
	return page, nil
}

// sweepRows lays the starts of a page's printers out: the last one's part may lie
// there still, those before it were taken off.
func (s *Server) sweepRows(p *views.SweepPage, list []store.Unseen, printers []string, now time.Time, zone *time.Location) {
	by := map[string][]store.Unseen{}
	for _, x := range list {
		by[x.Printer] = append(by[x.Printer], x)
	}
	for _, tag := range printers {
		starts := by[tag]
		if len(starts) == 0 {
			continue // closed between the two readings
		}
		last := starts[len(starts)-1]
		title := orCode(last.Bay, "No bay")
		if n := len(p.Groups); n == 0 || p.Groups[n-1].Title != title {
			p.Groups = append(p.Groups, views.SweepGroup{ID: "bay-" + strconv.Itoa(n+1), Title: title})
		}
		g := &p.Groups[len(p.Groups)-1]
		row := views.SweepRow{Printer: tag, Href: s.url("/printers/" + url.PathEscape(tag))}
		if !last.Followed {
			row.ID, row.When, row.ISO = last.ID.String(), dayClock(last.At, now, zone), iso(last.At)
			row.Held, row.Gone = "held "+last.ID.String()+" "+tag, "unseen "+last.ID.String()+" "+tag
			row.Other = s.gradeUnderside(tag, last.ID.String())
			row.With = joinWords([]string{last.Plate, last.Material, last.Job})
			row.Runs = "over by its job’s hours"
			if !last.Timed {
				row.Runs = "may still run: how long it takes is not recorded"
			}
			starts = starts[:len(starts)-1]
		}
		var ids []string
		for _, x := range starts {
			ids = append(ids, x.ID.String())
			row.Earlier = append(row.Earlier, views.Link{Word: dayClock(x.At, now, zone), Href: s.gradeUnderside(tag, x.ID.String())})
		}
		if len(ids) > 0 {
			row.Close, row.CloseWord = "unseen "+strings.Join(ids, ",")+" "+tag, "Close as not seen"
			if len(ids) > 1 {
				row.CloseWord = "Close " + count(len(ids)) + " as not seen"
			}
			g.Close += len(ids)
		}
		g.Rows = append(g.Rows, row)
	}
	for i := range p.Groups {
		if g := &p.Groups[i]; g.Close > 1 {
			var tags []string
			for _, r := range g.Rows {
				if r.Close != "" {
					tags = append(tags, r.Printer)
				}
			}
			g.CloseAll, g.CloseWord = "taken-off "+strings.Join(tags, "|"), "Close "+count(g.Close)+" in "+g.Title+" as not seen"
		}
	}
}

// dayClock says a time of the last day by the clock alone.
func dayClock(t, now time.Time, zone *time.Location) string {
	if now.Sub(t) < 18*time.Hour {
		return t.In(zone).Format("15:04")
	}
	return clock(t, zone)
}

// gradeUnderside is where a start is graded by the underside of its part; saving comes
// back to the sweep.
func (s *Server) gradeUnderside(printer, start string) string {
	return s.gradeHref(printer, start) + "&seen=underside&next=" + url.QueryEscape("/sweep")
}

// sweepTap is one tap: what is said of which starts of which printers. ids nil is
// every start of them whose part was taken off.
type sweepTap struct {
	fields   map[string]string
	ids      []uuid.UUID
	printers []string
}

func readSweepTap(text string) (t sweepTap, err error) {
	bad := badRequest(fault.Problem{Column: "do", Found: text, Expected: "a tap of the list, as its own form sends it"})
	verb, rest, ok := strings.Cut(text, " ")
	ids := ""
	if verb == "held" || verb == "unseen" {
		ids, rest, _ = strings.Cut(rest, " ")
		for _, one := range strings.Split(ids, ",") {
			id, err := uuid.FromString(one)
			if err != nil {
				return t, bad
			}
			t.ids = append(t.ids, id)
		}
		t.printers = []string{rest}
	} else {
		t.printers = strings.Split(rest, "|")
	}
	switch {
	case !ok, rest == "", len(t.ids) > sweepAtOnce, len(t.printers) > sweepPage, verb == "held" && len(t.ids) != 1:
		return t, bad
	case verb == "held":
		t.fields = map[string]string{"grade": "clean", "seen_from": "underside", "outcome": "finished"}
	case verb == "unseen" || verb == "taken-off":
		t.fields = map[string]string{"unseen": "yes"}
	default:
		return t, bad
	}
	return t, nil
}

// postSweep closes starts by one tap: held with a clean underside, or taken off
// before anybody looked. What somebody said of them meanwhile stays.
func (s *Server) postSweep() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "id", "page", "do")
		if err != nil {
			return err
		}
		id, err := uuid.FromString(form["id"])
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: form["id"], Expected: "the form's own number: open the list again"})
		}
		tap, err := readSweepTap(form["do"])
		if err != nil {
			return err
		}
		page, _ := strconv.Atoi(form["page"])
		h, err := s.newHand(c, &sweepAct, url.Values{}, id)
		if err != nil {
			return err
		}
		h.when, h.person = h.opened(), h.who.Handle
		frame, err := s.store.Frame(h.ctx, h.now)
		if err != nil {
			return err
		}
		end := windowEnd(frame, h.now)
		open, err := s.store.UnseenStarts(h.ctx, end.Add(-unseenWithin), end, tap.printers)
		if err != nil {
			return err
		}
		var records []handRecord
		left := slices.Clone(tap.ids)
		for _, x := range open {
			i := slices.Index(left, x.ID)
			switch {
			case i >= 0:
				left = slices.Delete(left, i, i+1)
			case tap.ids != nil || !x.Followed || x.At.After(h.when) || len(records) == sweepAtOnce:
				continue
			}
			records = append(records, h.closing(&x, tap.fields))
		}
		back := sweepAddress(page)
		var already []string
		if len(left) > 0 || len(records) == 0 {
			already = tap.printers
		}
		if len(records) == 0 {
			return c.Redirect(http.StatusSeeOther, s.url(withAlready(back, already, "")))
		}
		act, saved, err := h.save(records, "")
		switch {
		case err != nil:
			return err
		case !saved && len(h.page.Problems) > 0 && h.page.Problems[0].Field == "": // somebody was quicker in this very moment
			return c.Redirect(http.StatusSeeOther, s.url(withAlready(back, tap.printers, "")))
		case !saved:
			return fault.New(fault.Invalid, "Nothing was recorded. %s", h.page.Problems[0].Words)
		}
		return c.Redirect(http.StatusSeeOther, s.url(withSaved(withAlready(back, already, ""), strconv.FormatInt(act, 10))))
	}
}

// closing fills a start in; whoever taps is the grader where it is graded.
func (h *hand) closing(x *store.Unseen, said map[string]string) handRecord {
	f := map[string]string{"printer": x.Printer, "started_at": intake.Stamp(x.At)}
	for k, v := range said {
		f[k] = v
	}
	if f["grade"] != "" {
		f["grader"], f["graded_at"] = h.person, stamp(h.when)
		if h.when.Before(x.At) {
			f["graded_at"] = f["started_at"]
		}
	}
	return handRecord{kind: farm.KindFirstLayer, id: x.ID, fields: f, about: x.Printer}
}

func sweptAlready(text string) string {
	if text == "" {
		return ""
	}
	return "Said already, since this list was opened: " + strings.Join(strings.Fields(text), ", ") + ". What was recorded first stays; nothing was recorded twice."
}

// walks are the ways to go through first layers, as far as their pages are there.
func (s *Server) walks() []views.Link {
	return s.links([]act{{"Look now", "/round", "/round", false}, {"Morning sweep", "/sweep", "/sweep", false}, {"Handover", "/handover", "/handover", false}, {"Grade again, blind", "/regrade", "/regrade", false}, {"Practice", "/practice", "/practice", false}})
}

// heldRows says at each printer that waits that it, or a plate of its starts, is on
// hold.
func (s *Server) heldRows(ctx context.Context, p *views.GradeListPage, now time.Time) error {
	holds, err := s.store.OpenHolds(ctx, now)
	if err != nil {
		return err
	}
	printers := map[string]string{}
	for _, x := range holds {
		if x.SubjectKind == "printer" {
			printers[x.Subject] = "Do not start jobs" + withReason(x.Reason)
		}
	}
	for i := range p.Groups {
		for j := range p.Groups[i].Rows {
			r := &p.Groups[i].Rows[j]
			r.Held = printers[r.Printer]
			for _, x := range holds {
				if x.SubjectKind == "plate" && r.Held == "" && slices.Contains(r.Plates, x.Subject) {
					r.Held = "Plate " + x.Subject + withReason(x.Reason)
				}
			}
		}
	}
	return nil
}
