package serve

import (
	"context"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// GetServiceInfo tells which gRPC services the server has, for reflection on another
// port; the name is what package reflection asks for.
func (s *Server) GetServiceInfo() map[string]grpc.ServiceInfo { return s.grpc.GetServiceInfo() }

// Health tells whether the server can do its work, and the state of each service and
// each breaker by the names of the health service.
func (s *Server) Health(ctx context.Context) (serving bool, states map[string]string) {
	states = map[string]string{}
	all, err := s.health.server.List(ctx, &healthpb.HealthListRequest{})
	if err != nil {
		return false, states
	}
	for name, answer := range all.GetStatuses() {
		if name == "" {
			serving = answer.GetStatus() == healthpb.HealthCheckResponse_SERVING
			continue
		}
		states[name] = answer.GetStatus().String()
	}
	return serving, states
}
