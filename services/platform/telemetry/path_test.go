package telemetry_test

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/telemetry"
)

// server is one in memory that asks the next one, and at the end a store.
type server struct {
	fitmentv1.UnimplementedFitmentServiceServer

	traces *telemetry.Traces
	next   fitmentv1.FitmentServiceClient
}

func (s *server) Decide(ctx context.Context, request *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
	if s.next != nil {
		return s.next.Decide(ctx, request)
	}
	_, end := s.traces.Inside(ctx, "store Get")
	end(nil)
	return &fitmentv1.DecideResponse{}, nil
}

// TestOneTraceThroughThreeServers, each with an exporter of its own: the spans of all
// make one chain from the request down to the store.
func TestOneTraceThroughThreeServers(t *testing.T) {
	t.Parallel()
	exporters := map[string]*tracetest.InMemoryExporter{}
	process := func(name string) *telemetry.Traces {
		exporters[name] = tracetest.NewInMemoryExporter()
		traces, err := telemetry.Open(t.Context(), telemetry.Config{Service: name, Exporter: exporters[name]})
		if err != nil {
			t.Fatal(err)
		}
		return traces
	}
	gateway, quote, fitment := process("gateway"), process("quote"), process("fitment")
	store, closeStore := serve(t, &server{traces: fitment}, fitment, quote)
	between, closeBetween := serve(t, &server{traces: quote, next: store}, quote, gateway)
	r, end := gateway.Request(httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/v1/fitment:decide", nil), "/v1/fitment:decide")
	if _, err := between.Decide(r.Context(), &fitmentv1.DecideRequest{}); err != nil {
		t.Fatal(err)
	}
	end(http.StatusOK)
	closeBetween()
	closeStore()
	for _, traces := range []*telemetry.Traces{gateway, quote, fitment} {
		if err := traces.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	type named struct {
		process string
		span    tracetest.SpanStub
	}
	byID := map[string]named{}
	last := ""
	for name, exporter := range exporters {
		for _, span := range exporter.GetSpans() {
			id := span.SpanContext.SpanID().String()
			byID[id] = named{name, span}
			if span.Name == "store Get" {
				last = id
			}
		}
	}
	var chain []string
	for at, ok := byID[last]; ok; at, ok = byID[at.span.Parent.SpanID().String()] {
		chain = append(chain, at.process+" "+at.span.SpanKind.String()+" "+at.span.Name)
		if at.span.SpanContext.TraceID() != byID[last].span.SpanContext.TraceID() {
			t.Errorf("%s is in another trace", at.span.Name)
		}
	}
	const decide = "beltwright.fitment.v1.FitmentService/Decide"
	want := []string{
		"fitment internal store Get", "fitment server " + decide, "quote client " + decide, "quote server " + decide,
		"gateway client " + decide, "gateway server POST /v1/fitment:decide",
	}
	if got := strings.Join(chain, "\n"); got != strings.Join(want, "\n") {
		t.Errorf("the chain is\n%s\nwant\n%s", got, strings.Join(want, "\n"))
	}
	for _, traces := range []*telemetry.Traces{gateway, quote, fitment} {
		if err := traces.Close(t.Context()); err != nil {
			t.Error(err)
		}
	}
}

// serve serves in memory with the traces of one process and returns a connection with
// those of another.
func serve(t *testing.T, s *server, own, callers *telemetry.Traces) (fitmentv1.FitmentServiceClient, func()) {
	t.Helper()
	listener := bufconn.Listen(1 << 16)
	grpcServer := grpc.NewServer(own.Server(func(context.Context) bool { return true })...)
	fitmentv1.RegisterFitmentServiceServer(grpcServer, s)
	var running sync.WaitGroup
	running.Go(func() { _ = grpcServer.Serve(listener) })
	conn, err := grpc.NewClient("passthrough:///memory", append(callers.Dial(),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))...)
	if err != nil {
		t.Fatal(err)
	}
	return fitmentv1.NewFitmentServiceClient(conn), func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		grpcServer.Stop()
		running.Wait()
	}
}
