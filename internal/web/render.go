package web

import (
	"bytes"
	"net/http"
	"strconv"
	"time"

	"basecourse/views"

	"github.com/a-h/templ"
	"github.com/labstack/echo/v4"
)

// render writes a page whole or not at all: into a buffer, then the status,
// then the body.
func render(c echo.Context, status int, page templ.Component) error {
	var buf bytes.Buffer
	if err := page.Render(c.Request().Context(), &buf); err != nil {
		return err
	}
	return writeHTML(c, status, buf.Bytes())
}

func writeHTML(c echo.Context, status int, body []byte) error {
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, "text/html; charset=utf-8")
	return writeBody(c, status, body)
}

// writeBody sends a body, compressed where that pays and the sender takes it.
// Compression tells nothing through its length (BREACH): no page carries a
// secret beside what a sender chose. Forms are guarded by their origin and not by
// a token in the page, the session's cookie is never in a body, and a new token
// is shown once, in the answer to a form that no other site can send.
func writeBody(c echo.Context, status int, body []byte) error {
	h := c.Response().Header()
	h.Add(echo.HeaderVary, echo.HeaderAcceptEncoding)
	if len(body) > compressFrom && takesGzip(c.Request().Header.Get(echo.HeaderAcceptEncoding)) {
		packed, err := gzipped(body)
		if err != nil {
			return err
		}
		body = packed
		h.Set(echo.HeaderContentEncoding, "gzip")
	}
	h.Set(echo.HeaderContentLength, strconv.Itoa(len(body)))
	c.Response().WriteHeader(status)
	if c.Request().Method == http.MethodHead {
		return nil
	}
	_, err := c.Response().Write(body)
	return err
}

// areas are the parts of the program in their fixed order. One shows once its
// page is in the table of routes, to whoever may enter it.
var areas = []struct{ word, path, sign string }{
	{"Floor", "/floor", "floor"},
	{"Grade", "/grade", "grade"},
	{"Upkeep", "/upkeep", "upkeep"},
	{"Jobs", "/jobs", "jobs"},
	{"Trends", "/trends", "trends"},
	{"Findings", "/findings", "findings"},
	{"Setup", "/setup", "setup"},
}

// shell fills what every page stands in. area is the current area's path.
func (s *Server) shell(c echo.Context, title, area string) views.Shell {
	who := identity(c)
	sh := views.Shell{
		Title: title, Home: s.url("/floor"), SignOut: s.url("/sign-out"),
		CSS: s.asset("app.css"), JS: s.asset("app.js"), Icon: s.asset("icon.svg"),
	}
	sh.Theme = themeOf(c.Request())
	if sh.Device, sh.Revoked = who.Device, who.Revoked; sh.Device != "" && who.Person == 0 {
		sh.Who = s.url("/who")
	} else if sh.Device != "" {
		sh.Idle = strconv.Itoa(int(tabletIdle.Seconds()))
	}
	s.offlineShell(c, &sh)
	if who.Role == roleAnyone {
		return sh
	}
	sh.Trouble = s.trouble(c.Request().Context())
	sh.SizeTo, sh.Size = s.url("/size"), keptOf(c.Request(), sizeCookie, "glove")
	sh.HandTo, sh.Hand = s.url("/hand"), keptOf(c.Request(), handCookie, "left")
	sh.ThemeTo, sh.KeysTo, sh.Keys = s.url("/theme"), s.url("/keys"), keysOf(c.Request())
	sh.Help, sh.Search = s.url("/help"), s.url("/search")
	if who.Role == roleTablet {
		sh.Search = ""
	}
	if who.Person != 0 {
		sh.Account = s.url("/account")
		sh.Notices, sh.Unread = s.url("/notices"), unreadWord(who.Unread)
	}
	if m := c.Request().Method; m == http.MethodGet || m == http.MethodHead {
		sh.Here = c.Request().URL.RequestURI()
	}
	sh.Person, sh.Role = who.Name, roleWords[who.Role]
	if sh.Person == "" {
		sh.Person = who.Handle
	}
	rank := roleRank(who.Role)
	if who.Role == roleTablet {
		rank = roleRank(roleOperator) // a tap asks who is there
	}
	for _, a := range areas {
		if r, there := s.guards[http.MethodGet+" "+a.path]; there && rank >= roleRank(r.Role) {
			sh.Nav = append(sh.Nav, views.NavItem{Word: a.word, Href: s.url(a.path), Sign: a.sign, Current: a.path == area})
		}
	}
	return sh
}

// withClock adds the farm's clock.
func withClock(sh views.Shell, now time.Time, zone *time.Location) views.Shell {
	sh.Clock, sh.ClockISO = now.In(zone).Format("Mon 2006-01-02 15:04"), iso(now)
	return sh
}

// asset gives the address of an embedded file.
// scan is what reads a label's code into a field of tags.
func (s *Server) scan() views.Scan {
	return views.Scan{Script: s.asset("scan.js"), Reader: s.asset("scan-reader.js"), Library: s.asset("jsqr.js")}
}

func (s *Server) asset(plain string) string { return s.url("/static/" + s.assets.Name(plain)) }
