package web

import (
	"context"
	"crypto/sha256"
	"errors"
	"net/http"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"
)

// Keys of echo's context.
const (
	keyRequest  = "request"
	keyRoute    = "route"
	keyIdentity = "identity"
)

// Keys of a session.
const (
	sessionPerson  = "person"  // the database's key
	sessionChanged = "changed" // when the password was set, in µs
	sessionSeen    = "seen"    // last use in s, kept to seenEvery
	sessionRole    = "role"    // the role it was begun or renewed with
	sessionHalf    = "half"    // the person whose password was right and whose second factor is awaited
	sessionHalfAt  = "half at" // since when, in s
	sessionTablet  = "tablet"  // the tablet it was begun on; it is good on no other device
	sessionPin     = "pin"     // begun with a PIN

	sessionFlow     = "flow"     // what is remembered while the browser is at the sign-in provider
	sessionProvider = "provider" // begun by the sign-in provider
)

// A session ends after a shift and its handover, or when nobody has used it for
// as long as a long break with the printers running.
const (
	sessionLongest = 12 * time.Hour
	sessionIdle    = 3 * time.Hour
	seenEvery      = 10 * time.Minute
)

// Identity is who sent a request: a person by session, a machine by token, or
// nobody.
type Identity struct {
	Person int32 // database's key; 0 for tokens and nobody
	Handle string
	Name   string
	Role   string // roleAnyone for nobody
	Token  int32  // database's key; 0 for people and nobody
	Unread int    // lines of their notices

	Tablet  int32  // database's key of the enrolled tablet it came from; 0 none
	Device  string // what that tablet is called
	Pin     bool   // signed in with a PIN
	Revoked bool   // came from a device that was a tablet and was revoked
}

// label names the sender in the log.
func (i Identity) label() string {
	switch {
	case i.Token != 0:
		return "token " + i.Name
	case i.Person == 0:
		return "tablet " + i.Device
	case i.Tablet != 0:
		return "person " + i.Handle + " on tablet " + i.Device
	}
	return "person " + i.Handle
}

// act says that the sender writes, by a way (page, api).
func (i Identity) act(via string) store.Act {
	return store.Act{Via: via, Person: i.Handle, Token: int(i.Token), Device: i.Device}
}

// anyPerson tells whether the sender may record in another person's name.
func (i Identity) anyPerson() bool {
	return i.Token != 0 || roleRank(i.Role) >= roleRank(roleManager)
}

func identity(c echo.Context) Identity {
	if i, ok := c.Get(keyIdentity).(Identity); ok {
		return i
	}
	return Identity{Role: roleAnyone}
}

func requestID(c echo.Context) string {
	id, _ := c.Get(keyRequest).(string)
	return id
}

func (s *Server) newSessions() *scs.SessionManager {
	m := scs.New()
	m.Store = s.store.Sessions()
	m.HashTokenInStore = true
	m.Lifetime = sessionLongest
	m.Cookie.HttpOnly = true
	m.Cookie.SameSite = http.SameSiteLaxMode
	m.Cookie.Persist = false
	m.Cookie.Path = s.base + "/"
	m.Cookie.Secure = s.secure
	switch {
	case !s.secure:
		m.Cookie.Name = "basecourse"
	case s.base == "":
		m.Cookie.Name = "__Host-basecourse"
	default:
		m.Cookie.Name = "__Secure-basecourse"
	}
	return m
}

// withIdentity finds out who sent the request. A bearer token decides where
// there is one: a wrong token is refused even where nobody need be signed in.
func (s *Server) withIdentity(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		r, ok := route(c)
		if !ok || r.open {
			return next(c)
		}
		if head := c.Request().Header.Get(echo.HeaderAuthorization); head != "" {
			who, err := s.tokenIdentity(c.Request().Context(), head)
			if err != nil {
				if fault.Is(err, fault.Unauthenticated) {
					s.tokens.forget(tokenKey(head)) // run out or revoked
					wait, err := s.store.CountWrongToken(c.Request().Context(), c.RealIP())
					if err != nil {
						return err
					}
					if wait > 0 {
						return tooMany(c, wait)
					}
				}
				return err
			}
			s.tokens.meet(tokenKey(head), time.Now())
			c.Set(keyIdentity, who)
			return next(c)
		}
		c.Response().Header().Add(echo.HeaderVary, "Cookie")
		ctx, err := s.sessions.Load(c.Request().Context(), s.cookie(c.Request()))
		if err != nil {
			return err
		}
		c.SetRequest(c.Request().WithContext(ctx))
		device, err := s.device(c)
		if err != nil {
			return err
		}
		who, err := s.sessionIdentity(c, device)
		if err != nil {
			return err
		}
		c.Set(keyIdentity, device.wear(who))
		return next(c)
	}
}

func (s *Server) cookie(r *http.Request) string {
	k, err := r.Cookie(s.sessions.Cookie.Name)
	if err != nil {
		return ""
	}
	return k.Value
}

func (s *Server) tokenIdentity(ctx context.Context, head string) (Identity, error) {
	scheme, token, _ := strings.Cut(head, " ")
	if !strings.EqualFold(scheme, "Bearer") || !strings.HasPrefix(token, tokenPrefix) || len(token) > 128 {
		return Identity{}, fault.New(fault.Unauthenticated, "The token is not one of this farm's.")
	}
	t, err := s.store.TokenByHash(ctx, sha256.Sum256([]byte(token)))
	if fault.Is(err, fault.NotFound) {
		return Identity{}, fault.New(fault.Unauthenticated, "The token is not one of this farm's, has run out, or was revoked.")
	}
	if err != nil {
		return Identity{}, err
	}
	return Identity{Token: t.ID, Name: t.Name, Role: t.Role}, nil
}

// sessionIdentity gives the person of a session that is still good: the person
// may sign in, the password is the one the session began with, and it was used
// lately.
func (s *Server) sessionIdentity(c echo.Context, d device) (Identity, error) {
	ctx := c.Request().Context()
	nobody := Identity{Role: roleAnyone}
	person := s.sessions.GetInt32(ctx, sessionPerson)
	if person == 0 {
		return nobody, nil
	}
	now := s.store.Now()
	seen := time.Unix(s.sessions.GetInt64(ctx, sessionSeen), 0)
	pin, begunOn := s.sessions.GetBool(ctx, sessionPin), s.sessions.GetInt32(ctx, sessionTablet)
	find, idle, every := s.store.AccountByPerson, sessionIdle, seenEvery
	if pin {
		find = s.store.PinByPerson
	}
	if d.in() {
		idle, every = tabletIdle, tabletSeenEvery
	}
	a, err := find(ctx, person)
	if err != nil && !fault.Is(err, fault.NotFound) {
		return nobody, err
	}
	if err != nil || a.ChangedAt.UnixMicro() != s.sessions.GetInt64(ctx, sessionChanged) || now.Sub(seen) > idle || begunOn != d.on() {
		return nobody, s.sessions.Destroy(ctx)
	}
	if a.Role != s.sessions.GetString(ctx, sessionRole) {
		// Other rights: a new session id, the old one ended.
		if err := s.keepSession(c, func() { s.sessions.Put(ctx, sessionRole, a.Role) }); err != nil {
			return nobody, err
		}
	}
	// A page left open is nobody at work.
	// A last use that lies ahead is one of a clock that has been set back.
	if r, _ := route(c); (now.Sub(seen) > every || seen.Sub(now) > every) && !r.stream {
		s.sessions.Put(ctx, sessionSeen, now.Unix())
		if _, _, err := s.sessions.Commit(ctx); err != nil {
			s.log.Warn("session not kept", "error", err.Error())
		}
	}
	return Identity{Person: a.Person, Handle: a.Handle, Name: a.Name, Role: a.Role, Unread: a.Unread, Pin: pin}, nil
}

// beginSession signs a person in: a new session id, the old session ended.
func (s *Server) beginSession(c echo.Context, a store.Account) error {
	return s.beginSessionBy(c, a, false)
}

func (s *Server) beginSessionBy(c echo.Context, a store.Account, pin bool) error {
	ctx := c.Request().Context()
	return s.keepSession(c, func() {
		s.sessions.Put(ctx, sessionPin, pin)
		s.sessions.Put(ctx, sessionTablet, identity(c).Tablet)
		s.sessions.Remove(ctx, sessionHalf)
		s.sessions.Remove(ctx, sessionHalfAt)
		s.sessions.Put(ctx, sessionPerson, a.Person)
		s.sessions.Put(ctx, sessionChanged, a.ChangedAt.UnixMicro())
		s.sessions.Put(ctx, sessionRole, a.Role)
		s.sessions.Put(ctx, sessionSeen, s.store.Now().Unix())
	})
}

// keepSession changes what a session holds under a new id and ends the old one.
func (s *Server) keepSession(c echo.Context, change func()) error {
	ctx := c.Request().Context()
	if err := s.sessions.RenewToken(ctx); err != nil {
		return err
	}
	change()
	token, expiry, err := s.sessions.Commit(ctx)
	if err != nil {
		return err
	}
	s.sessions.WriteSessionCookie(ctx, c.Response(), token, expiry)
	return nil
}

// endSession signs out.
func (s *Server) endSession(c echo.Context) error {
	ctx := c.Request().Context()
	if _, ok := c.Get(keyIdentity).(Identity); !ok || c.Request().Header.Get(echo.HeaderAuthorization) != "" {
		return errors.New("no session to end")
	}
	if err := s.sessions.Destroy(ctx); err != nil {
		return err
	}
	s.sessions.WriteSessionCookie(ctx, c.Response(), "", time.Time{})
	return nil
}
