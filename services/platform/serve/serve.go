// Package serve runs gRPC services: limits, health that follows what the
// services depend on, an ordered end, and the connections between them.
package serve

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/intercept"
)

// Service is what a server runs: one or more gRPC services with what they need
// in the background.
type Service interface {
	// Register registers the gRPC services.
	Register(r grpc.ServiceRegistrar)
	// Names are their full names; health is told for each.
	Names() []string
	// Ready returns nil where the services can do their work now, otherwise
	// why not. It is asked again and again and must respect ctx.
	Ready(ctx context.Context) error
	// Run does the background work until ctx ends and returns nil then. An
	// error ends the server.
	Run(ctx context.Context) error
}

// Dependent is a Service whose work needs other servers. Its own health, under the
// names of its services, says whether it can do that work; that of its server, under
// the empty name, only whether it can answer.
type Dependent interface {
	// ReadyAlone is Ready but for the other servers.
	ReadyAlone(ctx context.Context) error
}

// Ender is a Service some of whose calls last as long as their callers like. A
// server that drains would wait for them in vain, so it says first that they are
// to end.
type Ender interface {
	// End ends such calls, those under way and those that come after.
	End()
}

// Server is a gRPC server over services. It serves once.
type Server struct {
	config   Config
	log      *slog.Logger
	services []Service
	grpc     *grpc.Server
	health   *watcher
}

// New makes a server. It fails where the configuration is out of range, there
// is no verifier, two services have one name, or nobody has said who may call a
// method.
func New(config Config, verifier auth.Verifier, log *slog.Logger, services ...Service) (*Server, error) {
	config, err := config.filled()
	if err != nil {
		return nil, err
	}
	if log == nil {
		log = slog.Default()
	}
	log = log.With("server", config.Name)
	if err := distinct(services); err != nil {
		return nil, err
	}
	transport, err := config.transport()
	if err != nil {
		return nil, err
	}
	links, err := intercept.Chain(intercept.Config{
		Verifier: verifier, Policy: config.Policy, Limits: config.Limits, LoopbackRelays: config.LoopbackRelays, Log: log, Metrics: config.Metrics, UnaryTimeout: config.UnaryTimeout, StreamTimeout: config.StreamTimeout,
	})
	if err != nil {
		return nil, err
	}
	s := &Server{
		config:   config,
		log:      log,
		services: services,
		grpc:     grpc.NewServer(slices.Concat(options(config), resetOptions(), transport, config.Traces.Server(config.relayed), intercept.Options(links))...),
		health:   newWatcher(config, log, services),
	}
	registrar := intercept.Registrar(s.grpc)
	for _, service := range services {
		service.Register(registrar)
	}
	healthpb.RegisterHealthServer(registrar, healthService{Server: s.health.server, ending: s.health.ending})
	if err := config.Policy.Covers(methods(s.grpc)...); err != nil {
		return nil, fmt.Errorf("serve: %w", err)
	}
	return s, nil
}

// methods are the full names of the methods that a server has.
func methods(server *grpc.Server) []string {
	var all []string
	for service, info := range server.GetServiceInfo() {
		for _, method := range info.Methods {
			all = append(all, "/"+service+"/"+method.Name)
		}
	}
	return all
}

func distinct(services []Service) error {
	if len(services) == 0 {
		return errors.New("serve: no service to run")
	}
	var names []string
	for _, service := range services {
		for _, name := range service.Names() {
			if name == "" || slices.Contains(names, name) {
				return fmt.Errorf("serve: service name %q is empty or there twice", name)
			}
			names = append(names, name)
		}
	}
	return nil
}

func options(c Config) []grpc.ServerOption {
	return []grpc.ServerOption{
		grpc.MaxRecvMsgSize(c.MaxRecvBytes),
		grpc.MaxSendMsgSize(c.MaxSendBytes),
		grpc.MaxConcurrentStreams(uint32(c.MaxStreams)),
		grpc.MaxHeaderListSize(uint32(c.MaxHeaderBytes)),
		grpc.ConnectionTimeout(c.HandshakeTimeout),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			MaxConnectionIdle:     c.MaxConnectionIdle,
			MaxConnectionAge:      c.MaxConnectionAge,
			MaxConnectionAgeGrace: c.MaxConnectionAgeGrace,
			Time:                  c.PingEvery,
			Timeout:               min(c.PingEvery, 10*time.Second),
		}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: c.MinPing, PermitWithoutStream: true}),
		// Stop would otherwise return while handlers still use what is about to
		// be closed.
		grpc.WaitForHandlers(true),
		// Methods that do not exist pass the chain too, so that strangers learn
		// nothing and callers get a reason.
		grpc.UnknownServiceHandler(func(any, grpc.ServerStream) error {
			return apierr.New(codes.Unimplemented, fitmentv1.ErrorInfo_ROUTE_UNKNOWN, "this server has no such method")
		}),
	}
}

// Serve serves on the listener until ctx ends or something fails; then it
// drains: health turns to NOT_SERVING, calls under way finish (for at most
// DrainTimeout), then the services' background work ends. It returns nil after
// an orderly end that ctx asked for. The listener is closed.
func (s *Server) Serve(ctx context.Context, listener net.Listener) error {
	if s.config.TLS == nil {
		if err := loopbackOnly(listener); err != nil {
			return errors.Join(err, listener.Close())
		}
	}
	// Background work outlives ctx: draining calls still need it.
	work, stopWork := context.WithCancel(context.WithoutCancel(ctx))
	defer stopWork()
	failed := make(chan error, len(s.services)+1)
	var running sync.WaitGroup
	for _, service := range s.services {
		running.Go(func() { failed <- s.run(work, service) })
	}
	running.Go(func() { s.health.run(work) })
	if s.config.Breakers != nil {
		running.Go(func() { s.config.Breakers.Watch(work, s.health.tellBreaker) })
	}
	served := make(chan error, 1)
	go func() { served <- s.grpc.Serve(listener) }()
	s.log.InfoContext(ctx, "listening", "address", listener.Addr().String())

	err := s.wait(ctx, failed, served)
	s.drain(ctx)
	stopWork()
	running.Wait()
	for range len(s.services) {
		select {
		case late := <-failed:
			err = errors.Join(err, late)
		default:
		}
	}
	s.log.InfoContext(ctx, "stopped")
	return err
}

// wait returns when ctx ends (nil) or something fails. A background task that
// ends without an error has nothing more to do, which is no failure.
func (s *Server) wait(ctx context.Context, failed, served <-chan error) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-served:
			return fmt.Errorf("serve: %w", err)
		case err := <-failed:
			if err != nil {
				s.log.ErrorContext(ctx, "background work failed", "error", err)
				return err
			}
		}
	}
}

func (*Server) run(ctx context.Context, service Service) error {
	err := service.Run(ctx)
	if err == nil || ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil
	}
	return fmt.Errorf("%v: %w", service.Names(), err)
}

// drain ends the calls: health first, then those that would go on for ever, then
// no new ones, then those under way.
func (s *Server) drain(ctx context.Context) {
	s.log.InfoContext(ctx, "draining")
	s.health.drain()
	if s.config.DrainDelay > 0 {
		pause := time.NewTimer(s.config.DrainDelay)
		<-pause.C
	}
	s.health.end()
	for _, service := range s.services {
		if ender, ok := service.(Ender); ok {
			ender.End()
		}
	}
	done := make(chan struct{})
	go func() {
		s.grpc.GracefulStop()
		close(done)
	}()
	limit := time.NewTimer(s.config.DrainTimeout)
	defer limit.Stop()
	select {
	case <-done:
	case <-limit.C:
		s.log.WarnContext(ctx, "calls under way are cut", "after", s.config.DrainTimeout)
		s.grpc.Stop()
		<-done
	}
}
