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
	return func(c echo.Context) error {
		form, err := readForm(c, "theme", "next")
		if err != nil {
			return err
		}
		if !slices.Contains(themes, form["theme"]) {
			return badRequest(fault.Problem{Column: "theme", Found: form["theme"], Expected: "light, dark, or nothing"})
		}
		k := &http.Cookie{Name: themeCookie, Value: form["theme"], Path: s.base + "/", MaxAge: themeKept, HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode}
		if form["theme"] == "" {
			k.MaxAge = -1
		}
		c.SetCookie(k)
		return c.Redirect(http.StatusSeeOther, s.url(safeNext(form["next"])))
	}
}
