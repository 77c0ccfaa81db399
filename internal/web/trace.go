package web

import (
	"net"

	"github.com/labstack/echo/v4"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
)

// withTrace makes one span a request, named by the route's pattern. It is our own
// and not a library's because those put the raw address, its keys and who asked into
// spans. A trace that somebody else began (W3C Trace Context) is joined where a
// listed proxy says so, and nobody else: a sender could ask for tracing without end.
func (s *Server) withTrace(next echo.HandlerFunc) echo.HandlerFunc {
	tracer := s.cfg.Tracer
	return func(c echo.Context) error {
		if r, ok := route(c); ok && (r.open || r.stream) {
			return next(c)
		}
		req := c.Request()
		ctx := req.Context()
		if host, _, err := net.SplitHostPort(req.RemoteAddr); err == nil && s.trusted(host) {
			ctx = propagation.TraceContext{}.Extract(ctx, propagation.HeaderCarrier(req.Header))
		}
		method := methodWord(req.Method)
		name := pattern(c)
		if _, ok := s.guards[req.Method+" "+c.Path()]; !ok {
			name = "none"
		}
		ctx, span := tracer.Start(ctx, method+" "+name, trace.WithSpanKind(trace.SpanKindServer),
			trace.WithAttributes(attribute.String("http.request.method", method), attribute.String("http.route", name), attribute.String("basecourse.request", requestID(c))))
		defer span.End()
		c.SetRequest(req.WithContext(ctx))
		err := next(c)
		status := c.Response().Status
		if err != nil && !c.Response().Committed {
			_, status, _ = classify(err) // answered further out
		}
		span.SetAttributes(attribute.Int("http.response.status_code", status))
		if status >= 500 {
			span.SetStatus(codes.Error, "")
		}
		return err
	}
}
