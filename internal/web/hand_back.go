package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// backPages are the pages without a thing of their own from which logging is reached.
var backPages = []string{"floor", "upkeep", "sweep", "round", "handover"}

// backTo keeps an address to come back to after logging something: one of the
// pages from which logging is reached, in this program, without what they said
// was saved before. "" is none of them.
func backTo(address string) string {
	if address == "" || safeNext(address) != address {
		return ""
	}
	u, err := url.Parse(address)
	if err != nil || u.Host != "" || u.Scheme != "" {
		return ""
	}
	switch part, rest, below := strings.Cut(strings.TrimPrefix(u.Path, "/"), "/"); {
	case part == "printers" || part == "plates":
		if rest == "" || strings.Contains(rest, "/") {
			return ""
		}
	case !slices.Contains(backPages, part) || below:
		return ""
	}
	q := u.Query()
	q.Del("saved")
	q.Del("before")
	q.Del("already")
	at := url.URL{Path: u.Path, RawQuery: q.Encode()}
	return at.String()
}

// cameFrom is the page of ours a request says it was sent from, as backTo keeps
// it.
func (s *Server) cameFrom(r *http.Request) string {
	u, err := url.Parse(r.Referer())
	if err != nil || u.Host == "" || u.Host != r.Host {
		return ""
	}
	path, ok := strings.CutPrefix(u.EscapedPath(), s.base)
	if !ok {
		return ""
	}
	if u.RawQuery != "" {
		path += "?" + u.RawQuery
	}
	return backTo(path)
}

// withSaved adds to an address which entry was saved just now.
func withSaved(address, entry string) string {
	if strings.Contains(address, "?") {
		return address + "&saved=" + entry
	}
	return address + "?saved=" + entry
}

// savedHere is what was saved just now, on a page that logging came from: its
// undo comes back here.
func (s *Server) savedHere(c echo.Context, zone *time.Location) (views.SavedLine, error) {
	line, err := s.saved(c, zone)
	if line.Words == "" || err != nil {
		return line, err
	}
	here := url.URL{Path: strings.TrimPrefix(c.Request().URL.Path, s.base), RawQuery: c.Request().URL.RawQuery}
	if back := backTo(here.String()); back != "" {
		line.Next = back
	}
	line.Back = views.ActLink{}
	return line, nil
}
