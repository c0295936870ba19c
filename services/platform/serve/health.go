package serve

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// watcher keeps the health service telling the truth: it asks every service
// again and again and sets what it hears, in both directions.
type watcher struct {
	config   Config
	log      *slog.Logger
	services []Service
	server   *health.Server

	// ending ends watches of the health; end says so.
	ending context.Context //nolint:containedctx // it is the server's end, not a call's
	end    context.CancelFunc

	// last is what was set, by service; only run uses it.
	last []error
}

// errNotAsked stands for the time before the first answer.
var errNotAsked = errors.New("has not been asked yet")

func newWatcher(config Config, log *slog.Logger, services []Service) *watcher {
	w := &watcher{config: config, log: log, services: services, server: health.NewServer()}
	w.ending, w.end = context.WithCancel(context.Background())
	w.last = make([]error, len(services))
	w.server.SetServingStatus("", healthpb.HealthCheckResponse_NOT_SERVING)
	for i, service := range services {
		w.last[i] = errNotAsked
		for _, name := range service.Names() {
			w.server.SetServingStatus(name, healthpb.HealthCheckResponse_NOT_SERVING)
		}
	}
	return w
}

// impatience is how much more often services are asked while one is not ready.
const impatience = 10

// run asks until ctx ends.
func (w *watcher) run(ctx context.Context) {
	for {
		pause := w.config.ReadyEvery
		if !w.ask(ctx) {
			pause = max(pause/impatience, time.Millisecond)
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
}

// ask asks all services at once, sets their status, and tells whether all are
// ready. The server's own status, under the empty name, is that of answering: clients
// go by it, and a server that can say who does not answer must not be cut off with
// whoever that is.
func (w *watcher) ask(ctx context.Context) bool {
	ctx, cancel := context.WithTimeout(ctx, w.config.ReadyTimeout)
	defer cancel()
	answers, alone := make([]error, len(w.services)), make([]error, len(w.services))
	var asking sync.WaitGroup
	for i, service := range w.services {
		asking.Go(func() { answers[i] = ready(ctx, service.Ready) })
		if dependent, ok := service.(Dependent); ok {
			asking.Go(func() { alone[i] = ready(ctx, dependent.ReadyAlone) })
		}
	}
	asking.Wait()
	for i, err := range answers {
		if _, ok := w.services[i].(Dependent); !ok {
			alone[i] = err
		}
		w.note(ctx, i, err)
		for _, name := range w.services[i].Names() {
			w.server.SetServingStatus(name, healthOf(err))
		}
	}
	w.server.SetServingStatus("", healthOf(errors.Join(alone...)))
	return errors.Join(answers...) == nil
}

// healthOf is the health of who is ready where err is nil.
func healthOf(err error) healthpb.HealthCheckResponse_ServingStatus {
	if err != nil {
		return healthpb.HealthCheckResponse_NOT_SERVING
	}
	return healthpb.HealthCheckResponse_SERVING
}

// note logs a change, not each answer.
func (w *watcher) note(ctx context.Context, i int, err error) {
	was := w.last[i]
	w.last[i] = err
	switch {
	case err == nil && was != nil:
		w.log.InfoContext(ctx, "ready", "services", w.services[i].Names())
	case err != nil && was == errNotAsked: //nolint:errorlint // the marker itself
		w.log.InfoContext(ctx, "starting", "services", w.services[i].Names(), "waits for", err)
	case err != nil && was == nil:
		w.log.WarnContext(ctx, "not ready", "services", w.services[i].Names(), "error", err)
	}
}

// ready asks one service; a panic is an answer too.
func ready(ctx context.Context, ask func(ctx context.Context) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return ask(ctx)
}

// drain sets everything to NOT_SERVING for good.
func (w *watcher) drain() { w.server.Shutdown() }

// healthService is the health service whose watches end with the server; they
// would otherwise hold up its end for as long as their callers like.
type healthService struct {
	*health.Server

	ending context.Context //nolint:containedctx // it is the server's end, not a call's
}

// Watch streams the status until the caller leaves or the server ends; the last
// message before that end is NOT_SERVING.
func (h healthService) Watch(request *healthpb.HealthCheckRequest, stream healthpb.Health_WatchServer) error {
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	defer context.AfterFunc(h.ending, cancel)()
	err := h.Server.Watch(request, &watchStream{Health_WatchServer: stream, ctx: ctx})
	if h.ending.Err() == nil {
		return err
	}
	return stream.Send(&healthpb.HealthCheckResponse{Status: healthpb.HealthCheckResponse_NOT_SERVING})
}

type watchStream struct {
	healthpb.Health_WatchServer

	ctx context.Context //nolint:containedctx // grpc hands a stream's context out through the stream
}

// Context ends with the server too.
func (s *watchStream) Context() context.Context { return s.ctx }
