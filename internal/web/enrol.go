package web

import (
	"log/slog"
	"net/http"
	"strconv"
	"strings"

	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

const wordsNoCode = "This code is not in force. It counts once, for an hour: ask for another."

func (s *Server) enrolPage(c echo.Context, code, problem string) views.EnrolPage {
	return views.EnrolPage{Shell: s.shell(c, "Enrol this tablet", ""), Action: s.url("/enrol"), Code: code, Problem: problem, Loses: identity(c).Person != 0}
}

// getEnrol asks for a code, or takes the one a camera read; looking uses nothing up.
func (s *Server) getEnrol() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "code"); err != nil {
			return err
		}
		code := c.QueryParam("code")
		if len(code) > 64 {
			code = ""
		}
		return render(c, http.StatusOK, views.Enrol(s.enrolPage(c, strings.TrimSpace(code), "")))
	}
}

// postEnrol makes this browser the tablet its code is for. Whoever was signed in
// here is signed out.
func (s *Server) postEnrol() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "code")
		if err != nil {
			return err
		}
		if identity(c).Token != 0 {
			return fault.New(fault.Forbidden, "A token is no tablet.")
		}
		ctx := c.Request().Context()
		refuse := func(status int, words string) error {
			s.metrics.signIns.WithLabelValues(map[bool]string{true: "told_to_wait", false: "refused"}[status == http.StatusTooManyRequests]).Inc()
			s.log.LogAttrs(ctx, slog.LevelWarn, "enrolment refused", slog.String("request", requestID(c)), slog.String("from", c.RealIP()), slog.Int("status", status))
			return render(c, status, views.Enrol(s.enrolPage(c, "", words)))
		}
		wait, err := s.store.CountCode(ctx, c.RealIP())
		if err != nil {
			return err
		}
		if wait > 0 {
			c.Response().Header().Set(echo.HeaderRetryAfter, strconv.Itoa(int(wait.Seconds())))
			return refuse(http.StatusTooManyRequests, wordsWait)
		}
		secret, hash, err := newSecret(devicePrefix, 40)
		if err != nil {
			return err
		}
		t, err := s.store.EnrolTablet(ctx, pageAct(c), codeHash(form["code"]), hash)
		if fault.Is(err, fault.NotFound) {
			return refuse(http.StatusUnprocessableEntity, wordsNoCode)
		}
		if err != nil {
			return err
		}
		if err := s.store.ForgetCodes(ctx, c.RealIP()); err != nil {
			return err
		}
		if identity(c).Person != 0 {
			if err := s.endSession(c); err != nil {
				return err
			}
		}
		s.keepDevice(c, secret)
		s.log.LogAttrs(ctx, slog.LevelInfo, "tablet enrolled", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("tablet", t.Name), slog.String("from", c.RealIP()))
		return c.Redirect(http.StatusSeeOther, s.url("/who"))
	}
}
