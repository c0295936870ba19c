// Package telemetrytest is a collector of traces for tests: an OTLP server that keeps
// what it is sent.
package telemetrytest

import (
	"context"
	"encoding/hex"
	"fmt"
	"net"
	"sync"

	collectorpb "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/prototext"
)

// Span is a span that has been sent.
type Span struct {
	// Service is the process's name in its resource.
	Service string
	// Name is what the span is called.
	Name string
	// Trace, ID and Parent are in hexadecimal; Parent is empty for the first of a
	// trace.
	Trace, ID, Parent string
	// Text is all of the span as text, whatever it holds.
	Text string
}

// Collector takes traces on loopback.
type Collector struct {
	collectorpb.UnimplementedTraceServiceServer

	server *grpc.Server
	// Address is its address, as the flag --otlp takes it.
	Address string
	done    chan struct{}

	mu    sync.Mutex
	spans []Span
}

// Start starts a collector. Stop it.
func Start(ctx context.Context) (*Collector, error) {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("collector: %w", err)
	}
	c := &Collector{server: grpc.NewServer(), Address: "http://" + listener.Addr().String(), done: make(chan struct{})}
	collectorpb.RegisterTraceServiceServer(c.server, c)
	go func() {
		defer close(c.done)
		_ = c.server.Serve(listener) // ends with Stop
	}()
	return c, nil
}

// Stop ends the collector.
func (c *Collector) Stop() {
	c.server.Stop()
	<-c.done
}

// Export takes spans.
func (c *Collector) Export(_ context.Context, request *collectorpb.ExportTraceServiceRequest) (*collectorpb.ExportTraceServiceResponse, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, resource := range request.GetResourceSpans() {
		service := ""
		for _, attribute := range resource.GetResource().GetAttributes() {
			if attribute.GetKey() == "service.name" {
				service = attribute.GetValue().GetStringValue()
			}
		}
		for _, scope := range resource.GetScopeSpans() {
			for _, span := range scope.GetSpans() {
				c.spans = append(c.spans, kept(service, span))
			}
		}
	}
	return &collectorpb.ExportTraceServiceResponse{}, nil
}

func kept(service string, span *tracepb.Span) Span {
	return Span{
		Service: service, Name: span.GetName(), Trace: hex.EncodeToString(span.GetTraceId()),
		ID: hex.EncodeToString(span.GetSpanId()), Parent: hex.EncodeToString(span.GetParentSpanId()), Text: prototext.Format(span),
	}
}

// Spans returns what has been sent so far.
func (c *Collector) Spans() []Span {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]Span(nil), c.spans...)
}
