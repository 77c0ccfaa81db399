package web_test

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farmtls"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// tlsSite serves a site by TLS of the farm's own on a port of this machine.
func tlsSite(t *testing.T) (site *webtest.Site, port string, source *farmtls.Source) {
	t.Helper()
	source, err := farmtls.Farm(filepath.Join(t.TempDir(), "tls"), func() []string { return []string{"farm.local", "localhost", "127.0.0.1", "192.168.77.5"} }, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	site = webtest.New(t, func(c *web.Config) { c.TLS = source })
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- site.Server.Serve(ctx, l) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("serving ended with %v", err)
		}
	})
	_, port, err = net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return site, port, source
}

// tlsClient trusts the farm's authority alone, if any.
func tlsClient(t *testing.T, der []byte) *http.Client {
	t.Helper()
	roots := x509.NewCertPool()
	if der != nil {
		ca, err := x509.ParseCertificate(der)
		if err != nil {
			t.Fatal(err)
		}
		roots.AddCert(ca)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar, Timeout: 20 * time.Second, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}, ForceAttemptHTTP2: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	t.Cleanup(c.CloseIdleConnections)
	return c
}

func answered(t *testing.T, res *http.Response, err error) (*http.Response, string) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(res.Body)
	_ = res.Body.Close()
	if err != nil {
		t.Fatal(err)
	}
	return res, string(b)
}

// TestTheFarmsOwnTLS goes the way of a tablet: it reads by plain http how to
// trust, gets the authority, compares, and signs in by https on the same port.
func TestTheFarmsOwnTLS(t *testing.T) {
	site, port, source := tlsSite(t)
	site.As("amara", "operator")
	plain, secure := "http://127.0.0.1:"+port, "https://localhost:"+port
	strange := tlsClient(t, nil)
	if res, err := strange.Get(secure + "/sign-in"); err == nil {
		_ = res.Body.Close()
		t.Fatal("a device that trusts nobody takes the certificate")
	}
	got, err := strange.Get(plain + "/trust")
	res, page := answered(t, got, err)
	if res.StatusCode != 200 || !strings.Contains(page, "http://192.168.77.5:"+port+"/trust") || !strings.Contains(page, "https://192.168.77.5:"+port+"/") {
		t.Errorf("/trust by plain http: %d; want an address of the network in it", res.StatusCode)
	}
	got, err = strange.Get(plain + "/trust/authority.crt")
	res, der := answered(t, got, err)
	if res.Header.Get("Content-Type") != "application/x-x509-ca-cert" {
		t.Errorf("the authority comes as %q", res.Header.Get("Content-Type"))
	}
	print := fmt.Sprintf("%X", sha256.Sum256([]byte(der)))
	shown := strings.NewReplacer(":", "", "<span>", "", "</span>", "", "\n", "").Replace(page)
	if !strings.Contains(shown, print) {
		t.Errorf("the page does not show the fingerprint %s of the authority it gives", print)
	}
	if _, svg := answered(t, must(strange.Get(plain+"/trust/address.svg")), nil); !strings.Contains(svg, "<svg") {
		t.Error("there is no code")
	}
	for path, want := range map[string]string{"/floor?bay=a": "https://127.0.0.1:" + port + "/floor?bay=a", "/": "https://127.0.0.1:" + port + "/"} {
		res, _ := answered(t, must(strange.Get(plain+path)), nil)
		if res.StatusCode != http.StatusTemporaryRedirect || res.Header.Get("Location") != want || res.Header.Get("Content-Security-Policy") == "" {
			t.Errorf("%s by plain http: %d to %q, want to be led to %s", path, res.StatusCode, res.Header.Get("Location"), want)
		}
	}
	if res, _ := answered(t, must(strange.PostForm(plain+"/sign-in", url.Values{"handle": {"amara"}, "password": {webtest.Password}})), nil); res.StatusCode != http.StatusForbidden {
		t.Errorf("signing in by plain http: %d, want 403", res.StatusCode)
	}
	tablet := tlsClient(t, []byte(der))
	res, _ = answered(t, must(tablet.PostForm(secure+"/sign-in", url.Values{"handle": {"amara"}, "password": {webtest.Password}})), nil)
	if res.StatusCode != http.StatusSeeOther || res.ProtoMajor != 2 {
		t.Fatalf("signing in by https: %d by HTTP/%d, want 303 by HTTP/2", res.StatusCode, res.ProtoMajor)
	}
	cookie := res.Header.Get("Set-Cookie")
	if !strings.HasPrefix(cookie, "__Host-basecourse=") || !strings.Contains(cookie, "Secure") {
		t.Errorf("the session's cookie is %q", strings.SplitN(cookie, "=", 2)[0])
	}
	res, floor := answered(t, must(tablet.Get(secure+"/floor")), nil)
	if res.StatusCode != 200 || res.Header.Get("Strict-Transport-Security") != "" || !strings.Contains(floor, `data-off="insecure" hidden`) {
		t.Errorf("the Floor: %d, HSTS %q (none may be sent for a certificate of the farm's own)", res.StatusCode, res.Header.Get("Strict-Transport-Security"))
	}
	if _, err := tls.Dial("tcp", "127.0.0.1:"+port, &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("TLS 1.1 is spoken")
	}
	_ = source
}

// TestSilentSendersAreDroppedBeforeTLS: whoever says nothing holds no connection
// open, and does not keep others waiting.
func TestSilentSendersAreDroppedBeforeTLS(t *testing.T) {
	_, port, source := tlsSite(t)
	for range 50 {
		c, err := net.Dial("tcp", "127.0.0.1:"+port)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
	}
	began := time.Now()
	res, _ := answered(t, must(tlsClient(t, source.Authority).Get("https://127.0.0.1:"+port+"/healthz")), nil)
	if res.StatusCode != 200 || time.Since(began) > 3*time.Second {
		t.Errorf("beside 50 silent senders: %d after %s", res.StatusCode, time.Since(began))
	}
}

func must(res *http.Response, err error) *http.Response {
	if err != nil {
		panic(err)
	}
	return res
}

// TestACertificateOfOthersSendsHSTS, and the page of trust says how to get one's own.
func TestACertificateOfOthersSendsHSTS(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.PublicURL = "https://farm.example" })
	if a := site.Nobody().Get("/sign-in"); a.Header.Get("Strict-Transport-Security") == "" {
		t.Error("behind https no HSTS is sent")
	}
	if a := site.Nobody().Get("/trust"); a.Status != 200 || !strings.Contains(a.Body, "--tls farm") {
		t.Errorf("/trust: %d", a.Status)
	}
	if a := site.Nobody().Get("/trust/authority.crt"); a.Status != 404 {
		t.Errorf("/trust/authority.crt: %d, want 404", a.Status)
	}
}
