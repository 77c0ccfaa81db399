package web

import (
	"errors"
	"log/slog"
	"net/http"

	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// postOwnPassword sets a person's own new password: the one in force must be
// shown, guesses are counted as at the door. Every session ends but this one, which
// goes on under a new id.
func (s *Server) postOwnPassword() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "handle", "old", "new")
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		wait, err := s.store.CountTry(ctx, who.Handle, c.RealIP())
		if err != nil {
			return err
		}
		if wait > 0 {
			return tooMany(c, wait)
		}
		account, err := s.store.AccountByPerson(ctx, who.Person)
		if err != nil {
			return err
		}
		right, err := s.checkPassword(ctx, sent["old"], account.Hash)
		if err != nil {
			return err
		}
		refuse := func(field, words string) error {
			p, err := s.accountPage(c, who)
			if err != nil {
				return err
			}
			p.Problems = []views.FormProblem{{Field: field, Words: words}}
			if field == "old" {
				p.WrongOld = words
			} else {
				p.WrongNew = words
			}
			return render(c, http.StatusUnprocessableEntity, views.Account(p))
		}
		if !right {
			s.log.LogAttrs(ctx, slog.LevelWarn, "own password not changed", slog.String("request", requestID(c)), slog.String("who", who.Handle), slog.String("from", c.RealIP()))
			return refuse("old", "This is not your password now. Type it again.")
		}
		if err := s.store.ForgetTries(ctx, who.Handle, c.RealIP()); err != nil {
			return err
		}
		hash, err := s.hashPassword(ctx, sent["new"])
		var refusal *fault.Error
		if errors.As(err, &refusal) && refusal.Kind == fault.Invalid {
			return refuse("new", sentence(refusal.Detail))
		}
		if err != nil {
			return err
		}
		if err := s.store.SetPassword(ctx, pageAct(c), who.Handle, hash); err != nil {
			return err
		}
		if account, err = s.store.AccountByPerson(ctx, who.Person); err != nil {
			return err
		}
		if err := s.beginSession(c, account); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "own password changed", slog.String("request", requestID(c)), slog.String("who", who.Handle))
		return c.Redirect(http.StatusSeeOther, s.url("/account?saved=password"))
	}
}
