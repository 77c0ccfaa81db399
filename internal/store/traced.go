package store

import (
	"context"
	"errors"
	"runtime"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	api "go.opentelemetry.io/otel/trace"
)

// Traced is a change for Open: the queries of requests that are traced get spans,
// others none.
func Traced(tracer api.Tracer) func(*pgxpool.Config) {
	return func(c *pgxpool.Config) { c.ConnConfig.Tracer = queries{tracer} }
}

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

func endSpan(ctx context.Context, err error) {
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
	endSpan(ctx, d.Err)
}

// TraceBatchStart begins the span of queries sent together.
func (q queries) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return q.begin(ctx, "BATCH")
}

// TraceBatchQuery has nothing to add.
func (q queries) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

// TraceBatchEnd ends it.
func (q queries) TraceBatchEnd(ctx context.Context, _ *pgx.Conn, d pgx.TraceBatchEndData) {
	endSpan(ctx, d.Err)
}

// TraceCopyFromStart begins the span of rows copied in.
func (q queries) TraceCopyFromStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceCopyFromStartData) context.Context {
	return q.begin(ctx, "COPY")
}

// TraceCopyFromEnd ends it.
func (q queries) TraceCopyFromEnd(ctx context.Context, _ *pgx.Conn, d pgx.TraceCopyFromEndData) {
	endSpan(ctx, d.Err)
}
