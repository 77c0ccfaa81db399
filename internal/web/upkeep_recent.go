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

	"github.com/labstack/echo/v4"
)

// recentShown is how many entries stand under the Upkeep page, recentPage how
// many on a page of their own.
const (
	recentShown = 8
	recentPage  = 50
)

// atOnce is how long an entry can be undone without saying why.
const atOnce = 10 * time.Minute

// mayUndo tells whether somebody may take an entry back: their own, or any for
// those who may record for others.
func mayUndo(who Identity, a *store.HandAct) bool {
	return a.Standing() > 0 && (who.anyPerson() || a.Person == who.Handle && who.Handle != "")
}

// entryWords says an act in a word or two, and what stands with it.
func entryWords(a *store.HandAct, zone *time.Location) (what string, with []string) {
	e := &a.Entries[0]
	for i := range a.Entries { // a plate's state that came with its fitting is said with it
		if farm.Kind(a.Entries[i].Kind) == farm.KindFitting {
			e = &a.Entries[i]
		}
	}
	switch farm.Kind(e.Kind) {
	case farm.KindAdviceDone:
		what = map[string]string{"done": "Done as advised", "something_else": "Something else done", "disagreed": "Disagreed with advice"}[e.Code]
		with = append(with, wordFor(actionWords, e.Other))
	case farm.KindFirstLayer:
		what = stateFor(gradeStates, e.Code).Word
		if e.Field == "decision" {
			what = "Decided: " + strings.ReplaceAll(e.Code, "_", " ")
		} else if e.Field == "outcome" {
			what = "Ended: " + wordFor(outcomeWords, e.Code)
		} else if e.Field == "unseen" {
			what = "Not seen, taken off"
		}
		if e.Other != "" {
			with = append(with, "plate "+e.Other)
		}
		with = append(with, markSummary(e.Detail))
		if e.Person != "" && e.Person != a.Person {
			with = append(with, "graded by "+e.Person)
		}
		return what, with
	case farm.KindCleaning:
		what = wordFor(methodWords, e.Code)
		if e.Other != "" {
			with = append(with, "side "+strings.ToUpper(e.Other))
		}
	case farm.KindProbe:
		what = map[string]string{"part": "Probed in part", "zero": "Zero taken"}[e.Code]
		if what == "" {
			what = "Probed"
		}
		if e.Other != "" {
			with = append(with, "with plate "+e.Other)
		}
	case farm.KindProbeSkipped:
		what, with = "Probe skipped", append(with, wordFor(skipReasonWords, e.Code))
	case farm.KindTaskSkipped:
		what, with = wordFor(skippedTaskWords, e.Other), append(with, wordFor(taskSkipWords, e.Code))
	case farm.KindOffsetChange:
		what = "Offset changed"
		if e.FromMM != nil && e.ToMM != nil {
			with = append(with, moveWords(*e.FromMM, *e.ToMM))
		}
		with = append(with, offsetWords(e.FromMM, e.ToMM))
	case farm.KindService:
		what, with = "Service", append(with, wordFor(workWords, e.Code))
	case farm.KindFitting:
		what = "Fitted"
		if e.Filled || e.EndedAt != nil {
			what = "Taken off"
		}
		with = append(with, map[bool]string{true: "from ", false: "on "}[what == "Taken off"]+e.Other)
		side, turned, _ := strings.Cut(e.Code, " ")
		if side == "a" || side == "b" {
			with = append(with, "side "+strings.ToUpper(side))
		}
		if side == "yes" || turned == "yes" {
			with = append(with, "turned")
		}
	case farm.KindPlateState:
		what = stateFor(plateStateStates, e.Code).Word
	case farm.KindHandover:
		what = "Handed over"
	case farm.KindHandoverEntry:
		what = map[string]string{"note": "Note for the handover", "receipt": "Handover taken over"}[e.Code]
	case farm.KindHold:
		what = "Held"
		if e.Filled {
			what, with = "Released", append(with, wordFor(releaseWords, e.Code), e.Other)
		}
	}
	if !e.Filled {
		with = append(with, e.Detail)
	}
	for i := range a.Entries {
		x := &a.Entries[i]
		if farm.Kind(x.Kind) == farm.KindPlateState && x != e && farm.Kind(e.Kind) == farm.KindFitting {
			with = append(with, x.Subject+" "+strings.ToLower(stateFor(plateStateStates, x.Code).Word))
		}
	}
	if e.Person != "" && e.Person != a.Person {
		with = append(with, "done by "+e.Person)
	}
	return what, with
}

// thingsShown is how many tags one line names.
const thingsShown = 6

func (s *Server) recentEntry(a *store.HandAct, who Identity, zone *time.Location) views.RecentEntry {
	v := views.RecentEntry{When: clock(a.At, zone), ISO: iso(a.At), By: orNoRecord(a.Person), Undone: a.Standing() == 0}
	what, with := entryWords(a, zone)
	v.What, v.With = what, joinWords(with)
	if mayUndo(who, a) {
		v.Undo = s.url("/upkeep/undo?entry=" + strconv.FormatInt(a.ID, 10))
	}
	if j := joinedEntry(a); j != nil { // the rest of it is what moved
		v.What, v.With = "Joined", joinWords([]string{strings.TrimPrefix(j.Detail, "joined "), counted(len(a.Entries)-1, "record", "records")})
		v.Things = []views.Fact{{Value: j.Subject, Href: s.url("/plates/" + url.PathEscape(j.Subject))}}
		return v
	}
	main := a.Entries[0].Kind
	if slices.ContainsFunc(a.Entries, func(e store.HandEntry) bool { return farm.Kind(e.Kind) == farm.KindFitting }) {
		main = string(farm.KindFitting)
	}
	more := 0
	for _, e := range a.Entries {
		if e.Kind != main {
			if farm.Kind(e.Kind) == farm.KindProbe && farm.Kind(main) == farm.KindCleaning { // ticked together in the list of what is due
				v.Also = append(v.Also, "probed "+e.Subject)
			}
			continue
		}
		if farm.Kind(main) == farm.KindCleaning && e.Code != a.Entries[0].Code {
			v.Also = append(v.Also, lowerFirst(wordFor(methodWords, e.Code))+" "+e.Subject)
			continue
		}
		if e.Late {
			v.Late = clock(e.At, zone)
		}
		if len(v.Things) == thingsShown {
			more++
			continue
		}
		path := "/printers/"
		if e.Plate {
			path = "/plates/"
		}
		href := path + url.PathEscape(e.Subject)
		if farm.Kind(e.Kind) == farm.KindFirstLayer {
			href = "/first-layers/" + e.ID.String()
		}
		value := e.Subject
		switch farm.Kind(e.Kind) {
		case farm.KindHandover:
			value, href = e.At.In(zone).Format("15:04"), "/handover/"+e.ID.String()
		case farm.KindHandoverEntry:
			value, href = e.At.In(zone).Format("15:04"), "/handover"
		}
		v.Things = append(v.Things, views.Fact{Value: value, Href: s.url(href)})
	}
	if more > 0 {
		v.Things = append(v.Things, views.Fact{Value: "and " + count(more) + " more"})
	}
	if len(v.Also) > 0 {
		v.With = joinWords(append(slices.Clone(v.Also), v.With))
	}
	return v
}

// joinedEntry is what retires a provisional tag in an act that joined it with a plate's
// own; nil where the act did something else.
func joinedEntry(a *store.HandAct) *store.HandEntry {
	for i := range a.Entries {
		if e := &a.Entries[i]; farm.Kind(e.Kind) == farm.KindPlateState && farm.IsUntagged(e.Subject) && strings.HasPrefix(e.Detail, "joined with ") {
			return e
		}
	}
	return nil
}

// saved says what the address tells was saved just now.
func (s *Server) saved(c echo.Context, zone *time.Location) (views.SavedLine, error) {
	text := c.QueryParam("saved")
	if text == "" {
		return views.SavedLine{}, nil
	}
	id, err := entryNumber(text, "saved")
	if err != nil {
		return views.SavedLine{}, err
	}
	a, err := s.store.HandAct(c.Request().Context(), id)
	if fault.Is(err, fault.NotFound) {
		return views.SavedLine{}, nil
	}
	if err != nil {
		return views.SavedLine{}, err
	}
	e := s.recentEntry(&a, identity(c), zone)
	var tags []string
	for _, t := range e.Things {
		tags = append(tags, t.Value)
	}
	tags = append(tags, e.Also...)
	line := views.SavedLine{Words: "Saved: " + lowerFirst(e.What) + " " + strings.Join(tags, ", ") + ".", Entry: text, Next: "/upkeep"}
	if e.Undone {
		line.Words = "Undone: " + lowerFirst(e.What) + " " + strings.Join(tags, ", ") + "."
		return line, nil
	}
	if e.Late != "" {
		line.Late = "Late entry: it happened " + e.Late + "."
	}
	if line.Then, err = s.heightsAfter(c.Request().Context(), &a); err != nil {
		return views.SavedLine{}, err
	}
	if mayUndo(identity(c), &a) {
		line.Undo = s.url("/upkeep/undo")
	}
	if len(e.Things) == 1 {
		line.Back = views.ActLink{Word: "Go to " + e.Things[0].Value, Href: e.Things[0].Href}
	}
	return line, nil
}

func entryNumber(text, name string) (int64, error) {
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil || id < 1 {
		return 0, badRequest(fault.Problem{Column: name, Found: text, Expected: "the number of an entry, as the page's own links have it"})
	}
	return id, nil
}

func (s *Server) getRecent() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "before", "saved"); err != nil {
			return err
		}
		var before int64
		if text := c.QueryParam("before"); text != "" {
			var err error
			if before, err = entryNumber(text, "before"); err != nil {
				return err
			}
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		acts, err := s.store.HandActs(ctx, false, before, recentPage+1)
		if err != nil {
			return err
		}
		p := views.RecentPage{Shell: withClock(s.shell(c, "Logged by hand", "/upkeep"), now, zone), Crumb: s.url("/upkeep")}
		if p.Saved, err = s.saved(c, zone); err != nil {
			return err
		}
		if len(acts) == 0 {
			p.Empty = "Nothing logged by hand yet. What is saved in Upkeep stands here and can be undone."
			if before != 0 {
				p.Empty = "Nothing older."
			}
		}
		if len(acts) > recentPage {
			acts = acts[:recentPage]
			p.Pager.Older = s.url("/upkeep/recent?before=" + strconv.FormatInt(acts[recentPage-1].ID, 10))
		}
		if before != 0 {
			p.Pager.First = s.url("/upkeep/recent")
		}
		for i := range acts {
			p.Entries = append(p.Entries, s.recentEntry(&acts[i], identity(c), zone))
		}
		return render(c, http.StatusOK, views.RecentAll(p))
	}
}

// undoPage shows an entry and asks why it is taken back.
func (s *Server) undoPage(c echo.Context, entry int64, reason string, problems []views.FormProblem, status int) error {
	ctx, now := c.Request().Context(), s.now()
	frame, err := s.store.Frame(ctx, now)
	if err != nil {
		return err
	}
	zone := frame.Settings.Zone()
	a, err := s.store.HandAct(ctx, entry)
	if err != nil {
		return err
	}
	who := identity(c)
	p := views.UndoPage{Shell: withClock(s.shell(c, "Undo an entry", "/upkeep"), now, zone), Crumb: s.url("/upkeep"), Entry: s.recentEntry(&a, who, zone)}
	p.Entry.Undo = ""
	switch {
	case a.Standing() == 0:
		p.Closed = "This entry was undone before. Log it again if it was right."
	case !mayUndo(who, &a):
		p.Closed = "Somebody else logged this. Ask them, or a manager, to undo it."
	}
	p.Form = views.FormPage{Action: s.url("/upkeep/undo"), Problems: problems,
		Hidden: []views.Fact{{Word: "entry", Value: strconv.FormatInt(entry, 10)}},
		Fields: []views.Field{{Name: "reason", Label: "Why it was wrong", Kind: "area", Value: reason, Hint: "It stays in the history as voided, with your name and this reason. For example: wrong plate."}},
		Submit: "Undo this entry"}
	beside(p.Form.Fields, problems)
	return render(c, status, views.Undo(p))
}

func (s *Server) getUndo() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "entry"); err != nil {
			return err
		}
		if c.QueryParam("entry") == "" { // which one is chosen from the list
			return c.Redirect(http.StatusSeeOther, s.url("/upkeep/recent"))
		}
		entry, err := entryNumber(c.QueryParam("entry"), "entry")
		if err != nil {
			return err
		}
		return s.undoPage(c, entry, "", nil, http.StatusOK)
	}
}

// postUndo takes an entry back. Right after saving no reason is asked.
func (s *Server) postUndo() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "entry", "reason", "next", "do")
		if err != nil {
			return err
		}
		entry, err := entryNumber(form["entry"], "entry")
		if err != nil {
			return err
		}
		ctx, who := c.Request().Context(), identity(c)
		a, err := s.store.HandAct(ctx, entry)
		if err != nil {
			return err
		}
		reason := strings.TrimSpace(form["reason"])
		switch {
		case a.Standing() > 0 && !mayUndo(who, &a):
			return fault.New(fault.Forbidden, "Somebody else logged this. Ask them, or a manager, to undo it.")
		case reason == "" && a.Standing() > 0 && (form["next"] == "" || s.store.Now().Sub(a.At) > atOnce):
			return s.undoPage(c, entry, "", []views.FormProblem{{Field: "reason", Words: "Say why it was wrong."}}, http.StatusUnprocessableEntity)
		case len(reason) > 1000:
			return s.undoPage(c, entry, reason, []views.FormProblem{{Field: "reason", Words: "Say it in fewer words: up to 1000 characters."}}, http.StatusUnprocessableEntity)
		case reason == "":
			reason = "undone right after saving"
		}
		act := who.act("page")
		act.Why = reason
		if _, err := s.store.Undo(ctx, act, entry, reason); err != nil {
			return err
		}
		back := "/upkeep"
		if form["next"] == "/grade" || slices.ContainsFunc(a.Entries, func(e store.HandEntry) bool { return farm.Kind(e.Kind) == farm.KindFirstLayer }) {
			back = "/grade"
		}
		if next := backTo(form["next"]); next != "" {
			back = next
		}
		return c.Redirect(http.StatusSeeOther, s.url(withSaved(back, form["entry"])))
	}
}
