package web

import (
	"net/http"
	"slices"

	"basecourse/internal/fault"

	"github.com/labstack/echo/v4"
)

// themeCookie remembers on one device how bright its screen should be: a night
// shift's tablet stays dark whoever signs in.
const themeCookie = "basecourse-theme"

// themeKept is how long a device remembers, in seconds: a year.
const themeKept = 365 * 24 * 3600

var themes = []string{"", "light", "dark"}

// themeOf is light, dark, or "" for what the device itself has.
func themeOf(r *http.Request) string {
	k, err := r.Cookie(themeCookie)
	if err != nil || !slices.Contains(themes, k.Value) {
		return ""
	}
	return k.Value
}

func (s *Server) postTheme() echo.HandlerFunc {
	return s.remember("theme", themeCookie, themes, "light, dark, or nothing")
}

// keysCookie remembers on one device that single-key shortcuts are off: with
// speech input or an unsteady hand they do more harm than good.
const keysCookie = "basecourse-keys"

// keysOf is off, or "" for on.
func keysOf(r *http.Request) string {
	return keptOf(r, keysCookie, "off")
}

func (s *Server) postKeys() echo.HandlerFunc {
	return s.remember("keys", keysCookie, []string{"", "off"}, "off, or nothing")
}

// sizeCookie and handCookie remember on one device that it is tapped with gloves on, and
// with the left hand.
const (
	sizeCookie = "basecourse-size"
	handCookie = "basecourse-hand"
)

// keptOf is a choice a device keeps, "" for the usual.
func keptOf(r *http.Request, cookie, other string) string {
	if k, err := r.Cookie(cookie); err == nil && k.Value == other {
		return other
	}
	return ""
}

func (s *Server) postSize() echo.HandlerFunc {
	return s.remember("size", sizeCookie, []string{"", "glove"}, "glove, or nothing")
}

func (s *Server) postHandedness() echo.HandlerFunc {
	return s.remember("hand", handCookie, []string{"", "left"}, "left, or nothing")
}

// remember lets a device keep a choice; "" forgets it.
func (s *Server) remember(field, cookie string, choices []string, expected string) echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, field, "next")
		if err != nil {
			return err
		}
		if !slices.Contains(choices, form[field]) {
			return badRequest(fault.Problem{Column: field, Found: form[field], Expected: expected})
		}
		k := &http.Cookie{Name: cookie, Value: form[field], Path: s.base + "/", MaxAge: themeKept, HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode}
		if form[field] == "" {
			k.MaxAge = -1
		}
		c.SetCookie(k)
		return c.Redirect(http.StatusSeeOther, s.url(safeNext(form["next"])))
	}
}
