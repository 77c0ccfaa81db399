package web

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"

	"github.com/labstack/echo/v4"
)

// recordResult tells what became of one record, in the order sent.
type recordResult struct {
	ID     string   `json:"id"`  // UUID; as sent where it could not be read
	Ref    *string  `json:"ref"` // the id's text where it is no UUID
	Result string   `json:"result"`
	Error  *Problem `json:"error,omitempty"`
}

// postRecords takes 1 to 500 records, each for itself: what is answered recorded is
// durable, and a bad record hides no good one.
func (s *Server) postRecords() echo.HandlerFunc {
	return func(c echo.Context) error {
		body, err := readJSONBody(c)
		if err != nil {
			return err
		}
		items, err := intake.ParseRecords(body, s.store.Now())
		if err != nil {
			return unreadable(err)
		}
		who := identity(c)
		act := who.act("api")
		act.Why = clockNote(c.Request().Header.Get(sentAt), s.store.Now())
		results := make([]recordResult, len(items))
		if err := s.recordEach(c, act, who, items, func(i int, result store.Result, err error) {
			results[i] = s.resultOf(c, i, &items[i], result, err)
			s.metrics.records.WithLabelValues(results[i].Result).Inc()
		}); err != nil {
			// What was recorded so far is safe to send again, so the sender keeps the
			// whole batch.
			return err
		}
		return writeJSON(c, http.StatusOK, map[string]any{"results": results})
	}
}

// sentAt is the header in which a device says what its own clock shows.
const sentAt = "X-Sent-At"

// clockOff is how far a device's clock may be off without a note.
const clockOff = time.Minute

// clockNote says how far the sender's clock is off, to be kept with the act: what
// it recorded was timed by that clock, or by what it measured of it. "" where it is
// right, or nothing was said.
func clockNote(said string, now time.Time) string {
	t, err := time.Parse(time.RFC3339, said)
	if err != nil {
		return ""
	}
	way := "ahead"
	off := t.Sub(now)
	if off < 0 {
		way, off = "behind", -off
	}
	if off < clockOff || off > 1000*24*time.Hour {
		return ""
	}
	return "the sender's clock is " + off.Round(time.Second).String() + " " + way
}

// recordEach records what the sender may record, in its order, and tells what became
// of each. A voiding is looked into after what was sent before it is recorded. An error
// is for the whole: the rest would fail alike.
func (s *Server) recordEach(c echo.Context, act store.Act, who Identity, items []intake.Item, tell func(i int, result store.Result, err error)) error {
	ctx := c.Request().Context()
	var places []int
	var wanted []intake.Item
	send := func() error {
		each, err := s.store.RecordEach(ctx, act, wanted)
		if err != nil {
			return err
		}
		for n, i := range places {
			tell(i, each[n].Result, each[n].Err)
		}
		places, wanted = places[:0], wanted[:0]
		return nil
	}
	for i := range items {
		if _, void := items[i].Rec.(*intake.Void); void {
			if err := send(); err != nil {
				return err
			}
		}
		if err := s.mayRecord(ctx, who, &items[i]); broken(err) {
			return err
		} else if err != nil {
			tell(i, store.Result{ID: items[i].ID}, err)
			continue
		}
		places, wanted = append(places, i), append(wanted, items[i])
	}
	return send()
}

func (s *Server) mayRecord(ctx context.Context, who Identity, item *intake.Item) error {
	if item.Err != nil {
		return item.Err
	}
	refusal, err := s.fieldRights(ctx, who, item)
	if err != nil {
		return err
	}
	if refusal != nil {
		return refusal
	}
	if err := s.policyRights(ctx, who, item); err != nil {
		return err
	}
	defaultNames(who, item)
	return nil
}

// broken tells whether the whole body has to be sent again.
func broken(err error) bool {
	return err != nil && (fault.Is(err, fault.Busy) || errors.Is(err, store.ErrUnknownOutcome))
}

func (s *Server) resultOf(c echo.Context, i int, item *intake.Item, result store.Result, err error) recordResult {
	id := result.ID
	if id.IsZero() {
		id = item.ID
	}
	out := recordResult{ID: item.Sent, Result: string(result.Outcome)}
	if !id.IsZero() {
		out.ID = id.UUID.String()
		if id.Ref != "" {
			out.Ref = &id.Ref
		}
	}
	if err != nil {
		out.Result = "refused"
		if fault.Is(err, fault.Internal) {
			s.log.LogAttrs(c.Request().Context(), slog.LevelError, "record not stored", slog.String("request", requestID(c)), slog.String("error", err.Error()))
		}
		p := problemOf(err, requestID(c))
		if p.Status == fault.NotFound.Status() {
			p.Status = fault.Invalid.Status()
		}
		p.Problems = pointed(p.Problems, "/records/"+strconv.Itoa(i))
		if p.Detail == "" && len(p.Problems) > 0 {
			p.Detail = sentence(p.Problems[0].String())
		}
		out.Error = &p
	}
	return out
}

// pointed gives problems that name a field their place in the body.
func pointed(list []fault.Problem, record string) []fault.Problem {
	list = slices.Clone(list)
	for i := range list {
		if list[i].Pointer == "" {
			list[i].Pointer = record
			if list[i].Column != "" {
				list[i].Pointer += "/" + list[i].Column
			}
			list[i].Column = ""
		}
	}
	return list
}

// unreadable makes a refusal of the whole body 400, whatever it says.
func unreadable(err error) error {
	var e *fault.Error
	if !errors.As(err, &e) || e.Kind != fault.Invalid {
		return err
	}
	if e.Detail == "" && len(e.Problems) > 0 {
		e.Detail = e.Problems[0].String()
	}
	return malformed{e}
}

// readJSONBody reads a whole body of type application/json.
func readJSONBody(c echo.Context) ([]byte, error) {
	kind, params, err := mime.ParseMediaType(c.Request().Header.Get(echo.HeaderContentType))
	if err != nil || kind != "application/json" || params["charset"] != "" && params["charset"] != "utf-8" && params["charset"] != "UTF-8" {
		return nil, echo.NewHTTPError(http.StatusUnsupportedMediaType, "Send the body as application/json.")
	}
	body, err := io.ReadAll(c.Request().Body)
	if n := new(http.MaxBytesError); errors.As(err, &n) {
		return nil, tooLarge(n.Limit)
	}
	if fault.Is(err, fault.Busy) {
		return nil, err
	}
	if err != nil {
		return nil, malformed{fault.Wrap(fault.Invalid, err, "The body ended early.")}
	}
	return body, nil
}

// Fields that name a person, fields only the server writes, and of these the ones that a
// manager or a token may set all the same: the chance of a look list that is kept elsewhere.
// What a lot drew comes from the server alone; bundles, which restore it, are imported.
var (
	personFields = []string{"grader", "person", "released_by", "noted_by", "voided_by"}
	serverFields = []string{"arrived_at", "look_drawn"}
	chanceFields = []string{"look_chance"}
)

// fieldRights refuses fields the sender may not set: another person's name from
// an operator's session, and the time of arrival from anybody. From a tablet one may
// name whoever has a PIN on it.
func (s *Server) fieldRights(ctx context.Context, who Identity, item *intake.Item) (*fault.Error, error) {
	var problems []fault.Problem
	for _, name := range item.Fields {
		value := fieldText(item, name)
		switch {
		case slices.Contains(serverFields, name), slices.Contains(chanceFields, name) && !who.anyPerson():
			problems = append(problems, fault.Problem{Column: name, Found: value, Expected: "no value: the server sets it"})
		case slices.Contains(personFields, name) && !who.anyPerson() && value != who.Handle:
			expected := "yourself, " + who.Handle + ": only a manager or a token records for others"
			if who.Tablet != 0 {
				_, err := s.store.PinByHandle(ctx, value)
				if err == nil {
					continue
				}
				if !fault.Is(err, fault.NotFound) {
					return nil, err
				}
				expected = "somebody with a PIN, as this is a shared tablet"
			}
			problems = append(problems, fault.Problem{Column: name, Found: value, Expected: expected})
		}
	}
	if len(problems) == 0 {
		return nil, nil
	}
	return &fault.Error{Kind: fault.Forbidden, Detail: "The sender may not set " + problems[0].Column + " to this.", Problems: problems}, nil
}

// policyRights refuses policies, what is expected of jobs, draws, evidence sheets, and what is known of how
// people grade, and their voiding, from who may not set them.
func (s *Server) policyRights(ctx context.Context, who Identity, item *intake.Item) error {
	if item.Kind == farm.KindPhoto {
		return fault.At(fault.Problem{Pointer: "/kind", Found: "photo", Expected: "the picture with it: send it to /api/v1/photos"})
	}
	if item.Kind == farm.KindDraw { // whoever sends it: its outcome must be the lot's
		return fault.New(fault.Forbidden, "Draws are written down by the program as it draws.")
	}
	if roleRank(who.Role) >= roleRank(roleManager) {
		return nil
	}
	refused := map[farm.Kind]string{farm.KindPolicy: "Policies are for managers and admins to set.",
		farm.KindJobForecast:   "What is expected of jobs is for managers, admins and the program to write down.",
		farm.KindEvidenceSheet: "Evidence sheets are for managers, admins and the program to write down.",
		farm.KindRegrade:       "Second grades come from their own page, or from managers and admins.",
		farm.KindPracticeItem:  "What is practised on is for managers and admins to choose.",
		farm.KindQualification: "Practice comes from its own page, or from managers and admins.",
		farm.KindDraw:          "Draws are written down by the program as it draws.",
		farm.KindCaseStep:      "Cases are for managers and admins to decide.",
		farm.KindPlannedTest:   "Tests are for managers and admins to begin and to end."}
	v, ok := item.Rec.(*intake.Void)
	if !ok {
		if words := refused[item.Kind]; words != "" {
			return fault.New(fault.Forbidden, "%s", words)
		}
		return nil
	}
	for kind := range refused {
		id, err := farm.NewID(kind, v.Record)
		if err != nil {
			return nil // what is wrong with it is said where it is stored
		}
		if _, err := s.store.Event(ctx, kind, id); err == nil {
			return fault.New(fault.Forbidden, "%s", refused[kind])
		} else if !fault.Is(err, fault.NotFound) {
			return err
		}
	}
	return nil
}

// fieldText is a field of a parsed record as text.
func fieldText(item *intake.Item, name string) string {
	if v, ok := item.Rec.(*intake.Void); ok {
		if name == "voided_by" {
			return v.VoidedBy
		}
		return ""
	}
	t := intake.TableOf(item.Kind)
	if t == nil || t.Field(name) < 0 {
		return ""
	}
	return t.Fields[t.Field(name)].Text(item.Rec)
}

// defaultNames notes who voided a record when the sender is a person and says
// nothing; other names stay as sent, because an absent field says nothing and a
// repeat must stay a repeat.
func defaultNames(who Identity, item *intake.Item) {
	if v, ok := item.Rec.(*intake.Void); ok && v.VoidedBy == "" && who.Person != 0 {
		v.VoidedBy = who.Handle
	}
}
