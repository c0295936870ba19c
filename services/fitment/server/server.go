// Package server answers the fitment side's RPCs: the catalogue, listings and
// decisions. Handlers translate only; what is decided is decided in the
// packages beside this one.
package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
	"beltwright.example/services/fitment/inquiry"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/fitment/search"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/store"
)

// DefaultMaxHolds is how many listings one business may hold at a time where
// nothing is set: enough for the open quotes of a busy shop, and too few to keep
// a market's stock from everybody else (a choice of this project, no source).
const DefaultMaxHolds = 200

// Options are what a Server stands on. Its time is the store's.
type Options struct {
	// Store keeps the records; required.
	Store store.Store
	// Files keeps photos and documents; required.
	Files store.Files
	// AttachmentQuota bounds the photos and documents of one business, in bytes; 0
	// for DefaultAttachmentQuota.
	AttachmentQuota int64
	// MaxHolds is how many listings one business may hold at a time; 0 for
	// DefaultMaxHolds.
	MaxHolds int
	// MaxWatches is how many watches one business may have open at a time; 0 for
	// DefaultMaxWatches.
	MaxWatches int
	// WatchPulse is how long a watch is silent at most; 0 for DefaultWatchPulse.
	WatchPulse time.Duration
	// Policy is what rules allow; nil for rules.DefaultPolicy.
	Policy *rules.Policy
	// Likelihoods are what faults are assessed by; nil for fault.DefaultModel.
	Likelihoods *fault.Model
	// PublicURL is where REST is reached, for the codes on tags; empty for
	// DefaultPublicURL.
	PublicURL string
	// Metrics counts verdicts, holds and how far the index is; nil for nobody.
	Metrics *metrics.Set
	// Log takes what an operator should know; nil for none.
	Log *slog.Logger
}

// Server answers CatalogueService, ListingService, FitmentService and
// EvidenceService.
type Server struct {
	fitmentv1.UnimplementedCatalogueServiceServer
	fitmentv1.UnimplementedListingServiceServer
	fitmentv1.UnimplementedFitmentServiceServer
	fitmentv1.UnimplementedEvidenceServiceServer

	records

	log    *slog.Logger
	policy rules.Policy
	index  *search.Index
	// likelihoods are what faults are assessed by.
	likelihoods fault.Model
	// selling has room for one sale at a time: every sale expects the
	// catalogue's head, so two at once would only make each other try again.
	selling chan struct{}
	// maxHolds bounds the holds of a business; while one is taken, holding keeps
	// the business's others waiting, so that each counts those before it.
	maxHolds int
	holding  queues
	// files keeps what attachments hold, quota bytes a business; uploads counts
	// those under way.
	files   store.Files
	quota   int64
	uploads *counts
	// asked finds evidence requests; while one is asked, asking keeps the
	// business's others waiting, so that each counts those before it.
	asked  *asked
	asking queues
	// watches counts the open watches, which are silent for watchPulse at most.
	watches    *counts
	watchPulse time.Duration
	// publicURL is where REST is reached.
	publicURL string
	// metrics counts; expiries finds the holds whose time runs out.
	metrics  *metrics.Set
	expiries *expiries
	// ending ends when the server is told to end calls that last; end says so.
	ending context.Context //nolint:containedctx // it is the server's end, not a call's
	end    context.CancelFunc
}

// New makes a server. It is ready once Run has built the index.
func New(opts Options) (*Server, error) {
	if opts.Store == nil {
		return nil, errors.New("fitment server: a store is required")
	}
	if opts.Files == nil {
		return nil, errors.New("fitment server: files are required")
	}
	if opts.AttachmentQuota < 0 {
		return nil, fmt.Errorf("fitment server: %d bytes of attachments at most; expected 1 or more, or 0 for %d", opts.AttachmentQuota, int64(DefaultAttachmentQuota))
	}
	if opts.MaxHolds < 0 {
		return nil, fmt.Errorf("fitment server: %d holds at most; expected 1 or more, or 0 for %d", opts.MaxHolds, DefaultMaxHolds)
	}
	if opts.MaxWatches < 0 || opts.WatchPulse < 0 {
		return nil, errors.New("fitment server: a limit of watches is negative; expected 0 for the default or more")
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	policy := rules.DefaultPolicy()
	if opts.Policy != nil {
		policy = *opts.Policy
	}
	likelihoods := fault.DefaultModel()
	if opts.Likelihoods != nil {
		likelihoods = *opts.Likelihoods
	}
	address, err := PublicURL(opts.PublicURL)
	if err != nil {
		return nil, fmt.Errorf("fitment server: public address: %w", err)
	}
	ending, end := context.WithCancel(context.Background())
	s := &Server{
		publicURL:   address,
		likelihoods: likelihoods,
		ending:      ending, end: end, records: records{opts.Store}, log: opts.Log, policy: policy, index: search.New(opts.Store, policy, opts.Log), selling: make(chan struct{}, 1),
		maxHolds: cmp.Or(opts.MaxHolds, DefaultMaxHolds), holding: newQueues(),
		watches: newCounts(opts.MaxWatches, DefaultMaxWatches, "watches"), watchPulse: cmp.Or(opts.WatchPulse, DefaultWatchPulse),
		files: opts.Files, quota: cmp.Or(opts.AttachmentQuota, DefaultAttachmentQuota), uploads: newCounts(MaxUploads, MaxUploads, "uploads"),
		asked: newAsked(opts.Log), asking: newQueues(),
	}
	s.index.Hand(inquiry.Kind, s.asked.take)
	return s, s.measure(opts.Metrics)
}

// Register adds the services to a gRPC server.
func (s *Server) Register(r grpc.ServiceRegistrar) {
	fitmentv1.RegisterCatalogueServiceServer(r, s)
	fitmentv1.RegisterListingServiceServer(r, s)
	fitmentv1.RegisterFitmentServiceServer(r, s)
	fitmentv1.RegisterEvidenceServiceServer(r, s)
}

// Names are the full names of the services, for health.
func (*Server) Names() []string {
	return []string{
		fitmentv1.CatalogueService_ServiceDesc.ServiceName,
		fitmentv1.ListingService_ServiceDesc.ServiceName,
		fitmentv1.FitmentService_ServiceDesc.ServiceName,
		fitmentv1.EvidenceService_ServiceDesc.ServiceName,
	}
}

// Ready is nil where the index has caught up with the store.
func (s *Server) Ready(ctx context.Context) error {
	err := s.index.Fresh(ctx)
	if err == nil {
		s.countExpired(ctx)
	}
	return err
}

// End ends the calls that last as long as their callers like: the watches.
func (s *Server) End() { s.end() }

// lasting is the context of a call that lasts: it also ends when the server does.
func (s *Server) lasting(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	stop := context.AfterFunc(s.ending, cancel)
	return ctx, func() {
		stop()
		cancel()
	}
}

// Run keeps the index current until the context ends.
func (s *Server) Run(ctx context.Context) error { return s.index.Run(ctx) }
