package notify

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"syscall"
	"time"
)

// Guard says where webhooks may go: to public addresses by https, and beyond
// that to what an admin's configuration names.
type Guard struct {
	hosts    []string // lower case
	networks []netip.Prefix
	resolver *net.Resolver // nil: the system's
}

// ParseGuard reads the list of a setting: names of hosts, addresses, networks
// (10.1.2.0/24), with commas between.
func ParseGuard(list string) (*Guard, error) {
	g := &Guard{}
	for text := range strings.SplitSeq(list, ",") {
		text = strings.ToLower(strings.TrimSpace(text))
		if text == "" {
			continue
		}
		if a, err := netip.ParseAddr(text); err == nil && a.Zone() == "" {
			a = a.Unmap()
			g.networks = append(g.networks, netip.PrefixFrom(a, a.BitLen()))
		} else if p, err := netip.ParsePrefix(text); err == nil {
			g.networks = append(g.networks, p.Masked())
		} else if hostName(text) {
			g.hosts = append(g.hosts, text)
		} else {
			return nil, fmt.Errorf("found %q, expected names of hosts, addresses or networks such as 10.1.2.0/24, with commas between", text)
		}
	}
	return g, nil
}

func hostName(s string) bool {
	if len(s) > 253 || strings.Trim(s, "0123456789.") == "" {
		return false
	}
	for part := range strings.SplitSeq(s, ".") {
		if part == "" || len(part) > 63 || strings.Trim(part, "abcdefghijklmnopqrstuvwxyz0123456789-_") != "" {
			return false
		}
	}
	return true
}

// special are the networks that are nobody's public address: IANA's registries of
// special-purpose addresses (RFC 6890 and later), multicast, reserved space, and
// one cloud's address for its machines' own data that lies outside them. Of IPv6
// only 2000::/3 is public at all; what carries an IPv4 address inside (NAT64, 6to4)
// is not let through either.
var special = func() (list []netip.Prefix) {
	for _, s := range []string{
		"0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24", "192.0.2.0/24", "192.31.196.0/24", "192.52.193.0/24",
		"192.88.99.0/24", "192.168.0.0/16", "192.175.48.0/24", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4", "168.63.129.16/32",
		"2001::/23", "2001:db8::/32", "2002::/16", "2620:4f:8000::/48", "3fff::/20",
	} {
		list = append(list, netip.MustParsePrefix(s))
	}
	return list
}()

var publicV6 = netip.MustParsePrefix("2000::/3")

// public tells whether an address is one of the open internet.
func public(a netip.Addr) bool {
	a = a.Unmap()
	if !a.IsValid() || a.Zone() != "" || !a.IsGlobalUnicast() || a.IsPrivate() || a.Is6() && !publicV6.Contains(a) {
		return false
	}
	return !slices.ContainsFunc(special, func(p netip.Prefix) bool { return p.Contains(a) })
}

// allowed tells whether the configuration names an address.
func (g *Guard) allowed(a netip.Addr) bool {
	a = a.Unmap()
	return slices.ContainsFunc(g.networks, func(p netip.Prefix) bool { return p.Contains(a) })
}

// errInside is a refusal to go to an address inside; no later try will do better.
var errInside = errors.New("an address inside the network, or one that is not public")

// CheckURL tells what is wrong with the address of a webhook; nil: nothing that
// can be seen before it is resolved.
func (g *Guard) CheckURL(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Opaque != "" || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" || len(text) > 500 {
		return errors.New("write an address such as https://hooks.example/basecourse")
	}
	if u.User != nil || u.Fragment != "" {
		return errors.New("leave out the name and password, and what stands behind #")
	}
	host := strings.ToLower(u.Hostname())
	a, err := netip.ParseAddr(host)
	isAddr := err == nil
	named := slices.Contains(g.hosts, host) || isAddr && a.Zone() == "" && g.allowed(a)
	switch {
	case named:
		return nil
	case u.Scheme != "https":
		return errors.New("it must begin with https://; http goes only to what BASECOURSE_WEBHOOK_ALLOW names")
	case isAddr && !public(a), !isAddr && !hostName(host), host == "localhost", strings.HasSuffix(host, ".localhost"):
		return fmt.Errorf("it leads to %w; BASECOURSE_WEBHOOK_ALLOW can name it", errInside)
	}
	return nil
}

// Limits of a webhook's answer.
const (
	hookLimit  = 5 * time.Second
	hookAnswer = 64 << 10
)

// client posts by the guard: each address is looked at when it is dialled, after
// it was resolved, so that a name that changes its answer gains nothing. It
// follows no redirects, uses no proxy and keeps no connection.
func (g *Guard) client() *http.Client {
	strict := &net.Dialer{Timeout: hookLimit, Resolver: g.resolver, Control: func(network, address string, _ syscall.RawConn) error {
		at, err := netip.ParseAddrPort(address)
		if err != nil || !strings.HasPrefix(network, "tcp") {
			return errInside
		}
		if g.allowed(at.Addr()) || public(at.Addr()) {
			return nil
		}
		return errInside
	}}
	open := &net.Dialer{Timeout: hookLimit, Resolver: g.resolver}
	return &http.Client{
		Timeout:       hookLimit,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			Proxy: nil, DisableKeepAlives: true, TLSHandshakeTimeout: hookLimit, ResponseHeaderTimeout: hookLimit, MaxResponseHeaderBytes: hookAnswer, DisableCompression: true,
			DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
				if host, _, err := net.SplitHostPort(address); err == nil && slices.Contains(g.hosts, strings.ToLower(host)) {
					return open.DialContext(ctx, network, address)
				}
				return strict.DialContext(ctx, network, address)
			},
		},
	}
}
