package server

import (
	"context"
	"errors"
	"strconv"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/fitment/search"
	"beltwright.example/services/fitment/vin"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/page"
	"beltwright.example/services/platform/revision"
)

// DecodeVin reads a VIN.
func (s *Server) DecodeVin(ctx context.Context, req *fitmentv1.DecodeVinRequest) (*fitmentv1.DecodeVinResponse, error) {
	if _, err := s.visitor(ctx, func(fields *check.Fields) { vin.Validate(req, fields) }); err != nil {
		return nil, err
	}
	return vin.Decode(req), nil
}

// Decide decides one listing, inline or stored.
func (s *Server) Decide(ctx context.Context, req *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) { validateDecide(req, fields) })
	if err != nil {
		return nil, err
	}
	if req.GetListing() == nil {
		return s.decideStored(ctx, p, req)
	}
	now, err := s.current(ctx, req.GetMinRevision())
	if err != nil {
		return nil, err
	}
	if err := notFuture(req.GetListing(), now); err != nil {
		return nil, err
	}
	decided, err := s.index.Decide(req.GetNeed(), req.GetListing(), now)
	s.metrics.Decided(decided.Decision)
	return &fitmentv1.DecideResponse{Decision: decided.Decision, Revision: digest(decided.Standing)}, err
}

// decideStored reads the listing first and brings the catalogue up to date then,
// so that no listing is decided by a catalogue older than itself.
func (s *Server) decideStored(ctx context.Context, p identity.Principal, req *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
	if req.GetMinRevision() != "" {
		if err := s.await(ctx, req.GetMinRevision()); err != nil {
			return nil, err
		}
	}
	record, l, err := s.read(ctx, req.GetListingName())
	if err != nil {
		return nil, err
	}
	now, err := s.current(ctx, "")
	if err != nil {
		return nil, err
	}
	decided, err := s.index.Decide(req.GetNeed(), l, now)
	if err != nil {
		return nil, err
	}
	s.metrics.Decided(decided.Decision)
	decision := listing.MaskDecision(decided.Decision, l, p, now)
	return &fitmentv1.DecideResponse{Decision: decision, Revision: digest(decided.Standing, l.GetName(), strconv.FormatInt(record.Version, 10))}, nil
}

func validateDecide(req *fitmentv1.DecideRequest, fields *check.Fields) {
	rules.ValidateNeed(req.GetNeed(), "need.", fields)
	switch {
	case req.GetListing() == nil && req.GetListingName() == "":
		fields.Add("listing", "is missing", "a listing, or listing_name")
	case req.GetListing() != nil && req.GetListingName() != "":
		fields.Add("listing_name", "stands beside listing", "one of the two")
	case req.GetListing() != nil:
		listing.ValidateInline(req.GetListing(), "listing.", fields)
	default:
		requireName(req.GetListingName(), "listing_name", fields)
	}
}

// FindDonors finds the listings for a need.
func (s *Server) FindDonors(ctx context.Context, req *fitmentv1.FindDonorsRequest) (*fitmentv1.FindDonorsResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) { rules.ValidateNeed(req.GetNeed(), "need.", fields) })
	if err != nil {
		return nil, err
	}
	query := search.Query{Need: req.GetNeed(), Tenant: p.Tenant, Unsuitable: req.GetIncludeUnsuitable()}
	if query.Size, err = page.Size(req.GetPageSize()); err != nil {
		return nil, err
	}
	if req.GetPageToken() != "" {
		query.After = &search.Cursor{}
		if err := page.Decode(p.Tenant, req, req.GetPageToken(), query.After); err != nil {
			return nil, err
		}
	}
	if query.Now, err = s.current(ctx, req.GetMinRevision()); err != nil {
		return nil, err
	}
	found, err := s.index.Find(ctx, query)
	if errors.Is(err, search.ErrStartAgain) {
		return nil, apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID,
			"page_token: the catalogue or the day has changed since the first page; start again without a page_token")
	}
	if err != nil {
		return nil, edge(err)
	}
	return s.donors(p, req, found, query.Now)
}

// donors is a page of donors as the caller may see it.
func (s *Server) donors(p identity.Principal, req *fitmentv1.FindDonorsRequest, found search.Page, now time.Time) (*fitmentv1.FindDonorsResponse, error) {
	answer := &fitmentv1.FindDonorsResponse{Revision: revision.Digest(found.Place, found.Day)}
	for _, one := range found.Donors {
		s.metrics.Decided(one.Decision)
		answer.Donors = append(answer.Donors, &fitmentv1.Donor{
			Listing: seen(one.Listing, one.Version, p, now), Decision: listing.MaskDecision(one.Decision, one.Listing, p, now),
		})
	}
	if found.Next == nil {
		return answer, nil
	}
	token, err := page.Encode(p.Tenant, req, found.Next)
	answer.NextPageToken = token
	return answer, err
}

// FindParts finds the catalogue's parts for a need.
func (s *Server) FindParts(ctx context.Context, req *fitmentv1.FindPartsRequest) (*fitmentv1.FindPartsResponse, error) {
	_, err := s.visitor(ctx, func(fields *check.Fields) { rules.ValidateNeed(req.GetNeed(), "need.", fields) })
	if err != nil {
		return nil, err
	}
	now, err := s.current(ctx, "")
	if err != nil {
		return nil, err
	}
	parts, standing := s.index.Parts(req.GetNeed(), now)
	return &fitmentv1.FindPartsResponse{Parts: parts, Revision: digest(standing)}, nil
}

// current waits until the index is as new as the request demands, and never
// older than what the store has acknowledged; it returns store time.
func (s *Server) current(ctx context.Context, minRevision string) (time.Time, error) {
	if err := s.await(ctx, minRevision); err != nil {
		return time.Time{}, err
	}
	now, err := s.store.Now(ctx)
	return now, edge(err)
}

// digest is the revision of an answer that stood on the catalogue, the day and
// whatever else is given.
func digest(standing search.Standing, more ...string) string {
	return revision.Digest(standing.Catalogue, append([]string{standing.Day}, more...)...)
}
