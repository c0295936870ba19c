package telemetry_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"go.opentelemetry.io/otel/trace"
	"go.uber.org/goleak"

	"beltwright.example/services/platform/telemetry"
	"beltwright.example/services/platform/telemetry/telemetrytest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// canary stands for everything that a span must not hold.
const canary = "1M8GDM9AXKP042788"

// opened makes traces into an exporter in memory.
func opened(t *testing.T) (*telemetry.Traces, func() []sdktrace.ReadOnlySpan) {
	t.Helper()
	exporter := tracetest.NewInMemoryExporter()
	traces, err := telemetry.Open(t.Context(), telemetry.Config{Service: "beltwright-test", Exporter: exporter})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := traces.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	})
	return traces, func() []sdktrace.ReadOnlySpan {
		if err := traces.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		return exporter.GetSpans().Snapshots()
	}
}

func none(string) string { return "" }

// TestNothingIsDialledUnlessACollectorIsNamed. The control is the same with one named:
// it is dialled and has the span.
func TestNothingIsDialledUnlessACollectorIsNamed(t *testing.T) {
	t.Parallel()
	for name, named := range map[string]bool{"none": false, "flag": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			collector, err := telemetrytest.Start(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			defer collector.Stop()
			config := telemetry.Config{Service: "beltwright-test", Environ: none}
			if named {
				config.Endpoint = collector.Address
			}
			traces, err := telemetry.Open(t.Context(), config)
			if err != nil {
				t.Fatal(err)
			}
			r, end := traces.Request(httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/v1/x", nil), "/v1/x")
			if !trace.SpanContextFromContext(r.Context()).HasTraceID() {
				t.Error("there is no trace id for the log")
			}
			end(http.StatusOK)
			if err := traces.Close(t.Context()); err != nil {
				t.Error(err)
			}
			got := collector.Spans()
			if traces.On() != named || (len(got) == 1) != named || named && (got[0].Service != "beltwright-test" || got[0].Name != "GET /v1/x") {
				t.Errorf("on: %v, spans %+v", traces.On(), got)
			}
		})
	}
}

func TestACollectorHasAnAddress(t *testing.T) {
	t.Parallel()
	for _, endpoint := range []string{"127.0.0.1:4317", "grpc://h:1", "http://", "http://u:p@h:1", "://", "http:h"} {
		if _, err := telemetry.Open(t.Context(), telemetry.Config{Endpoint: endpoint, Environ: none}); err == nil || !strings.Contains(err.Error(), "expected http://HOST:PORT") {
			t.Errorf("%q: %v", endpoint, err)
		}
	}
}

// TestSpansHoldNothingOfWhatWasAsked: an attribute that is on no list, the text of an
// error, an event, a link's attribute and a caller's trace state stay in the process.
// The control reads the span before it is scrubbed.
func TestSpansHoldNothingOfWhatWasAsked(t *testing.T) {
	t.Parallel()
	traces, spans := opened(t)
	request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/v1/listings/"+canary+"?vin="+canary, nil)
	request.Header.Set("Traceparent", "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01")
	request.Header.Set("Tracestate", "vendor="+canary)
	request.Header.Set("Baggage", "vin="+canary)
	r, endRequest := traces.Request(request, "/v1/{name=listings/*}")
	ctx, end := traces.Inside(r.Context(), "store Get", attribute.String("vin", canary), telemetry.StoreKind.String("listing"))
	span := trace.SpanFromContext(ctx)
	span.RecordError(errors.New(canary))
	span.SetStatus(codes.Error, canary)
	span.AddLink(trace.Link{SpanContext: trace.SpanContextFromContext(r.Context()), Attributes: []attribute.KeyValue{attribute.String("x", canary)}})
	control, ok := span.(sdktrace.ReadOnlySpan)
	if !ok || len(control.Events()) == 0 || !strings.Contains(text(control), canary) {
		t.Fatal("the span does not hold it in the first place")
	}
	end(errors.New(canary))
	endRequest(http.StatusInternalServerError)
	got := spans()
	if len(got) != 2 {
		t.Fatalf("%d spans", len(got))
	}
	for _, s := range got {
		if all := text(s); strings.Contains(all, canary) {
			t.Errorf("%s", all)
		}
		if s.Status().Code != codes.Error {
			t.Errorf("%s: status %v", s.Name(), s.Status())
		}
	}
	if inner := got[0]; inner.Name() != "store Get" || inner.Parent().SpanID() != got[1].SpanContext().SpanID() {
		t.Errorf("%s is a child of %v", inner.Name(), inner.Parent().SpanID())
	}
	outer := got[1]
	if outer.Name() != "GET /v1/{name=listings/*}" || outer.Parent().IsValid() || len(outer.Links()) != 1 ||
		outer.Links()[0].SpanContext.TraceID().String() != "4bf92f3577b34da6a3ce929d0e0e4736" || outer.SpanContext().TraceID() == outer.Links()[0].SpanContext.TraceID() {
		t.Errorf("%s, parent %v, links %v: a caller's trace is linked, not continued", outer.Name(), outer.Parent(), outer.Links())
	}
}

// text is everything that a span says.
func text(s sdktrace.ReadOnlySpan) string {
	var all strings.Builder
	write := func(attributes []attribute.KeyValue) {
		for _, a := range attributes {
			all.WriteString(string(a.Key) + "=" + a.Value.String() + " ")
		}
	}
	all.WriteString(s.Name() + " " + s.Status().Description + " " + s.SpanContext().TraceState().String() + " ")
	write(s.Attributes())
	for _, e := range s.Events() {
		all.WriteString(e.Name + " ")
		write(e.Attributes)
	}
	for _, l := range s.Links() {
		all.WriteString(l.SpanContext.TraceState().String() + " ")
		write(l.Attributes)
	}
	return all.String()
}

func TestOddRequestsHaveBoundedNames(t *testing.T) {
	t.Parallel()
	traces, spans := opened(t)
	request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/"+canary, nil)
	request.Method = canary
	_, end := traces.Request(request, "")
	end(http.StatusNotFound)
	if got := spans(); len(got) != 1 || got[0].Name() != "_OTHER" || got[0].Status().Code != codes.Unset {
		t.Errorf("%v", got)
	}
}

func TestStoreSpansBelongToRequests(t *testing.T) {
	t.Parallel()
	traces, spans := opened(t)
	ctx, end := traces.Inside(t.Context(), "store Changes")
	end(nil)
	if ctx != t.Context() || len(spans()) != 0 {
		t.Error("background work makes spans")
	}
}

func TestNilTracesMakeNothing(t *testing.T) {
	t.Parallel()
	var traces *telemetry.Traces
	request := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
	r, end := traces.Request(request, "/")
	end(1)
	_, done := traces.Inside(t.Context(), "x")
	done(nil)
	if r != request || traces.On() || len(traces.Server(nil))+len(traces.Dial()) != 0 || traces.Close(t.Context()) != nil || traces.Flush(t.Context()) != nil {
		t.Error("nil traces do something")
	}
}

// TestTheEnvironmentNamesACollector as the OpenTelemetry specification has it.
func TestTheEnvironmentNamesACollector(t *testing.T) {
	collector, err := telemetrytest.Start(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer collector.Stop()
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", collector.Address)
	t.Setenv("OTEL_RESOURCE_ATTRIBUTES", "service.name=named-by-the-operator")
	traces, err := telemetry.Open(t.Context(), telemetry.Config{Service: "beltwright-test"})
	if err != nil {
		t.Fatal(err)
	}
	_, end := traces.Request(httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/v1/x", nil), "/v1/x")
	end(http.StatusOK)
	if err := traces.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if got := collector.Spans(); len(got) != 1 || got[0].Service != "named-by-the-operator" {
		t.Errorf("%+v", got)
	}
}
