package web_test

import (
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"basecourse/internal/web"
	"basecourse/internal/webtest"
)

// metricLine is the form of a sample in OpenMetrics 1.0 (section "Text format").
var metricLine = regexp.MustCompile(`^[a-zA-Z_:][a-zA-Z0-9_:]*(\{[a-zA-Z_][a-zA-Z0-9_]*="(\\["\\n]|[^"\\\n])*"(,[a-zA-Z_][a-zA-Z0-9_]*="(\\["\\n]|[^"\\\n])*")*\})? (NaN|[+-]Inf|[-+0-9.eE]+)( [-+0-9.eE]+)?$`)

func TestMetricsAreOpenMetricsAndTellOfNobody(t *testing.T) {
	site := webtest.New(t)
	c := site.As("amara", "manager")
	operator := site.As("kofi", "operator")
	operator.Get("/printers/secret-tag")
	operator.Get("/no/such/secret-page")
	operator.Do("SECRETVERB", "/floor", "", "")
	try(site.Nobody(), "amara", "wrong password")
	site.WithToken("gateway", "operator").Do("POST", "/api/v1/records", "application/json", `{"records":[{"kind":"cleaning","id":"C-1","plate":"secret","cleaned_at":"2026-03-01T07:00:00Z","method":"wipe"}]}`)
	if a := operator.Get("/metrics"); a.Status != http.StatusForbidden {
		t.Errorf("as an operator: got status %d, want 403", a.Status)
	}
	a := c.Get("/metrics")
	if a.Status != http.StatusOK || !strings.HasPrefix(a.Header.Get("Content-Type"), "application/openmetrics-text; version=1.0.0") || !strings.HasSuffix(a.Body, "\n# EOF\n") {
		t.Fatalf("got status %d, %q, ending %q", a.Status, a.Header.Get("Content-Type"), a.Body[max(0, len(a.Body)-20):])
	}
	types := map[string]string{}
	for line := range strings.Lines(a.Body) {
		line = strings.TrimSuffix(line, "\n")
		if f := strings.Fields(line); strings.HasPrefix(line, "# TYPE ") {
			if types[f[2]] != "" {
				t.Errorf("two types for %s", f[2])
			}
			types[f[2]] = f[3]
			continue
		}
		if !strings.HasPrefix(line, "# ") && !metricLine.MatchString(line) {
			t.Errorf("no sample of OpenMetrics: %q", line)
		}
	}
	for name, kind := range map[string]string{"basecourse_requests": "counter", "basecourse_request_seconds": "histogram", "basecourse_queue_depth": "gauge", "basecourse_pool_connections": "gauge",
		"basecourse_database_up": "gauge", "basecourse_sign_ins": "counter", "basecourse_records": "counter", "basecourse_imports": "counter"} {
		if types[name] != kind {
			t.Errorf("%s is of type %q, want %s", name, types[name], kind)
		}
	}
	for _, want := range []string{`basecourse_requests_total{method="GET",route="/printers/:tag",status="404"} 1`, `basecourse_sign_ins_total{result="refused"} 1`,
		`basecourse_records_total{result="refused"} 1`, `basecourse_database_up 1`, `basecourse_queue_depth{queue="acts_to_seal"}`} {
		if !strings.Contains(a.Body, want) {
			t.Errorf("lacks %s", want)
		}
	}
	for _, secret := range []string{"secret", "SECRET", "amara", "kofi", "gateway"} {
		if strings.Contains(a.Body, secret) {
			t.Errorf("the metrics hold %q", secret)
		}
	}
	site.Store.Close()
	rec := httptest.NewRecorder()
	site.Server.Metrics().ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
	if rec.Code != 200 || !strings.Contains(rec.Body.String(), "basecourse_database_up 0") {
		t.Errorf("without the database: got status %d and\n%s", rec.Code, rec.Body)
	}
}

func TestMetricsApartAreNotOnTheMainAddress(t *testing.T) {
	site := webtest.New(t, func(c *web.Config) { c.MetricsApart = true })
	if a := site.As("amara", "admin").Get("/metrics"); a.Status != http.StatusNotFound {
		t.Errorf("got status %d, want 404", a.Status)
	}
}
