package web

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"basecourse/internal/fault"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics are what a process tells about itself, for whoever watches it. Labels
// are patterns of the table of routes and words of ours, never what was sent.
type metrics struct {
	requests *prometheus.CounterVec
	took     *prometheus.HistogramVec
	running  prometheus.Gauge
	refused  *prometheus.CounterVec
	signIns  *prometheus.CounterVec
	records  *prometheus.CounterVec
	imports  *prometheus.CounterVec
	answer   http.Handler
}

// FindingsWork tells about the computing of findings; whoever gives Findings may
// give it too.
type FindingsWork interface {
	// Work gives how often they were computed and how often that failed, how long
	// the last took and when it ended (zero: never).
	Work() (runs, failed int64, took time.Duration, ended time.Time)
}

func (s *Server) newMetrics() *metrics {
	m := &metrics{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "basecourse_requests_total", Help: "Requests answered, by pattern of address, method and status."}, []string{"route", "method", "status"}),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "basecourse_request_seconds", Help: "How long answers took.",
			Buckets: []float64{0.005, 0.02, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 30}}, []string{"route"}),
		running: prometheus.NewGauge(prometheus.GaugeOpts{Name: "basecourse_requests_running", Help: "Requests being answered now."}),
		refused: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "basecourse_requests_shed_total", Help: "Requests told to wait (429) or turned away (503) before any work."}, []string{"why"}),
		signIns: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "basecourse_sign_ins_total", Help: "Tries to sign in, by what became of them."}, []string{"result"}),
		records: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "basecourse_records_total", Help: "Records sent to the API, by result."}, []string{"result"}),
		imports: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "basecourse_imports_total", Help: "Bundles imported on the page, by result."}, []string{"result"}),
	}
	registry := prometheus.NewRegistry()
	// Without the old memory statistics, of which two would have one name in OpenMetrics.
	registry.MustRegister(collectors.NewGoCollector(collectors.WithGoCollectorMemStatsMetricsDisabled()), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		m.requests, m.took, m.running, m.refused, m.signIns, m.records, m.imports, gauges{s})
	// What is known beforehand is there from the start, at 0.
	for _, v := range []struct {
		of    *prometheus.CounterVec
		words []string
	}{{m.refused, []string{"rate", "full"}}, {m.signIns, []string{"done", "refused", "told_to_wait"}}, {m.records, []string{"recorded", "already_recorded", "refused"}}, {m.imports, []string{"stored", "refused"}}} {
		for _, w := range v.words {
			v.of.WithLabelValues(w)
		}
	}
	handler := promhttp.HandlerFor(registry, promhttp.HandlerOpts{EnableOpenMetrics: true, ErrorHandling: promhttp.HTTPErrorOnError})
	m.answer = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r = r.Clone(r.Context())
		r.Header.Set("Accept", "application/openmetrics-text;version=1.0.0") // the one form there is
		handler.ServeHTTP(w, r)
	})
	return m
}

// observe counts an answered request.
func (m *metrics) observe(c echo.Context, took time.Duration) {
	p := pattern(c)
	if _, ok := route(c); !ok {
		p = "none" // also where echo names a pattern for what it refuses
	}
	m.requests.WithLabelValues(p, methodWord(c.Request().Method), strconv.Itoa(c.Response().Status)).Inc()
	m.took.WithLabelValues(p).Observe(took.Seconds())
}

// methodWord is a method of ours, or "other": senders can write anything there.
func methodWord(method string) string {
	switch method {
	case http.MethodGet, http.MethodHead, http.MethodPost:
		return method
	}
	return "other"
}

// gauges reads what stands in the database and the pool when it is asked for.
type gauges struct{ s *Server }

func gauge(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("basecourse_"+name, help, labels, nil)
}

var (
	poolDesc     = gauge("pool_connections", "Connections to the database.", "state")
	poolMostDesc = gauge("pool_connections_most", "Connections there may be.")
	poolWaitDesc = gauge("pool_waited_seconds_total", "Time spent waiting for a connection.")
	databaseDesc = gauge("database_up", "1 when the database answers and has the schema needed.")
	queueDesc    = gauge("queue_depth", "What waits for background work.", "queue")
	findingsDesc = gauge("findings_runs_total", "How often findings were computed.", "result")
	tookDesc     = gauge("findings_seconds", "How long the last computing of findings took.")
	saidDesc     = gauge("unsent_said_seconds", "How long ago the tablet that was silent longest said it had not sent everything; 0 none has anything.")
	copiedDesc   = gauge("copy_written_timestamp_seconds", "When the latest backup or daily copy of this process was written and read back.", "what")
	endedDesc    = gauge("findings_ended_timestamp_seconds", "When the last computing of findings ended.")
)

// Describe tells which gauges there are.
func (g gauges) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{poolDesc, poolMostDesc, poolWaitDesc, databaseDesc, queueDesc, findingsDesc, tookDesc, endedDesc, saidDesc, copiedDesc} {
		out <- d
	}
}

// Collect reads them. Where the database does not answer its queues are left out.
func (g gauges) Collect(out chan<- prometheus.Metric) {
	value := func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, kind, v, labels...)
	}
	p := g.s.store.PoolStat()
	value(poolDesc, prometheus.GaugeValue, float64(p.AcquiredConns()), "used")
	value(poolDesc, prometheus.GaugeValue, float64(p.IdleConns()), "idle")
	value(poolMostDesc, prometheus.GaugeValue, float64(p.MaxConns()))
	value(poolWaitDesc, prometheus.CounterValue, p.AcquireDuration().Seconds())
	ctx, cancel := context.WithTimeout(context.Background(), readyPatience)
	defer cancel()
	queues, err := g.s.store.Queues(ctx)
	if err != nil {
		value(databaseDesc, prometheus.GaugeValue, 0)
	} else {
		value(databaseDesc, prometheus.GaugeValue, 1)
		for name, n := range queues {
			value(queueDesc, prometheus.GaugeValue, float64(n), name)
		}
		if said, err := g.s.store.UnsentSaid(ctx); err == nil {
			value(saidDesc, prometheus.GaugeValue, said.Seconds())
		}
	}
	for what, copies := range map[string]Copies{"backup": g.s.cfg.Backups, "copy": g.s.cfg.Copies} {
		if copies == nil {
			continue
		}
		if k, err := copies.Latest(ctx); err == nil && !k.WrittenAt.IsZero() {
			value(copiedDesc, prometheus.GaugeValue, float64(k.WrittenAt.UnixMilli())/1000, what)
		}
	}
	if w, ok := g.s.cfg.Findings.(FindingsWork); ok {
		runs, failed, took, ended := w.Work()
		value(findingsDesc, prometheus.CounterValue, float64(runs-failed), "done")
		value(findingsDesc, prometheus.CounterValue, float64(failed), "failed")
		value(tookDesc, prometheus.GaugeValue, took.Seconds())
		if !ended.IsZero() {
			value(endedDesc, prometheus.GaugeValue, float64(ended.UnixMilli())/1000)
		}
	}
}

// Metrics answers /metrics, for an address of its own where nobody signs in.
func (s *Server) Metrics() http.Handler { return s.metrics.answer }

// getMetrics answers on the main address, unless there is one for metrics alone.
func (s *Server) getMetrics() echo.HandlerFunc {
	return func(c echo.Context) error {
		if s.cfg.MetricsApart {
			return fault.New(fault.NotFound, "The metrics are on an address of their own (BASECOURSE_METRICS_LISTEN).")
		}
		s.metrics.answer.ServeHTTP(c.Response(), c.Request())
		return nil
	}
}
