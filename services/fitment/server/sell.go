package server

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
)

// SellListing sells a held listing to its holder, once it has been decided
// again, recall included, by the catalogue as it is at that moment.
//
// Between deciding and writing a recall notice might be imported. So every
// change of the catalogue also writes the catalogue's head, and the sale's
// change expects the head that was read before deciding: a notice that comes in
// between makes the sale a conflict, and it is decided again.
func (s *Server) SellListing(ctx context.Context, req *fitmentv1.SellListingRequest) (*fitmentv1.SellListingResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requireName(req.GetName(), "name", fields)
		requireFence(req.GetFence(), fields)
		requests.ID(fields, req.GetRequestId())
		rules.ValidateNeed(req.GetNeed(), "need.", fields)
	})
	if err != nil {
		return nil, err
	}
	select {
	case s.selling <- struct{}{}:
		defer func() { <-s.selling }()
	case <-ctx.Done():
		return nil, edge(ctx.Err())
	}
	w := write{caller: p, request: req, requestID: req.GetRequestId(), means: metrics.HoldSold}
	w.act = whileHeld(func(ctx context.Context, now time.Time) (*fitmentv1.Listing, store.Change, error) {
		return s.sell(ctx, req, p.Tenant, now)
	})
	l, at, err := s.write(ctx, w)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.SellListingResponse{Listing: l, Revision: at}, nil
}

func (s *Server) sell(ctx context.Context, req *fitmentv1.SellListingRequest, buyer string, now time.Time) (*fitmentv1.Listing, store.Change, error) {
	head, err := s.head(ctx)
	if err != nil {
		return nil, store.Change{}, err
	}
	record, old, err := s.read(ctx, req.GetName())
	if err != nil {
		return nil, store.Change{}, err
	}
	sold, err := listing.Sell(old, buyer, req.GetFence(), now)
	if err != nil {
		return nil, store.Change{}, err
	}
	if err := s.index.CatchUp(ctx, head.Version); err != nil {
		return nil, store.Change{}, err
	}
	decided, err := s.index.Decide(req.GetNeed(), old, now)
	if err != nil {
		return nil, store.Change{}, err
	}
	if decided.Decision.GetVerdict() != fitmentv1.Decision_FITS {
		return nil, store.Change{}, gateShut(req.GetName(), decided.Decision)
	}
	change, err := putListing(record, sold)
	if err != nil {
		return nil, store.Change{}, err
	}
	change.Puts = append(change.Puts, store.Put{Key: headKey, Expect: head.Version, Value: headValue})
	return sold, change, nil
}

// gateShut says which findings keep the part from being sold.
func gateShut(name string, decision *fitmentv1.Decision) error {
	var open []string
	for _, f := range decision.GetFindings() {
		if f.GetAnswer() != fitmentv1.Finding_YES && f.GetSeverity() != fitmentv1.Finding_ADVICE {
			open = append(open, fmt.Sprintf("%s is %s: %s", f.GetRule(), strings.ToLower(f.GetAnswer().String()), f.GetReason()))
		}
	}
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT, "%s may not be sold for this need (%s): %s",
		name, strings.ToLower(strings.ReplaceAll(decision.GetVerdict().String(), "_", " ")), strings.Join(open, "; "))
}
