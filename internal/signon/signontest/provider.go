// Package signontest is a sign-in provider for tests: OpenID Connect's code flow with
// RS256 on loopback, as strict as a good one, and able to answer wrongly in every way
// a bad one could.
package signontest

import (
	"crypto"
	"crypto/hmac"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"maps"
	"math/big"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// What the provider knows the farm by.
const (
	ClientID = "basecourse-test"
	Secret   = "a planted client secret"
)

// Provider is a running provider. Its fields may be changed between requests, under
// Change.
type Provider struct {
	URL string // also its issuer

	mu        sync.Mutex
	Subject   string         // who signs in there
	AuthTime  time.Time      // when they did; zero: just now, as prompt=login asks
	Claims    map[string]any // laid over those of an id token; nil takes one away
	Alg       string         // of id tokens: RS256, none or HS256
	Down      bool           // answers 502
	Discovery map[string]any // laid over what it says of itself
	Extra     url.Values     // parameters laid over its answers to the browser
	Asked     map[string]int // how often each address was asked
	Last      url.Values     // parameters of the last request to authorize
	key       *rsa.PrivateKey
	kid       int
	codes     map[string]grant
	t         testing.TB
}

type grant struct{ nonce, challenge, redirect string }

var firstKey = sync.OnceValue(func() *rsa.PrivateKey { return newKey() })

func newKey() *rsa.PrivateKey {
	k, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		panic(err)
	}
	return k
}

// New starts a provider.
func New(t testing.TB) *Provider {
	p := &Provider{Subject: "subject-1", Alg: "RS256", key: firstKey(), codes: map[string]grant{}, Asked: map[string]int{}, t: t}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", p.discovery)
	mux.HandleFunc("GET /keys", p.keys)
	mux.HandleFunc("GET /authorize", p.authorize)
	mux.HandleFunc("POST /token", p.token)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.mu.Lock()
		p.Asked[r.URL.Path]++
		down := p.Down
		p.mu.Unlock()
		if down {
			http.Error(w, "away", http.StatusBadGateway)
			return
		}
		mux.ServeHTTP(w, r)
	}))
	t.Cleanup(s.Close)
	p.URL = s.URL
	return p
}

// Change alters the provider.
func (p *Provider) Change(f func(*Provider)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f(p)
}

// Rotate makes a new key and forgets the old one.
func (p *Provider) Rotate() {
	k := newKey()
	p.Change(func(p *Provider) { p.key, p.kid = k, p.kid+1 })
}

func (p *Provider) discovery(w http.ResponseWriter, _ *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	say := map[string]any{
		"issuer": p.URL, "authorization_endpoint": p.URL + "/authorize", "token_endpoint": p.URL + "/token", "jwks_uri": p.URL + "/keys",
		"end_session_endpoint": p.URL + "/leave", "response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"},
		"id_token_signing_alg_values_supported": []string{"RS256"}, "authorization_response_iss_parameter_supported": true,
	}
	maps.Copy(say, p.Discovery)
	answer(w, say)
}

func (p *Provider) keys(w http.ResponseWriter, _ *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	e := big.NewInt(int64(p.key.E)).Bytes()
	answer(w, map[string]any{"keys": []any{map[string]any{"kty": "RSA", "use": "sig", "alg": "RS256", "kid": strconv.Itoa(p.kid), "n": b64(p.key.N.Bytes()), "e": b64(e)}}})
}

// authorize signs Subject in at once and sends the browser back.
func (p *Provider) authorize(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	q := r.URL.Query()
	p.Last = q
	if q.Get("client_id") != ClientID || q.Get("response_type") != "code" || q.Get("code_challenge_method") != "S256" || q.Get("code_challenge") == "" || !strings.Contains(" "+q.Get("scope")+" ", " openid ") {
		http.Error(w, "not what a client should ask", http.StatusBadRequest)
		return
	}
	var raw [16]byte
	_, _ = rand.Read(raw[:])
	code := b64(raw[:])
	p.codes[code] = grant{q.Get("nonce"), q.Get("code_challenge"), q.Get("redirect_uri")}
	back := url.Values{"code": {code}, "state": {q.Get("state")}, "iss": {p.URL}}
	maps.Copy(back, p.Extra)
	http.Redirect(w, r, q.Get("redirect_uri")+"?"+back.Encode(), http.StatusFound)
}

// token takes a code once.
func (p *Provider) token(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	id, secret, ok := r.BasicAuth()
	if !ok {
		id, secret = r.PostFormValue("client_id"), r.PostFormValue("client_secret")
	} else if s, err := url.QueryUnescape(secret); err == nil {
		secret = s
	}
	code := r.PostFormValue("code")
	g, known := p.codes[code]
	delete(p.codes, code)
	sum := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	if id != ClientID || secret != Secret || !known || b64(sum[:]) != g.challenge || r.PostFormValue("redirect_uri") != g.redirect {
		w.WriteHeader(http.StatusBadRequest)
		answer(w, map[string]any{"error": "invalid_grant", "error_description": "of " + code})
		return
	}
	now := time.Now()
	at := p.AuthTime
	if at.IsZero() {
		at = now
	}
	claims := map[string]any{"iss": p.URL, "sub": p.Subject, "aud": ClientID, "exp": now.Add(5 * time.Minute).Unix(), "iat": now.Unix(), "nonce": g.nonce, "auth_time": at.Unix()}
	for k, v := range p.Claims {
		if v == nil {
			delete(claims, k)
			continue
		}
		claims[k] = v
	}
	answer(w, map[string]any{"access_token": "a planted access token", "token_type": "Bearer", "expires_in": 300, "id_token": p.sign(claims)})
}

// sign makes an id token (RFC 7515).
func (p *Provider) sign(claims map[string]any) string {
	head, _ := json.Marshal(map[string]any{"alg": p.Alg, "kid": strconv.Itoa(p.kid), "typ": "JWT"})
	body, _ := json.Marshal(claims)
	signed := b64(head) + "." + b64(body)
	switch p.Alg {
	case "none":
		return signed + "."
	case "HS256": // keyed with what everybody knows
		mac := hmac.New(sha256.New, []byte(ClientID))
		mac.Write([]byte(signed))
		return signed + "." + b64(mac.Sum(nil))
	}
	sum := sha256.Sum256([]byte(signed))
	sig, err := rsa.SignPKCS1v15(nil, p.key, crypto.SHA256, sum[:])
	if err != nil {
		p.t.Fatal(err)
	}
	return signed + "." + b64(sig)
}

// Visit follows an address of ours to authorize as a browser would and gives the
// parameters with which it is sent back.
func (p *Provider) Visit(address string) (back *url.URL) {
	p.t.Helper()
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Get(address)
	if err != nil {
		p.t.Fatal(err)
	}
	_ = res.Body.Close()
	back, err = res.Location()
	if err != nil || res.StatusCode != http.StatusFound {
		p.t.Fatalf("the provider answered %s, want it to send the browser back: %v", res.Status, err)
	}
	return back
}

func answer(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
}

func b64(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }
