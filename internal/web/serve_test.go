package web_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"basecourse/internal/store"
	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// slow findings hold a request until they are let go.
type slow struct {
	*webtest.Findings
	began, release chan struct{}
}

func (s slow) Latest(ctx context.Context, at time.Time, seen store.DataVersion) (*web.FindingList, error) {
	close(s.began)
	<-s.release
	return s.Findings.Latest(ctx, at, seen)
}

func TestStoppingLetsRunningRequestsFinish(t *testing.T) {
	f := slow{&webtest.Findings{}, make(chan struct{}), make(chan struct{})}
	site := webtest.New(t, func(c *web.Config) { c.Findings = f })
	amara := site.As("amara", "operator")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- site.Server.Serve(ctx, l) }()
	answered := make(chan int, 1)
	go func() {
		req, err := http.NewRequest("GET", "http://"+l.Addr().String()+"/findings", nil)
		if err != nil {
			answered <- 0
			return
		}
		for _, k := range amara.Cookies() {
			req.AddCookie(k)
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			answered <- 0
			return
		}
		_, err = io.Copy(io.Discard, res.Body)
		_ = res.Body.Close()
		if err != nil {
			answered <- 0
			return
		}
		answered <- res.StatusCode
	}()
	<-f.began
	stop()
	select {
	case err := <-served:
		t.Fatalf("the server ended (%v) while a request was running", err)
	case <-time.After(200 * time.Millisecond):
	}
	if c, err := net.DialTimeout("tcp", l.Addr().String(), time.Second); err == nil {
		_ = c.Close()
		t.Error("a stopping server still takes connections")
	}
	close(f.release)
	if status := <-answered; status != http.StatusOK {
		t.Errorf("the running request: got status %d, want 200", status)
	}
	if err := <-served; err != nil {
		t.Errorf("Serve: got %v, want nil after a clean stop", err)
	}
}

// serving is a site on a listener with the limits of the real server.
func serving(t *testing.T) (*webtest.Site, string) {
	t.Helper()
	site := webtest.New(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- site.Server.Serve(ctx, l) }()
	t.Cleanup(func() {
		stop()
		<-served
	})
	return site, l.Addr().String()
}

// slowSenders are ways to keep a connection and say next to nothing: what each sends
// at first, and then again and again.
var slowSenders = []struct{ name, first, then string }{
	{"a silent socket", "", ""},
	{"a slow header", "GET /healthz HTTP/1.1\r\nHost: x\r\n", "X-Slow: x\r\n"},
	{"a slow body", "POST /sign-in HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 60000\r\n\r\nhandle=", "a"},
	{"slow chunks", "POST /sign-in HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-www-form-urlencoded\r\nTransfer-Encoding: chunked\r\n\r\n7\r\nhandle=\r\n", "1\r\na\r\n"},
}

// dropSlow opens so many connections of each kind and fails where one outlasts the
// limit, or where an honest request meanwhile is not answered soon (95 of 100 within
// half a second).
func dropSlow(t *testing.T, site *webtest.Site, address string, of []int, limit time.Duration) {
	t.Helper()
	honest := site.As("amara", "operator")
	cookies := honest.Cookies()
	began := time.Now()
	var ended sync.WaitGroup
	var lasted [4]atomic.Int64 // the longest of each kind
	for kind, n := range of {
		for range n {
			c, err := net.Dial("tcp", address)
			if err != nil {
				t.Fatal(err)
			}
			x := slowSenders[kind]
			ended.Go(func() {
				defer func() { _ = c.Close() }()
				gone := make(chan struct{})
				go func() {
					_ = c.SetReadDeadline(began.Add(limit + 10*time.Second))
					_, _ = io.Copy(io.Discard, c)
					close(gone)
				}()
				_, _ = io.WriteString(c, x.first)
				for {
					select {
					case <-gone:
						took := int64(time.Since(began))
						for was := lasted[kind].Load(); took > was && !lasted[kind].CompareAndSwap(was, took); was = lasted[kind].Load() {
						}
						return
					case <-time.After(time.Second):
						_, _ = io.WriteString(c, x.then)
					}
				}
			})
		}
	}
	client := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	defer client.CloseIdleConnections()
	var times []time.Duration
	for i := range 100 {
		req, err := http.NewRequest("GET", "http://"+address+[]string{"/healthz", "/account"}[i%2], nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range cookies {
			req.AddCookie(k)
		}
		asked := time.Now()
		res, err := client.Do(req)
		if err != nil {
			t.Fatalf("meanwhile an honest request: %v", err)
		}
		_, _ = io.Copy(io.Discard, res.Body)
		_ = res.Body.Close()
		if res.StatusCode != http.StatusOK {
			t.Fatalf("meanwhile an honest request for %s: got status %d after %s", req.URL.Path, res.StatusCode, time.Since(asked))
		}
		times = append(times, time.Since(asked))
		time.Sleep(20 * time.Millisecond)
	}
	slices.Sort(times)
	if p95 := times[94]; p95 > 500*time.Millisecond {
		t.Errorf("meanwhile 95 of 100 honest requests took up to %s, want half a second", p95)
	}
	ended.Wait()
	for kind := range of {
		if took := time.Duration(lasted[kind].Load()); took > limit {
			t.Errorf("%s was still connected after %s, want it dropped within %s", slowSenders[kind].name, took, limit)
		}
		t.Logf("%d × %s: the last dropped after %s", of[kind], slowSenders[kind].name, time.Duration(lasted[kind].Load()).Round(time.Millisecond))
	}
	t.Logf("honest requests meanwhile: half within %s, 95 of 100 within %s", times[49].Round(time.Millisecond), times[94].Round(time.Millisecond))
}

func TestSlowAndFatSendersAreDropped(t *testing.T) {
	t.Parallel()
	site, address := serving(t)
	// A header of 100 kB is more than the 64 kB taken.
	fat, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = fat.Close() }()
	_, _ = fmt.Fprintf(fat, "GET /healthz HTTP/1.1\r\nHost: x\r\nX-Fat: %s\r\n\r\n", strings.Repeat("x", 100<<10))
	if line, err := bufio.NewReader(fat).ReadString('\n'); err != nil || !strings.Contains(line, "431") {
		t.Errorf("a header of 100 kB: got %q, %v; want status 431", line, err)
	}
	dropSlow(t, site, address, []int{30, 30}, 20*time.Second)
}
