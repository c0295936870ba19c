package serve

import (
	"fmt"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/hop"
)

// guarded are the gRPC services that a connection's breakers guard, by side.
var guarded = map[string][]string{
	hop.Fitment: {"BackupService", "CatalogueService", "EvidenceService", "FitmentService", "IdentityService", "ListingService"},
	hop.Quote:   {"BackupService", "BooksService", "OfferService", "PlanningService", "QuoteService", "RepairService"},
}

// NewBreakers returns breakers for the services of the sides: hop.Fitment,
// hop.Quote. One set serves all connections of a process to these sides.
//
// Asking whose a credential is has a breaker of its own: every call needs it, and
// no flood of sign-ins that run out of time may shut it off. While it is open, no
// credential is accepted that is not remembered from seconds ago. The health
// service has none: its answers are how one sees that a service is back.
func NewBreakers(sides ...string) (*breaker.Set, error) {
	var config breaker.Config
	for _, side := range sides {
		services, ok := guarded[side]
		if !ok {
			return nil, fmt.Errorf("serve: there is no side %q; expected %s or %s", side, hop.Fitment, hop.Quote)
		}
		for _, service := range services {
			config.Services = append(config.Services, "beltwright."+side+".v1."+service)
		}
		if side == hop.Fitment {
			config.Apart = append(config.Apart, fitmentv1.IdentityService_VerifyCredential_FullMethodName)
		}
	}
	return breaker.New(config)
}

// Between are the options of a connection from one service to another: its errors
// name the service that does not answer, and the breakers guard its calls.
func Between(breakers *breaker.Set) []grpc.DialOption {
	return append(hop.Name(), breakers.DialOptions()...)
}

// breakerHealth is what the name of a breaker starts with in the health service.
const breakerHealth = "breaker/"

// tellBreaker sets the health of a breaker: SERVING where it is closed. It is told
// under a name of its own and changes no service's health, which says whether that
// service can do its work.
func (w *watcher) tellBreaker(status breaker.Status) {
	health := healthpb.HealthCheckResponse_NOT_SERVING
	if status.State == breaker.Closed {
		health = healthpb.HealthCheckResponse_SERVING
	}
	w.server.SetServingStatus(breakerHealth+status.Breaker, health)
}
