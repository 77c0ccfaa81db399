package web

import (
	"log/slog"
	"net/http"
	"net/url"
	"strconv"
	"time"
	"unicode/utf8"

	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/alexedwards/argon2id"
	"github.com/labstack/echo/v4"
)

// Lengths of a PIN in digits.
const (
	pinLeast   = 4
	pinLongest = 8
)

// wrongPin says what is wrong with a new PIN; "" nothing.
func wrongPin(pin string) string {
	if n := utf8.RuneCountInString(pin); n < pinLeast || n > pinLongest {
		return "A PIN has 4 to 8 digits."
	}
	same, up, down := true, true, true
	for i := range len(pin) {
		if pin[i] < '0' || pin[i] > '9' {
			return "A PIN has digits only."
		}
		if i > 0 {
			step := int(pin[i]) - int(pin[i-1])
			same, up, down = same && step == 0, up && step == 1, down && step == -1
		}
	}
	if same || up || down {
		return "This PIN is the first that anybody would try. Choose another."
	}
	return ""
}

// newPin checks a typed PIN and hashes it, a few at once; wrong says what is wrong
// with it.
func (s *Server) newPin(c echo.Context, typed string) (hash, wrong string, err error) {
	pin := digits(typed)
	if wrong = wrongPin(pin); wrong != "" {
		return "", wrong, nil
	}
	hash, err = s.hashed(c.Request().Context(), func() (string, error) { return argon2id.CreateHash(pin, hashParams) })
	return hash, "", err
}

// postOwnPin sets somebody's own PIN: their password must be shown, or, on a
// tablet, the PIN they have.
func (s *Server) postOwnPin() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "handle", "now", "pin")
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		count, forget := func() (time.Duration, error) { return s.store.CountTry(ctx, who.Handle, c.RealIP()) }, func() error { return s.store.ForgetTries(ctx, who.Handle, c.RealIP()) }
		find, secret, wrongNow := s.store.AccountByPerson, sent["now"], "This is not your password. Type it again."
		if who.Pin {
			count, forget = func() (time.Duration, error) { return s.store.CountPin(ctx, who.Tablet, who.Handle) }, func() error { return s.store.ForgetPins(ctx, who.Tablet, who.Handle) }
			find, secret, wrongNow = s.store.PinByPerson, digits(secret), "This is not your PIN now. Type it again."
		}
		refuse := func(status int, field, words string) error {
			p, err := s.accountPage(c, who)
			if err != nil {
				return err
			}
			p.Trouble, p.Problems = "The PIN is not set", []views.FormProblem{{Field: field, Words: words}}
			if field == "now" {
				p.Pin.WrongNow = words
			} else {
				p.Pin.Wrong = words
			}
			return render(c, status, views.Account(p))
		}
		wait, err := count()
		if err != nil {
			return err
		}
		if wait > 0 {
			c.Response().Header().Set(echo.HeaderRetryAfter, strconv.Itoa(int(wait.Seconds())))
			return refuse(http.StatusTooManyRequests, "now", wordsWait)
		}
		account, err := find(ctx, who.Person)
		if err != nil {
			return err
		}
		right, err := s.checkPassword(ctx, secret, account.Hash)
		if err != nil {
			return err
		}
		if !right {
			return refuse(http.StatusUnprocessableEntity, "now", wrongNow)
		}
		if err := forget(); err != nil {
			return err
		}
		hash, wrong, err := s.newPin(c, sent["pin"])
		if err != nil {
			return err
		}
		if wrong != "" {
			return refuse(http.StatusUnprocessableEntity, "pin", wrong)
		}
		if err := s.store.SetPin(ctx, pageAct(c), who.Handle, hash); err != nil {
			return err
		}
		if who.Pin { // their other tablets ask again, this one goes on
			if account, err = s.store.PinByPerson(ctx, who.Person); err != nil {
				return err
			}
			if err := s.beginSessionBy(c, account, true); err != nil {
				return err
			}
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "own PIN set", slog.String("request", requestID(c)), slog.String("who", who.label()))
		return c.Redirect(http.StatusSeeOther, s.url("/account?saved=pin"))
	}
}

// postOwnPinOff takes somebody's own PIN away.
func (s *Server) postOwnPinOff() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		if err := s.store.EndPin(c.Request().Context(), pageAct(c), who.Handle); err != nil && !fault.Is(err, fault.NotFound) {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/account?saved=pin-off"))
	}
}

// postPersonPin lets an admin set a person's PIN.
func (s *Server) postPersonPin() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := s.openSetup(c, setupPeople)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "pin")
		if err != nil {
			return err
		}
		ctx, handle := c.Request().Context(), setupPeople.nameOf(form.before)
		hash, wrong, err := s.newPin(c, sent["pin"])
		if err != nil {
			return err
		}
		if wrong != "" {
			form.pin, form.heading = wrong, "The PIN is not set"
			form.problems = []fault.Problem{{Column: "pin", Expected: wrong, Found: meanwhileMark}}
			return s.renderThing(c, http.StatusUnprocessableEntity, form)
		}
		if err := s.store.SetPin(ctx, pageAct(c), handle, hash); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "PIN set", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("of", handle))
		return c.Redirect(http.StatusSeeOther, s.url("/setup/people/"+url.PathEscape(handle)+"?saved=pin"))
	}
}

// pinForm is what somebody's own page says of their PIN.
func (s *Server) pinForm(c echo.Context, who Identity) (views.PinForm, error) {
	at, err := s.store.PinSet(c.Request().Context(), who.Handle)
	if err != nil {
		return views.PinForm{}, err
	}
	f := views.PinForm{Action: s.url("/account/pin"), Handle: who.Handle, Word: "Set a PIN", ByPin: who.Pin}
	if at != nil {
		settings, err := s.store.Settings(c.Request().Context())
		if err != nil {
			return f, err
		}
		f.Set, f.Word = clock(*at, settings.Zone()), "Set a new PIN"
		if who.Tablet == 0 {
			f.Off = s.url("/account/pin/off")
		}
	}
	return f, nil
}
