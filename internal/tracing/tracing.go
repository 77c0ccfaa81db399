// Package tracing sends what requests did and how long it took to whoever collects
// traces (OpenTelemetry, OTLP over http). It is off unless an address is given, and
// then nothing of it is in the way of a request.
//
// A span holds names of ours only: a route's pattern, a function of the store, codes.
// What was asked for, sent, stored or answered stands in none: no path, parameter,
// header, address of a sender, statement, value or text of an error.
package tracing

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"time"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/sdk/resource"
	"go.opentelemetry.io/otel/sdk/trace"
	api "go.opentelemetry.io/otel/trace"
)

// Tracing sends spans.
type Tracing struct{ provider *trace.TracerProvider }

// Path is where traces go below an address that is given for everything (OTLP 1.x,
// exporter settings).
const Path = "/v1/traces"

// CheckEndpoint tells what is wrong with an address of a collector.
func CheckEndpoint(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return errors.New("an address such as http://127.0.0.1:4318/v1/traces")
	}
	return nil
}

// Start sends traces to an address, whole (…/v1/traces). It connects when there is
// something to send; a collector that is away costs what was to be sent, and a line
// in the log a minute at most.
func Start(ctx context.Context, endpoint, version string, log *slog.Logger) (*Tracing, error) {
	if err := CheckEndpoint(endpoint); err != nil {
		return nil, fmt.Errorf("tracing.Start: expected %w", err)
	}
	exporter, err := otlptracehttp.New(ctx, otlptracehttp.WithEndpointURL(endpoint), otlptracehttp.WithTimeout(5*time.Second))
	if err != nil {
		return nil, fmt.Errorf("tracing.Start: %w", err)
	}
	var told time.Time
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(error) {
		if now := time.Now(); now.Sub(told) > time.Minute {
			told = now
			log.Warn("traces not sent; requests are not held up by it") // the error may quote an address with a password
		}
	}))
	return Over(exporter, version), nil
}

// Over sends spans by an exporter.
func Over(exporter trace.SpanExporter, version string) *Tracing {
	about := resource.NewSchemaless(attribute.String("service.name", "basecourse"), attribute.String("service.version", version))
	return &Tracing{trace.NewTracerProvider(trace.WithBatcher(exporter), trace.WithResource(about))}
}

// Tracer makes spans.
func (t *Tracing) Tracer() api.Tracer { return t.provider.Tracer("basecourse") }

// Close sends what waits, for five seconds at most.
func (t *Tracing) Close() {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	_ = t.provider.Shutdown(ctx)
}

// Flush sends what waits now.
func (t *Tracing) Flush(ctx context.Context) error { return t.provider.ForceFlush(ctx) }
