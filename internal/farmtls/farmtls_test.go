package farmtls

import (
	"crypto/tls"
	"crypto/x509"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var day0 = time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)

func farm(t *testing.T, dir string, now time.Time, names ...string) *Source {
	t.Helper()
	s, err := Farm(dir, func() []string { return names }, now)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// pool trusts the farm's authority alone.
func pool(t *testing.T, s *Source) *x509.CertPool {
	t.Helper()
	c, err := x509.ParseCertificate(s.Authority)
	if err != nil {
		t.Fatal(err)
	}
	p := x509.NewCertPool()
	p.AddCert(c)
	return p
}

// TestTheFarmsOwnCertificate: checked with crypto/x509 as verifier.
func TestTheFarmsOwnCertificate(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tls")
	names := []string{"press.example", "farm", "farm.local", "localhost", "192.168.1.20", "10.0.0.7", "203.0.113.9", "::1"}
	s := farm(t, dir, day0, names...)
	roots := pool(t, s)
	verify := func(c *x509.Certificate, name string, at time.Time) error {
		_, err := c.Verify(x509.VerifyOptions{DNSName: name, Roots: roots, CurrentTime: at, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
		return err
	}
	for _, n := range []string{"press.example", "farm", "farm.local", "localhost", "192.168.1.20", "10.0.0.7", "::1"} {
		if err := verify(s.Leaf(), n, day0); err != nil {
			t.Errorf("%s: %v", n, err)
		}
	}
	for _, n := range []string{"203.0.113.9", "example.com", "other.local", "192.168.1.21"} {
		if verify(s.Leaf(), n, day0) == nil {
			t.Errorf("%s is verified, and is not a name of the certificate", n)
		}
	}
	if life := s.Leaf().NotAfter.Sub(s.Leaf().NotBefore); life > 398*24*time.Hour {
		t.Errorf("the certificate lives %s: devices refuse more than 398 days", life)
	}
	// Even with its key the authority can pose as nobody on the internet, and make
	// no further authority.
	ca, err := readPair(dir, "authority")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []string{"bank.example", "203.0.113.9"} {
		stolen, err := ca.sign([]string{n}, day0)
		if err != nil {
			t.Fatal(err)
		}
		if verify(stolen.cert, n, day0) == nil {
			t.Errorf("a certificate for %s signed by the authority is verified; its constraints must forbid it", n)
		}
	}
	if c := ca.cert; !c.IsCA || !c.MaxPathLenZero || !c.PermittedDNSDomainsCritical || len(c.PermittedIPRanges) == 0 || c.KeyUsage != x509.KeyUsageCertSign {
		t.Errorf("the authority is not constrained: %+v", c)
	}
	for _, f := range []string{"authority.pem", "server.pem"} {
		if fi, err := os.Stat(filepath.Join(dir, f)); err != nil || fi.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v, want mode 0600", f, fi.Mode(), err)
		}
	}
	if fi, _ := os.Stat(dir); fi.Mode().Perm() != 0o700 {
		t.Errorf("the folder has mode %v, want 0700", fi.Mode())
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// TestOpenSSLAgrees: another implementation reads the chain as meant.
func TestOpenSSLAgrees(t *testing.T) {
	if _, err := exec.LookPath("openssl"); err != nil {
		t.Log("there is no openssl here to ask")
		return
	}
	dir := filepath.Join(t.TempDir(), "tls")
	farm(t, dir, time.Now(), "farm.local", "192.168.1.20")
	for _, args := range [][]string{{"-verify_hostname", "farm.local"}, {"-verify_ip", "192.168.1.20"}} {
		out, err := exec.Command("openssl", append([]string{"verify", "-x509_strict", "-CAfile", filepath.Join(dir, "authority.pem")}, append(args, filepath.Join(dir, "server.pem"))...)...).CombinedOutput()
		if err != nil {
			t.Errorf("openssl %v: %s", args, out)
		}
	}
}

func TestTheCertificateIsRenewed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tls")
	names := []string{"farm.local", "192.168.1.20"}
	s, err := Farm(dir, func() []string { return names }, day0)
	if err != nil {
		t.Fatal(err)
	}
	first := s.Leaf()
	if err := s.renew(day0.Add(59 * 24 * time.Hour)); err != nil || !s.Leaf().Equal(first) {
		t.Errorf("after 59 of 90 days: %v, renewed %v; want the same one", err, !s.Leaf().Equal(first))
	}
	if err := s.renew(day0.Add(61 * 24 * time.Hour)); err != nil || s.Leaf().Equal(first) {
		t.Errorf("after 61 of 90 days: %v, renewed %v; want a new one", err, !s.Leaf().Equal(first))
	}
	second := s.Leaf()
	names = append(names, "192.168.1.99") // the machine got another address
	if err := s.renew(day0.Add(62 * 24 * time.Hour)); err != nil || s.Leaf().Equal(second) || s.Leaf().VerifyHostname("192.168.1.99") != nil {
		t.Errorf("with a new address: %v; want it in a new certificate", err)
	}
	// Started again: the same authority, the same certificate.
	again := farm(t, dir, day0.Add(63*24*time.Hour), names...)
	if Fingerprint(again.Authority) != Fingerprint(s.Authority) || !again.Leaf().Equal(s.Leaf()) {
		t.Error("started again it has another authority or certificate")
	}
	if _, err := Farm(dir, func() []string { return names }, day0.AddDate(10, 0, -1)); err == nil || !strings.Contains(err.Error(), "trust the new one") {
		t.Errorf("near the authority's end: %v, want to be told what to do", err)
	}
	if err := os.Chmod(filepath.Join(dir, "authority.pem"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Farm(dir, func() []string { return names }, day0); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("with a key others may read: %v, want a refusal", err)
	}
}

// TestNewFilesAreTakenOver: by a TLS client, without a restart.
func TestNewFilesAreTakenOver(t *testing.T) {
	write := func(to string) *Source {
		dir := filepath.Join(t.TempDir(), "tls")
		s := farm(t, dir, time.Now(), "localhost", "127.0.0.1")
		text, err := os.ReadFile(filepath.Join(dir, "server.pem"))
		if err == nil {
			err = os.WriteFile(to, text, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	file := filepath.Join(t.TempDir(), "both.pem")
	one := write(file)
	s, err := Files(file, file)
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "there") }))
	srv.Listener = l
	srv.TLS = s.Config()
	srv.StartTLS()
	t.Cleanup(srv.Close)
	asks := func(trust *Source) error {
		c := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool(t, trust)}, DisableKeepAlives: true}}
		res, err := c.Get("https://" + l.Addr().String())
		if err == nil {
			_ = res.Body.Close()
		}
		return err
	}
	srv.TLS.Certificates = nil
	if err := asks(one); err != nil {
		t.Errorf("with the first files: %v", err)
	}
	two := write(file)
	if err := os.Chtimes(file, time.Now(), time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if err := s.renew(time.Now()); err != nil {
		t.Fatal(err)
	}
	if err := asks(two); err != nil {
		t.Errorf("with new files: %v", err)
	}
	if err := os.WriteFile(file, []byte("half a file"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(file, time.Now(), time.Now().Add(2*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if s.renew(time.Now()) == nil {
		t.Error("a broken file is taken without a word")
	}
	if err := asks(two); err != nil {
		t.Errorf("with a broken file the one in use must stay: %v", err)
	}
}
