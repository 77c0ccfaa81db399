package web

import (
	"context"
	"fmt"
	"math"
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
	roundRow   = 24 // of the bay of the next one that can be ticked at once
	roundLater = 40 // others that are listed
	roundSays  = 3  // bays the lead speaks of
)

// roundAct stands for taps of a round where an act is wanted.
var roundAct = handAct{slug: "round", title: "Look now"}

// looks are the running first layers of a round, in its order.
type looks struct {
	now    time.Time
	layers []store.RunningLayer
	times  []firstlayer.Look
	order  []int
	bays   map[string]int // layers of each that are not covered
}

// looksNow reads the running first layers and puts them in the order of a round.
func (s *Server) looksNow(ctx context.Context, now time.Time) (*looks, error) {
	list, err := s.store.RunningLayers(ctx, now)
	if err != nil {
		return nil, err
	}
	sort.Slice(list, func(i, j int) bool {
		return walkingLess(&store.FloorPrinter{Printer: list[i].Printer, Bay: list[i].Bay}, &store.FloorPrinter{Printer: list[j].Printer, Bay: list[j].Bay})
	})
	var jobs []string
	for i := range list {
		if x := &list[i]; x.Minutes == nil && x.Job != "" && !slices.Contains(jobs, x.Job) {
			jobs = append(jobs, x.Job)
		}
	}
	earlier, err := s.store.LookMinutes(ctx, jobs, now)
	if err != nil {
		return nil, err
	}
	l := &looks{now: now, layers: list, times: make([]firstlayer.Look, len(list)), bays: map[string]int{}}
	for i := range list {
		minutes := math.NaN()
		if list[i].Minutes != nil {
			minutes = *list[i].Minutes
		}
		l.times[i] = firstlayer.Look{Bay: list[i].Bay, Walk: i, Times: firstlayer.TimesOf(list[i].At, minutes, earlier[list[i].Job])}
	}
	l.order = firstlayer.Round(l.times, now)
	for _, i := range l.order {
		l.bays[list[i].Bay]++
	}
	return l, nil
}

// lead says where to go and by when: "3 layers down in Bay 2 in 4 min."
func (l *looks) lead() string {
	var bays []string
	for _, i := range l.order {
		if !slices.Contains(bays, l.layers[i].Bay) {
			bays = append(bays, l.layers[i].Bay)
		}
	}
	var says []string
	for _, bay := range bays {
		var of []firstlayer.Look
		for _, i := range l.order {
			if l.layers[i].Bay == bay {
				of = append(of, l.times[i])
			}
		}
		n, by := firstlayer.DownSoon(of, l.now)
		if n == 0 || len(says) == roundSays {
			continue
		}
		when := " now"
		if by.After(l.now) {
			when = " in " + duration(by.Sub(l.now)+time.Minute-1)
		}
		says = append(says, counted(n, "layer", "layers")+" down in "+orCode(bay, "no bay")+when)
	}
	if len(says) == 0 {
		return ""
	}
	return sentence(strings.Join(says, "; "))
}

// timesWords says when a layer is down and covered.
func timesWords(x *store.RunningLayer, t firstlayer.LookTimes, now time.Time, zone *time.Location) (when, how string) {
	at := func(t time.Time) string { return t.In(zone).Format("15:04") }
	minutes := func(d time.Duration) string { return duration(d + time.Minute - 1) }
	switch t.State(now) {
	case firstlayer.LookPrinting:
		when = "down in " + minutes(t.Down.Sub(now)) + ", at " + at(t.Down) + "; covered at " + at(t.Covered)
	case firstlayer.LookDown:
		when = "down since " + at(t.Down) + "; covered in " + minutes(t.Covered.Sub(now)) + ", at " + at(t.Covered)
	default:
		return "not known when it is down", "the job does not say how long its first layer takes, and too few of its starts were looked at while they printed"
	}
	if x.Sent {
		when += ", at the earliest"
		how = "the start is when the job was sent"
	}
	if t.Earlier > 0 {
		how = joinWords([]string{how, "learned from " + counted(t.Earlier, "earlier start", "earlier starts") + " of the job"})
	}
	return when, how
}

// getRound shows the next layer to look at, those beside it, and what comes.
func (s *Server) getRound() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "bay", "after", "saved", "already"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		listed := listUsed(frame)
		if listed {
			s.drawNow(ctx)
		}
		l, err := s.looksNow(ctx, now)
		if err != nil {
			return err
		}
		if listed {
			l.listFirst()
		}
		done, err := s.lookDone(ctx, frame, now)
		if err != nil {
			return err
		}
		id, err := uuid.NewV7AtTime(now)
		if err != nil {
			return err
		}
		bay, skipped := c.QueryParam("bay"), c.QueryParam("after")
		p := views.RoundPage{Shell: withClock(s.shell(c, roundAct.title, "/grade"), now, zone), Action: s.url("/round"), Notice: roundAlready(c.QueryParam("already")),
			Hidden: []views.Fact{{Word: "id", Value: id.String()}, {Word: "bay", Value: bay}}, Lead: l.lead(), Done: done}
		p.DataThrough = clock(windowEnd(frame, now), zone)
		p.Filters = s.roundBays(l, bay)
		s.roundRows(&p, l, bay, skipped, listed, zone)
		if p.Saved, err = s.savedHere(c, zone); err != nil {
			return err
		}
		return render(c, http.StatusOK, views.Round(p))
	}
}

// roundAddress is the round's address without the base path.
func roundAddress(bay, after string) string {
	v := url.Values{}
	if bay != "" {
		v.Set("bay", bay)
	}
	if after != "" {
		v.Set("after", after)
	}
	if len(v) == 0 {
		return "/round"
	}
	return "/round?" + v.Encode()
}

func (s *Server) roundBays(l *looks, bay string) []views.FilterRow {
	var names []string
	for b := range l.bays {
		if b != "" {
			names = append(names, b)
		}
	}
	if len(names) < 2 && bay == "" {
		return nil
	}
	sort.Slice(names, func(i, j int) bool { return naturalLess(names[i], names[j]) })
	row := views.FilterRow{Label: "Bay", Links: []views.FilterLink{{Word: "All", Href: s.url("/round"), Current: bay == ""}}}
	for _, b := range names {
		row.Links = append(row.Links, views.FilterLink{Word: b, Count: count(l.bays[b]), Href: s.url(roundAddress(b, "")), Current: b == bay})
	}
	return []views.FilterRow{row}
}

// roundRows lays the round out: the next one large, those of its bay that can be seen
// on the same walk to be ticked, the others in a list.
func (s *Server) roundRows(p *views.RoundPage, l *looks, bay, skipped string, listed bool, zone *time.Location) {
	var order []int
	for _, i := range l.order {
		if bay == "" || l.layers[i].Bay == bay {
			order = append(order, i)
		}
	}
	if len(order) == 0 {
		p.Empty = "No first layer runs that is not graded, or the next layer covers it. Running ones appear here as their starts are recorded."
		if bay != "" {
			p.Empty = "No first layer is to be looked at in " + bay + " now."
		}
		return
	}
	next := 0 // the one after those that were passed over
	if skipped != "" {
		if i := slices.IndexFunc(order, func(i int) bool { return l.layers[i].ID.String() == skipped }); i >= 0 {
			next = (i + 1) % len(order)
		}
	}
	here := roundAddress(bay, "")
	for n, i := range order {
		x := &l.layers[i]
		when, how := timesWords(x, l.times[i].Times, l.now, zone)
		row := views.RoundRow{ID: x.ID.String(), Printer: x.Printer, Href: s.url("/printers/" + url.PathEscape(x.Printer)), Bay: orCode(x.Bay, "no bay"), Value: x.ID.String() + " " + x.Printer,
			With: joinWords([]string{x.Plate, x.Material, x.Job}), When: when, How: how, State: "printing",
			Grade: s.gradeHref(x.Printer, x.ID.String()) + "&seen=above_printing&next=" + url.QueryEscape(here)}
		if x.Held != nil {
			row.Held = "Do not start jobs" + withReason(*x.Held)
		}
		if listed {
			row.Drawn, row.Why = x.Drawn, drawnWords[x.Drawn]
		}
		down := l.times[i].Times.State(l.now) == firstlayer.LookDown
		if down {
			row.State = "down"
		}
		switch {
		case n == next:
			if len(order) > 1 {
				row.Skip = s.url(roundAddress(bay, x.ID.String()))
			}
			p.Next = &row
		// With a list, one tick takes in what is on it: the others are graded by choice.
		case x.Bay == l.layers[order[next]].Bay && (!listed || onList(x.Drawn)) && l.times[i].Times.State(l.now) != firstlayer.LookPrinting && len(p.Row) < roundRow:
			p.Row = append(p.Row, row)
		case len(p.Later) < roundLater:
			p.Later = append(p.Later, row)
		default:
			p.Left++
		}
	}
	p.RowTitle = "Also in " + orCode(l.layers[order[next]].Bay, "no bay")
	if p.Left > 0 {
		p.LeftWords = "and " + counted(p.Left, "more", "more") + ", later in the round"
	}
}

// readSeen reads "ID PRINTER" of a tap or a tick.
func readSeen(text string) (id uuid.UUID, printer string, err error) {
	first, printer, _ := strings.Cut(text, " ")
	if id, err = uuid.FromString(first); err != nil || printer == "" {
		return id, "", badRequest(fault.Problem{Column: "seen", Found: text, Expected: "a layer of the round, as its own form sends it"})
	}
	return id, printer, nil
}

// postRound grades as clean layers what somebody saw: the next one, or those ticked.
func (s *Server) postRound() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := parseForm(c)
		if err != nil {
			return err
		}
		for name, list := range form {
			if !slices.Contains([]string{"id", "bay", "one", "seen", "ticked"}, name) || name != "seen" && len(list) != 1 {
				return badRequest(fault.Problem{Column: name, Found: name, Expected: "one of the form's fields: id, bay, one, seen, ticked"})
			}
		}
		id, err := uuid.FromString(form.Get("id"))
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: form.Get("id"), Expected: "the form's own number: open the round again"})
		}
		texts := form["seen"]
		if one := form.Get("one"); one != "" {
			texts = []string{one}
		}
		if len(texts) > roundRow+1 {
			return badRequest(fault.Problem{Column: "seen", Found: count(len(texts)), Expected: "at most " + count(roundRow+1) + " at once"})
		}
		back := roundAddress(form.Get("bay"), "")
		if len(texts) == 0 {
			return c.Redirect(http.StatusSeeOther, s.url(withAlready(back, nil, "none")))
		}
		h, err := s.newHand(c, &roundAct, url.Values{}, id)
		if err != nil {
			return err
		}
		h.when, h.person = h.opened(), h.who.Handle
		running, err := s.store.RunningLayers(h.ctx, h.now)
		if err != nil {
			return err
		}
		var records []handRecord
		var already []string
		for _, text := range texts {
			of, printer, err := readSeen(text)
			if err != nil {
				return err
			}
			i := slices.IndexFunc(running, func(x store.RunningLayer) bool { return x.ID == of })
			if i < 0 {
				already = append(already, printer)
				continue
			}
			records = append(records, h.seenClean(&running[i]))
		}
		if len(records) == 0 {
			return c.Redirect(http.StatusSeeOther, s.url(withAlready(back, already, "")))
		}
		act, saved, err := h.save(records, "")
		switch {
		case err != nil:
			return err
		case !saved && len(h.page.Problems) > 0 && h.page.Problems[0].Field == "": // somebody was quicker in this very moment
			var tags []string
			for _, r := range records {
				tags = append(tags, r.about)
			}
			return c.Redirect(http.StatusSeeOther, s.url(withAlready(back, tags, "")))
		case !saved:
			return fault.New(fault.Invalid, "Nothing was recorded. %s", h.page.Problems[0].Words)
		}
		return c.Redirect(http.StatusSeeOther, s.url(withSaved(withAlready(back, already, ""), strconv.FormatInt(act, 10))))
	}
}

// seenClean grades a running layer as clean: one record each.
func (h *hand) seenClean(x *store.RunningLayer) handRecord {
	at := h.when
	if at.Before(x.At) {
		at = x.At
	}
	return handRecord{kind: farm.KindFirstLayer, id: x.ID, about: x.Printer, fields: map[string]string{"printer": x.Printer, "started_at": intake.Stamp(x.At),
		"grade": "clean", "grader": h.person, "graded_at": stamp(at), "seen_from": "above_printing", "looked_because": lookedBecause(x.Drawn)}}
}

func roundAlready(text string) string {
	switch text {
	case "":
		return ""
	case "none":
		return "Nothing was ticked, so nothing was recorded. Tick what you saw."
	}
	return fmt.Sprintf("Graded or over already, since this round was opened: %s. Nothing was recorded twice.", strings.Join(strings.Fields(text), ", "))
}
