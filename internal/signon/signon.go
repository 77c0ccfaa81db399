// Package signon lets people in by a sign-in provider that the farm's owner runs or
// trusts: OpenID Connect Core 1.0, the code flow, with state, nonce and PKCE
// (RFC 7636, S256) and the issuer of the answer looked at (RFC 9207).
//
// It knows no sessions and no people. Begin gives the address to send a browser to
// and what to remember meanwhile; Finish takes the answer apart and gives who came,
// by issuer and subject. Nothing else of the provider is asked for or kept: neither
// name nor mail address, and the access token is thrown away.
package signon

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// Limits of talking with the provider.
const (
	patience     = 4 * time.Second // one exchange
	answerBytes  = 1 << 20
	knownFor     = time.Hour       // then what the provider says of itself is read again
	againAfter   = 2 * time.Second // a provider that was away is asked again no sooner
	flowLasts    = 10 * time.Minute
	clocksApart  = time.Minute // between the provider's clock and ours
	longestParam = 4096        // of an answer's parameter
)

// Config is one provider.
type Config struct {
	Issuer      string // as the provider writes itself, https
	ClientID    string
	Secret      string
	RedirectURL string   // our address that answers come to
	Name        string   // what people call the provider; "" the issuer's host
	StrongACR   []string // values of acr that tell of more than one factor
	Now         func() time.Time
}

// Provider is a sign-in provider. It is asked about itself when it is first needed
// and again after a failure, so that a farm starts and works without it.
type Provider struct {
	cfg    Config
	client *http.Client

	mu      sync.Mutex
	known   *about
	readAt  time.Time
	triedAt time.Time
	failed  error
}

// about is what a provider says of itself.
type about struct {
	provider    *oidc.Provider
	endSession  string
	namesIssuer bool // its answers always carry iss
}

// Flow is what is remembered between Begin and Finish, by the one browser.
type Flow struct {
	State, Nonce, Verifier, Issuer string
	Fresh                          bool // the provider had to ask for the password anew
	At                             time.Time
}

// Who came.
type Who struct {
	Issuer, Subject string
	Strong          bool // the provider tells that more than one factor was shown
}

// Away is an error: the provider cannot be reached or makes no sense just now.
type Away struct{ err error }

// Error says what failed; it holds neither secret nor code.
func (a *Away) Error() string { return "the sign-in provider is away: " + a.err.Error() }

// Unwrap gives the cause.
func (a *Away) Unwrap() error { return a.err }

// Refused is an error: an answer that lets nobody in. Why is one of a few words for
// the log: state, expired, issuer, denied, code, token, nonce, audience, old.
type Refused struct {
	Why string
	err error
}

// Error says why.
func (r *Refused) Error() string {
	if r.err != nil {
		return "sign-in refused (" + r.Why + "): " + r.err.Error()
	}
	return "sign-in refused (" + r.Why + ")"
}

// Unwrap gives the cause.
func (r *Refused) Unwrap() error { return r.err }

// CheckIssuer tells what is wrong with an issuer: https is asked for, plain http only
// on this machine; no user, parameters or fragment (OpenID Connect Discovery 1.0, 2).
func CheckIssuer(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" || !safe(u) {
		return errors.New("an address with https and nothing behind its path, such as https://id.farm.example")
	}
	return nil
}

// safe tells whether what is sent to an address stays between us and it.
func safe(u *url.URL) bool {
	if u.Scheme == "https" {
		return true
	}
	ip := net.ParseIP(u.Hostname())
	return u.Scheme == "http" && (u.Hostname() == "localhost" || ip != nil && ip.IsLoopback())
}

// New makes a provider from its settings and talks to nobody.
func New(cfg Config) (*Provider, error) {
	if err := CheckIssuer(cfg.Issuer); err != nil {
		return nil, fmt.Errorf("signon.New: issuer: expected %w", err)
	}
	if cfg.ClientID == "" || cfg.Secret == "" || cfg.RedirectURL == "" {
		return nil, errors.New("signon.New: a client id, a secret and an address for answers are needed")
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Name == "" {
		u, _ := url.Parse(cfg.Issuer)
		cfg.Name = u.Hostname()
	}
	return &Provider{cfg: cfg, client: &http.Client{
		Timeout:   patience,
		Transport: bounded{http.DefaultTransport.(*http.Transport).Clone()},
		// The secret goes where the provider said, and nowhere that a redirect leads.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

// bounded reads no more of an answer than makes sense.
type bounded struct{ next http.RoundTripper }

// RoundTrip asks.
func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := b.next.RoundTrip(r)
	if err == nil {
		res.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(res.Body, answerBytes), res.Body}
	}
	return res, err
}

// Name is what people call the provider.
func (p *Provider) Name() string { return p.cfg.Name }

// Issuer is the provider's own name for itself.
func (p *Provider) Issuer() string { return p.cfg.Issuer }

// about gives what the provider says of itself, asking where that is not known or
// old. Where asking fails, what was known stays good.
func (p *Provider) about(ctx context.Context) (*about, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.cfg.Now()
	if p.known != nil && now.Sub(p.readAt) < knownFor {
		return p.known, nil
	}
	if p.failed != nil && now.Sub(p.triedAt) < againAfter && !now.Before(p.triedAt) {
		if p.known != nil {
			return p.known, nil
		}
		return nil, &Away{p.failed}
	}
	a, err := p.ask(ctx)
	p.triedAt, p.failed = now, err
	if err != nil {
		if p.known != nil {
			return p.known, nil
		}
		return nil, &Away{err}
	}
	p.known, p.readAt = a, now
	return a, nil
}

func (p *Provider) ask(ctx context.Context) (*about, error) {
	provider, err := oidc.NewProvider(oidc.ClientContext(ctx, p.client), p.cfg.Issuer)
	if err != nil {
		return nil, err
	}
	var more struct {
		EndSession  string `json:"end_session_endpoint"`
		Keys        string `json:"jwks_uri"`
		NamesIssuer bool   `json:"authorization_response_iss_parameter_supported"`
	}
	if err := provider.Claims(&more); err != nil {
		return nil, err
	}
	e := provider.Endpoint()
	for what, text := range map[string]string{"authorization_endpoint": e.AuthURL, "token_endpoint": e.TokenURL, "jwks_uri": more.Keys} {
		if u, err := url.Parse(text); err != nil || u.Host == "" || !safe(u) {
			return nil, fmt.Errorf("its %s is no address with https", what)
		}
	}
	if u, err := url.Parse(more.EndSession); err != nil || u.Host == "" || !safe(u) {
		more.EndSession = ""
	}
	return &about{provider: provider, endSession: more.EndSession, namesIssuer: more.NamesIssuer}, nil
}

func (p *Provider) oauth(a *about) *oauth2.Config {
	return &oauth2.Config{ClientID: p.cfg.ClientID, ClientSecret: p.cfg.Secret, Endpoint: a.provider.Endpoint(), RedirectURL: p.cfg.RedirectURL, Scopes: []string{oidc.ScopeOpenID}}
}

// Begin gives the provider's address to send a browser to, and what to remember
// until it comes back. With fresh the provider has to ask who is there anew, whoever
// was signed in with it before: on devices that people share.
func (p *Provider) Begin(ctx context.Context, fresh bool) (address string, flow Flow, err error) {
	a, err := p.about(ctx)
	if err != nil {
		return "", Flow{}, err
	}
	flow = Flow{State: random(), Nonce: random(), Verifier: oauth2.GenerateVerifier(), Issuer: p.cfg.Issuer, Fresh: fresh, At: p.cfg.Now()}
	options := []oauth2.AuthCodeOption{oidc.Nonce(flow.Nonce), oauth2.S256ChallengeOption(flow.Verifier)}
	if fresh {
		options = append(options, oauth2.SetAuthURLParam("prompt", "login"), oauth2.SetAuthURLParam("max_age", "0"))
	}
	return p.oauth(a).AuthCodeURL(flow.State, options...), flow, nil
}

// random is 256 bits as text.
func random() string {
	var b [32]byte
	_, _ = rand.Read(b[:])
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// Finish takes the provider's answer, the parameters with which it sent the browser
// back, and gives who came. The flow must be forgotten before, so that no answer
// counts twice. Errors are *Away and *Refused.
func (p *Provider) Finish(ctx context.Context, flow Flow, answer url.Values) (Who, error) {
	now := p.cfg.Now()
	for _, values := range answer {
		if len(values) != 1 || len(values[0]) > longestParam {
			return Who{}, &Refused{Why: "state"}
		}
	}
	switch {
	case flow.State == "" || subtle.ConstantTimeCompare([]byte(answer.Get("state")), []byte(flow.State)) != 1:
		return Who{}, &Refused{Why: "state"}
	case now.Sub(flow.At) > flowLasts || now.Before(flow.At.Add(-clocksApart)):
		return Who{}, &Refused{Why: "expired"}
	case flow.Issuer != p.cfg.Issuer: // the settings changed meanwhile
		return Who{}, &Refused{Why: "issuer"}
	}
	a, err := p.about(ctx)
	if err != nil {
		return Who{}, err
	}
	if iss := answer.Get("iss"); iss != flow.Issuer && (iss != "" || a.namesIssuer) {
		return Who{}, &Refused{Why: "issuer"}
	}
	if answer.Get("error") != "" || answer.Get("code") == "" {
		return Who{}, &Refused{Why: "denied"}
	}
	ctx = oidc.ClientContext(ctx, p.client)
	token, err := p.oauth(a).Exchange(ctx, answer.Get("code"), oauth2.VerifierOption(flow.Verifier))
	if err != nil {
		var told *oauth2.RetrieveError
		if errors.As(err, &told) && told.Response != nil && told.Response.StatusCode < 500 {
			// What it says is left out: it may quote the code.
			return Who{}, &Refused{Why: "code", err: fmt.Errorf("the provider answered %d", told.Response.StatusCode)}
		}
		return Who{}, &Away{scrubbed(err)}
	}
	raw, _ := token.Extra("id_token").(string)
	return p.verify(ctx, a, flow, raw, now)
}

// scrubbed leaves out of an error what it may quote of a request.
func scrubbed(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	var told *oauth2.RetrieveError
	if errors.As(err, &told) {
		return errors.New("its answer is no token")
	}
	return err
}

// verify reads an id token (OpenID Connect Core 1.0, 3.1.3.7): signature by the
// provider's keys, issuer, audience, times, nonce.
func (p *Provider) verify(ctx context.Context, a *about, flow Flow, raw string, now time.Time) (Who, error) {
	id, err := a.provider.Verifier(&oidc.Config{ClientID: p.cfg.ClientID, Now: p.cfg.Now}).Verify(ctx, raw)
	if err != nil {
		var old *oidc.TokenExpiredError
		if errors.As(err, &old) {
			return Who{}, &Refused{Why: "old", err: errors.New("the token ran out")}
		}
		if strings.Contains(err.Error(), "fetching keys") {
			return Who{}, &Away{errors.New("its keys cannot be read")}
		}
		return Who{}, &Refused{Why: "token", err: withoutToken(err, raw)}
	}
	var more struct {
		AZP      string   `json:"azp"`
		ACR      string   `json:"acr"`
		AMR      []string `json:"amr"`
		AuthTime int64    `json:"auth_time"`
	}
	if err := id.Claims(&more); err != nil {
		return Who{}, &Refused{Why: "token", err: errors.New("its claims make no sense")}
	}
	switch {
	case id.Nonce == "" || subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(flow.Nonce)) != 1:
		return Who{}, &Refused{Why: "nonce"}
	case len(id.Audience) > 1 && more.AZP == "" || more.AZP != "" && more.AZP != p.cfg.ClientID:
		return Who{}, &Refused{Why: "audience"}
	case id.Subject == "" || len(id.Subject) > 255: // 255 ASCII characters at most (Core 1.0, 2)
		return Who{}, &Refused{Why: "token"}
	case id.IssuedAt.After(now.Add(clocksApart)):
		return Who{}, &Refused{Why: "token"}
	case flow.Fresh && time.Unix(more.AuthTime, 0).Before(flow.At.Add(-clocksApart)):
		return Who{}, &Refused{Why: "old"}
	}
	strong := slices.Contains(more.AMR, "mfa") || more.ACR != "" && slices.Contains(p.cfg.StrongACR, more.ACR) // RFC 8176
	return Who{Issuer: id.Issuer, Subject: id.Subject, Strong: strong}, nil
}

func withoutToken(err error, raw string) error {
	if raw == "" {
		return errors.New("no id token came")
	}
	return errors.New(strings.ReplaceAll(err.Error(), raw, "…"))
}

// SignOutURL is where one signs out of the provider, coming back to an address of
// ours; "" where that is not known.
func (p *Provider) SignOutURL(back string) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.known == nil || p.known.endSession == "" {
		return ""
	}
	u, err := url.Parse(p.known.endSession)
	if err != nil {
		return ""
	}
	q := u.Query()
	q.Set("client_id", p.cfg.ClientID)
	q.Set("post_logout_redirect_uri", back)
	u.RawQuery = q.Encode()
	return u.String()
}
