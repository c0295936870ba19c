package process

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"net"
	"syscall"
	"time"

	"go.opentelemetry.io/otel"
	"google.golang.org/grpc/reflection"

	"beltwright.example/services/platform/adminport"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/platform/telemetry"
)

// Outside says how a process can be seen into from outside.
type Outside struct {
	// Admin is the address of the admin port, or adminport.Off.
	Admin string
	// AdminAnywhere lets Admin be off loopback.
	AdminAnywhere bool
	// Collector is where traces go; empty asks the environment.
	Collector string

	// preset is what Admin was before the command line was read.
	preset string
}

// Bind adds the settings to a set of flags. Admin as it is becomes the default.
func (o *Outside) Bind(flags *flag.FlagSet) {
	o.preset = o.Admin
	flags.StringVar(&o.Admin, "admin", o.Admin,
		"`address` of the admin port, which has metrics, profiles, channelz, reflection and health and asks for no credential; loopback only unless admin-anywhere is given; off for none")
	flags.BoolVar(&o.AdminAnywhere, "admin-anywhere", false,
		"let the admin port be off loopback: whoever reaches it can look into the process and keep it busy, so only where nobody but your own tools can")
	flags.StringVar(&o.Collector, "otlp", "",
		"`address` of an OpenTelemetry collector that traces are sent to, http://HOST:4317 or https://… (default what OTEL_EXPORTER_OTLP_ENDPOINT says; without it none are sent)")
}

// Seen is what a process is seen by.
type Seen struct {
	// Metrics counts.
	Metrics *metrics.Set
	// Traces makes spans.
	Traces *telemetry.Traces

	outside  Outside
	reserved net.Listener // the admin port's address, until there is a port
	log      *slog.Logger
}

// Open sets metrics and traces up, as Outside says. Close what it returns when the
// process ends.
func (s *Settings) Open(ctx context.Context, log *slog.Logger) (*Seen, error) {
	var err error
	s.Seen, err = s.Outside.Open(ctx, s.Name, log)
	return s.Seen, err
}

// Open sets metrics and traces up for a process with the name, which traces call
// "beltwright-NAME". Close it when the process ends.
func (o *Outside) Open(ctx context.Context, name string, log *slog.Logger) (*Seen, error) {
	set, err := metrics.New()
	if err != nil {
		return nil, err
	}
	service := "beltwright"
	if name != service {
		service += "-" + name
	}
	traces, err := telemetry.Open(ctx, telemetry.Config{Service: service, Endpoint: o.Collector})
	if err != nil {
		return nil, fmt.Errorf("otlp: %w", err)
	}
	if traces.On() {
		// Where a collector is gone, that is worth a line, and no request's trouble.
		otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) { log.Warn("traces were not sent", "error", err) }))
		log.InfoContext(ctx, "traces are sent to a collector")
	}
	return &Seen{Metrics: set, Traces: traces, outside: *o, log: log}, nil
}

// lastSpans is how long a process waits at its end for a collector to take the last
// spans.
const lastSpans = 3 * time.Second

// Close sends the last spans. A collector that does not take them is no failure of
// the process.
func (s *Seen) Close(ctx context.Context) {
	if s.reserved != nil {
		_ = s.reserved.Close() // the start failed before there was a port
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastSpans)
	defer cancel()
	if err := s.Traces.Close(ctx); err != nil {
		s.log.WarnContext(ctx, "the last traces were not sent", "error", err)
	}
}

// Subject is what the admin port tells of: a server of package serve, or a process
// without one.
type Subject interface {
	// Health tells whether the process can do its work, and the states of its parts.
	Health(ctx context.Context) (serving bool, states map[string]string)
}

// Reserve opens the admin port's address, before there is anything to tell there.
// Where the preset address is taken, as by a second process on one machine, there is no
// port and the log says so; one that was asked for is an error.
func (s *Seen) Reserve(ctx context.Context) error {
	if s.reserved != nil {
		return nil
	}
	var err error
	s.reserved, err = adminport.Reserve(ctx, s.outside.Admin, s.outside.AdminAnywhere)
	switch {
	case errors.Is(err, syscall.EADDRINUSE) && s.outside.Admin == s.outside.preset:
		s.log.WarnContext(ctx, "there is no admin port, since its usual address is taken; name another one", "at", s.outside.Admin)
		s.outside.Admin = adminport.Off
		return nil
	case errors.Is(err, adminport.ErrOffLoopback):
		return fmt.Errorf("%w (--admin-anywhere)", err)
	}
	return err
}

// Port opens the admin port, at the address that was reserved or, where none was, as
// Reserve does; nil where there is none.
func (s *Seen) Port(ctx context.Context, subject Subject) (*adminport.Port, error) {
	if err := s.Reserve(ctx); err != nil {
		return nil, err
	}
	services, _ := subject.(reflection.ServiceInfoProvider)
	port, err := adminport.Listen(ctx, adminport.Config{
		Address: s.outside.Admin, Reserved: s.reserved,
		Metrics: s.Metrics.Handler(), Services: services, Health: subject.Health, Log: s.log,
	})
	if err != nil {
		return nil, err
	}
	s.reserved = nil // it is the port's from here on
	if port != nil {
		s.log.InfoContext(ctx, "admin port", "at", port.Address())
	}
	return port, nil
}

// serve runs a server with the admin port beside it, which ends last. A nil Seen has
// no port.
func (s *Seen) serve(ctx context.Context, server *serve.Server, listener net.Listener) error {
	if s == nil {
		return server.Serve(ctx, listener)
	}
	port, err := s.Port(ctx, server)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	var group serve.Group
	group.Add("grpc", func(ctx context.Context) error { return server.Serve(ctx, listener) })
	group.Add("admin port", port.Serve)
	return group.Run(ctx)
}
