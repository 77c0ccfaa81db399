package web

import (
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"strconv"

	"basecourse/internal/fault"
	"basecourse/internal/signon"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// ProviderBack is where a sign-in provider sends browsers back to.
const ProviderBack = "/sign-in/provider/back"

// flow is what a session remembers while its browser is at the provider.
type flow struct {
	Flow signon.Flow
	Next string
	Link int32 // the person to be linked; 0: somebody signs in
}

// provider gives the sign-in provider; where none is set up there is nothing here.
func (s *Server) provider() (*signon.Provider, error) {
	if s.cfg.Provider == nil {
		return nil, fault.New(fault.NotFound, "No sign-in provider is set up here.")
	}
	return s.cfg.Provider, nil
}

// postProvider sends somebody to the provider to sign in.
func (s *Server) postProvider() echo.HandlerFunc {
	return func(c echo.Context) error {
		if _, err := s.provider(); err != nil {
			return err
		}
		form, err := readForm(c, "next")
		if err != nil {
			return err
		}
		if identity(c).Token != 0 {
			return fault.New(fault.Forbidden, "A token does not sign in.")
		}
		return s.toProvider(c, flow{Next: safeNext(form["next"])})
	}
}

// toProvider remembers a flow and shows the way to the provider. The way is a page
// that goes on by itself and not a redirect: what a form leads to has to be ours
// (form-action), redirects included.
func (s *Server) toProvider(c echo.Context, f flow) error {
	p, err := s.provider()
	if err != nil {
		return err
	}
	address, begun, err := p.Begin(c.Request().Context(), identity(c).Tablet != 0)
	if err != nil {
		return s.notIn(c, err)
	}
	f.Flow = begun
	text, err := json.Marshal(f)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	if err := s.keepSession(c, func() { s.sessions.Put(ctx, sessionFlow, string(text)) }); err != nil {
		return err
	}
	c.Response().Header().Set("Refresh", "0; url="+address)
	return render(c, http.StatusOK, views.GoOn(views.GoOnPage{Shell: s.shell(c, "Sign in at "+p.Name(), ""), Name: p.Name(), Address: address}))
}

// getProviderBack takes the provider's answer: somebody is signed in, or linked. It
// is the one GET that changes something: the protocol asks for it, and it does
// nothing without the state that this browser's session remembers, once.
func (s *Server) getProviderBack() echo.HandlerFunc {
	return func(c echo.Context) error {
		p, err := s.provider()
		if err != nil {
			return err
		}
		if c.Request().Method == http.MethodHead || identity(c).Token != 0 {
			return fault.New(fault.NotFound, "There is nothing at this address.")
		}
		ctx := c.Request().Context()
		var f flow
		if text := s.sessions.PopString(ctx, sessionFlow); text != "" {
			if err := json.Unmarshal([]byte(text), &f); err != nil {
				return err
			}
			if _, _, err := s.sessions.Commit(ctx); err != nil { // before anything: no answer counts twice
				return err
			}
		}
		who, err := p.Finish(ctx, f.Flow, c.QueryParams())
		if err != nil {
			return s.notIn(c, err)
		}
		if f.Link != 0 {
			return s.link(c, f.Link, who)
		}
		account, err := s.store.LinkedAccount(ctx, who.Issuer, who.Subject)
		if fault.Is(err, fault.NotFound) {
			return s.notIn(c, &signon.Refused{Why: "unlinked"})
		}
		if err != nil {
			return err
		}
		s.sessions.Put(ctx, sessionProvider, true)
		if account.Factor && !who.Strong {
			return s.toCode(c, account, f.Next)
		}
		return s.signedIn(c, account, f.Next)
	}
}

// link notes that an account of the provider is whoever is signed in and showed
// their password when they set out.
func (s *Server) link(c echo.Context, person int32, who signon.Who) error {
	ctx, me := c.Request().Context(), identity(c)
	if me.Person != person || me.Tablet != 0 {
		return s.notIn(c, &signon.Refused{Why: "state"})
	}
	if err := s.store.LinkSignIn(ctx, pageAct(c), me.Handle, who.Issuer, who.Subject); err != nil {
		return err
	}
	s.log.LogAttrs(ctx, slog.LevelInfo, "sign-in linked", slog.String("request", requestID(c)), slog.String("who", me.Handle))
	return c.Redirect(http.StatusSeeOther, s.url("/account?saved=linked"))
}

// notIn says why the provider let nobody in.
func (s *Server) notIn(c echo.Context, err error) error {
	name := s.cfg.Provider.Name()
	p := views.ProblemPage{Shell: s.shell(c, "Not signed in", ""), Link: s.url("/sign-in"), LinkWord: "Sign in", Do: "Begin again. If it happens again, tell an admin of the farm the number below.", Ref: requestID(c)}
	if identity(c).Person != 0 {
		p.Title, p.Link, p.LinkWord = "Not linked", s.url("/account"), "Your sign-in"
	}
	status, why := http.StatusForbidden, ""
	var away *signon.Away
	var refused *signon.Refused
	switch {
	case errors.As(err, &away):
		status, why = http.StatusServiceUnavailable, "away"
		c.Response().Header().Set(echo.HeaderRetryAfter, retryAfter)
		p.What, p.Do = name+" does not answer just now.", "Try again in a moment, or sign in with your password."
	case !errors.As(err, &refused):
		return err
	default:
		why = refused.Why
	}
	switch why {
	case "away":
	case "state", "expired":
		p.What, p.Do = "This sign-in was begun in another browser, was used already or ran out.", "Begin again."
	case "denied":
		p.What, p.Do = name+" did not let you in.", "Begin again, or sign in with your password."
	case "unlinked":
		p.What = "Nobody here is linked with the account you signed in with at " + name + "."
		p.Do = "If you have a password here: sign in with it once and link the account under Your sign-in. Otherwise ask an admin of the farm to let you in."
	default:
		p.What = "What " + name + " answered lets nobody in."
	}
	s.metrics.signIns.WithLabelValues("refused").Inc()
	s.log.LogAttrs(c.Request().Context(), slog.LevelWarn, "sign-in by the provider refused", slog.String("request", requestID(c)), slog.String("from", c.RealIP()), slog.String("why", why), slog.String("error", err.Error()))
	return render(c, status, views.Problem(p))
}

// postAccountProvider sets out to link whoever is signed in with an account of the
// provider. Their password is asked for: a session left open is not enough to give
// somebody else a way in (ASVS 7.5.1).
func (s *Server) postAccountProvider() echo.HandlerFunc {
	return func(c echo.Context) error {
		if _, err := s.provider(); err != nil {
			return err
		}
		who, err := s.own(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "handle", "known")
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		refuse := func(status int, words string) error {
			p, err := s.accountPage(c, who)
			if err != nil {
				return err
			}
			p.Trouble, p.Problems, p.Provider.Wrong = "Not linked", []views.FormProblem{{Field: "known", Words: words}}, words
			return render(c, status, views.Account(p))
		}
		wait, err := s.store.CountTry(ctx, who.Handle, c.RealIP())
		if err != nil {
			return err
		}
		if wait > 0 {
			c.Response().Header().Set(echo.HeaderRetryAfter, strconv.Itoa(int(wait.Seconds())))
			return refuse(http.StatusTooManyRequests, wordsWait)
		}
		account, err := s.store.AccountByPerson(ctx, who.Person)
		if err != nil {
			return err
		}
		right, err := s.checkPassword(ctx, sent["known"], account.Hash)
		if err != nil {
			return err
		}
		if !right {
			return refuse(http.StatusUnprocessableEntity, "This is not your password. Type it again.")
		}
		if err := s.store.ForgetTries(ctx, who.Handle, c.RealIP()); err != nil {
			return err
		}
		return s.toProvider(c, flow{Link: who.Person})
	}
}

// postAccountProviderOff takes one's own link away. Other devices ask again; this
// one goes on under a new session id.
func (s *Server) postAccountProviderOff() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		ctx := c.Request().Context()
		if err := s.store.UnlinkSignIn(ctx, pageAct(c), who.Handle); err != nil {
			return err
		}
		account, err := s.store.AccountByPerson(ctx, who.Person)
		if err != nil {
			return err
		}
		if err := s.beginSession(c, account); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "sign-in link taken away", slog.String("request", requestID(c)), slog.String("who", who.Handle))
		return c.Redirect(http.StatusSeeOther, s.url("/account?saved=unlinked"))
	}
}

// accountProvider adds the link with the provider to somebody's own page.
func (s *Server) accountProvider(c echo.Context, who Identity, p *views.AccountPage) error {
	if s.cfg.Provider == nil {
		return nil
	}
	since, err := s.store.SignInLink(c.Request().Context(), who.Person, s.cfg.Provider.Issuer())
	if err != nil {
		return err
	}
	p.Provider = views.AccountProvider{Name: s.cfg.Provider.Name(), Handle: who.Handle, Action: s.url("/account/provider")}
	if since != nil {
		values, err := s.store.Settings(c.Request().Context())
		if err != nil {
			return err
		}
		p.Provider.Since, p.Provider.Off = clock(*since, values.Zone()), s.url("/account/provider/off")
	}
	return nil
}

// toCode asks for the second factor of somebody whose first was right.
func (s *Server) toCode(c echo.Context, account store.Account, next string) error {
	if err := s.beginHalf(c, account); err != nil {
		return err
	}
	if next == home {
		return c.Redirect(http.StatusSeeOther, s.url("/sign-in/code"))
	}
	return c.Redirect(http.StatusSeeOther, s.url("/sign-in/code?"+url.Values{"next": {next}}.Encode()))
}
