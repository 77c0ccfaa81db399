package web

import (
	"context"
	"encoding/json"
	"errors"
	"mime"
	"net/http"
	"net/url"
	"slices"
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

// handAct is one act of logging by hand: a form that becomes records.
type handAct struct {
	slug   string   // last part of its address
	word   string   // as a link: "Log a cleaning"
	title  string   // of the page: "Log a cleaning"
	prefil []string // parameters of the address that fill the form
	names  []string // the form's fields beside id, when, person, do
	page   func(h *hand) error
	build  func(h *hand) ([]handRecord, error)
	store  func(h *hand, items []intake.Item) (store.Batch, error) // nil: all of them, as they are
}

// handActs are the acts in the order in which they are offered.
var handActs = []handAct{cleanAct, probeAct, skipAct, fitAct, takeOffAct, offsetAct, serviceAct, stateAct, noTagAct, whichAct, holdAct}

// handRecord is one record an act makes: fields as text, as a record of the API
// has them, and the field of the form each of them comes from.
type handRecord struct {
	kind   farm.Kind
	id     uuid.UUID
	fields map[string]string
	from   map[string]string // where a field has another name in the form
	about  string            // tag, said with a problem where there are many
}

// hand is one form being shown or sent.
type hand struct {
	s      *Server
	ctx    context.Context
	act    *handAct
	values url.Values
	who    Identity
	zone   *time.Location
	now    time.Time
	id     uuid.UUID // of the form; records' ids follow from it
	when   time.Time // what was typed; the form's opening when it was left alone
	person string    // who did it
	back   string    // page to come back to; "" Upkeep
	seen   store.DataVersion
	farm   firstlayer.Farm // the farm's own cautions
	opens  bool            // the form is being opened: as of now, and nothing is stored
	page   views.FormPage

	spots    []store.Spot // at the instant before when
	spotted  bool
	printers []*farm.Printer
}

// caution is what the farm says first where these can hurt.
func (h *hand) caution(of ...firstlayer.Hazard) string { return h.farm.Caution(of...) }

// wrong notes a problem at a field.
func (h *hand) wrong(field, words string) {
	h.page.Problems = append(h.page.Problems, views.FormProblem{Field: field, Words: words})
}

func (h *hand) text(name string) string { return strings.TrimSpace(h.values.Get(name)) }

// code reads a choice; nothing chosen is a problem where it is required.
func (h *hand) code(name string, codes []string, missing string) string {
	v := h.text(name)
	switch {
	case v == "" && missing != "":
		h.wrong(name, missing)
	case v != "" && !slices.Contains(codes, v):
		h.wrong(name, "Choose one of the answers.")
		return ""
	}
	return v
}

// whenLayout is how a browser sends a local time.
const whenLayout = "2006-01-02T15:04"

// opened is the instant in which the form was opened, as its id tells.
func (h *hand) opened() time.Time {
	ts, err := uuid.TimestampFromV7(h.id)
	if err != nil {
		return h.now
	}
	t, err := ts.Time()
	if err != nil || t.After(h.now) || h.now.Sub(t) > 24*time.Hour {
		return h.now
	}
	return t.UTC().Truncate(time.Microsecond)
}

// readWhen reads when it was done, in the farm's zone. The minute in which the
// form was opened stands for the instant of opening: what was just done comes
// after what happened earlier in that minute, and a form sent twice says the same.
func (h *hand) readWhen() {
	typed := h.text("when")
	opened := h.opened()
	if typed == "" || typed == opened.In(h.zone).Format(whenLayout) {
		h.when = opened
		return
	}
	h.when = opened
	for _, layout := range []string{whenLayout, "2006-01-02T15:04:05", "2006-01-02 15:04"} {
		t, err := time.ParseInLocation(layout, typed, h.zone)
		if err != nil {
			continue
		}
		switch {
		case t.In(h.zone).Format(layout) != typed:
			h.wrong("when", "There was no such time: the clocks went forward then. Give the time before or after.")
		case t.After(h.now.Add(time.Minute)):
			h.wrong("when", "Log what was done, not what will be: the time must not lie after now, "+clock(h.now, h.zone)+".")
		case t.Before(h.now.AddDate(-10, 0, 0)):
			h.wrong("when", "This is more than ten years ago. Check the year.")
		default:
			h.when = t
		}
		return
	}
	h.wrong("when", "Give the date and the time, for example "+h.now.In(h.zone).Format("2006-01-02 15:04")+".")
}

// readPerson reads who did it: oneself, unless one may record for others.
func (h *hand) readPerson() {
	h.person = h.text("person")
	if h.person == "" {
		h.person = h.who.Handle
	}
	if h.person != "" && !farm.ValidKey(h.person, 64) {
		h.wrong("person", "Choose a person from the list.")
		h.person = ""
	}
}

// number reads a number that may have a comma, blanks, a unit, a true minus; ""
// is NaN.
func (h *hand) number(name, unit string, least, most float64, expected string) float64 {
	v := h.text(name)
	if v == "" {
		return farm.Unknown()
	}
	x, ok := typedNumber(v, unit)
	if !ok || x < least || x > most {
		h.wrong(name, expected)
		return farm.Unknown()
	}
	return x
}

// typedNumber reads a number as people type it.
func typedNumber(v, unit string) (float64, bool) {
	v = strings.NewReplacer("\u2212", "-", "\u00a0", "", "\u202f", "", " ", "").Replace(v)
	v = strings.TrimSuffix(v, unit)
	v = strings.TrimPrefix(strings.Replace(v, ",", ".", 1), "+")
	if strings.HasPrefix(v, ".") {
		v = "0" + v
	}
	if strings.HasPrefix(v, "-.") {
		v = "-0" + v[1:]
	}
	return farm.ParseNumber(v)
}

func numberText(x float64) string {
	if !farm.Known(x) {
		return ""
	}
	return string(farm.AppendNumber(nil, x))
}

// own gives the id of the record an act makes about a thing; the first of a
// form is the form's own.
func (h *hand) own(about string) uuid.UUID { return uuid.NewV5(h.id, about) }

// record starts a record with who did it and who says so.
func (h *hand) record(kind farm.Kind, about, whenField string, fields map[string]string) handRecord {
	fields[whenField] = stamp(h.when)
	fields["noted_by"] = h.who.Handle
	if fields["person"] == "" {
		fields["person"] = h.person
	}
	return handRecord{kind: kind, id: h.own(string(kind) + "/" + about), fields: fields, about: about,
		from: map[string]string{whenField: "when"}}
}

// item puts a record through the same intake as the API's.
func (r handRecord) item(now time.Time) (intake.Item, error) {
	body := map[string]string{"kind": string(r.kind), "id": r.id.String()}
	for k, v := range r.fields {
		if v != "" {
			body[k] = v
		}
	}
	raw, err := json.Marshal(body)
	if err != nil {
		return intake.Item{}, err
	}
	return intake.ParseRecord(raw, "", now), nil
}

// getHand shows an act's form.
func getHand(a *handAct) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			for name := range c.QueryParams() {
				if !slices.Contains(a.prefil, name) {
					return badRequest(fault.Problem{Column: name, Found: name, Expected: "one of " + strings.Join(a.prefil, ", ")})
				}
			}
			id, err := uuid.NewV7AtTime(s.now())
			if err != nil {
				return err
			}
			h, err := s.newHand(c, a, c.QueryParams(), id)
			if err != nil {
				return err
			}
			h.when, h.person, h.back = h.opened(), h.who.Handle, s.cameFrom(c.Request())
			h.opens = true
			return h.show(c, http.StatusOK)
		}
	}
}

func (s *Server) newHand(c echo.Context, a *handAct, values url.Values, id uuid.UUID) (*hand, error) {
	now := s.now()
	frame, err := s.store.Frame(c.Request().Context(), now)
	if err != nil {
		return nil, err
	}
	h := &hand{s: s, ctx: c.Request().Context(), act: a, values: values, who: identity(c), zone: frame.Settings.Zone(), now: now, id: id, seen: frame.Version, farm: firstlayer.FarmOf(frame.Settings, nil)}
	h.page = views.FormPage{Shell: withClock(s.shell(c, a.title, "/upkeep"), now, h.zone), Crumb: s.url("/upkeep"), Action: s.url("/upkeep/" + a.slug)}
	return h, nil
}

// show renders the form as it stands: empty, filled, or refused.
func (h *hand) show(c echo.Context, status int) error {
	if err := h.act.page(h); err != nil {
		return err
	}
	if h.page.Action != "" {
		if err := h.common(); err != nil {
			return err
		}
	}
	beside(h.page.Fields, h.page.Problems)
	beside(h.page.Adders, h.page.Problems)
	beside(h.page.More, h.page.Problems)
	for _, f := range h.page.More {
		h.page.MoreOpen = h.page.MoreOpen || f.Wrong != "" || f.Value != ""
		for _, o := range f.Options {
			h.page.MoreOpen = h.page.MoreOpen || o.Chosen && o.Value != ""
		}
	}
	return render(c, status, views.Form(h.page))
}

// beside puts each problem beside its field.
func beside(fields []views.Field, problems []views.FormProblem) {
	for i := range fields {
		for _, p := range problems {
			if p.Field == fields[i].Name && fields[i].Wrong == "" {
				fields[i].Wrong = p.Words
			}
		}
	}
}

// common adds what every act asks: when and who.
func (h *hand) common() error {
	h.page.Hidden = append(h.page.Hidden, views.Fact{Word: "id", Value: h.id.String()})
	if h.back != "" {
		h.page.Hidden = append(h.page.Hidden, views.Fact{Word: "back", Value: h.back})
	}
	if h.page.Alone {
		return nil
	}
	when := h.text("when")
	if when == "" {
		when = h.opened().In(h.zone).Format(whenLayout)
	}
	h.page.Fields = append(h.page.Fields, views.Field{Name: "when", Label: "When", Kind: "when", Value: when,
		Hint: "In the farm's time, " + h.zone.String() + ". Change it for what was done earlier.", Max: h.now.Add(time.Minute).In(h.zone).Format(whenLayout)})
	who := views.Field{Name: "person", Label: "Done by", Kind: "fixed", Value: h.who.Handle}
	if h.who.anyPerson() {
		var err error
		who.Kind = "select"
		if who.Options, err = h.crew(orCode(h.values.Get("person"), h.who.Handle)); err != nil {
			return err
		}
	}
	h.page.Fields = append(h.page.Fields, who)
	return nil
}

// crew is who may have done it: everybody who has not left, and whoever is chosen.
func (h *hand) crew(chosen string) ([]views.Option, error) {
	people, err := h.s.store.Crew(h.ctx, chosen)
	if err != nil {
		return nil, err
	}
	out := make([]views.Option, 0, len(people))
	for _, p := range people {
		word := p.Handle
		if p.Name != "" && p.Name != p.Handle {
			word = p.Name + " (" + p.Handle + ")"
		}
		out = append(out, views.Option{Value: p.Handle, Word: word, Chosen: p.Handle == chosen})
	}
	return out, nil
}

// postHand takes an act's form: saved whole or not at all.
func postHand(a *handAct) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			values, err := readHandForm(c, a)
			if err != nil {
				return err
			}
			id, err := uuid.FromString(values.Get("id"))
			if err != nil {
				return badRequest(fault.Problem{Column: "id", Found: values.Get("id"), Expected: "the form's own number: open the form again"})
			}
			h, err := s.newHand(c, a, values, id)
			if err != nil {
				return err
			}
			h.readWhen()
			h.readPerson()
			h.back = backTo(values.Get("back"))
			records, err := a.build(h)
			if err != nil {
				return err
			}
			switch {
			case len(h.page.Problems) > 0:
				return h.show(c, http.StatusUnprocessableEntity)
			case values.Get("do") == "add" || values.Get("do") == "look" || len(records) == 0:
				return h.show(c, http.StatusOK)
			}
			act, saved, err := h.save(records, "")
			if err != nil {
				return err
			}
			if !saved {
				return h.show(c, http.StatusUnprocessableEntity)
			}
			back := h.back
			if back == "" {
				back = "/upkeep"
			}
			return c.Redirect(http.StatusSeeOther, s.url(withSaved(back, strconv.FormatInt(act, 10))))
		}
	}
}

// readHandForm reads an act's form: fields it knows, at most once each.
func readHandForm(c echo.Context, a *handAct) (url.Values, error) {
	kind, _, err := mime.ParseMediaType(c.Request().Header.Get(echo.HeaderContentType))
	if err != nil || kind != "application/x-www-form-urlencoded" {
		return nil, echo.NewHTTPError(http.StatusUnsupportedMediaType, "Send the form as application/x-www-form-urlencoded.")
	}
	names := append([]string{"id", "when", "person", "back", "do"}, a.names...)
	form, err := readForm(c, names...)
	if err != nil {
		return nil, err
	}
	values := url.Values{}
	for k, v := range form {
		values.Set(k, strings.ReplaceAll(v, "\r\n", "\n"))
	}
	return values, nil
}

// save stores the act's records; what is refused comes back as problems at the
// fields it is about.
// kept is a person's name that may stand in them although it is not the sender's,
// because it stood there before; "" none.
func (h *hand) save(records []handRecord, kept string) (act int64, saved bool, err error) {
	items := make([]intake.Item, len(records))
	for i, r := range records {
		if items[i], err = r.item(h.now); err != nil {
			return 0, false, err
		}
		if items[i].Err != nil {
			continue
		}
		refusal, err := h.s.fieldRights(h.ctx, h.who, &items[i])
		if err != nil {
			return 0, false, err
		}
		if refusal != nil && !(kept != "" && len(refusal.Problems) == 1 && refusal.Problems[0].Found == kept) {
			return 0, false, refusal
		}
	}
	var batch store.Batch
	if h.act != nil && h.act.store != nil && items[0].Err == nil {
		batch, err = h.act.store(h, items)
	} else {
		batch, err = h.s.store.RecordAll(h.ctx, h.who.act("page"), items)
	}
	var refusal *fault.Error
	switch {
	case err == nil:
		return batch.Act, true, nil
	case errors.As(err, &refusal) && refusal.Kind == fault.Conflict:
		h.wrong("", "This form was saved before with other content, which stays as it is. Open the form again to log something else, or undo the entry in the list of what was logged lately.")
		return 0, false, nil
	case errors.As(err, &refusal) && refusal.Kind == fault.Invalid:
		for _, p := range refusal.Problems {
			h.refused(records, p)
		}
		return 0, false, nil
	}
	return 0, false, err
}

// refused puts a problem of a record at the form's field.
func (h *hand) refused(records []handRecord, p fault.Problem) {
	parts := strings.SplitN(strings.TrimPrefix(p.Pointer, "/records/"), "/", 2)
	i, err := strconv.Atoi(parts[0])
	field, words := "", sentence("Found "+fault.Quote(p.Found)+", expected "+p.Expected)
	if err == nil && i < len(records) && len(parts) == 2 {
		name, _, _ := strings.Cut(parts[1], "/")
		field = name
		if from, ok := records[i].from[name]; ok {
			field = from
		}
		if len(records) > 1 {
			words = records[i].about + ": " + words
		}
	}
	if field != "" && field != "when" && field != "person" && !slices.Contains(h.act.names, field) {
		field = ""
	}
	h.wrong(field, words)
}

// stamp writes a time as records have it.
func stamp(t time.Time) string { return intake.Stamp(t) }

func cloneValues(v url.Values) url.Values {
	out := url.Values{}
	for k, list := range v {
		out[k] = slices.Clone(list)
	}
	return out
}
