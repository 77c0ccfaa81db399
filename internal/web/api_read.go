package web

import (
	"encoding/base64"
	"net/http"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"

	"github.com/labstack/echo/v4"
)

// Limits of a page of a list.
const (
	listUsual = 100
	listMost  = 500
)

func (s *Server) apiPrinters() echo.HandlerFunc {
	return func(c echo.Context) error {
		after, limit, err := tagPage(c)
		if err != nil {
			return err
		}
		list, err := s.store.Printers(c.Request().Context(), after, limit+1)
		if err != nil {
			return err
		}
		return writeTags(c, farm.KindPrinter, list, limit, func(p *farm.Printer) string { return p.Tag })
	}
}

func (s *Server) apiPlates() echo.HandlerFunc {
	return func(c echo.Context) error {
		after, limit, err := tagPage(c)
		if err != nil {
			return err
		}
		list, err := s.store.Plates(c.Request().Context(), after, limit+1)
		if err != nil {
			return err
		}
		return writeTags(c, farm.KindPlate, list, limit, func(p *farm.Plate) string { return p.Tag })
	}
}

// tagPage reads cursor and limit of a list by tag; the cursor is the last tag,
// in base64 so that nobody builds one by hand.
func tagPage(c echo.Context) (after string, limit int, err error) {
	if err := onlyParams(c, "cursor", "limit"); err != nil {
		return "", 0, err
	}
	if limit, err = readLimit(c); err != nil {
		return "", 0, err
	}
	raw, err := base64.RawURLEncoding.DecodeString(c.QueryParam("cursor"))
	if err != nil || len(raw) > 0 && !farm.ValidKey(string(raw), 64) {
		return "", 0, badRequest(fault.Problem{Column: "cursor", Found: c.QueryParam("cursor"), Expected: "a place as given in next"})
	}
	return string(raw), limit, nil
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

func writeTags[T any](c echo.Context, kind farm.Kind, list []*T, limit int, tag func(*T) string) error {
	next := ""
	if len(list) > limit {
		list = list[:limit]
		next = base64.RawURLEncoding.EncodeToString([]byte(tag(list[limit-1])))
	}
	return writeList(c, kind, list, next)
}

func writeList[T any](c echo.Context, kind farm.Kind, list []*T, next string) error {
	records := make([]any, len(list))
	for i, r := range list {
		records[i] = r
	}
	return writeRawJSON(c, listAnswer(intake.TableOf(kind), records, next))
}

func writeRawJSON(c echo.Context, body []byte) error {
	c.Response().Header().Set(echo.HeaderContentType, "application/json")
	return writeBody(c, http.StatusOK, body)
}

func (s *Server) apiFirstLayers() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "printer", "plate", "since", "arrived_since", "cursor", "limit"); err != nil {
			return err
		}
		f := store.FirstLayerFilter{Printer: c.QueryParam("printer"), Plate: c.QueryParam("plate")}
		var err error
		if f.Since, err = readTime(c, "since"); err != nil {
			return err
		}
		if f.ArrivedSince, err = readTime(c, "arrived_since"); err != nil {
			return err
		}
		if f.After, err = readCursor(c.QueryParam("cursor"), "cursor"); err != nil {
			return err
		}
		limit, err := readLimit(c)
		if err != nil {
			return err
		}
		f.Limit = limit + 1
		for name, tag := range map[string]string{"printer": f.Printer, "plate": f.Plate} {
			if tag != "" && !farm.ValidKey(tag, 64) {
				return badRequest(fault.Problem{Column: name, Found: tag, Expected: "a tag"})
			}
		}
		list, err := s.store.FirstLayers(c.Request().Context(), f)
		if err != nil {
			return err
		}
		next := ""
		if len(list) > limit {
			list = list[:limit]
			last := list[limit-1]
			next = cursorText(last.StartedAt, last.ID.UUID)
		}
		return writeList(c, farm.KindFirstLayer, list, next)
	}
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
	return func(c echo.Context) error {
		if err := onlyParams(c, "at", "known_at", "from", "to"); err != nil {
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
		body, err := s.cfg.Findings.Answer(c.Request().Context(), times[0], times[1], times[2], times[3])
		if err != nil {
			return err
		}
		return writeRawJSON(c, body)
	}
}
