package notify

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

// TestOnlyPublicAddresses holds the guard against IANA's registries of
// special-purpose IPv4 and IPv6 addresses (RFC 6890 and what came later), from
// memory, and against addresses that are plainly public.
func TestOnlyPublicAddresses(t *testing.T) {
	for text, want := range map[string]bool{
		"127.0.0.1": false, "127.255.255.254": false, "0.0.0.0": false, "0.1.2.3": false, "10.0.0.1": false, "10.255.255.255": false, "172.16.0.1": false, "172.31.255.255": false, "192.168.1.1": false,
		"169.254.0.1": false, "169.254.169.254": false, "168.63.129.16": false, "100.64.0.1": false, "100.100.100.200": false, "100.127.255.255": false, "192.0.0.192": false, "192.0.2.1": false, "198.18.0.1": false, "198.19.255.255": false,
		"198.51.100.7": false, "203.0.113.9": false, "224.0.0.1": false, "239.255.255.250": false, "240.0.0.1": false, "255.255.255.255": false,
		"::": false, "::1": false, "::ffff:127.0.0.1": false, "::ffff:10.0.0.1": false, "::ffff:169.254.169.254": false, "::127.0.0.1": false, "fe80::1": false, "febf::1": false, "fec0::1": false, "fc00::1": false, "fd00:ec2::254": false,
		"ff02::1": false, "64:ff9b::7f00:1": false, "64:ff9b:1::1": false, "2002:7f00:1::": false, "2001::1": false, "2001:db8::1": false, "100::1": false, "3fff::1": false, "fe80::1%eth0": false, "4000::1": false,
		"1.1.1.1": true, "8.8.8.8": true, "9.255.255.255": true, "11.0.0.1": true, "172.15.255.255": true, "172.32.0.1": true, "100.63.255.255": true, "100.128.0.1": true, "169.253.1.1": true, "223.255.255.254": true,
		"::ffff:8.8.8.8": true, "2606:4700:4700::1111": true, "2a00:1450:4001::1": true,
	} {
		if got := public(netip.MustParseAddr(text)); got != want {
			t.Errorf("%s: public %v, want %v", text, got, want)
		}
	}
}

func TestURLsOfWebhooks(t *testing.T) {
	closed, _ := ParseGuard("")
	open, err := ParseGuard("127.0.0.0/8, board.lan,10.1.2.3")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string][2]bool{ // by the closed guard, by the open one
		"https://hooks.example/x": {true, true}, "https://hooks.example:8443/x?k=1": {true, true}, "http://hooks.example/x": {false, false}, "https://8.8.8.8/": {true, true},
		"http://127.0.0.1:9/": {false, true}, "https://127.0.0.1/": {false, true}, "http://board.lan/x": {false, true}, "http://BOARD.lan/x": {false, true}, "http://10.1.2.3/": {false, true}, "http://10.1.2.4/": {false, false},
		"https://localhost/": {false, false}, "https://a.localhost/": {false, false}, "https://[::1]/": {false, false}, "https://[::ffff:127.0.0.1]/": {false, true}, "https://[fe80::1%25eth0]/": {false, false},
		"https://0/": {false, false}, "https://2130706433/": {false, false}, "https://0x7f.1/": {true, true}, "https://0177.0.0.1/": {false, false}, "https://127.1/": {false, false}, "https://169.254.169.254/latest": {false, false},
		"ftp://hooks.example/": {false, false}, "https:///x": {false, false}, "hooks.example/x": {false, false}, "https://a:b@hooks.example/": {false, false}, "https://hooks.example/#x": {false, false}, "javascript:alert(1)": {false, false}, "": {false, false},
		"https://hooks.example\r\nX: y/": {false, false}, "https://ho oks.example/": {false, false}, "https://" + strings.Repeat("a", 600) + ".example/": {false, false},
	} {
		for i, g := range []*Guard{closed, open} {
			if err := g.CheckURL(text); (err == nil) != want[i] {
				t.Errorf("%q by guard %d: %v, want good %v", text, i, err, want[i])
			}
		}
	}
	for _, bad := range []string{"10.0.0.0/33", "a b", "-", "http://x", "1.2.3"} {
		if _, err := ParseGuard(bad); bad != "-" && err == nil {
			t.Errorf("the list %q is taken", bad)
		}
	}
}

// names is a name server on loopback that gives each answer of a name in turn, the
// last for ever.
func names(t *testing.T, answers ...string) (*net.Resolver, *atomic.Int32) {
	t.Helper()
	pc, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { pc.Close() })
	var asked atomic.Int32
	go func() {
		buf := make([]byte, 1500)
		for {
			n, from, err := pc.ReadFrom(buf)
			if err != nil {
				return
			}
			var m dnsmessage.Message
			if m.Unpack(buf[:n]) != nil || len(m.Questions) != 1 {
				continue
			}
			m.Response, m.Authoritative = true, true
			m.Additionals = nil
			q := m.Questions[0]
			i := int(asked.Load())
			a := netip.MustParseAddr(answers[min(i, len(answers)-1)])
			head := dnsmessage.ResourceHeader{Name: q.Name, Class: q.Class, Type: q.Type}
			switch {
			case q.Type == dnsmessage.TypeA && a.Is4():
				m.Answers = []dnsmessage.Resource{{Header: head, Body: &dnsmessage.AResource{A: a.As4()}}}
				asked.Add(1)
			case q.Type == dnsmessage.TypeAAAA && a.Is6():
				m.Answers = []dnsmessage.Resource{{Header: head, Body: &dnsmessage.AAAAResource{AAAA: a.As16()}}}
				asked.Add(1)
			}
			out, err := m.Pack()
			if err == nil {
				_, _ = pc.WriteTo(out, from)
			}
		}
	}()
	return &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "udp", pc.LocalAddr().String())
	}}, &asked
}

// TestANameThatLeadsInsideIsRefusedWhenDialled covers names whose address was
// public when it was looked at and is not when it is dialled.
func TestANameThatLeadsInsideIsRefusedWhenDialled(t *testing.T) {
	reached := false
	inside := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached = true }))
	defer inside.Close()
	_, port, _ := net.SplitHostPort(inside.Listener.Addr().String())
	for _, to := range []string{"127.0.0.1", "169.254.169.254", "10.0.0.1", "::1", "::ffff:127.0.0.1", "fd00::1", "0.0.0.0"} {
		g := &Guard{}
		g.resolver, _ = names(t, to)
		_, err := g.client().Get("http://rebinding.example:" + port + "/")
		if !errors.Is(err, errInside) {
			t.Errorf("a name that leads to %s: %v, want it refused when dialled", to, err)
		}
	}
	// Public at the first answer, loopback at the second: each dial looks anew.
	g := &Guard{networks: []netip.Prefix{netip.MustParsePrefix("127.0.0.9/32")}}
	var asked *atomic.Int32
	g.resolver, asked = names(t, "127.0.0.9", "127.0.0.1")
	c := g.client()
	for i := range 2 {
		res, err := c.Get("http://rebinding.example:" + port + "/")
		if err == nil {
			res.Body.Close()
		}
		if inside := errors.Is(err, errInside); inside != (i == 1) || int(asked.Load()) != i+1 {
			t.Errorf("the name's answer %d of %d: %v, want the second alone refused", i+1, asked.Load(), err)
		}
	}
	if reached {
		t.Error("an address inside was reached")
	}
	// The same name, named by the configuration, may go there.
	g = &Guard{hosts: []string{"rebinding.example"}}
	g.resolver, _ = names(t, "127.0.0.1")
	res, err := g.client().Get("http://rebinding.example:" + port + "/")
	if err != nil || !reached {
		t.Fatalf("a name the configuration allows: %v", err)
	}
	res.Body.Close()
}

// TestNoSpellingOfLoopbackIsReached: whatever the form takes for an address or a name is
// refused there or when it is dialled.
func TestNoSpellingOfLoopbackIsReached(t *testing.T) {
	var reached atomic.Int32
	inside := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached.Add(1) }))
	defer inside.Close()
	_, port, _ := net.SplitHostPort(inside.Listener.Addr().String())
	g, err := ParseGuard("")
	if err != nil {
		t.Fatal(err)
	}
	for _, host := range []string{"127.0.0.1", "127.1", "127.0.1", "2130706433", "0x7f000001", "0x7f.0.0.1", "0177.0.0.1", "017700000001", "127.0.0.1.", "localhost", "LOCALHOST.", "[::1]", "[::ffff:127.0.0.1]", "[::ffff:7f00:1]", "[0:0:0:0:0:ffff:127.0.0.1]", "[::127.0.0.1]", "0.0.0.0", "0", "[::]", "127.255.255.254", "①②⑦.0.0.1"} {
		address := "http://" + host + ":" + port + "/"
		if g.CheckURL(strings.Replace(address, "http:", "https:", 1)) == nil {
			t.Logf("%s is left to the dialler", host)
		}
		// Even where the form had been gone round.
		res, err := g.client().Get(address)
		if err == nil {
			res.Body.Close()
			t.Errorf("%s was reached", host)
		}
	}
	if n := reached.Load(); n > 0 {
		t.Errorf("loopback was reached %d times", n)
	}
}

func TestRedirectsAreNotFollowed(t *testing.T) {
	followed := false
	mux := http.NewServeMux()
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, "/inside", http.StatusTemporaryRedirect)
	})
	mux.HandleFunc("/inside", func(http.ResponseWriter, *http.Request) { followed = true })
	srv := httptest.NewServer(mux)
	defer srv.Close()
	g, _ := ParseGuard("127.0.0.1")
	res, err := g.client().Post(srv.URL, "text/plain", nil)
	if err != nil || res.StatusCode != http.StatusTemporaryRedirect || followed {
		t.Fatalf("a redirect: status %v, followed %v, %v", res, followed, err)
	}
	res.Body.Close()
}

func TestProxiesOfTheEnvironmentAreNotUsed(t *testing.T) {
	t.Setenv("HTTPS_PROXY", "http://127.0.0.1:1")
	if tr := (&Guard{}).client().Transport.(*http.Transport); tr.Proxy != nil || tr.TLSHandshakeTimeout > 5*time.Second {
		t.Error("a proxy would be asked, which dials what it likes")
	}
}
