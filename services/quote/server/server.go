// Package server is the quote side's gRPC face: price lists, quotes, outcomes
// and planning. Its handlers translate; what is decided is decided in the pure
// packages beside it and, for fit and reuse, by the fitment service alone.
package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"google.golang.org/grpc"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/document"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/trust"
	"beltwright.example/services/store"
)

// Options are what the server stands on. Store, Fitment and Now are needed.
type Options struct {
	// Store keeps offers, quotes and outcomes.
	Store store.Store
	// Fitment reaches the fitment service's FitmentService and ListingService.
	// It must pass the caller's credential on (auth.Forward).
	Fitment grpc.ClientConnInterface
	// Now is the clock that days and validity are read from.
	Now func() time.Time
	// Log takes what an operator should know; nil is the default logger.
	Log *slog.Logger
	// Priors are what is believed about a condition before any outcome; the
	// zero value is trust.DefaultPriors.
	Priors trust.Priors
	// FitmentTimeout bounds each question to the fitment service; 0 is
	// DefaultFitmentTimeout.
	FitmentTimeout time.Duration
	// TaxPacks are the rules of places for tax; nil is tax.Builtin.
	TaxPacks *tax.Set
	// Letterheads are what documents of each business begin with.
	Letterheads document.Letterheads
}

// DefaultFitmentTimeout is how long the fitment service has for an answer.
const DefaultFitmentTimeout = 5 * time.Second

// Server serves OfferService, QuoteService, RepairService, PlanningService and
// BooksService.
type Server struct {
	quotev1.UnimplementedOfferServiceServer
	quotev1.UnimplementedQuoteServiceServer
	quotev1.UnimplementedRepairServiceServer
	quotev1.UnimplementedPlanningServiceServer
	quotev1.UnimplementedBooksServiceServer

	store  store.Store
	side   fitmentSide
	health healthpb.HealthClient
	now    func() time.Time
	log    *slog.Logger
	priors trust.Priors
	heads  document.Letterheads
	packs  *tax.Set
}

// New makes the server; it fails where an option is missing.
func New(o Options) (*Server, error) {
	if o.Store == nil || o.Fitment == nil || o.Now == nil {
		return nil, errors.New("quote server: Store, Fitment and Now are needed")
	}
	priors := cmp.Or(o.Priors, trust.DefaultPriors())
	if err := priors.Validate(); err != nil {
		return nil, fmt.Errorf("quote server: %w", err)
	}
	return &Server{
		store: o.Store,
		side: fitmentSide{
			decisions: fitmentv1.NewFitmentServiceClient(o.Fitment),
			listings:  fitmentv1.NewListingServiceClient(o.Fitment),
			known:     fitmentv1.NewIdentityServiceClient(o.Fitment),
			timeout:   cmp.Or(max(o.FitmentTimeout, 0), DefaultFitmentTimeout),
			retries:   &retries{},
			now:       o.Now,
		},
		health: healthpb.NewHealthClient(o.Fitment),
		now:    o.Now,
		log:    cmp.Or(o.Log, slog.Default()),
		priors: priors,
		heads:  o.Letterheads,
		packs:  cmp.Or(o.TaxPacks, tax.Builtin()),
	}, nil
}

// Register registers the five services.
func (s *Server) Register(r grpc.ServiceRegistrar) {
	quotev1.RegisterOfferServiceServer(r, s)
	quotev1.RegisterQuoteServiceServer(r, s)
	quotev1.RegisterRepairServiceServer(r, s)
	quotev1.RegisterPlanningServiceServer(r, s)
	quotev1.RegisterBooksServiceServer(r, s)
}

// Names are the full names of the five services.
func (*Server) Names() []string {
	return []string{
		quotev1.OfferService_ServiceDesc.ServiceName,
		quotev1.QuoteService_ServiceDesc.ServiceName,
		quotev1.RepairService_ServiceDesc.ServiceName,
		quotev1.PlanningService_ServiceDesc.ServiceName,
		quotev1.BooksService_ServiceDesc.ServiceName,
	}
}

// ReadyAlone tells whether the store answers.
func (s *Server) ReadyAlone(ctx context.Context) error {
	if _, err := s.store.Place(ctx); err != nil {
		return fmt.Errorf("store: %w", err)
	}
	return nil
}

// Ready tells whether the store answers and the fitment service serves.
func (s *Server) Ready(ctx context.Context) error {
	if err := s.ReadyAlone(ctx); err != nil {
		return err
	}
	answer, err := s.health.Check(ctx, &healthpb.HealthCheckRequest{
		Service: fitmentv1.FitmentService_ServiceDesc.ServiceName,
	})
	if err != nil {
		return fmt.Errorf("fitment service: %w", err)
	}
	if got := answer.GetStatus(); got != healthpb.HealthCheckResponse_SERVING {
		return fmt.Errorf("fitment service: %s", got)
	}
	return nil
}

// Run does the server's background work until ctx ends; it returns nil then.
func (*Server) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}
