package telemetry

import (
	"context"
	"slices"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
)

// allowed lists the attributes that spans may leave the process with: names from our
// own tables, codes and numbers. Whatever a library adds one day, of what was asked
// or who asked, stays here until somebody has thought about it.
var allowed = []attribute.Key{ //nolint:gochecknoglobals // a table
	"rpc.system", "rpc.system.name", "rpc.service", "rpc.method", "rpc.grpc.status_code", "rpc.response.status_code",
	"http.request.method", "http.route", "http.response.status_code",
	"error.type", StoreSide, StoreKind, StoreChanges, StoreRecords,
}

// Attributes of spans of a store's calls.
const (
	// StoreSide is the side whose store it is: fitment or quote.
	StoreSide attribute.Key = "beltwright.store.side"
	// StoreKind is the kind of the record or records.
	StoreKind attribute.Key = "beltwright.store.kind"
	// StoreChanges is how many changes are to be made.
	StoreChanges attribute.Key = "beltwright.store.changes"
	// StoreRecords is how many records came.
	StoreRecords attribute.Key = "beltwright.store.records"
)

// scrubber keeps back what no collector is to know.
type scrubber struct{ sdktrace.SpanExporter }

// ExportSpans implements sdktrace.SpanExporter.
func (s scrubber) ExportSpans(ctx context.Context, spans []sdktrace.ReadOnlySpan) error {
	scrubbed := make([]sdktrace.ReadOnlySpan, len(spans))
	for i, span := range spans {
		scrubbed[i] = scrubbedSpan{span}
	}
	return s.SpanExporter.ExportSpans(ctx, scrubbed) //nolint:wrapcheck // the batcher's business, which reports it
}

// scrubbedSpan is a span without what was said in it.
type scrubbedSpan struct{ sdktrace.ReadOnlySpan }

// Attributes are those that are allowed.
func (s scrubbedSpan) Attributes() []attribute.KeyValue {
	return slices.DeleteFunc(slices.Clone(s.ReadOnlySpan.Attributes()), func(a attribute.KeyValue) bool {
		return !slices.Contains(allowed, a.Key)
	})
}

// Status is the code; its text may quote a request.
func (s scrubbedSpan) Status() sdktrace.Status {
	return sdktrace.Status{Code: s.ReadOnlySpan.Status().Code}
}

// Events are none: they hold errors' texts.
func (scrubbedSpan) Events() []sdktrace.Event { return nil }

// Links are to which spans, and nothing else.
func (s scrubbedSpan) Links() []sdktrace.Link {
	links := slices.Clone(s.ReadOnlySpan.Links())
	for i := range links {
		links[i].Attributes = nil
	}
	return links
}

// propagator passes on which span is whose parent, as W3C Trace Context has it, and
// nothing else: no trace state and no baggage, which are whatever a caller likes.
type propagator struct{ inner propagation.TraceContext }

var _ propagation.TextMapPropagator = propagator{}

// parentHeader is the one header of Trace Context that is used.
const parentHeader = "traceparent"

// Inject implements propagation.TextMapPropagator.
func (p propagator) Inject(ctx context.Context, carrier propagation.TextMapCarrier) {
	p.inner.Inject(ctx, carrier)
}

// Extract implements propagation.TextMapPropagator.
func (p propagator) Extract(ctx context.Context, carrier propagation.TextMapCarrier) context.Context {
	return p.inner.Extract(ctx, parentOnly{carrier})
}

// Fields implements propagation.TextMapPropagator.
func (propagator) Fields() []string { return []string{parentHeader} }

// parentOnly reads one header.
type parentOnly struct{ propagation.TextMapCarrier }

// Get returns the header where it is that one.
func (p parentOnly) Get(key string) string {
	if key != parentHeader {
		return ""
	}
	return p.TextMapCarrier.Get(key)
}

// fail notes that a span ended with an error, without its text.
func fail(span trace.Span, err error) {
	if err != nil {
		span.SetStatus(codes.Error, "")
	}
}
