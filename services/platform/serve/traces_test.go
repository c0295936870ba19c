package serve_test

import (
	"context"
	"log/slog"
	"testing"

	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"google.golang.org/grpc/metadata"

	"beltwright.example/services/platform/serve"
	"beltwright.example/services/platform/telemetry"
)

// Whoever calls from outside cannot have his calls left out of our traces, or put into
// one of his own: his trace is linked. The control are our own programs, whose calls go
// on in the trace that they belong to.
func TestNobodyOutsideChoosesOurTraces(t *testing.T) {
	t.Parallel()
	const theirs = "4bf92f3577b34da6a3ce929d0e0e4736" // the example of Trace Context §3.2
	exporter := tracetest.NewInMemoryExporter()
	traces, err := telemetry.Open(t.Context(), telemetry.Config{Exporter: exporter})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := traces.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	})
	for name, c := range map[string]struct {
		ours     bool
		recorded string // the flag of the caller's trace
		spans    int
	}{
		"from outside, not recorded": {false, "00", 1},
		"from outside, recorded":     {false, "01", 1},
		"ours, not recorded":         {true, "00", 0},
		"ours, recorded":             {true, "01", 1},
	} {
		exporter.Reset()
		address := traced(t, serve.Config{Traces: traces, LoopbackRelays: c.ours})
		conn, err := serve.Dial(address)
		if err != nil {
			t.Fatal(err)
		}
		parent := "00-" + theirs + "-00f067aa0ba902b7-" + c.recorded
		if _, err := verify(metadata.AppendToOutgoingContext(keyed(t), "traceparent", parent), conn); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		if err := traces.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		spans := exporter.GetSpans()
		if len(spans) != c.spans {
			t.Errorf("%s: %d spans, want %d", name, len(spans), c.spans)
			continue
		}
		for _, span := range spans {
			if in := span.SpanContext.TraceID().String() == theirs; in != c.ours || len(span.Links) != 1 && !c.ours {
				t.Errorf("%s: in the caller's trace: %v, %d links", name, in, len(span.Links))
			}
		}
	}
}

// traced serves over the network and returns the address.
func traced(t *testing.T, config serve.Config) string {
	t.Helper()
	server, err := serve.New(config, verifier{}, slog.New(slog.DiscardHandler), &who{})
	if err != nil {
		t.Fatal(err)
	}
	listener, err := serve.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	finished := make(chan struct{})
	go func() {
		defer close(finished)
		if err := server.Serve(ctx, listener); err != nil {
			t.Error(err)
		}
	}()
	t.Cleanup(func() { stop(); <-finished })
	return listener.Addr().String()
}
