package server

import (
	"context"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
)

// longestHold is 30 days.
const longestHold = 43_200

// HoldListing reserves a listing for the caller.
func (s *Server) HoldListing(ctx context.Context, req *fitmentv1.HoldListingRequest) (*fitmentv1.HoldListingResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requireName(req.GetName(), "name", fields)
		requests.ID(fields, req.GetRequestId())
		fields.Int("minutes", int64(req.GetMinutes()), 1, longestHold)
	})
	if err != nil {
		return nil, err
	}
	length := time.Duration(req.GetMinutes()) * time.Minute
	w := s.change(p, req, req.GetRequestId(), req.GetName(), func(old *fitmentv1.Listing, _ int64, now time.Time) (*fitmentv1.Listing, error) {
		return listing.Hold(old, p.Tenant, now.Add(length), now)
	})
	l, at, err := s.write(ctx, w)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.HoldListingResponse{Listing: l, Revision: at}, nil
}

// ReleaseListing gives a hold back: its holder, or an administrator for him.
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
		if p.Has(identity.Admin) {
			holder = old.GetHold().GetHolder()
		}
		return listing.Release(old, holder, req.GetFence(), now)
	})
	w.act = whileHeld(w.act)
	l, at, err := s.write(ctx, w)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.ReleaseListingResponse{Listing: l, Revision: at}, nil
}

// visitor checks a request that any business may make.
func (*Server) visitor(ctx context.Context, checks func(*check.Fields)) (identity.Principal, error) {
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
	const highest = 1<<63 - 1
	fields.Int("fence", fence, 1, highest)
}
