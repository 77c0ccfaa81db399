package web

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// Limits of a page of a list.
const (
	listUsual = 100
	listMost  = 500
)

// apiReads are the routes that read the farm: a list and single ones for each
// file of the bundle, under the file's name with hyphens.
func apiReads() []Route {
	var out []Route
	for _, t := range intake.Tables {
		path, role := "/api/v1/"+strings.ReplaceAll(t.Name, "_", "-"), roleOperator
		switch t.Kind {
		case farm.KindScrew:
			out = append(out, Route{Method: http.MethodGet, Path: "/api/v1/printers/:tag/screws", Role: role, handle: (*Server).apiScrews, patience: usual, doc: docScrews})
			continue
		case farm.KindPerson, farm.KindShift, farm.KindSetting, farm.KindMapping:
			role = roleManager // who works here and when is not everybody's to read
		case farm.KindRegrade, farm.KindQualification, farm.KindPracticeItem:
			role = roleManager // nor how others grade, nor the answers of the practice
		}
		list, one := apiThings(t), apiThing(t)
		param := "/:tag"
		if t.Event {
			list, one, param = apiEvents(t), apiEvent(t), "/:id"
		}
		out = append(out,
			Route{Method: http.MethodGet, Path: path, Role: role, handle: list, patience: usual, doc: docList(t)},
			Route{Method: http.MethodGet, Path: path + param, Role: role, handle: one, patience: usual, doc: docOne(t)})
	}
	return out
}

// apiThings lists things by their names.
func apiThings(t *intake.Table) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c, "cursor", "limit"); err != nil {
				return err
			}
			limit, err := readLimit(c)
			if err != nil {
				return err
			}
			after, err := openCursor(c)
			if err != nil || after != "" && !farm.ValidKey(after, 64) {
				return wrongCursor(c)
			}
			list, err := s.store.ThingsAfter(c.Request().Context(), t.Kind, after, limit+1)
			if err != nil {
				return err
			}
			return writeList(c, t, list, limit, func(rec any) string { return t.Fields[0].Text(rec) })
		}
	}
}

// apiThing gives one thing by its name.
func apiThing(t *intake.Table) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c); err != nil {
				return err
			}
			name, err := apiName(c, "tag")
			if err != nil {
				return err
			}
			rec, err := s.store.Thing(c.Request().Context(), t.Kind, name)
			if err != nil {
				return err
			}
			return writeRawJSON(c, append(appendRecord(nil, t, rec), '\n'))
		}
	}
}

// apiScrews lists a printer's screws.
func (s *Server) apiScrews() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		tag, err := apiName(c, "tag")
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		if _, err := s.store.PrinterByTag(ctx, tag); err != nil {
			return err
		}
		screws, err := s.store.Screws(ctx, tag)
		if err != nil {
			return err
		}
		list := make([]any, len(screws))
		for i := range screws {
			list[i] = screws[i]
		}
		return writeRawJSON(c, listAnswer(intake.TableOf(farm.KindScrew), list, ""))
	}
}

// apiEvents lists events by the time they happened and id.
func apiEvents(t *intake.Table) func(*Server) echo.HandlerFunc {
	names := eventParams(t)
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c, names...); err != nil {
				return err
			}
			f := store.EventFilter{Printer: c.QueryParam("printer"), Plate: c.QueryParam("plate")}
			for name, tag := range map[string]string{"printer": f.Printer, "plate": f.Plate} {
				if tag != "" && !farm.ValidKey(tag, 64) {
					return badRequest(fault.Problem{Column: name, Found: tag, Expected: "a tag"})
				}
			}
			for name, to := range map[string]*time.Time{"since": &f.Since, "until": &f.Until, "arrived_since": &f.ArrivedSince} {
				at, err := readTime(c, name)
				if err != nil {
					return err
				}
				*to = at
			}
			limit, err := readLimit(c)
			if err != nil {
				return err
			}
			text, err := openCursor(c)
			if err == nil {
				f.After, err = readCursor(text, "cursor")
			}
			if err != nil {
				return wrongCursor(c)
			}
			f.Limit = limit + 1
			list, err := s.store.Events(c.Request().Context(), t.Kind, f)
			if err != nil {
				return err
			}
			return writeList(c, t, list, limit, func(rec any) string {
				return cursorText(*t.Fields[t.When].At(rec).(*time.Time), t.Fields[0].At(rec).(*farm.ID).UUID)
			})
		}
	}
}

// eventParams are the parameters a list of events takes.
func eventParams(t *intake.Table) []string {
	var names []string
	printer, plate := store.Filters(t)
	if printer {
		names = append(names, "printer")
	}
	if plate {
		names = append(names, "plate")
	}
	return append(names, "since", "until", "arrived_since", "cursor", "limit")
}

// apiEvent gives one event by its id, as UUID or as its recorder wrote it.
func apiEvent(t *intake.Table) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c); err != nil {
				return err
			}
			text, err := apiName(c, "id")
			if err != nil {
				return err
			}
			id, err := farm.NewID(t.Kind, text)
			if err != nil || id.UUID == uuid.Nil {
				return nothingCalled(text)
			}
			rec, err := s.store.Event(c.Request().Context(), t.Kind, id)
			if err != nil {
				return err
			}
			return writeRawJSON(c, append(appendRecord(nil, t, rec), '\n'))
		}
	}
}

// apiName reads a name out of the address.
func apiName(c echo.Context, param string) (string, error) {
	v := c.Param(param)
	if c.Request().URL.RawPath != "" {
		if plain, err := url.PathUnescape(v); err == nil {
			v = plain
		}
	}
	if !farm.ValidKey(v, 64) {
		return "", nothingCalled(v)
	}
	return v, nil
}

func nothingCalled(name string) error {
	return fault.New(fault.NotFound, "There is nothing called %s here.", fault.Quote(name))
}

// openCursor undoes what closeCursor did. A cursor is the place of the last item,
// in base64 so that nobody builds one by hand.
func openCursor(c echo.Context) (string, error) {
	raw, err := base64.RawURLEncoding.DecodeString(c.QueryParam("cursor"))
	return string(raw), err
}

func closeCursor(place string) string { return base64.RawURLEncoding.EncodeToString([]byte(place)) }

func wrongCursor(c echo.Context) error {
	return badRequest(fault.Problem{Column: "cursor", Found: c.QueryParam("cursor"), Expected: "a place as given in next"})
}

func readLimit(c echo.Context) (int, error) {
	text := c.QueryParam("limit")
	if text == "" {
		return listUsual, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > listMost {
		return 0, badRequest(fault.Problem{Column: "limit", Found: text, Expected: "a whole number from 1 to 500"})
	}
	return n, nil
}

// writeList answers a page of a list that was read with one item more than it
// shows; place gives an item's cursor.
func writeList(c echo.Context, t *intake.Table, list []any, limit int, place func(rec any) string) error {
	next := ""
	if len(list) > limit {
		list = list[:limit]
		next = closeCursor(place(list[limit-1]))
	}
	return writeRawJSON(c, listAnswer(t, list, next))
}

// writeRawJSON answers JSON with an ETag; a sender that has it already gets 304
// and no body. The tag is weak because the body may go packed.
func writeRawJSON(c echo.Context, body []byte) error {
	sum := sha256.Sum256(body)
	tag := `W/"` + hex.EncodeToString(sum[:12]) + `"`
	h := c.Response().Header()
	h.Set("ETag", tag)
	if hasTag(c.Request().Header.Values("If-None-Match"), tag) {
		h.Add(echo.HeaderVary, echo.HeaderAcceptEncoding)
		c.Response().WriteHeader(http.StatusNotModified)
		return nil
	}
	h.Set(echo.HeaderContentType, "application/json")
	return writeBody(c, http.StatusOK, body)
}

// hasTag tells whether If-None-Match names an entity tag (RFC 9110 13.1.2: weak
// comparison).
func hasTag(headers []string, tag string) bool {
	for part := range strings.SplitSeq(strings.Join(headers, ","), ",") {
		part = strings.TrimSpace(part)
		if part == "*" || strings.TrimPrefix(part, "W/") == strings.TrimPrefix(tag, "W/") {
			return true
		}
	}
	return false
}

// readTime reads a time with an offset from the address; "" is the zero time. A
// plus sign that arrived as a blank is taken as the plus it was.
func readTime(c echo.Context, name string) (time.Time, error) {
	text := c.QueryParam(name)
	if text == "" {
		return time.Time{}, nil
	}
	t, ok := intake.ParseTime(text)
	if !ok && len(text) > 6 && text[len(text)-6] == ' ' {
		t, ok = intake.ParseTime(text[:len(text)-6] + "+" + text[len(text)-5:])
	}
	if !ok {
		return time.Time{}, badRequest(fault.Problem{Column: name, Found: text, Expected: "a time with an offset, such as 2026-03-11T19:42:59Z"})
	}
	return t, nil
}

// apiFindings answers the object the command prints.
func (s *Server) apiFindings() echo.HandlerFunc {
	return s.apiAsOf(Findings.Answer)
}

// apiRisk answers the object the command prints.
func (s *Server) apiRisk() echo.HandlerFunc {
	return s.apiAsOf(Findings.Risk)
}

// planConfidence is how sure a job is to get what it needs when nothing is said.
const planConfidence = 0.95

// apiPlan answers the object the command prints.
func (s *Server) apiPlan() echo.HandlerFunc {
	return func(c echo.Context) error {
		confidence := planConfidence
		if text := c.QueryParam("confidence"); text != "" {
			x, ok := farm.ParseNumber(text)
			if !ok || !(x > 0 && x < 1) {
				return badRequest(fault.Problem{Column: "confidence", Found: text, Expected: "a number above 0 and below 1"})
			}
			confidence = x
		}
		return s.apiAsOf(func(f Findings, ctx context.Context, at, knownAt, from, to time.Time) ([]byte, error) {
			return f.Plan(ctx, at, knownAt, from, to, confidence)
		}, "confidence")(c)
	}
}

// apiUpkeep answers the object the command prints.
func (s *Server) apiUpkeep() echo.HandlerFunc {
	return func(c echo.Context) error {
		of := func(f Findings, ctx context.Context, at, knownAt, from, to time.Time) ([]byte, error) {
			return f.Upkeep(ctx, at, knownAt, from, to, c.QueryParam("printer"))
		}
		return s.apiAsOf(of, "printer")(c)
	}
}

// apiAsOf reads for when an answer is asked, and writes it. also names parameters
// that somebody else reads.
func (s *Server) apiAsOf(answer func(f Findings, ctx context.Context, at, knownAt, from, to time.Time) ([]byte, error), also ...string) echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, append([]string{"at", "known_at", "from", "to"}, also...)...); err != nil {
			return err
		}
		var times [4]time.Time
		for i, name := range []string{"at", "known_at", "from", "to"} {
			t, err := readTime(c, name)
			if err != nil {
				return err
			}
			times[i] = t
		}
		if from, to := times[2], times[3]; !from.IsZero() && !to.IsZero() && !from.Before(to) {
			return badRequest(fault.Problem{Column: "from", Found: c.QueryParam("from"), Expected: "a time before to"})
		}
		if times[0].IsZero() {
			times[0] = s.now()
		}
		body, err := answer(s.cfg.Findings, c.Request().Context(), times[0], times[1], times[2], times[3])
		if err != nil {
			return err
		}
		return writeRawJSON(c, body)
	}
}

// takesJSON tells whether an Accept header takes application/json (RFC 9110
// 12.5.1); without one everything is taken.
func takesJSON(headers []string) bool {
	accept := strings.TrimSpace(strings.Join(headers, ","))
	if accept == "" {
		return true
	}
	best, at := 0.0, -1 // the most specific range decides
	for part := range strings.SplitSeq(accept, ",") {
		kind, params, _ := strings.Cut(part, ";")
		rank := slices.Index([]string{"*/*", "application/*", "application/json"}, strings.ToLower(strings.TrimSpace(kind)))
		if rank < 0 || rank < at {
			continue
		}
		q := 1.0
		for p := range strings.SplitSeq(params, ";") {
			if name, v, ok := strings.Cut(strings.TrimSpace(p), "="); ok && strings.EqualFold(name, "q") {
				if x, err := strconv.ParseFloat(v, 64); err == nil {
					q = x
				}
			}
		}
		best, at = q, rank
	}
	return at >= 0 && best > 0
}
