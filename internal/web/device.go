package web

import (
	"crypto/rand"
	"crypto/sha256"
	"net/http"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"

	"github.com/labstack/echo/v4"
)

// A shared tablet's cookie is apart from the session's: people come and go, the
// device stays. It is what the farm has; a PIN is what the person knows.
const (
	devicePrefix = "bcd_"
	deviceKept   = 400 * 24 * time.Hour // as long as browsers keep any cookie; renewed at every change of person

	// On a shared tablet somebody who does nothing is somebody who went away.
	tabletIdle      = 15 * time.Minute
	tabletSeenEvery = time.Minute
)

const wordsRevoked = "This tablet was revoked. What it has not sent yet stays on it: a manager who signs in here with a password can look through it and send it."

// device is the tablet a request came from; the zero device is none.
type device struct{ t *store.Tablet }

// in tells whether it is a tablet in use.
func (d device) in() bool { return d.t != nil && d.t.RevokedAt == nil }

// on gives the number of the tablet in use; 0 none.
func (d device) on() int32 {
	if d.in() {
		return d.t.ID
	}
	return 0
}

// wear gives who sent a request the tablet it came from: nobody becomes the tablet,
// and whoever is signed in on it is an operator, whatever they are elsewhere.
func (d device) wear(who Identity) Identity {
	if !d.in() {
		who.Revoked = d.t != nil
		return who
	}
	who.Tablet, who.Device = d.t.ID, d.t.Name
	if who.Person == 0 {
		who.Role = roleTablet
	} else if roleRank(who.Role) > roleRank(roleOperator) {
		who.Role = roleOperator
	}
	return who
}

func (s *Server) deviceCookie() string { return s.sessions.Cookie.Name + "-tablet" }

// device finds out from which tablet a request came.
func (s *Server) device(c echo.Context) (device, error) {
	k, err := c.Request().Cookie(s.deviceCookie())
	if err != nil || !strings.HasPrefix(k.Value, devicePrefix) || len(k.Value) > 128 {
		return device{}, nil
	}
	t, err := s.store.TabletByHash(c.Request().Context(), sha256.Sum256([]byte(k.Value)))
	if fault.Is(err, fault.NotFound) {
		return device{}, nil // enrolled anew elsewhere, or of another farm
	}
	if err != nil {
		return device{}, err
	}
	return device{&t}, nil
}

// keepDevice gives the browser a tablet's secret.
func (s *Server) keepDevice(c echo.Context, secret string) {
	c.SetCookie(&http.Cookie{Name: s.deviceCookie(), Value: secret, Path: s.base + "/", MaxAge: int(deviceKept.Seconds()), HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode})
}

// renewDevice lets the browser keep its secret as long as at first.
func (s *Server) renewDevice(c echo.Context) {
	if k, err := c.Request().Cookie(s.deviceCookie()); err == nil {
		s.keepDevice(c, k.Value)
	}
}

// Codes of enrolment: 50 random bits, read aloud or typed within the hour.
const (
	codeLetters = 10
	codeLasts   = time.Hour
)

// newSecret gives a text of random letters and its SHA-256.
func newSecret(prefix string, letters int) (string, [32]byte, error) {
	raw := make([]byte, (letters*5+7)/8)
	if _, err := rand.Read(raw); err != nil {
		return "", [32]byte{}, err
	}
	text := prefix + tokenText.EncodeToString(raw)[:letters]
	return text, sha256.Sum256([]byte(text)), nil
}

// spaced sets a code in two halves, as it is read.
func spaced(code string) string { return code[:len(code)/2] + "-" + code[len(code)/2:] }

// codeHash is the hash of a typed code: dashes, blanks and capitals help reading
// only.
func codeHash(typed string) [32]byte { return sha256.Sum256([]byte(digits(typed))) }
