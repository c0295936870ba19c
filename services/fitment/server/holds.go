package server

import (
	"context"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
)

const (
	// longestHold is 30 days.
	longestHold = 43_200
	// highestFence is as high as a fence can get.
	highestFence = 1<<63 - 1
)

// HoldListing reserves a listing for the caller, or extends his hold.
//
// How many listings a business holds is counted in the index, brought up to what
// the store has acknowledged, while its other holds wait. A store belongs to one
// server, so the count is exact but for holds that run out or are given back
// meanwhile, which may cost a refusal that was not due a moment later.
func (s *Server) HoldListing(ctx context.Context, req *fitmentv1.HoldListingRequest) (*fitmentv1.HoldListingResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requireName(req.GetName(), "name", fields)
		requests.ID(fields, req.GetRequestId())
		fields.Int("minutes", int64(req.GetMinutes()), 1, longestHold)
		fields.Int("fence", req.GetFence(), 0, highestFence)
	})
	if err != nil {
		return nil, err
	}
	leave, err := s.holding.enter(ctx, p.Tenant)
	if err != nil {
		return nil, edge(err)
	}
	defer leave()
	length := time.Duration(req.GetMinutes()) * time.Minute
	w := s.change(p, req, req.GetRequestId(), req.GetName(), func(old *fitmentv1.Listing, _ int64, now time.Time) (*fitmentv1.Listing, error) {
		return listing.Hold(old, p.Tenant, req.GetFence(), now.Add(length), now)
	})
	w.act = s.withRoom(w.act, p.Tenant, req.GetName())
	w.means = metrics.HoldTaken
	if req.GetFence() != 0 {
		w.means = metrics.HoldExtended
	}
	l, at, err := s.write(ctx, w)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.HoldListingResponse{Listing: l, Revision: at}, nil
}

// withRoom lets a hold through where the tenant holds fewer than the most other
// listings. A listing that cannot be held at all is refused for that reason.
func (s *Server) withRoom(act actFunc, tenant, name string) actFunc {
	return func(ctx context.Context, now time.Time) (*fitmentv1.Listing, store.Change, error) {
		next, change, err := act(ctx, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		if err := s.index.Fresh(ctx); err != nil {
			return nil, store.Change{}, err
		}
		if s.index.Holds(tenant, name, now) >= s.maxHolds {
			return nil, store.Change{}, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
				"your business holds %d listings, the most that one may; release one, or wait until one runs out", s.maxHolds)
		}
		return next, change, nil
	}
}

// ReleaseListing gives a hold back: its holder, or the operator for him.
func (s *Server) ReleaseListing(ctx context.Context, req *fitmentv1.ReleaseListingRequest) (*fitmentv1.ReleaseListingResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requireName(req.GetName(), "name", fields)
		requireFence(req.GetFence(), fields)
		requests.ID(fields, req.GetRequestId())
	})
	if err != nil {
		return nil, err
	}
	w := s.change(p, req, req.GetRequestId(), req.GetName(), func(old *fitmentv1.Listing, _ int64, now time.Time) (*fitmentv1.Listing, error) {
		holder := p.Tenant
		if p.Has(identity.Operator) {
			holder = old.GetHold().GetHolder()
		}
		return listing.Release(old, holder, req.GetFence(), now)
	})
	w.act, w.means = whileHeld(w.act), metrics.HoldReleased
	l, at, err := s.write(ctx, w)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.ReleaseListingResponse{Listing: l, Revision: at}, nil
}

// visitor checks a request that any business may make.
func (records) visitor(ctx context.Context, checks func(*check.Fields)) (identity.Principal, error) {
	p, err := caller(ctx)
	if err != nil {
		return p, err
	}
	return p, wellFormed(checks)
}

// whileHeld puts the end of the hold into the change, so that a caller who was
// paused between reading and writing cannot use a hold that ran out meanwhile.
// The hold counts before its end, not at it.
func whileHeld(act actFunc) actFunc {
	return func(ctx context.Context, now time.Time) (*fitmentv1.Listing, store.Change, error) {
		next, change, err := act(ctx, now)
		if err == nil {
			change.NotAfter = next.GetHold().GetExpireTime().AsTime().Add(-time.Nanosecond)
		}
		return next, change, err
	}
}

func requireFence(fence int64, fields *check.Fields) {
	fields.Int("fence", fence, 1, highestFence)
}
