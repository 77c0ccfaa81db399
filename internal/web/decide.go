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

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

const (
	decideWithin = 48 * time.Hour     // after its start a layer may still be decided about
	endsWithin   = 3 * 24 * time.Hour // starts are asked for their outcome
	endsPage     = 60                 // on one page
)

// endOptions are the outcomes as one taps them.
func endOptions() []views.Option {
	list := outcomeOptions()
	return list[:len(list)-1]
}

// decide asks, on a first layer's page, what is done about it now, or what became
// of it.
func (s *Server) decide(f *farm.FirstLayer, printer *farm.Printer, now time.Time, saved bool) views.Decide {
	var d views.Decide
	if !f.VoidedAt.IsZero() || f.Outcome != "" || f.Unseen != "" {
		return d
	}
	at := s.url("/first-layers/" + f.ID.UUID.String())
	if f.Grade != "" && f.Grade != "clean" && f.Decision == "" && now.Sub(f.StartedAt) <= decideWithin {
		d.Action = at + "/decision"
		step := orDefault(printer.ZStepMM, farm.DefaultZStepMM)
		d.Step, d.StepMM = mm(step), numberText(step)
		d.Lead = "One tap; what became of it is asked when the part comes off. After a nudge look again."
	} else if !saved {
		d.EndsTo, d.Ends = at+"/outcome", endOptions()
	}
	return d
}

// fill says something about a first layer that its record does not say yet.
func (s *Server) fill(c echo.Context, f *farm.FirstLayer, fields map[string]string) (int64, error) {
	id, err := uuid.NewV7AtTime(s.now())
	if err != nil {
		return 0, err
	}
	h, err := s.newHand(c, &handAct{}, url.Values{}, id)
	if err != nil {
		return 0, err
	}
	fields["printer"], fields["started_at"] = f.Printer, stamp(f.StartedAt)
	number, saved, err := h.save([]handRecord{{kind: farm.KindFirstLayer, id: f.ID.UUID, fields: fields, about: f.Printer}}, "")
	if err != nil || saved {
		return number, err
	}
	var words []string
	for _, p := range h.page.Problems {
		words = append(words, p.Words)
	}
	return 0, fault.New(fault.Conflict, "Nothing was saved. %s", strings.Join(words, " "))
}

// open finds the first layer an address names and holds that it can be filled.
func (s *Server) toFill(c echo.Context) (*farm.FirstLayer, error) {
	f, _, err := s.firstLayer(c)
	if err == nil && !f.VoidedAt.IsZero() {
		err = fault.New(fault.Conflict, "This record was voided. Go to the one that replaces it.")
	}
	return f, err
}

// postDecision keeps what was decided about a layer: let_run, stopped, or nudged
// with the move in mm behind it.
func (s *Server) postDecision() echo.HandlerFunc {
	return func(c echo.Context) error {
		f, err := s.toFill(c)
		if err != nil {
			return err
		}
		form, err := readForm(c, "decision")
		if err != nil {
			return err
		}
		decision, move, _ := strings.Cut(form["decision"], " ")
		nudge, ok := farm.Unknown(), true
		if move != "" {
			nudge, ok = farm.ParseNumber(strings.TrimPrefix(move, "+"))
		}
		if !slices.Contains(farm.Decisions, decision) || !ok || (decision == "nudged") != (move != "") || math.Abs(nudge) > 1 || nudge == 0 {
			return badRequest(fault.Problem{Column: "decision", Found: form["decision"], Expected: "let_run, stopped, or nudged with a move in mm, for example nudged +0.02"})
		}
		if f.Decision != "" && f.Decision != decision {
			return fault.New(fault.Conflict, "It was decided already: %s. If that is wrong, correct the record.", strings.ReplaceAll(f.Decision, "_", " "))
		}
		fields := map[string]string{"decision": decision}
		if decision == "nudged" && !farm.Known(f.NudgeMM) {
			fields["nudge_mm"] = numberText(nudge)
		}
		if decision == "stopped" && f.Outcome == "" {
			fields["outcome"] = "stopped"
		}
		number, err := s.fill(c, f, fields)
		if err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+f.ID.UUID.String()+"?saved="+strconv.FormatInt(number, 10)))
	}
}

// postOutcome keeps what became of a start.
func (s *Server) postOutcome() echo.HandlerFunc {
	return func(c echo.Context) error {
		f, err := s.toFill(c)
		if err != nil {
			return err
		}
		form, err := readForm(c, "outcome", "next")
		if err != nil {
			return err
		}
		if !slices.Contains(farm.Outcomes, form["outcome"]) {
			return badRequest(fault.Problem{Column: "outcome", Found: form["outcome"], Expected: "one of " + strings.Join(farm.Outcomes, ", ")})
		}
		if f.Outcome != "" && f.Outcome != form["outcome"] {
			return fault.New(fault.Conflict, "It is recorded already how this print on %s ended: %s. If that is wrong, correct the record.", f.Printer, wordFor(outcomeWords, f.Outcome))
		}
		number, err := s.fill(c, f, map[string]string{"outcome": form["outcome"]})
		if err != nil {
			return err
		}
		next := "/first-layers/" + f.ID.UUID.String()
		if form["next"] == "/outcomes" {
			next = form["next"]
		}
		return c.Redirect(http.StatusSeeOther, s.url(next+"?saved="+strconv.FormatInt(number, 10)))
	}
}

// openEndPrinters gives how many starts have no outcome yet, the printers in
// walking order that a page of them lies on, and how many lie on printers before
// these: the starts themselves are read for the page alone.
func (s *Server) openEndPrinters(ctx context.Context, end time.Time, from int) (all int, printers []string, before int, err error) {
	counts, err := s.store.OpenEndCounts(ctx, end.Add(-endsWithin), end)
	if err != nil {
		return 0, nil, 0, err
	}
	sort.Slice(counts, func(i, j int) bool {
		return walkingLess(&store.FloorPrinter{Printer: counts[i].Printer, Bay: counts[i].Bay}, &store.FloorPrinter{Printer: counts[j].Printer, Bay: counts[j].Bay})
	})
	for _, n := range counts {
		switch {
		case all+n.Starts <= from:
			before += n.Starts
		case all < from+endsPage:
			printers = append(printers, n.Printer)
		}
		all += n.Starts
	}
	return all, printers, before, nil
}

// getOutcomes asks what became of the starts of the last days, in walking order.
func (s *Server) getOutcomes() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "page", "saved"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone, end := frame.Settings.Zone(), windowEnd(frame, now)
		page := 1
		if text := c.QueryParam("page"); text != "" {
			if page, err = strconv.Atoi(text); err != nil || page < 1 || page > 10_000 {
				return badRequest(fault.Problem{Column: "page", Found: text, Expected: "a page from 1"})
			}
		}
		all, printers, before, err := s.openEndPrinters(ctx, end, (page-1)*endsPage)
		if err != nil {
			return err
		}
		list, err := s.store.OpenEnds(ctx, end.Add(-endsWithin), end, printers)
		if err != nil {
			return err
		}
		place := make(map[string]int, len(printers))
		for i, tag := range printers {
			place[tag] = i
		}
		slices.SortStableFunc(list, func(a, b store.OpenEnd) int { return place[a.Printer] - place[b.Printer] })
		p := views.OutcomesPage{Shell: withClock(s.shell(c, "Parts coming off", "/grade"), now, zone), Became: s.url("/outcomes/by-mark")}
		p.DataThrough = clock(end, zone)
		p.Lead = "One tap when the part comes off. What became of a layer that was let run tells what to do about the next one like it."
		if all == 0 {
			p.Empty = "Of every start of the last three days it is known how it ended. Starts appear here as they are recorded."
		} else {
			p.Lead = fmt.Sprintf("%s of the three days up to %s. %s", counted(all, "print without an outcome", "prints without an outcome"), clock(end, zone), p.Lead)
		}
		from := min((page-1)*endsPage, all)
		list = list[min(max(from-before, 0), len(list)):]
		list = list[:min(endsPage, len(list))]
		to := from + len(list)
		link := func(page int) string {
			if page == 1 {
				return s.url("/outcomes")
			}
			return s.url("/outcomes?page=" + strconv.Itoa(page))
		}
		p.Pager.Plain = true
		if page > 1 {
			p.Pager.Newer = link(page - 1)
		}
		if to < all {
			p.Pager.Older = link(page + 1)
			p.Left = fmt.Sprintf("Prints %s to %s of %s, in walking order.", count(from+1), count(to), count(all))
		}
		for _, x := range list {
			title := orCode(x.Bay, "No bay")
			if n := len(p.Groups); n == 0 || p.Groups[n-1].Title != title {
				p.Groups = append(p.Groups, views.OpenGroup{ID: "bay-" + strconv.Itoa(n+1), Title: title})
			}
			g := &p.Groups[len(p.Groups)-1]
			at := s.url("/first-layers/" + x.ID.String())
			row := views.OpenEnd{ID: x.ID.String(), Action: at + "/outcome", Href: at, Printer: x.Printer, When: clock(x.At, zone), ISO: iso(x.At), Options: endOptions(), Runs: "may still run"}
			if x.Followed {
				row.Runs = "ended: another print followed"
			}
			with := []string{x.Plate, x.Material, x.Job, gradeWord(x.Grade)}
			if x.Decision != "" {
				with = append(with, strings.ReplaceAll(x.Decision, "_", " "))
			}
			row.With = joinWords(slices.DeleteFunc(with, func(w string) bool { return w == "" }))
			g.Rows = append(g.Rows, row)
		}
		if p.Saved, err = s.saved(c, zone); err != nil {
			return err
		}
		p.Saved.Next, p.Saved.Back = "/outcomes", views.ActLink{}
		return render(c, http.StatusOK, views.Outcomes(p))
	}
}

// shareCell says how many of how many, with the likely range where there are
// enough of them.
func shareCell(k, n int) views.Cell {
	if n == 0 {
		return views.Cell{Text: "–"}
	}
	w := stats.Wilson(k, n, 0.95)
	of, how := rateWords(k, n, w.Low, w.High)
	if how == "" {
		how = "too little data"
	}
	return views.Cell{Text: of, Note: how}
}

// getBecame counts what became of layers by mark and severity.
func (s *Server) getBecame() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone, end := frame.Settings.Zone(), windowEnd(frame, now)
		by, all, open, err := s.store.Became(ctx, end.Add(-assess.BecameWindow), end)
		if err != nil {
			return err
		}
		p := views.BecamePage{Shell: withClock(s.shell(c, "What became of layers with marks", "/grade"), now, zone), Back: s.url("/outcomes")}
		p.DataThrough = clock(end, zone)
		p.Lead = "Held: the part was finished. Lost: restarted, detached, stopped later, or scrapped. A layer counts once for each of its marks, at the mark’s highest severity; " +
			"layers nobody decided about are left out. It goes with the mark; the mark need not be the cause."
		if all == 0 {
			p.Empty = "Nothing decided yet about a layer with marks in the year up to " + clock(end, zone) + ". After a grade with marks one tap says whether it was let run, nudged, or stopped."
			return render(c, http.StatusOK, views.Became(p))
		}
		t := views.Table{Caption: "By mark and severity", Sub: fmt.Sprintf("%s with marks, decided about in the year up to %s; %s", counted(all, "layer", "layers"), clock(end, zone), counted(open, "has", "have")+" no outcome yet"),
			Columns: []views.Column{{Word: "Mark"}, {Word: "Severity"}, {Word: "Let run and held, likely range"}, {Word: "Let run and lost", Number: true}, {Word: "Nudged and held"}, {Word: "Stopped", Number: true}}}
		if all == store.MostBecame {
			t.Sub = "The latest " + t.Sub
		}
		for _, mark := range farm.Marks {
			for k, h := range by[mark] {
				if h.Ran()+h.NudgedHeld+h.NudgedLost+h.Stopped == 0 {
					continue
				}
				t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: sentenceCase(shortMark(mark))}, {Text: severityWords[uint8(k+1)]},
					shareCell(h.RanHeld, h.Ran()), {Text: count(h.RanLost)}, shareCell(h.NudgedHeld, h.NudgedHeld+h.NudgedLost), {Text: count(h.Stopped)}}})
			}
		}
		if len(t.Rows) > 0 {
			p.Tables = []views.Table{t}
		} else {
			p.Empty = counted(all, "layer", "layers") + " with marks decided about, none with an outcome yet. It is asked when the part comes off."
		}
		return render(c, http.StatusOK, views.Became(p))
	}
}
