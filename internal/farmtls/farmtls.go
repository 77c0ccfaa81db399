// Package farmtls gives the server its certificate on the farm's own network: one
// that was made elsewhere, or one of the farm's own authority, which this package
// makes once and whose server certificate it renews.
//
// The keys lie in files of a folder that only the program's account may enter, mode
// 0600, and never in the database: a backup or a dump of the farm must not let its
// reader pose as the farm's server.
package farmtls

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"
)

const (
	authorityYears = 10
	serverLife     = 90 * 24 * time.Hour
	renewBefore    = 30 * 24 * time.Hour
	backdated      = 24 * time.Hour // tablets' clocks may be behind
	lookEvery      = time.Minute    // for changed files, names and addresses
)

// Source gives the server's certificate, and takes a new one without a restart.
type Source struct {
	current atomic.Pointer[tls.Certificate]
	renew   func(now time.Time) error
	// Authority is the farm's own, in DER; nil when the certificate is another's.
	Authority []byte
}

// Config is what a server listens with.
func (s *Source) Config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return s.current.Load(), nil }}
}

// Leaf is the certificate served just now.
func (s *Source) Leaf() *x509.Certificate { return s.current.Load().Leaf }

// Run takes over new files, and renews the farm's own certificate before its end
// or when the machine's names or addresses change, until the context ends. What
// goes wrong is told; the certificate in use stays.
func (s *Source) Run(ctx context.Context, now func() time.Time, tell func(error)) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	last := ""
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		err := s.renew(now())
		if err != nil && err.Error() != last {
			tell(err)
		}
		last = ""
		if err != nil {
			last = err.Error()
		}
	}
}

// Fingerprint is the SHA-256 of a certificate in DER, as devices show it: pairs of
// hexadecimal digits with colons between.
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	pairs := make([]string, len(sum))
	for i, b := range sum {
		pairs[i] = strings.ToUpper(hex.EncodeToString([]byte{b}))
	}
	return strings.Join(pairs, ":")
}

// Files serves a certificate that was made elsewhere, and looks whether the files
// were written anew.
func Files(certFile, keyFile string) (*Source, error) {
	s := &Source{}
	var seen time.Time
	s.renew = func(time.Time) error {
		var newest time.Time
		for _, f := range []string{certFile, keyFile} {
			fi, err := os.Stat(f)
			if err != nil {
				return fmt.Errorf("farmtls.Files: %w", err)
			}
			if fi.ModTime().After(newest) {
				newest = fi.ModTime()
			}
		}
		if !newest.After(seen) {
			return nil
		}
		c, err := tls.LoadX509KeyPair(certFile, keyFile)
		if err != nil {
			return fmt.Errorf("farmtls.Files: %s and %s: %w", certFile, keyFile, err)
		}
		seen = newest
		s.current.Store(&c)
		return nil
	}
	return s, s.renew(time.Time{})
}

// local are the networks and names for which the authority may speak beside the
// names it was made for: nobody can use it to pose as a place on the internet.
var (
	localNames    = []string{"localhost", "local", "lan", "internal", "home.arpa"}
	localNetworks = []string{"127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "100.64.0.0/10", "::1/128", "fc00::/7", "fe80::/10"}
)

// Farm serves a certificate of the farm's own authority, kept in dir. names tells
// the names and addresses the server is reached by; those outside its own networks
// are left out, but the first name, which the authority is made for.
func Farm(dir string, names func() []string, now time.Time) (*Source, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("farmtls.Farm: %w", err)
	}
	if err := os.Chmod(dir, 0o700); err != nil {
		return nil, fmt.Errorf("farmtls.Farm: %w", err)
	}
	ca, err := readPair(dir, "authority")
	if errors.Is(err, fs.ErrNotExist) {
		ca, err = makeAuthority(dir, names(), now)
	}
	if err != nil {
		return nil, fmt.Errorf("farmtls.Farm: %w", err)
	}
	if now.After(ca.cert.NotAfter.Add(-renewBefore)) {
		return nil, fmt.Errorf("farmtls.Farm: the farm's authority ends on %s; move %s away, start again, and trust the new one on every tablet", ca.cert.NotAfter.Format("2006-01-02"), dir)
	}
	s := &Source{Authority: ca.cert.Raw}
	s.renew = func(now time.Time) error {
		want := ca.speaksFor(names())
		have, err := readPair(dir, "server")
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return err
		case now.Before(have.cert.NotAfter.Add(-renewBefore)) && now.After(have.cert.NotBefore) && covers(have.cert, want) && have.cert.CheckSignatureFrom(ca.cert) == nil:
			if c := s.current.Load(); c == nil || !c.Leaf.Equal(have.cert) {
				s.current.Store(have.served(ca))
			}
			return nil
		}
		made, err := ca.sign(want, now)
		if err != nil {
			return err
		}
		if err := made.write(dir, "server"); err != nil {
			return err
		}
		s.current.Store(made.served(ca))
		return nil
	}
	if err := s.renew(now); err != nil {
		return nil, fmt.Errorf("farmtls.Farm: %w", err)
	}
	return s, nil
}

// pair is a certificate with its key.
type pair struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func (p pair) served(ca pair) *tls.Certificate {
	return &tls.Certificate{Certificate: [][]byte{p.cert.Raw, ca.cert.Raw}, PrivateKey: p.key, Leaf: p.cert}
}

func makeAuthority(dir string, names []string, now time.Time) (pair, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return pair{}, err
	}
	serial, err := newSerial()
	if err != nil {
		return pair{}, err
	}
	host := "this farm"
	permitted := slices.Clone(localNames)
	for _, n := range names {
		if _, err := netip.ParseAddr(n); err != nil {
			if host == "this farm" {
				host = n
			}
			if !permits(permitted, n) {
				permitted = append(permitted, n)
			}
		}
	}
	t := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "Basecourse of " + host + ", made " + now.UTC().Format("2006-01-02")},
		NotBefore: now.Add(-backdated), NotAfter: now.AddDate(authorityYears, 0, 0),
		KeyUsage: x509.KeyUsageCertSign, IsCA: true, BasicConstraintsValid: true, MaxPathLen: 0, MaxPathLenZero: true,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: permitted,
	}
	for _, n := range localNetworks {
		_, network, err := net.ParseCIDR(n)
		if err != nil {
			return pair{}, err
		}
		t.PermittedIPRanges = append(t.PermittedIPRanges, network)
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return pair{}, err
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return pair{}, err
	}
	p := pair{cert, key}
	return p, p.write(dir, "authority")
}

// permits tells whether a name is one of the domains or below one (RFC 5280
// 4.2.1.10).
func permits(domains []string, name string) bool {
	return slices.ContainsFunc(domains, func(d string) bool {
		return strings.EqualFold(name, d) || strings.HasSuffix(strings.ToLower(name), "."+strings.ToLower(d))
	})
}

// speaksFor gives the names the authority may sign for, in order, each once.
func (p pair) speaksFor(names []string) []string {
	var out []string
	for _, n := range names {
		if a, err := netip.ParseAddr(n); err == nil {
			if !slices.ContainsFunc(p.cert.PermittedIPRanges, func(r *net.IPNet) bool { return r.Contains(a.AsSlice()) }) {
				continue
			}
			n = a.String()
		} else if !permits(p.cert.PermittedDNSDomains, n) {
			continue
		}
		if !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}

// covers tells whether a certificate has every name.
func covers(c *x509.Certificate, names []string) bool {
	return !slices.ContainsFunc(names, func(n string) bool {
		if a, err := netip.ParseAddr(n); err == nil {
			return !slices.ContainsFunc(c.IPAddresses, func(ip net.IP) bool { return ip.Equal(a.AsSlice()) })
		}
		return !slices.Contains(c.DNSNames, n)
	})
}

func (p pair) sign(names []string, now time.Time) (pair, error) {
	if len(names) == 0 {
		return pair{}, errors.New("the farm's authority may speak for none of this machine's names and addresses")
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return pair{}, err
	}
	serial, err := newSerial()
	if err != nil {
		return pair{}, err
	}
	end := now.Add(serverLife)
	if end.After(p.cert.NotAfter) {
		end = p.cert.NotAfter
	}
	t := &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: names[0]}, NotBefore: now.Add(-backdated), NotAfter: end,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true}
	if t.NotBefore.Before(p.cert.NotBefore) {
		t.NotBefore = p.cert.NotBefore
	}
	for _, n := range names {
		if a, err := netip.ParseAddr(n); err == nil {
			t.IPAddresses = append(t.IPAddresses, a.AsSlice())
		} else {
			t.DNSNames = append(t.DNSNames, n)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, p.cert, &key.PublicKey, p.key)
	if err != nil {
		return pair{}, err
	}
	cert, err := x509.ParseCertificate(der)
	return pair{cert, key}, err
}

func newSerial() (*big.Int, error) {
	return rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
}

// write keeps a pair in one file, so that a crash leaves no certificate without
// its key.
func (p pair) write(dir, name string) error {
	der, err := x509.MarshalPKCS8PrivateKey(p.key)
	if err != nil {
		return err
	}
	text := append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: p.cert.Raw}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})...)
	f, err := os.CreateTemp(dir, name+"-*") // mode 0600
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if err2 := f.Close(); err == nil {
		err = err2
	}
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(dir, name+".pem"))
	}
	if err != nil {
		_ = os.Remove(f.Name())
	}
	return err
}

func readPair(dir, name string) (pair, error) {
	file := filepath.Join(dir, name+".pem")
	text, err := os.ReadFile(file)
	if err != nil {
		return pair{}, err
	}
	if fi, err := os.Stat(file); err == nil && fi.Mode().Perm()&0o077 != 0 {
		return pair{}, fmt.Errorf("%s may be read by others; take that away with chmod 600, or move it away to have a new one made", file)
	}
	c, err := tls.X509KeyPair(text, text)
	if err != nil {
		return pair{}, fmt.Errorf("%s: %w", file, err)
	}
	key, ok := c.PrivateKey.(*ecdsa.PrivateKey)
	if !ok {
		return pair{}, fmt.Errorf("%s: its key is not one this program makes", file)
	}
	return pair{c.Leaf, key}, nil
}

// Names are the names and addresses this machine is reached by: its own name, that
// name on the local network, more that are given, and the addresses of its
// interfaces.
func Names(more ...string) []string {
	var out []string
	add := func(n string) {
		if n = strings.ToLower(strings.TrimSuffix(strings.TrimSpace(n), ".")); n != "" && !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	for _, n := range more {
		add(n)
	}
	if host, err := os.Hostname(); err == nil {
		add(host)
		if !strings.Contains(host, ".") {
			add(host + ".local")
		}
	}
	add("localhost")
	addrs, _ := net.InterfaceAddrs() // without them the names are left
	for _, a := range addrs {
		if p, err := netip.ParsePrefix(a.String()); err == nil && !p.Addr().IsLinkLocalUnicast() {
			add(p.Addr().Unmap().String())
		}
	}
	return out
}
