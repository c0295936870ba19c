// Package telemetry makes traces: which calls a request led to, through all
// processes, and how long each took. They go to an OpenTelemetry collector where one
// is named, and nowhere otherwise.
//
// A span says which method or route was called, how it ended and how long it took. It
// never holds anything of what was asked or answered: what is sent passes a list of
// attributes that may leave the process (scrub.go), and a caller's own trace state
// and baggage are not taken over.
package telemetry

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"runtime/debug"

	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/metric/noop"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/stats"

	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/method"
)

// scope names what makes our own spans.
const scope = "beltwright.example"

// Variables of the environment that name a collector, as the OpenTelemetry
// specification of exporters has them.
const (
	endpointVariable = "OTEL_EXPORTER_OTLP_ENDPOINT"
	tracesVariable   = "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT"
)

// Config says where traces go. The zero value makes trace ids, for the log, and
// sends nothing anywhere.
type Config struct {
	// Service is the service's name in traces; default "beltwright".
	Service string
	// Endpoint is the collector's address, such as http://127.0.0.1:4317: OTLP over
	// gRPC, without TLS for http and with it for https. Empty asks the environment
	// (OTEL_EXPORTER_OTLP_ENDPOINT and what goes with it); empty there too means
	// none.
	Endpoint string
	// Environ reads the environment; nil means os.Getenv.
	Environ func(name string) string
	// Exporter takes the spans in place of a collector, for tests.
	Exporter sdktrace.SpanExporter
}

// Traces makes spans. All its methods may be called on nil, which makes none.
type Traces struct {
	provider   *sdktrace.TracerProvider
	tracer     trace.Tracer
	propagator propagator
	on         bool
}

// Open sets traces up. Nothing is dialled where no collector is named; a collector
// that cannot be reached is none of the requests' business: spans are dropped.
func Open(ctx context.Context, config Config) (*Traces, error) {
	exporter, err := config.exporter(ctx)
	if err != nil {
		return nil, err
	}
	described, err := describe(ctx, cmp.Or(config.Service, "beltwright"))
	if err != nil {
		return nil, err
	}
	options := []sdktrace.TracerProviderOption{sdktrace.WithResource(described)}
	if exporter == nil {
		options = append(options, sdktrace.WithSampler(sdktrace.NeverSample()))
	} else {
		options = append(options, sdktrace.WithBatcher(scrubber{exporter}))
	}
	provider := sdktrace.NewTracerProvider(options...)
	return &Traces{provider: provider, tracer: provider.Tracer(scope), on: exporter != nil}, nil
}

// exporter is where spans go; nil for nowhere.
func (c *Config) exporter(ctx context.Context) (sdktrace.SpanExporter, error) {
	environ := c.Environ
	if environ == nil {
		environ = os.Getenv
	}
	var options []otlptracegrpc.Option
	switch {
	case c.Exporter != nil:
		return c.Exporter, nil
	case c.Endpoint != "":
		if err := checkEndpoint(c.Endpoint); err != nil {
			return nil, err
		}
		options = append(options, otlptracegrpc.WithEndpointURL(c.Endpoint))
	case cmp.Or(environ(tracesVariable), environ(endpointVariable)) == "":
		return nil, nil //nolint:nilnil // none is a valid answer
	}
	exporter, err := otlptracegrpc.New(ctx, options...)
	if err != nil {
		return nil, fmt.Errorf("traces: %w", err)
	}
	return exporter, nil
}

// checkEndpoint refuses what the exporter would quietly take for something else.
func checkEndpoint(endpoint string) error {
	parsed, err := url.Parse(endpoint)
	if err != nil || parsed.Scheme != "http" && parsed.Scheme != "https" || parsed.Host == "" || parsed.User != nil {
		return fmt.Errorf("traces: collector %q: expected http://HOST:PORT or https://HOST:PORT", endpoint)
	}
	return nil
}

// describe says what process the spans are of.
func describe(ctx context.Context, service string) (*resource.Resource, error) {
	attributes := []attribute.KeyValue{attribute.String("service.name", service)}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		attributes = append(attributes, attribute.String("service.version", info.Main.Version))
	}
	// The environment comes last and wins: it is the operator's.
	described, err := resource.New(ctx, resource.WithAttributes(attributes...), resource.WithFromEnv())
	if err != nil && !errors.Is(err, resource.ErrPartialResource) && !errors.Is(err, resource.ErrSchemaURLConflict) {
		return nil, fmt.Errorf("traces: %w", err)
	}
	return described, nil
}

// On tells whether spans go anywhere.
func (t *Traces) On() bool { return t != nil && t.on }

// Close sends what has not been sent yet, for at most as long as ctx lasts.
func (t *Traces) Close(ctx context.Context) error {
	if t == nil {
		return nil
	}
	if err := t.provider.Shutdown(ctx); err != nil {
		return fmt.Errorf("traces: %w", err)
	}
	return nil
}

// Flush sends what has not been sent yet and goes on.
func (t *Traces) Flush(ctx context.Context) error {
	if t == nil {
		return nil
	}
	if err := t.provider.ForceFlush(ctx); err != nil {
		return fmt.Errorf("traces: %w", err)
	}
	return nil
}

// Server returns the options of a server that makes a span of each call of one of
// our methods, as a child of the caller's where ours says that the caller of a context
// is one of our own programs. Anybody else's trace is linked and not continued, as that
// of a REST request: nobody outside chooses our trace ids, or that a call of his is not
// recorded.
func (t *Traces) Server(ours func(ctx context.Context) bool) []grpc.ServerOption {
	if t == nil {
		return nil
	}
	outside := otelgrpc.WithPublicEndpointFn(func(ctx context.Context, _ *stats.RPCTagInfo) bool { return !ours(ctx) })
	return []grpc.ServerOption{grpc.StatsHandler(otelgrpc.NewServerHandler(append(t.instrument(), outside)...))}
}

// Dial returns the options of a connection that makes a span of each call and tells
// the server about it.
func (t *Traces) Dial() []grpc.DialOption {
	if t == nil {
		return nil
	}
	return []grpc.DialOption{grpc.WithStatsHandler(otelgrpc.NewClientHandler(t.instrument()...))}
}

func (t *Traces) instrument() []otelgrpc.Option {
	return []otelgrpc.Option{
		otelgrpc.WithTracerProvider(t.provider),
		otelgrpc.WithPropagators(t.propagator),
		otelgrpc.WithMeterProvider(noop.NewMeterProvider()),
		otelgrpc.WithFilter(func(info *stats.RPCTagInfo) bool { return traced(info.FullMethodName) }),
	}
}

// traced tells whether calls of a method make spans. Methods that do not exist make
// none, since their names are the caller's; health checks none, since there are many
// and they say nothing.
func traced(fullMethod string) bool {
	return hop.Service(fullMethod) != healthpb.Health_ServiceDesc.ServiceName && method.Declared(fullMethod)
}

// Inside makes a span of something done within a request; without one there is
// none. End it with the function that comes back, which takes the error.
func (t *Traces) Inside(ctx context.Context, name string, attributes ...attribute.KeyValue) (context.Context, func(err error)) {
	if t == nil || !trace.SpanContextFromContext(ctx).IsSampled() {
		return ctx, func(error) {}
	}
	ctx, span := t.tracer.Start(ctx, name, trace.WithAttributes(attributes...))
	return ctx, func(err error) {
		fail(span, err)
		span.End()
	}
}

// Log returns a line that says where traces go.
func (t *Traces) Log(ctx context.Context, log *slog.Logger) {
	if t.On() {
		log.InfoContext(ctx, "traces are sent to a collector")
	}
}
