package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

const (
	handoversPage = 20
	// sinceMost is how far back what changed is counted at most; sinceUsual where
	// neither a handover nor a shift tells when to begin.
	sinceMost   = 24 * time.Hour
	sinceUsual  = 12 * time.Hour
	noteLongest = 1000
)

// handoverAct stands for what is sent from the handover's page.
var handoverAct = handAct{slug: "handover", title: "Handover", names: []string{"note", "handover"}}

// handingOver is the handover as it would be given now.
type handingOver struct {
	frame store.Frame
	now   time.Time
	zone  *time.Location
	turn  farm.Span // the shift that hands over; zero: none is recorded
	since time.Time
	last  *store.HandedOver
	notes []*farm.HandoverEntry
	parts []views.HandoverPart
}

func (s *Server) handingOver(c echo.Context) (*handingOver, error) {
	ctx, now := c.Request().Context(), s.now()
	frame, err := s.store.Frame(ctx, now)
	if err != nil {
		return nil, err
	}
	h := &handingOver{frame: frame, now: now, zone: frame.Settings.Zone()}
	spans, _, err := s.store.ShiftSpans(ctx, now.Add(-2*sinceMost), now.Add(sinceMost))
	if err != nil {
		return nil, err
	}
	h.turn, _ = farm.Turn(spans, now)
	list, err := s.store.Handovers(ctx, store.Cursor{}, 1)
	if err != nil {
		return nil, err
	}
	h.since = now.Add(-sinceUsual)
	if !h.turn.From.IsZero() && now.Sub(h.turn.From) <= sinceMost {
		h.since = h.turn.From
	}
	notesFrom := now.Add(-proofsWithin)
	if len(list) > 0 {
		h.last = &list[0]
		notesFrom = list[0].At
		if now.Sub(list[0].At) <= sinceMost {
			h.since = list[0].At
		}
	}
	if h.notes, err = s.store.HandoverNotes(ctx, notesFrom, now); err != nil {
		return nil, err
	}
	h.parts, err = s.handoverParts(ctx, frame, now, h.since)
	return h, err
}

// shiftWords says a shift by the farm's clock, its days where they differ from today's,
// and how long it is.
func shiftWords(turn farm.Span, now time.Time, zone *time.Location) string {
	if turn.From.IsZero() {
		return ""
	}
	from, to, today := turn.From.In(zone), turn.To.In(zone), now.In(zone).Format(time.DateOnly)
	say := func(t time.Time) string {
		if t.Format(time.DateOnly) == today {
			return t.Format("15:04")
		}
		return t.Format("Mon 15:04")
	}
	return say(from) + " to " + say(to) + ", " + duration(turn.To.Sub(turn.From))
}

// showHandover renders the page as it stands.
func (s *Server) showHandover(c echo.Context, status int, problems []views.FormProblem, note string) error {
	h, err := s.handingOver(c)
	if err != nil {
		return err
	}
	id, err := uuid.NewV7AtTime(h.now)
	if err != nil {
		return err
	}
	who := identity(c)
	p := views.HandoverPage{Shell: withClock(s.shell(c, "Handover", "/floor"), h.now, h.zone), Parts: h.parts, Past: s.url("/handover/past"),
		Action: s.url("/handover"), Hidden: []views.Fact{{Word: "id", Value: id.String()}}, Note: note, Problems: problems, Person: who.Handle}
	p.DataThrough = clock(windowEnd(h.frame, h.now), h.zone)
	p.Lead = "Written from the records as of now."
	if words := shiftWords(h.turn, h.now, h.zone); words != "" {
		p.Lead = "Shift " + words + ". " + p.Lead
	}
	for _, n := range h.notes {
		p.Notes = append(p.Notes, views.Fact{Word: dayClock(n.At, h.now, h.zone) + byWhom(n.Person), Value: n.Note})
	}
	if h.last != nil {
		card := s.handedOver(h.last, h.zone)
		p.Last = &card
		p.Last.Takes = h.last.Person != who.Handle && !slices.ContainsFunc(h.last.Receipts, func(r *farm.HandoverEntry) bool { return r.Person == who.Handle })
		p.Last.ID = h.last.ID.UUID.String()
	}
	if p.Saved, err = s.savedHere(c, h.zone); err != nil {
		return err
	}
	return render(c, status, views.Handover(p))
}

// handedOver says a handover in a line, with its receipts.
func (s *Server) handedOver(x *store.HandedOver, zone *time.Location) views.HandoverCard {
	card := views.HandoverCard{Href: s.url("/handover/" + x.ID.UUID.String()), When: clock(x.At, zone), ISO: iso(x.At), By: orNoRecord(x.Person), Note: x.Note}
	if !x.ShiftFrom.IsZero() && !x.ShiftTo.IsZero() {
		card.Shift = shiftWords(farm.Span{From: x.ShiftFrom, To: x.ShiftTo}, x.At, zone)
	}
	for _, r := range x.Receipts {
		card.Receipts = append(card.Receipts, "Taken over by "+r.Person+", "+clock(r.At, zone))
	}
	return card
}

func (s *Server) getHandover() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		return s.showHandover(c, http.StatusOK, nil, "")
	}
}

// postHandover adds a note, hands over, or receipts the last handover.
func (s *Server) postHandover() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "id", "do", "note", "handover")
		if err != nil {
			return err
		}
		id, err := uuid.FromString(form["id"])
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: form["id"], Expected: "the form's own number: open the page again"})
		}
		h, err := s.newHand(c, &handoverAct, url.Values{}, id)
		if err != nil {
			return err
		}
		h.when, h.person = h.now, h.who.Handle
		note := strings.TrimSpace(strings.ReplaceAll(form["note"], "\r\n", "\n"))
		wrong := func(words string) error {
			return s.showHandover(c, http.StatusUnprocessableEntity, []views.FormProblem{{Field: "note", Words: words}}, note)
		}
		if len([]rune(note)) > noteLongest {
			return wrong("Say it in up to 1000 characters.")
		}
		var r handRecord
		switch form["do"] {
		case "note":
			if note == "" {
				return wrong("Say what the next shift should know, or hand over without a note.")
			}
			r = h.record(farm.KindHandoverEntry, "note", "at", map[string]string{"what": "note", "note": note})
		case "hand":
			now, err := s.handingOver(c)
			if err != nil {
				return err
			}
			f := map[string]string{"says": handoverText(withNotes(now, h.zone)), "note": note}
			if !now.turn.From.IsZero() {
				f["shift_from"], f["shift_to"] = stamp(now.turn.From), stamp(now.turn.To)
			}
			r = h.record(farm.KindHandover, "", "at", f)
		case "receipt":
			if r, err = h.receipt(form["handover"]); err != nil {
				return err
			}
		default:
			return badRequest(fault.Problem{Column: "do", Found: form["do"], Expected: "note, hand or receipt"})
		}
		// A form sent twice is stored once, though the records have moved on.
		if rec, err := s.store.Event(h.ctx, r.kind, farm.ID{UUID: r.id}); err == nil && rec != nil {
			return c.Redirect(http.StatusSeeOther, s.url("/handover"))
		} else if err != nil && !fault.Is(err, fault.NotFound) {
			return err
		}
		act, saved, err := h.save([]handRecord{r}, "")
		switch {
		case err != nil:
			return err
		case !saved:
			return wrong(h.page.Problems[0].Words)
		}
		return c.Redirect(http.StatusSeeOther, s.url(withSaved("/handover", strconv.FormatInt(act, 10))))
	}
}

// withNotes adds the shift's notes as a part of what is kept.
func withNotes(h *handingOver, zone *time.Location) []views.HandoverPart {
	if len(h.notes) == 0 {
		return h.parts
	}
	p := views.HandoverPart{Title: "Notes", Count: len(h.notes)}
	for _, n := range h.notes {
		p.Lines = append(p.Lines, views.Fact{Word: dayClock(n.At, h.now, zone) + byWhom(n.Person), Value: n.Note})
	}
	return append(slices.Clone(h.parts), p)
}

// receipt is the record by which somebody takes over.
func (h *hand) receipt(of string) (handRecord, error) {
	id, err := uuid.FromString(of)
	if err != nil {
		return handRecord{}, badRequest(fault.Problem{Column: "handover", Found: of, Expected: "the id of a handover"})
	}
	x, err := h.s.store.HandoverByID(h.ctx, id)
	switch {
	case err != nil:
		return handRecord{}, err
	case !x.VoidedAt.IsZero():
		return handRecord{}, fault.New(fault.Conflict, "This handover was taken back. Open the page again.")
	case x.Person == h.person:
		return handRecord{}, fault.New(fault.Conflict, "You wrote this handover. Whoever takes over says so under their own name.")
	case slices.ContainsFunc(x.Receipts, func(r *farm.HandoverEntry) bool {
		return r.Person == h.person && r.ID.UUID != h.own("handover_entry/receipt")
	}):
		return handRecord{}, fault.New(fault.Conflict, "You took this handover over already.")
	}
	return h.record(farm.KindHandoverEntry, "receipt", "at", map[string]string{"what": "receipt", "handover": orCode(x.ID.Ref, id.String())}), nil
}

// getHandovers lists past handovers, the latest first.
func (s *Server) getHandovers() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "before"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		p := views.HandoversPage{Shell: withClock(s.shell(c, "Past handovers", "/floor"), now, zone), Back: s.url("/handover")}
		var before store.Cursor
		if text := c.QueryParam("before"); text != "" {
			if before, err = readCursor(text, "before"); err != nil {
				return err
			}
			p.Pager.First = s.url("/handover/past")
		}
		list, err := s.store.Handovers(ctx, before, handoversPage+1)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			p.Empty = "Nothing was handed over yet. What is handed over stands here with its receipts."
			if !before.At.IsZero() {
				p.Empty = "Nothing older."
			}
		}
		if len(list) > handoversPage {
			list = list[:handoversPage]
			last := list[handoversPage-1]
			p.Pager.Older = s.url("/handover/past?before=" + cursorText(last.At, last.ID.UUID))
		}
		for i := range list {
			p.Cards = append(p.Cards, s.handedOver(&list[i], zone))
		}
		return render(c, http.StatusOK, views.Handovers(p))
	}
}

// getHandoverKept shows one handover as it was given.
func (s *Server) getHandoverKept() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		id, err := uuid.FromString(c.Param("id"))
		if err != nil {
			return fault.New(fault.NotFound, "There is no such handover.")
		}
		x, err := s.store.HandoverByID(ctx, id)
		if err != nil {
			return err
		}
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		p := views.HandoverKeptPage{Shell: withClock(s.shell(c, "Handover of "+clock(x.At, zone), "/floor"), now, zone), Back: s.url("/handover/past"), Card: s.handedOver(&x, zone), Parts: handoverSaid(x.Says)}
		if !x.VoidedAt.IsZero() {
			p.Voided = "Taken back " + clock(x.VoidedAt, zone) + byWhom(x.VoidedBy) + ": " + orNoRecord(x.VoidReason) + "."
		}
		return render(c, http.StatusOK, views.HandoverKept(p))
	}
}
