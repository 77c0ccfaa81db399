package web_test

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"basecourse/internal/store"
	"basecourse/internal/testdb"
	"basecourse/internal/tracing"
	"basecourse/internal/web"
	"basecourse/internal/webtest"

	"go.opentelemetry.io/otel/sdk/trace/tracetest"
)

// traced is a site whose requests are traced into memory.
func traced(t testing.TB) (*webtest.Site, func() tracetest.SpanStubs) {
	t.Helper()
	spans := tracetest.NewInMemoryExporter()
	tr := tracing.Over(spans, "test")
	db := testdb.New(t)
	st, err := store.Open(context.Background(), db, store.Traced(tr.Tracer()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	site := webtest.Over(t, st, db, func(c *web.Config) {
		c.Tracer, c.TrustedProxies = tr.Tracer(), []string{"127.0.0.1"}
	})
	return site, func() tracetest.SpanStubs {
		if err := tr.Flush(context.Background()); err != nil {
			t.Fatal(err)
		}
		return spans.GetSpans()
	}
}

func TestTracesTellWhatWasDoneAndOfNobody(t *testing.T) {
	site, spans := traced(t)
	c := site.As("amara", "manager")
	from := func(r *http.Request) {
		r.Header.Set("traceparent", "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01")
		r.Header.Set("User-Agent", "planted agent")
	}
	floor := c.Do("GET", "/floor?bay=plantedbay", "", "", from)
	c.Get("/printers/plantedtag")
	c.Get("/first-use/plantedkey")
	c.Get("/search?q=plantedquestion")
	c.Do("PLANTEDVERB", "/floor", "", "")
	site.Nobody().Form("/sign-in", url.Values{"handle": {"plantedhandle"}, "password": {"planted password"}})
	site.WithToken("plantedtoken", "operator").Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"cleaning","id":"planted","plate":"plantedplate","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe","note":"planted"}]}`)

	list := spans()
	names := map[string]int{}
	for _, s := range list {
		names[s.Name]++
	}
	for _, want := range []string{"GET /floor", "GET /printers/:tag", "GET /first-use/:key", "POST /sign-in", "POST /api/v1/records", "store.AccountByPerson"} {
		if names[want] == 0 {
			t.Errorf("no span %q among %v", want, names)
		}
	}
	all := fmt.Sprintf("%+v", list)
	for _, secret := range []string{"planted", "PLANTED", "amara", "127.0.0.1", "SELECT ", webtest.Password} {
		if i := strings.Index(all, secret); i >= 0 {
			t.Errorf("a span holds %q: …%s…", secret, all[max(0, i-80):min(len(all), i+80)])
		}
	}
	// One trace joins the proxy's span, ours, its queries, and the line in the log.
	const trace = "0af7651916cd43dd8448eb211c80319c"
	joined, queries := 0, 0
	for _, s := range list {
		if s.SpanContext.TraceID().String() != trace {
			continue
		}
		joined++
		if strings.HasPrefix(s.Name, "store.") {
			queries++
			continue
		}
		for _, a := range s.Attributes {
			if string(a.Key) == "basecourse.request" && a.Value.AsString() != floor.Header.Get("X-Request-Id") {
				t.Errorf("the span is of request %s, the answer of %s", a.Value.AsString(), floor.Header.Get("X-Request-Id"))
			}
		}
	}
	if joined < 2 || queries == 0 {
		t.Errorf("the trace of the Floor has %d spans, %d of them queries", joined, queries)
	}
	found := false
	for line := range strings.Lines(site.Log.String()) {
		var l struct{ Request, Trace, Route string }
		if json.Unmarshal([]byte(line), &l) == nil && l.Request == floor.Header.Get("X-Request-Id") && l.Trace == trace {
			found = true
		}
	}
	if !found {
		t.Error("no line of the log has request and trace together")
	}
}

// TestTracesAreSentByOTLP sends to a collector of the test's own.
func TestTracesAreSentByOTLP(t *testing.T) {
	var mu sync.Mutex
	var got []byte
	collector := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body := io.Reader(r.Body)
		if r.Header.Get("Content-Encoding") == "gzip" {
			z, err := gzip.NewReader(r.Body)
			if err != nil {
				t.Error(err)
				return
			}
			body = z
		}
		b, _ := io.ReadAll(body)
		mu.Lock()
		defer mu.Unlock()
		if r.URL.Path != tracing.Path || r.Header.Get("Content-Type") != "application/x-protobuf" {
			t.Errorf("a request to %s of type %s", r.URL.Path, r.Header.Get("Content-Type"))
		}
		got = append(got, b...)
	}))
	defer collector.Close()
	tr, err := tracing.Start(context.Background(), collector.URL+tracing.Path, "test", slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	site := webtest.New(t, func(c *web.Config) { c.Tracer = tr.Tracer() })
	site.Nobody().Get("/sign-in?next=%2Fplanted")
	tr.Close()
	mu.Lock()
	defer mu.Unlock()
	if !strings.Contains(string(got), "GET /sign-in") || !strings.Contains(string(got), "basecourse") {
		t.Error("the collector got no span of the request")
	}
	if strings.Contains(string(got), "planted") {
		t.Error("the collector got a parameter")
	}
}

// BenchmarkTraces tells what tracing costs, and that it costs nothing when off: without
// a tracer no middleware of it is there.
func BenchmarkTraces(b *testing.B) {
	for _, on := range []bool{false, true} {
		b.Run(map[bool]string{false: "off", true: "on"}[on], func(b *testing.B) {
			site := webtest.New(b, func(c *web.Config) {
				if on {
					c.Tracer = tracing.Over(tracetest.NewNoopExporter(), "test").Tracer()
				}
			})
			req := httptest.NewRequest("GET", "/api/v1/openapi.json", nil)
			b.ReportAllocs()
			for b.Loop() {
				site.Server.ServeHTTP(httptest.NewRecorder(), req)
			}
		})
	}
}
