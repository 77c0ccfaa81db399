package web

import (
	"context"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/firstlayer"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// adviceNames are what a form about an advice carries beside what its action
// asks.
var adviceNames = []string{"action", "cause", "answer", "reason_not", "good_needed", "expected_rate", "expected_layers", "tapped"}

// byHandFor gives the act of logging that records an action, and what its form
// begins with; nil where there is nothing to record but that it was done.
func byHandFor(f *farm.FirstLayer, action string, move float64) (*handAct, url.Values) {
	printer := url.Values{"printer": {f.Printer}}
	plate := func(more ...string) url.Values {
		v := url.Values{}
		if f.Plate != "" {
			v.Set("plate", f.Plate)
		}
		for i := 0; i+1 < len(more); i += 2 {
			v.Set(more[i], more[i+1])
		}
		return v
	}
	switch action {
	case "wipe", "wash", "coat":
		return &cleanAct, plate("method", action, "plate_side", f.PlateSide)
	case "probe":
		printer.Set("extent", "full")
		return &probeAct, printer
	case "move_nozzle":
		if farm.Known(move) {
			printer.Set("direction", map[bool]string{true: "up", false: "down"}[move > 0])
			printer.Set("reason", "advised: "+nudgeWords(move))
		}
		return &offsetAct, printer
	case "tram":
		printer.Set("work", "bed")
		return &serviceAct, printer
	case "swap_plate":
		return &fitAct, printer
	case "turn_plate":
		v := plate("printer", f.Printer)
		v.Set("plate_turned", map[string]string{"yes": "no"}[f.PlateTurned])
		if f.PlateTurned != "yes" {
			v.Set("plate_turned", "yes")
		}
		return &fitAct, v
	case "set_plate_aside":
		return &stateAct, plate("state", "set_aside")
	}
	return nil, url.Values{}
}

// answering is what somebody says about an advice while it is read.
type answering struct {
	layer         *farm.FirstLayer
	action, cause string
	answer        string
	move          float64
}

func readAnswering(f *farm.FirstLayer, get func(string) string) (*answering, error) {
	a := &answering{layer: f, action: get("action"), cause: get("cause"), answer: orCode(get("answer"), "done"), move: farm.Unknown()}
	for _, x := range []struct {
		name, value string
		codes       []string
		may         bool
	}{{"action", a.action, farm.AdviceActions, false}, {"cause", a.cause, farm.LayerCauses, true}, {"answer", a.answer, farm.AdviceAnswers, false}} {
		if !slices.Contains(x.codes, x.value) && !(x.may && x.value == "") {
			return nil, badRequest(fault.Problem{Column: x.name, Found: x.value, Expected: "one of " + strings.Join(x.codes, ", ")})
		}
	}
	if text := get("move"); text != "" {
		move, ok := farm.ParseNumber(text)
		if !ok || move < -1 || move > 1 || move == 0 {
			return nil, badRequest(fault.Problem{Column: "move", Found: text, Expected: "a move in mm from -1 to 1, up positive"})
		}
		a.move = move
	}
	return a, nil
}

// act makes the form: what the action's own asks, and the advice beside it.
func (a *answering) act(s *Server) (*handAct, url.Values) {
	base, values := byHandFor(a.layer, a.action, a.move)
	if a.answer != "done" {
		base, values = nil, url.Values{}
	}
	word := wordFor(actionWords, a.action)
	out := &handAct{title: "Done: " + word, names: slices.Clone(adviceNames)}
	if a.answer == "something_else" {
		out.title = "Something else was done"
	} else if a.answer == "disagreed" {
		out.title = "I disagree with the advice"
	}
	if base != nil {
		out.names = append(out.names, base.names...)
	}
	out.page = func(h *hand) error {
		if base != nil {
			if err := base.page(h); err != nil {
				return err
			}
		}
		return a.page(s, h, base)
	}
	out.build = func(h *hand) ([]handRecord, error) {
		var records []handRecord
		if base != nil {
			var err error
			if records, err = base.build(h); err != nil || len(records) == 0 {
				return nil, err
			}
		}
		return append(records, a.record(h, records)), nil
	}
	values.Set("action", a.action)
	values.Set("cause", a.cause)
	values.Set("answer", a.answer)
	return out, values
}

// page puts the advice and its proof round the action's form.
func (a *answering) page(s *Server, h *hand, base *handAct) error {
	p := &h.page
	layer := s.url("/first-layers/" + a.layer.ID.UUID.String())
	p.Crumb, p.CrumbWord, p.Action = layer, "First layer on "+a.layer.Printer, layer+"/done"
	for _, name := range []string{"action", "cause", "answer"} {
		if v := h.values.Get(name); v != "" {
			p.Hidden = append(p.Hidden, views.Fact{Word: name, Value: v})
		}
	}
	if a.answer != "done" {
		p.Lead = "The advice was: " + wordFor(actionWords, a.action) + ". What you say stands beside it and helps to give better ones."
		label, hint := "Why", "For example: the mesh is of this morning."
		if a.answer == "something_else" {
			label, hint = "What was done, and why", "For example: nozzle brushed, a blob hung on it. Log cleanings, probes and the like under Upkeep as well."
		}
		p.Fields = []views.Field{{Name: "reason_not", Label: label, Kind: "area", Value: h.values.Get("reason_not"), Longest: 1000, Hint: hint}}
		p.Submit = "Save"
		return nil
	}
	if a.action == "move_nozzle" && h.values.Get("from_mm") != "" {
		p.Lead = "Filled in from the last offset logged and the move advised: change it if another amount was moved."
	}
	if base == nil {
		p.Lead = "Says that it was done; there is nothing else to record."
		p.Submit = "Save: " + wordFor(actionWords, a.action)
		switch a.action {
		case "soak":
			p.Caution = h.caution(firstlayer.Hot)
		case "check_feed", "investigate":
			p.Caution = h.caution(firstlayer.Motion, firstlayer.Hot)
		case "dry_filament":
			p.Caution = "Dryers and ovens get hot and filament gives off fumes: keep to the filament maker’s temperature, ventilate. Your workplace’s rules come first."
		}
	}
	if !proved[a.action] {
		return nil
	}
	kind, tag := adviceSubject(a.layer, a.action)
	var x promise
	if h.values.Has("good_needed") { // as it was shown when the form was opened
		x.good, _ = strconv.Atoi(h.values.Get("good_needed"))
		x.rate, _ = farm.ParseNumber(h.values.Get("expected_rate"))
		x.layers, _ = farm.ParseNumber(h.values.Get("expected_layers"))
	} else {
		var err error
		if x, err = s.needed(h.ctx, kind, tag, h.now); err != nil {
			return err
		}
	}
	p.Hidden = append(p.Hidden, x.fields()...)
	p.Lead = strings.TrimSpace(p.Lead + " " + provingWords(kind, tag, x))
	return nil
}

// record makes what was done about the advice.
func (a *answering) record(h *hand, made []handRecord) handRecord {
	kind, tag := adviceSubject(a.layer, a.action)
	fields := map[string]string{"first_layer": a.layer.ID.UUID.String(), "subject_kind": kind, "subject": tag, "answer": a.answer, "action": a.action, "cause": a.cause}
	if a.answer != "done" {
		if fields["reason"] = h.text("reason_not"); fields["reason"] == "" {
			h.wrong("reason_not", map[string]string{"disagreed": "Say why, in a few words.", "something_else": "Say what was done, in a few words."}[a.answer])
		}
	} else if len(made) > 0 {
		fields["record"] = made[0].id.String()
	}
	if a.answer == "done" && proved[a.action] && h.text("good_needed") != "0" {
		fields["good_needed"] = h.text("good_needed")
	}
	fields["expected_rate"], fields["expected_layers"] = h.text("expected_rate"), h.text("expected_layers")
	if h.when.Before(a.layer.StartedAt) {
		h.wrong("when", "The first layer was started "+clock(a.layer.StartedAt, h.zone)+". What was done about it came later.")
	}
	r := h.record(farm.KindAdviceDone, a.layer.ID.UUID.String(), "at", fields)
	r.from["reason"] = "reason_not"
	return r
}

// fromLast tells the offset by the last one logged and the move advised, where
// both are known.
func (a *answering) fromLast(ctx context.Context, s *Server, values url.Values) error {
	if a.action != "move_nozzle" || !farm.Known(a.move) {
		return nil
	}
	last, err := s.store.LastOffset(ctx, a.layer.Printer, s.now())
	if fault.Is(err, fault.NotFound) {
		return nil
	} else if err != nil {
		return err
	}
	values.Set("from_mm", numberText(last.ToMM))
	values.Set("to_mm", numberText(math.Round((last.ToMM+a.move)*1e6)/1e6))
	return nil
}

// stillFrom holds a tapped move against an offset that was logged since the page
// was opened.
func (a *answering) stillFrom(h *hand) error {
	if a.action != "move_nozzle" {
		return nil
	}
	last, err := h.s.store.LastOffset(h.ctx, a.layer.Printer, h.now)
	if err != nil {
		return err
	}
	if numberText(last.ToMM) != h.text("from_mm") && last.ChangedAt.After(h.opened()) {
		h.wrong("from_mm", "Another change was logged since the page was opened: the offset is "+mm(last.ToMM)+" now.")
	}
	return nil
}

// tap makes the one tap that says an advice was followed: what its form would ask is
// known. What will show that it held stands beside it, also where the form has to
// be opened: a probe may bring its mesh, a swap has to say which plate.
func (s *Server) tap(ctx context.Context, f *farm.FirstLayer, step views.AdviceStep, cause string, move float64) (views.DoneTap, error) {
	a := &answering{layer: f, action: step.Action, cause: cause, answer: "done", move: move}
	d := views.DoneTap{For: step.Do}
	values := url.Values{"tapped": {"yes"}, "action": {a.action}, "cause": {cause}, "answer": {"done"}}
	whole := true
	switch base, known := byHandFor(f, a.action, move); {
	case base == nil:
	case base == &cleanAct && f.Plate != "":
		for _, name := range []string{"method", "plate_side"} {
			values.Set(name, known.Get(name))
		}
		values.Set("plates", f.Plate)
		d.Says = "Recorded now: " + f.Plate + " " + map[string]string{"wipe": "wiped", "wash": "washed", "coat": "coated"}[a.action] + "."
	case base == &serviceAct:
		values.Set("printer", f.Printer)
		values.Set("work", known.Get("work"))
		d.Says = "Recorded now: work on the bed of " + f.Printer + "."
	case base == &offsetAct:
		if err := a.fromLast(ctx, s, known); err != nil {
			return d, err
		}
		if whole = known.Has("from_mm"); whole {
			for name := range known {
				values.Set(name, known.Get(name))
			}
			d.Says = "Recorded now: offset of " + f.Printer + " from " + minusText(known.Get("from_mm")) + " to " + minusText(known.Get("to_mm")) + "\u202fmm."
		}
	default:
		whole = false
	}
	if proved[a.action] {
		kind, tag := adviceSubject(f, a.action)
		x, err := s.needed(ctx, kind, tag, s.now())
		if err != nil {
			return d, err
		}
		for _, f := range x.fields() {
			values.Set(f.Word, f.Value)
		}
		d.Proof = provingWords(kind, tag, x)
	}
	if !whole {
		return d, nil
	}
	id, err := uuid.NewV7AtTime(s.now())
	if err != nil {
		return d, err
	}
	values.Set("id", id.String())
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if v := values.Get(name); v != "" {
			d.Hidden = append(d.Hidden, views.Fact{Word: name, Value: v})
		}
	}
	d.To = s.url("/first-layers/" + f.ID.UUID.String() + "/done")
	return d, nil
}

// minusText is a number with a true minus.
func minusText(x string) string { return strings.Replace(x, "-", minus, 1) }

// getDone asks what was done about an advice.
func (s *Server) getDone() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "action", "cause", "answer", "move"); err != nil {
			return err
		}
		f, _, err := s.firstLayer(c)
		if err != nil {
			return err
		}
		if c.QueryParam("action") == "" { // which advice stands on the layer's page
			return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+f.ID.UUID.String()))
		}
		a, err := readAnswering(f, c.QueryParam)
		if err != nil {
			return err
		}
		id, err := uuid.NewV7AtTime(s.now())
		if err != nil {
			return err
		}
		act, values := a.act(s)
		if a.answer == "done" {
			if err := a.fromLast(c.Request().Context(), s, values); err != nil {
				return err
			}
		}
		h, err := s.newHand(c, act, values, id)
		if err != nil {
			return err
		}
		h.when, h.person = h.opened(), h.who.Handle
		return h.show(c, http.StatusOK)
	}
}

// postDone records it, with what the action itself records, whole or not at all.
func (s *Server) postDone() echo.HandlerFunc {
	return func(c echo.Context) error {
		f, _, err := s.firstLayer(c)
		if err != nil {
			return err
		}
		if !f.VoidedAt.IsZero() {
			return fault.New(fault.Conflict, "This record was voided. Answer the advice of the one that replaces it.")
		}
		a, err := readAnswering(f, c.FormValue)
		if err != nil {
			return err
		}
		act, _ := a.act(s)
		values, err := readHandForm(c, act)
		if err != nil {
			return err
		}
		id, err := uuid.FromString(values.Get("id"))
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: values.Get("id"), Expected: "the form's own number: open the form again"})
		}
		h, err := s.newHand(c, act, values, id)
		if err != nil {
			return err
		}
		tapped := values.Get("tapped") == "yes"
		if tapped { // it was done by now, however long the page was open
			h.when = h.now
			if err := a.stillFrom(h); err != nil {
				return err
			}
		} else {
			h.readWhen()
		}
		h.readPerson()
		records, err := act.build(h)
		switch {
		case err != nil:
			return err
		case len(h.page.Problems) > 0:
			return h.show(c, http.StatusUnprocessableEntity)
		case values.Get("do") == "add" || values.Get("do") == "look" || len(records) == 0:
			return h.show(c, http.StatusOK)
		}
		number, saved, err := h.save(records, "")
		if err != nil {
			return err
		}
		if !saved && tapped { // a second tap comes at another time than the first
			said, err := s.store.AdviceOn(h.ctx, f)
			if err != nil {
				return err
			}
			if slices.ContainsFunc(said, func(x *farm.AdviceDone) bool { return x.ID.UUID == records[len(records)-1].id }) {
				return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+f.ID.UUID.String()))
			}
		}
		if !saved {
			return h.show(c, http.StatusUnprocessableEntity)
		}
		return c.Redirect(http.StatusSeeOther, s.url("/first-layers/"+f.ID.UUID.String()+"?saved="+strconv.FormatInt(number, 10)))
	}
}

// doneLinks lead from a first layer's advice to what was done about it.
func (s *Server) doneLinks(f *farm.FirstLayer, action, cause string, move float64) []views.Link {
	with := url.Values{"action": {action}}
	if cause != "" {
		with.Set("cause", cause)
	}
	if farm.Known(move) && move != 0 {
		with.Set("move", numberText(move))
	}
	var out []views.Link
	for _, x := range []struct{ answer, word string }{{"done", "Done"}, {"something_else", "Did something else"}, {"disagreed", "I disagree"}} {
		v := url.Values{}
		for k := range with {
			v.Set(k, with.Get(k))
		}
		if x.answer != "done" {
			v.Set("answer", x.answer)
		}
		out = append(out, views.Link{Word: x.word, Href: s.url("/first-layers/" + f.ID.UUID.String() + "/done?" + v.Encode())})
	}
	return out
}
