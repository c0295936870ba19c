package server

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
)

// ReturnListing sends a part back that its buyer found wanting. The sold listing
// and the one that comes back change in one step, so that a part comes back once.
func (s *Server) ReturnListing(ctx context.Context, req *fitmentv1.ReturnListingRequest) (*fitmentv1.ReturnListingResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requireName(req.GetName(), "name", fields)
		requests.ID(fields, req.GetRequestId())
		listing.ValidateReport(req.GetReport(), "report.", fields)
	})
	if err != nil {
		return nil, err
	}
	w := write{caller: p, request: req, requestID: req.GetRequestId()}
	w.act = func(ctx context.Context, now time.Time) (*fitmentv1.Listing, store.Change, error) {
		return s.sendBack(ctx, p, req, now)
	}
	l, at, err := s.write(ctx, w)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.ReturnListingResponse{Listing: l, Revision: at}, nil
}

func (s *Server) sendBack(
	ctx context.Context, p identity.Principal, req *fitmentv1.ReturnListingRequest, now time.Time,
) (*fitmentv1.Listing, store.Change, error) {
	record, sold, err := s.read(ctx, req.GetName())
	if err != nil {
		return nil, store.Change{}, err
	}
	if err := listing.MayReturn(sold, p.Tenant); err != nil {
		return nil, store.Change{}, err
	}
	report := listing.Report{By: p.Tenant, Report: req.GetReport(), About: rules.ArrivalAttributes}
	if err := wellFormed(func(fields *check.Fields) {
		report.Seen = listing.Seen(req.GetEvidence(), p.Tenant, sold.GetYard(), now, fields)
	}); err != nil {
		return nil, store.Change{}, err
	}
	if err := s.attached(ctx, p, sold.GetYard(), sold, report.Seen, "evidence"); err != nil {
		return nil, store.Change{}, err
	}
	stock, err := s.freeNumber(ctx, sold)
	if err != nil {
		return nil, store.Change{}, err
	}
	left, back := listing.Return(sold, report, stock, now)
	change, err := putListing(store.Record{Key: listing.Key(sold.GetYard(), stock), Version: store.Absent}, back)
	if err != nil {
		return nil, store.Change{}, err
	}
	rest, err := putListing(record, left)
	change.Puts = append(change.Puts, rest.Puts...)
	return back, change, err
}

// freeNumber is the stock number under which a part comes back: the first that no
// listing of the yard has.
func (s *Server) freeNumber(ctx context.Context, sold *fitmentv1.Listing) (string, error) {
	for _, stock := range listing.ReturnNumbers(sold) {
		_, err := s.store.Get(ctx, listing.Key(sold.GetYard(), stock))
		if errors.Is(err, store.ErrNotFound) {
			return stock, nil
		}
		if err != nil {
			return "", err
		}
	}
	return "", apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
		"%s: every stock number under which it could come back is taken", sold.GetName())
}

// RelistListing puts a part that came back on sale again.
func (s *Server) RelistListing(ctx context.Context, req *fitmentv1.RelistListingRequest) (*fitmentv1.RelistListingResponse, error) {
	l, at, err := s.turn(ctx, req, listing.Relist)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.RelistListingResponse{Listing: l, Revision: at}, nil
}
