package telemetry

import (
	"net/http"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
)

// Request makes the span of a REST request: the first of its trace. A caller's own
// trace is linked and not continued, so that nobody outside chooses our trace ids or
// which requests are recorded. Route is the template, "" where there is none. What
// comes back is the request with the span, and what ends it, which takes the status.
func (t *Traces) Request(r *http.Request, route string) (*http.Request, func(status int)) {
	if t == nil {
		return r, func(int) {}
	}
	options := []trace.SpanStartOption{trace.WithNewRoot(), trace.WithSpanKind(trace.SpanKindServer)}
	outside := trace.SpanContextFromContext(t.propagator.Extract(r.Context(), propagation.HeaderCarrier(r.Header)))
	if outside.IsValid() {
		options = append(options, trace.WithLinks(trace.Link{SpanContext: outside}))
	}
	verb := verb(r.Method)
	name := verb
	attributes := []attribute.KeyValue{attribute.String("http.request.method", verb)}
	if route != "" {
		name += " " + route
		attributes = append(attributes, attribute.String("http.route", route))
	}
	ctx, span := t.tracer.Start(r.Context(), name, append(options, trace.WithAttributes(attributes...))...) //nolint:spancheck // ended by what is returned
	return r.WithContext(ctx), func(status int) {                                                           //nolint:spancheck // see above
		span.SetAttributes(attribute.Int("http.response.status_code", status))
		if status >= http.StatusInternalServerError {
			span.SetStatus(codes.Error, "")
		}
		span.End()
	}
}

// verb is a method of HTTP, or _OTHER, as OpenTelemetry's conventions call all that
// are none.
func verb(method string) string {
	switch method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions, http.MethodConnect, http.MethodTrace:
		return method
	}
	return "_OTHER"
}
