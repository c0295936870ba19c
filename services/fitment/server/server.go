// Package server answers the fitment side's RPCs: the catalogue, listings and
// decisions. Handlers translate only; what is decided is decided in the
// packages beside this one.
package server

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/fitment/search"
	"beltwright.example/services/store"
)

// Options are what a Server stands on.
type Options struct {
	// Store keeps the records; required.
	Store store.Store
	// Now is the clock that import times are read from; nil for the system's.
	// Holds, sales and the day of a decision go by the store's own time.
	Now func() time.Time
	// Policy is what rules allow; nil for rules.DefaultPolicy.
	Policy *rules.Policy
	// Log takes what an operator should know; nil for none.
	Log *slog.Logger
}

// Server answers CatalogueService, ListingService and FitmentService.
type Server struct {
	fitmentv1.UnimplementedCatalogueServiceServer
	fitmentv1.UnimplementedListingServiceServer
	fitmentv1.UnimplementedFitmentServiceServer

	store store.Store
	now   func() time.Time
	log   *slog.Logger
	index *search.Index
	// selling has room for one sale at a time: every sale expects the
	// catalogue's head, so two at once would only make each other try again.
	selling chan struct{}
}

// New makes a server. It is ready once Run has built the index.
func New(opts Options) (*Server, error) {
	if opts.Store == nil {
		return nil, errors.New("fitment server: a store is required")
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	policy := rules.DefaultPolicy()
	if opts.Policy != nil {
		policy = *opts.Policy
	}
	return &Server{
		store: opts.Store, now: opts.Now, log: opts.Log, index: search.New(opts.Store, policy, opts.Log), selling: make(chan struct{}, 1),
	}, nil
}

// Register adds the services to a gRPC server.
func (s *Server) Register(r grpc.ServiceRegistrar) {
	fitmentv1.RegisterCatalogueServiceServer(r, s)
	fitmentv1.RegisterListingServiceServer(r, s)
	fitmentv1.RegisterFitmentServiceServer(r, s)
}

// Names are the full names of the services, for health.
func (*Server) Names() []string {
	return []string{
		fitmentv1.CatalogueService_ServiceDesc.ServiceName,
		fitmentv1.ListingService_ServiceDesc.ServiceName,
		fitmentv1.FitmentService_ServiceDesc.ServiceName,
	}
}

// Ready is nil where the index has caught up with the store.
func (s *Server) Ready(ctx context.Context) error { return s.index.Fresh(ctx) }

// Run keeps the index current until the context ends.
func (s *Server) Run(ctx context.Context) error { return s.index.Run(ctx) }
