package web

import (
	"bufio"
	"context"
	"encoding/hex"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"basecourse/internal/farmtls"
	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/labstack/echo/v4"
	qr "github.com/piglig/go-qr"
)

// serveTLS answers https and plain http on one listener, told apart by the first
// byte a sender sends: whoever types the address without https is led there.
func (s *Server) serveTLS(srv *http.Server, l net.Listener) error {
	parts := splitListener(l)
	plain := &http.Server{Handler: http.HandlerFunc(s.plainHTTP), ReadHeaderTimeout: srv.ReadHeaderTimeout, ReadTimeout: srv.ReadTimeout, WriteTimeout: srv.WriteTimeout,
		IdleTimeout: srv.IdleTimeout, MaxHeaderBytes: srv.MaxHeaderBytes, ErrorLog: srv.ErrorLog}
	srv.RegisterOnShutdown(func() { _ = plain.Shutdown(context.Background()) })
	go func() { _ = plain.Serve(parts.plain) }()
	srv.TLSConfig = s.cfg.TLS.Config()
	return srv.ServeTLS(parts.tls, "", "")
}

// plainHTTP shows how to trust the address, which a device must read before it
// does, answers whoever watches the process, and leads all else to https.
func (s *Server) plainHTTP(w http.ResponseWriter, r *http.Request) {
	path := strings.TrimPrefix(r.URL.Path, s.base)
	if path == "/trust" || path == "/healthz" || path == "/readyz" || strings.HasPrefix(path, "/trust/") || strings.HasPrefix(path, "/static/") {
		s.ServeHTTP(w, r)
		return
	}
	w.Header().Set("Content-Security-Policy", policy)
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.Header().Set("Cache-Control", "no-store")
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		http.Error(w, "This address takes https alone. What was sent has been read by nobody here, and may have been read on the way.", http.StatusForbidden)
		return
	}
	w.Header().Set("Location", "https://"+r.Host+r.URL.RequestURI())
	w.WriteHeader(http.StatusTemporaryRedirect) // never kept: a farm may go back to plain http
}

// split is one listener as two.
type split struct {
	net.Listener
	tls, plain *half
	once       sync.Once
	err        error
	ended      chan struct{}
}

// half gives the connections of one sort.
type half struct {
	of    *split
	conns chan net.Conn
}

func splitListener(l net.Listener) *split {
	s := &split{Listener: l, ended: make(chan struct{})}
	s.tls, s.plain = &half{s, make(chan net.Conn)}, &half{s, make(chan net.Conn)}
	go s.accept()
	return s
}

func (s *split) accept() {
	for {
		c, err := s.Listener.Accept()
		if err != nil {
			var passing net.Error
			if errors.As(err, &passing) && passing.Timeout() {
				continue
			}
			s.end(err)
			return
		}
		go s.sort(c)
	}
}

func (s *split) end(err error) {
	s.once.Do(func() {
		s.err = err
		close(s.ended)
	})
}

// handshake is the first byte of a TLS record of a handshake (RFC 8446 5.1).
const handshake = 0x16

func (s *split) sort(c net.Conn) {
	_ = c.SetReadDeadline(time.Now().Add(readHeaderLimit)) // whoever says nothing is dropped
	r := bufio.NewReaderSize(c, 16)
	first, err := r.Peek(1)
	if err != nil {
		_ = c.Close()
		return
	}
	_ = c.SetReadDeadline(time.Time{})
	to := s.plain
	if first[0] == handshake {
		to = s.tls
	}
	select {
	case to.conns <- peeked{c, r}:
	case <-s.ended:
		_ = c.Close()
	}
}

// peeked is a connection of which the first bytes were read ahead.
type peeked struct {
	net.Conn
	r *bufio.Reader
}

func (p peeked) Read(b []byte) (int, error) { return p.r.Read(b) }

// Accept waits for a connection of the sort.
func (h *half) Accept() (net.Conn, error) {
	select {
	case c := <-h.conns:
		return c, nil
	case <-h.of.ended:
		return nil, h.of.err
	}
}

// Close ends both halves.
func (h *half) Close() error {
	err := h.of.Listener.Close()
	h.of.end(net.ErrClosed)
	return err
}

// Addr is where they listen.
func (h *half) Addr() net.Addr { return h.of.Listener.Addr() }

// authority is the farm's own in DER; nil when it has none.
func (s *Server) authority() []byte {
	if s.cfg.TLS == nil {
		return nil
	}
	return s.cfg.TLS.Authority
}

// farmHost is the host and port devices reach the farm at: as the request names it,
// or an address of the network where it was made on the server itself.
func (s *Server) farmHost(r *http.Request) string {
	host, port, err := net.SplitHostPort(r.Host)
	if err != nil {
		host, port = r.Host, ""
	}
	a, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if (host == "localhost" || err == nil && a.IsLoopback()) && s.cfg.TLS != nil {
		for _, ip := range s.cfg.TLS.Leaf().IPAddresses {
			if !ip.IsLoopback() {
				host = ip.String()
				break
			}
		}
	}
	if port == "" {
		return host
	}
	return net.JoinHostPort(host, port)
}

// getTrust tells how a device comes to trust the farm's address.
func (s *Server) getTrust() echo.HandlerFunc {
	return func(c echo.Context) error {
		p := views.TrustPage{Shell: s.shell(c, "Trust this farm’s address", "")}
		if der := s.authority(); der != nil {
			p.Fingerprint = fingerprintLines(farmtls.Fingerprint(der))
			p.Address = "https://" + s.farmHost(c.Request()) + s.url("/")
			p.Page = "http://" + s.farmHost(c.Request()) + s.url("/trust")
			p.File, p.QR = s.url("/trust/authority.crt"), s.url("/trust/address.svg")
			p.Names = sanWords(s.cfg.TLS.Leaf().DNSNames, s.cfg.TLS.Leaf().IPAddresses)
			p.Until = s.cfg.TLS.Leaf().NotAfter.Format("2006-01-02")
		}
		p.Queue = "" // the page is there to say how it is mended
		return render(c, http.StatusOK, views.Trust(p))
	}
}

func sanWords(dns []string, ips []net.IP) string {
	all := slices.Clone(dns)
	for _, ip := range ips {
		all = append(all, ip.String())
	}
	return strings.Join(all, ", ")
}

// fingerprintLines cuts a fingerprint into four lines to be compared one by one.
func fingerprintLines(f string) []string {
	pairs := strings.Split(f, ":")
	var out []string
	for chunk := range slices.Chunk(pairs, 8) {
		out = append(out, strings.Join(chunk, ":"))
	}
	return out
}

var errNoAuthority = fault.New(fault.NotFound, "This farm has no certificate authority of its own.")

// getAuthority gives the farm's authority to be installed on a device.
func (s *Server) getAuthority() echo.HandlerFunc {
	return func(c echo.Context) error {
		der := s.authority()
		if der == nil {
			return errNoAuthority
		}
		c.Response().Header().Set(echo.HeaderContentType, "application/x-x509-ca-cert")
		c.Response().Header().Set(echo.HeaderContentDisposition, `attachment; filename="basecourse-`+hex.EncodeToString(der[len(der)-4:])+`.crt"`)
		return writeBody(c, http.StatusOK, der)
	}
}

// getTrustCode draws the page's address, for the camera of a tablet.
func (s *Server) getTrustCode() echo.HandlerFunc {
	return func(c echo.Context) error {
		if s.authority() == nil {
			return errNoAuthority
		}
		code, err := qr.EncodeText("http://"+s.farmHost(c.Request())+s.url("/trust"), qr.Medium)
		if err != nil {
			return fault.Wrap(fault.Invalid, err, "The address is too long for a code.")
		}
		svg, err := code.ToSVGBytes(qr.NewQrCodeImgConfig(8, 4, qr.WithOptimalSVG()))
		if err != nil {
			return err
		}
		c.Response().Header().Set(echo.HeaderContentType, "image/svg+xml")
		return writeBody(c, http.StatusOK, svg)
	}
}
