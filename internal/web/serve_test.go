package web_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
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

func TestSlowAndFatSendersAreDropped(t *testing.T) {
	t.Parallel()
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
	// A header of 100 kB is more than the 64 kB taken.
	fat, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = fat.Close() }()
	_, _ = fmt.Fprintf(fat, "GET /healthz HTTP/1.1\r\nHost: x\r\nX-Fat: %s\r\n\r\n", strings.Repeat("x", 100<<10))
	if line, err := bufio.NewReader(fat).ReadString('\n'); err != nil || !strings.Contains(line, "431") {
		t.Errorf("a header of 100 kB: got %q, %v; want status 431", line, err)
	}
	began := time.Now()
	var conns []net.Conn
	for i := range 60 { // slow headers, and sockets that say nothing
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = c.Close() }()
		if i%2 == 0 {
			_, _ = io.WriteString(c, "GET /healthz HTTP/1.1\r\nHost: x\r\n")
		}
		conns = append(conns, c)
	}
	for range 10 {
		asked := time.Now()
		res, err := http.Get("http://" + l.Addr().String() + "/healthz")
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		if took := time.Since(asked); took > time.Second {
			t.Errorf("meanwhile an honest request took %s", took)
		}
	}
	for _, c := range conns {
		_ = c.SetReadDeadline(began.Add(20 * time.Second))
		if _, err := io.ReadAll(c); err != nil {
			t.Fatalf("after %s a silent sender is still connected: %v", time.Since(began), err)
		}
	}
}
