package serve

import (
	"context"
	"errors"
	"log/slog"
	"testing"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// part is a service that is ready or not.
type part struct {
	name  string
	ready error
}

func (part) Register(grpc.ServiceRegistrar)        {}
func (p part) Names() []string                     { return []string{p.name} }
func (p part) Ready(context.Context) error         { return p.ready }
func (part) Run(context.Context) error             { return nil }
func (d leaning) ReadyAlone(context.Context) error { return d.alone }

// leaning is one that needs another server.
type leaning struct {
	part

	alone error
}

// TestAServersHealthIsNotThatOfWhomItNeeds: where another server is down, the service
// that needs it is not serving, and the server, which can say so, is. The control is
// a service that says nothing of needing others.
func TestAServersHealthIsNotThatOfWhomItNeeds(t *testing.T) {
	t.Parallel()
	down := errors.New("down")
	for name, c := range map[string]struct {
		service         Service
		server, healthy bool
	}{
		"all is well":            {leaning{part{"a", nil}, nil}, true, true},
		"the other one is down":  {leaning{part{"a", down}, nil}, true, false},
		"it is down itself":      {leaning{part{"a", down}, down}, false, false},
		"control: it needs none": {part{"a", down}, false, false},
	} {
		w := newWatcher(Config{ReadyTimeout: Defaults().ReadyTimeout}, slog.New(slog.DiscardHandler), []Service{part{"b", nil}, c.service})
		w.ask(t.Context())
		for of, want := range map[string]bool{"": c.server, "a": c.healthy, "b": true} {
			answer, err := w.server.Check(t.Context(), &healthpb.HealthCheckRequest{Service: of})
			if err != nil || (answer.GetStatus() == healthpb.HealthCheckResponse_SERVING) != want {
				t.Errorf("%s: the health of %q is %v, %v; want serving %v", name, of, answer.GetStatus(), err, want)
			}
		}
		w.end()
	}
}
