package web

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"sync"
	"time"

	"basecourse/internal/fault"

	"github.com/labstack/echo/v4"
)

// compressFrom is the size in bytes from which packing pays.
const compressFrom = 2 << 10

var packers = sync.Pool{New: func() any { w, _ := gzip.NewWriterLevel(nil, 5); return w }}

func gzipped(body []byte) ([]byte, error) {
	var buf bytes.Buffer
	w := packers.Get().(*gzip.Writer)
	defer packers.Put(w)
	w.Reset(&buf)
	if _, err := w.Write(body); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return buf.Bytes(), nil
}

// takesGzip reads an Accept-Encoding header (RFC 9110 12.5.3).
func takesGzip(accept string) bool {
	for _, part := range strings.Split(accept, ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") {
			q = strings.ReplaceAll(q, " ", "")
			return q != "q=0" && q != "q=0.0" && q != "q=0.00" && q != "q=0.000"
		}
	}
	return false
}

// getFile serves an embedded file under its hashed name, to be kept for ever.
func (s *Server) getFile() echo.HandlerFunc {
	return func(c echo.Context) error {
		f, ok := s.assets.Get(c.Param("file"))
		if !ok {
			return fault.New(fault.NotFound, "There is no such file.")
		}
		h := c.Response().Header()
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
		h.Set("ETag", f.ETag)
		if c.Request().Header.Get("If-None-Match") == f.ETag {
			return c.NoContent(http.StatusNotModified)
		}
		h.Set(echo.HeaderContentType, f.Type)
		return writeBody(c, http.StatusOK, f.Content)
	}
}

// getFavicon leads browsers that ask for it by habit to the icon.
func (s *Server) getFavicon() echo.HandlerFunc {
	return func(c echo.Context) error { return c.Redirect(http.StatusSeeOther, s.asset("icon.svg")) }
}

// getRoot leads to the Floor.
func (s *Server) getRoot() echo.HandlerFunc {
	return func(c echo.Context) error { return c.Redirect(http.StatusSeeOther, s.url("/floor")) }
}

// getHealth says that the process answers; it asks nobody else.
func (s *Server) getHealth() echo.HandlerFunc {
	return func(c echo.Context) error { return writeJSON(c, http.StatusOK, map[string]string{"status": "up"}) }
}

// readyPatience is how long readiness waits for the database.
const readyPatience = 2 * time.Second

// getReady says whether the database answers, has the schema needed and room to
// write, and if not what is wrong.
func (s *Server) getReady() echo.HandlerFunc {
	return func(c echo.Context) error {
		ctx, cancel := context.WithTimeout(c.Request().Context(), readyPatience)
		defer cancel()
		if err := errors.Join(s.store.Ready(ctx), s.store.Room(ctx)); err != nil {
			return fault.Wrap(fault.Busy, err, "%s", s.notReady(err))
		}
		return writeJSON(c, http.StatusOK, map[string]string{"status": "ready"})
	}
}

// writeJSON answers with JSON, on one line.
func writeJSON(c echo.Context, status int, v any) error {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentType, "application/json")
	return writeBody(c, status, buf.Bytes())
}
