package main

import (
	"log/slog"
	"strings"

	"basecourse/internal/store"
	"basecourse/internal/tracing"
)

// traceEndpoint is where traces go: our own setting, else the usual ones of
// OpenTelemetry.
func traceEndpoint(own string, env map[string]string) string {
	switch {
	case own != "":
		return own
	case env["OTEL_EXPORTER_OTLP_TRACES_ENDPOINT"] != "":
		return env["OTEL_EXPORTER_OTLP_TRACES_ENDPOINT"]
	case env["OTEL_EXPORTER_OTLP_ENDPOINT"] != "":
		return strings.TrimSuffix(env["OTEL_EXPORTER_OTLP_ENDPOINT"], "/") + tracing.Path
	}
	return ""
}

// startTraces begins sending traces where an address is set.
func (a *app) startTraces() (err error) {
	if a.set.TraceEndpoint != "" {
		a.traces, err = tracing.Start(a.ctx, a.set.TraceEndpoint, program(), slog.New(slog.NewJSONHandler(a.stderr, nil)))
	}
	return err
}

// openStore opens the farm, its queries traced where anything is.
func (a *app) openStore(url string) (*store.Store, error) {
	if a.traces == nil {
		return store.Open(a.ctx, url)
	}
	return store.Open(a.ctx, url, store.Traced(a.traces.Tracer()))
}
