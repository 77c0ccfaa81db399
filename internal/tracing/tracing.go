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
	"runtime"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
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

// Queries watches the queries of requests that are traced, others not.
func (t *Tracing) Queries() pgx.QueryTracer { return queries{t.Tracer()} }

type queries struct{ tracer api.Tracer }

// begin starts the span of one exchange with the database, named by the function of
// the store that asked.
func (q queries) begin(ctx context.Context, what string) context.Context {
	if !api.SpanFromContext(ctx).IsRecording() {
		return ctx
	}
	name := asker()
	ctx, _ = q.tracer.Start(ctx, name, api.WithSpanKind(api.SpanKindClient), api.WithAttributes(
		attribute.String("db.system.name", "postgresql"), attribute.String("db.operation.name", what)))
	return context.WithValue(ctx, ours{}, true)
}

// ours marks contexts that hold a span begun here.
type ours struct{}

func end(ctx context.Context, err error) {
	if ctx.Value(ours{}) == nil {
		return
	}
	span := api.SpanFromContext(ctx)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		span.SetStatus(codes.Error, "")
		var told *pgconn.PgError
		if errors.As(err, &told) {
			span.SetAttributes(attribute.String("db.response.status_code", told.Code)) // the code alone: its words quote values
		}
	}
	span.End()
}

// asker is the function of the store that is at work.
func asker() string {
	var pcs [48]uintptr
	frames := runtime.CallersFrames(pcs[:runtime.Callers(3, pcs[:])])
	found := "database"
	for {
		f, more := frames.Next()
		if rest, ok := strings.CutPrefix(f.Function, "basecourse/internal/store."); ok {
			rest = strings.NewReplacer("(*", "", ")", "").Replace(rest)
			if i := strings.Index(rest, ".func"); i >= 0 {
				rest = rest[:i]
			}
			found = "store." + strings.TrimPrefix(rest, "Store.") // the outermost: what the handler asked for
		}
		if !more {
			return found
		}
	}
}

// operation is the first word of a statement.
func operation(sql string) string {
	sql = strings.TrimSpace(sql)
	if i := strings.IndexFunc(sql, func(r rune) bool { return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') }); i >= 0 {
		sql = sql[:i]
	}
	if sql = strings.ToUpper(sql); len(sql) > 16 {
		return "OTHER"
	}
	return sql
}

// TraceQueryStart begins the span of a query.
func (q queries) TraceQueryStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceQueryStartData) context.Context {
	return q.begin(ctx, operation(d.SQL))
}

// TraceQueryEnd ends it.
func (q queries) TraceQueryEnd(ctx context.Context, _ *pgx.Conn, d pgx.TraceQueryEndData) {
	end(ctx, d.Err)
}

// TraceBatchStart begins the span of queries sent together.
func (q queries) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return q.begin(ctx, "BATCH")
}

// TraceBatchQuery has nothing to add.
func (q queries) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd ends it.
func (q queries) TraceBatchEnd(ctx context.Context, _ *pgx.Conn, d pgx.TraceBatchEndData) {
	end(ctx, d.Err)
}

// TraceCopyFromStart begins the span of rows copied in.
func (q queries) TraceCopyFromStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceCopyFromStartData) context.Context {
	return q.begin(ctx, "COPY")
}

// TraceCopyFromEnd ends it.
func (q queries) TraceCopyFromEnd(ctx context.Context, _ *pgx.Conn, d pgx.TraceCopyFromEndData) {
	end(ctx, d.Err)
}

// Flush sends what waits now.
func (t *Tracing) Flush(ctx context.Context) error { return t.provider.ForceFlush(ctx) }
