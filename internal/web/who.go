package web

import (
	"log/slog"
	"net/http"
	"net/url"
	"strconv"

	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

const wordsWrongPin = "This is not the PIN. Try again."

// getWho shows everybody with a PIN, or asks for the PIN of one of them.
func (s *Server) getWho() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "person", "next"); err != nil {
			return err
		}
		return s.who(c, http.StatusOK, c.QueryParam("person"), safeNext(c.QueryParam("next")), "")
	}
}

func (s *Server) who(c echo.Context, status int, handle, next, problem string) error {
	at := identity(c)
	p := views.WhoPage{Shell: s.shell(c, "Who are you?", ""), Action: s.url("/who"), ByPassword: s.url("/sign-in"), Device: at.Device, Problem: problem}
	if next != home {
		p.Next = next
		p.ByPassword += "?" + url.Values{"next": {next}}.Encode()
	}
	if at.Tablet == 0 {
		p.Title, p.Not = "Not a shared tablet", "People change over with a PIN on tablets that an admin has enrolled, under Setup, Tablets. This browser is none."
		return render(c, status, views.Who(p))
	}
	list, err := s.store.PinHolders(c.Request().Context())
	if err != nil {
		return err
	}
	for _, h := range list {
		word := either(h.Name, h.Handle)
		if h.Handle == handle {
			p.Handle, p.Word, p.Title = h.Handle, word, word
		}
		values := url.Values{"person": {h.Handle}}
		if p.Next != "" {
			values.Set("next", p.Next)
		}
		note := ""
		if word != h.Handle {
			note = h.Handle
		}
		p.People = append(p.People, views.WhoChoice{Word: word, Note: note, Href: s.url("/who?" + values.Encode())})
	}
	if p.Again = s.url("/who"); p.Next != "" {
		p.Again += "?" + url.Values{"next": {p.Next}}.Encode()
	}
	return render(c, status, views.Who(p))
}

// postWho lets somebody in with their PIN; whoever was signed in on the tablet is
// signed out by it. A name without a PIN and a wrong PIN differ by nothing.
func (s *Server) postWho() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "person", "pin", "next")
		if err != nil {
			return err
		}
		ctx, at, next := c.Request().Context(), identity(c), safeNext(form["next"])
		if at.Tablet == 0 {
			return fault.New(fault.Forbidden, "A PIN counts on a shared tablet only.")
		}
		handle := form["person"]
		refuse := func(status int, words, result string) error {
			s.metrics.signIns.WithLabelValues(result).Inc()
			s.log.LogAttrs(ctx, slog.LevelWarn, "PIN refused", slog.String("request", requestID(c)), slog.String("tablet", at.Device), slog.String("from", c.RealIP()), slog.Int("status", status))
			return s.who(c, status, handle, next, words)
		}
		wait, err := s.store.CountPin(ctx, at.Tablet, handle)
		if err != nil {
			return err
		}
		if wait > 0 {
			c.Response().Header().Set(echo.HeaderRetryAfter, strconv.Itoa(int(wait.Seconds())))
			return refuse(http.StatusTooManyRequests, "Too many tries. Wait "+counted(int(wait.Seconds()), "second", "seconds")+" and try again.", "told_to_wait")
		}
		account, err := s.store.PinByHandle(ctx, handle)
		if err != nil && !fault.Is(err, fault.NotFound) {
			return err
		}
		right, err := s.checkPassword(ctx, digits(form["pin"]), account.Hash)
		if err != nil {
			return err
		}
		if !right {
			return refuse(http.StatusUnprocessableEntity, wordsWrongPin, "refused")
		}
		if err := s.store.ForgetPins(ctx, at.Tablet, handle); err != nil {
			return err
		}
		if err := s.beginSessionBy(c, account, true); err != nil {
			return err
		}
		s.renewDevice(c)
		s.metrics.signIns.WithLabelValues("done").Inc()
		s.log.LogAttrs(ctx, slog.LevelInfo, "signed in by PIN", slog.String("request", requestID(c)), slog.String("who", account.Handle), slog.String("tablet", at.Device), slog.String("from", c.RealIP()))
		return c.Redirect(http.StatusSeeOther, s.url(next))
	}
}

// postUnsent lets a tablet say how many entries it keeps unsent; Setup and the
// metrics show it.
func (s *Server) postUnsent() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "unsent")
		if err != nil {
			return err
		}
		at := identity(c)
		n, err := strconv.Atoi(form["unsent"])
		if err != nil || n < 0 || n > 1_000_000 {
			return badRequest(fault.Problem{Column: "unsent", Found: form["unsent"], Expected: "how many entries wait, from 0"})
		}
		if at.Tablet == 0 {
			return fault.New(fault.Forbidden, "This is for shared tablets.")
		}
		if err := s.store.SetUnsent(c.Request().Context(), at.Tablet, n); err != nil {
			return err
		}
		return c.NoContent(http.StatusNoContent)
	}
}
