package web

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/base64"
	"image/png"
	"log/slog"
	"net/http"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
	"github.com/pquerna/otp"
	"github.com/pquerna/otp/totp"
)

// Time-based codes as authenticator programs make them (RFC 6238): 30 s, six
// digits, SHA-1. A code of the step before or after counts too, for clocks that
// are a little off (RFC 6238 5.2 and 6).
const (
	stepSeconds = 30
	stepsOff    = 1
	secretBytes = 20
	halfLongest = 5 * time.Minute // between password and code
	codesGiven  = 8
)

const wordsWrongCode = "This code is not right or was used already. Wait for the next one and try again."

// stepOf finds the step of time a code belongs to; 0 none.
func stepOf(secret, code string, now time.Time) (int64, error) {
	var found int64
	for off := int64(-stepsOff); off <= stepsOff; off++ {
		step := now.Unix()/stepSeconds + off
		want, err := totp.GenerateCodeCustom(secret, time.Unix(step*stepSeconds, 0), totp.ValidateOpts{Period: stepSeconds, Digits: otp.DigitsSix, Algorithm: otp.AlgorithmSHA1})
		if err != nil {
			return 0, err
		}
		if subtle.ConstantTimeCompare([]byte(want), []byte(code)) == 1 {
			found = step
		}
	}
	return found, nil
}

// digits keeps what counts of a typed code: blanks and dashes help reading only.
func digits(typed string) string {
	return strings.ToLower(strings.NewReplacer(" ", "", "-", "", "\u00a0", "").Replace(typed))
}

// takeCode uses up a code of the device, or a recovery code.
func (s *Server) takeCode(c echo.Context, person int32, typed string) (bool, error) {
	ctx, code := c.Request().Context(), digits(typed)
	f, err := s.store.SecondFactor(ctx, person)
	if err != nil || f.ConfirmedAt == nil {
		return false, err
	}
	step, err := stepOf(f.Secret, code, s.store.Now())
	if err != nil {
		return false, err
	}
	if step > 0 {
		return s.store.TakeStep(ctx, person, step)
	}
	return s.store.TakeRecoveryCode(ctx, person, sha256.Sum256([]byte(code)))
}

// half gives who has shown the right password lately and has not shown a code.
func (s *Server) half(c echo.Context) (store.Account, bool, error) {
	if identity(c).Token != 0 {
		return store.Account{}, false, nil // it has no session
	}
	ctx := c.Request().Context()
	person := s.sessions.GetInt32(ctx, sessionHalf)
	// Ahead of now it was begun by a clock that was wrong, and would else last until then.
	if person == 0 || s.store.Now().Sub(time.Unix(s.sessions.GetInt64(ctx, sessionHalfAt), 0)).Abs() > halfLongest {
		return store.Account{}, false, nil
	}
	a, err := s.store.AccountByPerson(ctx, person)
	if fault.Is(err, fault.NotFound) || err == nil && a.ChangedAt.UnixMicro() != s.sessions.GetInt64(ctx, sessionChanged) {
		return store.Account{}, false, nil
	}
	return a, err == nil, err
}

// beginHalf remembers that a password was right; nobody is signed in by it.
func (s *Server) beginHalf(c echo.Context, a store.Account) error {
	ctx := c.Request().Context()
	return s.keepSession(c, func() {
		s.sessions.Remove(ctx, sessionPerson)
		s.sessions.Put(ctx, sessionHalf, a.Person)
		s.sessions.Put(ctx, sessionHalfAt, s.store.Now().Unix())
		s.sessions.Put(ctx, sessionChanged, a.ChangedAt.UnixMicro())
	})
}

func (s *Server) codePage(c echo.Context, next, problem string) views.CodePage {
	if next == home {
		next = ""
	}
	return views.CodePage{Shell: s.shell(c, "Second factor", ""), Action: s.url("/sign-in/code"), Again: s.url("/sign-in"), Next: next, Problem: problem}
}

func (s *Server) getSignInCode() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "next"); err != nil {
			return err
		}
		_, waiting, err := s.half(c)
		if err != nil {
			return err
		}
		if !waiting {
			return c.Redirect(http.StatusSeeOther, s.url("/sign-in"))
		}
		return render(c, http.StatusOK, views.SignInCode(s.codePage(c, safeNext(c.QueryParam("next")), "")))
	}
}

// postSignInCode is the second half of signing in. Codes are counted like
// passwords, by person and by address.
func (s *Server) postSignInCode() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "code", "next")
		if err != nil {
			return err
		}
		ctx, next := c.Request().Context(), safeNext(form["next"])
		a, waiting, err := s.half(c)
		if err != nil {
			return err
		}
		if !waiting {
			return c.Redirect(http.StatusSeeOther, s.url("/sign-in"))
		}
		refuse := func(status int, words, result string) error {
			s.metrics.signIns.WithLabelValues(result).Inc()
			s.log.LogAttrs(ctx, slog.LevelWarn, "second factor refused", slog.String("request", requestID(c)), slog.String("who", a.Handle), slog.String("from", c.RealIP()), slog.Int("status", status))
			return render(c, status, views.SignInCode(s.codePage(c, next, words)))
		}
		counted := "code of " + a.Handle
		wait, err := s.store.CountTry(ctx, counted, c.RealIP())
		if err != nil {
			return err
		}
		if wait > 0 {
			c.Response().Header().Set(echo.HeaderRetryAfter, strconv.Itoa(int(wait.Seconds())))
			return refuse(http.StatusTooManyRequests, wordsWait, "told_to_wait")
		}
		right, err := s.takeCode(c, a.Person, form["code"])
		if err != nil {
			return err
		}
		if !right {
			return refuse(http.StatusUnprocessableEntity, wordsWrongCode, "refused")
		}
		if err := s.store.ForgetTries(ctx, counted, c.RealIP()); err != nil {
			return err
		}
		return s.signedIn(c, a, next)
	}
}

// own gives the account of whoever is signed in as a person; for a token there is
// nothing here.
func (s *Server) own(c echo.Context) (Identity, error) {
	who := identity(c)
	if who.Person == 0 {
		return who, fault.New(fault.NotFound, "A token has no sign-in of its own.")
	}
	return who, nil
}

var accountNotices = map[string]string{"off": "The second factor is off.", "password": "The new password is set. Your other devices are signed out.", "calendar-off": "The calendar address is off. It opens nothing any more.",
	"pin": "The PIN is set. It counts on shared tablets from now on.", "pin-off": "The PIN is off. Shared tablets do not offer your name any more.",
	"linked": "The link is set. You can sign in that way from now on.", "unlinked": "The link is taken away. Your other devices are signed out."}

func (s *Server) accountPage(c echo.Context, who Identity) (views.AccountPage, error) {
	p := views.AccountPage{Shell: s.shell(c, "Your sign-in", ""), SignOutAll: s.url("/account/sign-out"), Kept: s.url("/help/people"), Notices: s.url("/account/notices"), Password: s.url("/account/password"), Handle: who.Handle, Saved: accountNotices[c.QueryParam("saved")]}
	var err error
	if p.Pin, err = s.pinForm(c, who); err != nil {
		return p, err
	}
	if p.Shared = who.Device; p.Shared != "" {
		p.Facts = []views.Fact{{Word: "Handle", Value: who.Handle}, {Word: "On a shared tablet", Value: who.Device, Note: "an operator’s rights, for everybody"}}
		return p, nil
	}
	f, err := s.store.SecondFactor(c.Request().Context(), who.Person)
	if err != nil {
		return p, err
	}
	p.Facts = []views.Fact{{Word: "Handle", Value: who.Handle}, {Word: "Role", Value: roleWords[who.Role]}}
	on := "off"
	if f.ConfirmedAt != nil {
		on = "on"
		p.Off = s.url("/account/second-factor/off")
		p.Facts = append(p.Facts, views.Fact{Word: "Recovery codes left", Value: count(f.Codes)})
	} else {
		p.Begin = s.url("/account/second-factor")
	}
	p.Facts = append(p.Facts, views.Fact{Word: "Second factor", Value: on})
	if err := s.accountProvider(c, who, &p); err != nil {
		return p, err
	}
	return p, s.accountCalendar(c, who, &p)
}

func (s *Server) getAccount() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		who, err := s.own(c)
		if err != nil {
			return err
		}
		p, err := s.accountPage(c, who)
		if err != nil {
			return err
		}
		return render(c, http.StatusOK, views.Account(p))
	}
}

// postAccountSignOut signs whoever asks out everywhere, here too.
func (s *Server) postAccountSignOut() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		if err := s.store.EndSessions(c.Request().Context(), pageAct(c), who.Handle); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/sign-in"))
	}
}

// getFactor shows the secret to be put into a device. It is made by the form
// before it, so that looking changes nothing.
func (s *Server) getFactor() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		who, err := s.own(c)
		if err != nil {
			return err
		}
		f, err := s.store.SecondFactor(c.Request().Context(), who.Person)
		if err != nil {
			return err
		}
		if f.Secret == "" || f.ConfirmedAt != nil {
			return c.Redirect(http.StatusSeeOther, s.url("/account"))
		}
		return s.showFactor(c, http.StatusOK, who, f.Secret, "")
	}
}

func (s *Server) showFactor(c echo.Context, status int, who Identity, secret, wrong string) error {
	raw, err := base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(secret)
	if err != nil {
		return err
	}
	key, err := totp.Generate(totp.GenerateOpts{Issuer: "Basecourse", AccountName: who.Handle, Secret: raw, SecretSize: secretBytes, Period: stepSeconds, Digits: otp.DigitsSix, Algorithm: otp.AlgorithmSHA1})
	if err != nil {
		return err
	}
	picture, err := pngData(key)
	if err != nil {
		return err
	}
	p := views.FactorPage{Shell: s.shell(c, "Set up a second factor", ""), Crumb: s.url("/account"), Action: s.url("/account/second-factor/confirm"), Picture: picture, Wrong: wrong}
	for i := 0; i < len(secret); i += 4 {
		p.Secret += secret[i:min(i+4, len(secret))] + " "
	}
	p.Secret = strings.TrimSpace(p.Secret)
	return render(c, status, views.Factor(p))
}

// postFactor begins: it makes a secret, which counts only once it is confirmed.
func (s *Server) postFactor() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		var raw [secretBytes]byte
		if _, err := rand.Read(raw[:]); err != nil {
			return err
		}
		if err := s.store.BeginSecondFactor(c.Request().Context(), who.Person, base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(raw[:])); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/account/second-factor"))
	}
}

// postFactorConfirm puts the secret in force once the device has shown a right
// code, and shows the recovery codes this once.
func (s *Server) postFactorConfirm() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "code")
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		f, err := s.store.SecondFactor(ctx, who.Person)
		if err != nil {
			return err
		}
		if f.Secret == "" || f.ConfirmedAt != nil {
			return c.Redirect(http.StatusSeeOther, s.url("/account"))
		}
		step, err := stepOf(f.Secret, digits(sent["code"]), s.store.Now())
		if err != nil {
			return err
		}
		if step == 0 {
			return s.showFactor(c, http.StatusUnprocessableEntity, who, f.Secret, "This code is not right. Check the device's clock and type the code it shows now.")
		}
		codes, hashes, err := recoveryCodes()
		if err != nil {
			return err
		}
		if err := s.store.ConfirmSecondFactor(ctx, pageAct(c), who.Handle, f.Secret, step, hashes); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "second factor on", slog.String("request", requestID(c)), slog.String("who", who.Handle))
		return render(c, http.StatusOK, views.Codes(views.CodesPage{Shell: s.shell(c, "Recovery codes", ""), Account: s.url("/account"), Codes: codes}))
	}
}

// pngData is the picture of a key, to be held before a device's camera.
func pngData(key *otp.Key) (string, error) {
	img, err := key.Image(232, 232)
	if err != nil {
		return "", err
	}
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return "", err
	}
	return "data:image/png;base64," + base64.StdEncoding.EncodeToString(b.Bytes()), nil
}

// recoveryCodes makes codes of 80 random bits and their hashes.
func recoveryCodes() (codes []string, hashes [][32]byte, err error) {
	for range codesGiven {
		var raw [10]byte
		if _, err := rand.Read(raw[:]); err != nil {
			return nil, nil, err
		}
		code := tokenText.EncodeToString(raw[:])
		hashes = append(hashes, sha256.Sum256([]byte(code)))
		codes = append(codes, code[:4]+"-"+code[4:8]+"-"+code[8:12]+"-"+code[12:])
	}
	return codes, hashes, nil
}

// postFactorOff switches one's own second factor off, with a code: a session left
// open on a desk is not enough.
func (s *Server) postFactorOff() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "code")
		if err != nil {
			return err
		}
		ctx, counted := c.Request().Context(), "code of "+who.Handle
		wait, err := s.store.CountTry(ctx, counted, c.RealIP())
		if err != nil {
			return err
		}
		if wait > 0 {
			return tooMany(c, wait)
		}
		right, err := s.takeCode(c, who.Person, sent["code"])
		if err != nil {
			return err
		}
		if !right {
			p, err := s.accountPage(c, who)
			if err != nil {
				return err
			}
			p.Wrong = wordsWrongCode
			return render(c, http.StatusUnprocessableEntity, views.Account(p))
		}
		if err := s.store.ForgetTries(ctx, counted, c.RealIP()); err != nil {
			return err
		}
		if err := s.store.EndSecondFactor(ctx, pageAct(c), who.Handle); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "second factor off", slog.String("request", requestID(c)), slog.String("who", who.Handle))
		return c.Redirect(http.StatusSeeOther, s.url("/account?saved=off"))
	}
}
