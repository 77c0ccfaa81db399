package web

import (
	"log/slog"
	"mime"
	"net/http"
	"strconv"
	"strings"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// Words of a refused sign-in. The first says nothing about which of the two was
// wrong.
const (
	wordsWrong = "This handle and password do not go together. Check both and try again."
	wordsWait  = "Too many tries. Wait a little and try again."
)

func (s *Server) getSignIn() echo.HandlerFunc {
	return func(c echo.Context) error {
		next := safeNext(c.QueryParam("next"))
		if who := identity(c); who.Person != 0 || who.Token != 0 {
			return c.Redirect(http.StatusSeeOther, s.url(next))
		}
		p := s.signInPage(c, "", next, "")
		if s.cfg.Provider != nil && c.QueryParam("left") == "provider" {
			p.Left, p.LeftAt = s.cfg.Provider.Name(), s.cfg.Provider.SignOutURL(s.publicAddress(c)+"/sign-in")
		}
		return render(c, http.StatusOK, views.SignIn(p))
	}
}

func (s *Server) signInPage(c echo.Context, handle, next, problem string) views.SignInPage {
	sh := s.shell(c, "Sign in", "")
	if next == home {
		next = ""
	}
	p := views.SignInPage{Shell: sh, Action: s.url("/sign-in"), Handle: handle, Next: next, Problem: problem}
	if s.cfg.Provider != nil {
		p.Provider, p.ProviderAction = s.cfg.Provider.Name(), s.url("/sign-in/provider")
	}
	switch who := identity(c); {
	case who.Tablet != 0:
		p.ByPin = s.url("/who")
	case who.Revoked:
		p.Note = wordsRevoked
	}
	return p
}

// postSignIn takes the same time and says the same words whether the name or
// the password is wrong.
func (s *Server) postSignIn() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "handle", "password", "next")
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		handle, next := handleOf(form["handle"]), safeNext(form["next"])
		refuse := func(status int, words string) error {
			result := "refused"
			if status == http.StatusTooManyRequests {
				result = "told_to_wait"
			}
			s.metrics.signIns.WithLabelValues(result).Inc()
			s.log.LogAttrs(ctx, slog.LevelWarn, "sign-in refused", slog.String("request", requestID(c)), slog.String("from", c.RealIP()), slog.Int("status", status))
			return render(c, status, views.SignIn(s.signInPage(c, handle, next, words)))
		}
		wait, err := s.store.CountTry(ctx, handle, c.RealIP())
		if err != nil {
			return err
		}
		if wait > 0 {
			c.Response().Header().Set(echo.HeaderRetryAfter, strconv.Itoa(int(wait.Seconds())))
			return refuse(http.StatusTooManyRequests, wordsWait)
		}
		account, err := s.store.AccountByHandle(ctx, handle)
		if err != nil && !fault.Is(err, fault.NotFound) {
			return err
		}
		right, err := s.checkPassword(ctx, form["password"], account.Hash)
		if err != nil {
			return err
		}
		if !right {
			return refuse(http.StatusUnprocessableEntity, wordsWrong)
		}
		if err := s.store.ForgetTries(ctx, handle, c.RealIP()); err != nil {
			return err
		}
		s.sessions.Remove(ctx, sessionProvider)
		if account.Factor {
			return s.toCode(c, account, next)
		}
		return s.signedIn(c, account, next)
	}
}

// signedIn begins the session of somebody who has shown all that is asked for.
func (s *Server) signedIn(c echo.Context, account store.Account, next string) error {
	ctx := c.Request().Context()
	if err := s.beginSession(c, account); err != nil {
		return err
	}
	s.metrics.signIns.WithLabelValues("done").Inc()
	s.log.LogAttrs(ctx, slog.LevelInfo, "signed in", slog.String("request", requestID(c)), slog.String("who", account.Handle), slog.String("from", c.RealIP()))
	return c.Redirect(http.StatusSeeOther, s.url(next))
}

func (s *Server) postSignOut() echo.HandlerFunc {
	return func(c echo.Context) error {
		left := ""
		if who := identity(c); who.Person != 0 {
			if s.sessions.GetBool(c.Request().Context(), sessionProvider) {
				left = "?left=provider" // there they are signed in as before
			}
			if err := s.endSession(c); err != nil {
				return err
			}
			s.log.LogAttrs(c.Request().Context(), slog.LevelInfo, "signed out", slog.String("request", requestID(c)), slog.String("who", who.label()))
		}
		if identity(c).Tablet != 0 {
			return c.Redirect(http.StatusSeeOther, s.url("/who"))
		}
		return c.Redirect(http.StatusSeeOther, s.url("/sign-in"+left))
	}
}

// home is where people arrive.
const home = "/floor"

// safeNext keeps an address within this program: a path of ours, nothing that
// a browser could read as another host.
func safeNext(next string) string {
	if len(next) > 512 || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n\t\x00") {
		return home
	}
	if next == "/" || strings.HasPrefix(next, "/sign-") || next == "/who" || strings.HasPrefix(next, "/who?") {
		return home
	}
	return next
}

// readForm reads a form's named fields, each at most once; other fields are
// refused by name.
func readForm(c echo.Context, names ...string) (map[string]string, error) {
	kind, _, err := mime.ParseMediaType(c.Request().Header.Get(echo.HeaderContentType))
	if err != nil || kind != "application/x-www-form-urlencoded" {
		return nil, echo.NewHTTPError(http.StatusUnsupportedMediaType, "Send the form as application/x-www-form-urlencoded.")
	}
	sent, err := parseForm(c)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	for _, n := range names {
		known[n] = true
	}
	form := map[string]string{}
	for name, values := range sent {
		if !known[name] || len(values) != 1 {
			return nil, badRequest(fault.Problem{Column: name, Found: name, Expected: "one of the form's fields, once: " + strings.Join(names, ", ")})
		}
		form[name] = values[0]
	}
	return form, nil
}
