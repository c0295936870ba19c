package server_test

import (
	"context"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// dueChecks are the checks that the fake decides to be due.
func dueChecks() []*fitmentv1.ArrivalCheck {
	return []*fitmentv1.ArrivalCheck{{Check: "Read the label.", Pass: "It is the part's own."}, {Check: "Look for the clip.", Pass: "It is there."}}
}

// AssessFault justifies buying the part of the first reading.
func (f *fakeFitment) AssessFault(ctx context.Context, r *fitmentv1.AssessFaultRequest) (*fitmentv1.AssessFaultResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.enter(ctx, "AssessFault", ""); err != nil {
		return nil, err
	}
	if len(r.GetReadings()) == 0 {
		return nil, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{Field: "codes", Problem: "is empty", Expected: "a code"})
	}
	first := r.GetReadings()[0]
	return &fitmentv1.AssessFaultResponse{
		Purchase: fitmentv1.AssessFaultResponse_JUSTIFIED,
		Suspects: []*fitmentv1.Suspect{{Component: fitmentv1.Suspect_PART, Kind: first.GetKind(), Position: first.GetPosition(), Probability: 0.9}},
	}, f.leave("AssessFault", "")
}

// ReturnListing sends a part back as the real one does.
func (f *fakeFitment) ReturnListing(ctx context.Context, r *fitmentv1.ReturnListingRequest) (*fitmentv1.ReturnListingResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.enter(ctx, "ReturnListing", r.GetName()); err != nil {
		return nil, err
	}
	d, err := f.find(r.GetName())
	if err != nil {
		return nil, err
	}
	if before := f.answers[f.tenant+r.GetRequestId()]; before != nil {
		return &fitmentv1.ReturnListingResponse{Listing: before}, f.leave("ReturnListing", r.GetName())
	}
	sold := d.GetListing()
	switch {
	case sold.GetState() != fitmentv1.Listing_SOLD || len(r.GetReport().GetFailedChecks()) == 0:
		return nil, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED, "%s is not sold, or nothing failed", r.GetName())
	case sold.GetBuyer() != f.tenant:
		return nil, apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING, "only the buyer")
	case sold.GetReturnedAs() != "":
		return nil, apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS, "%s came back", r.GetName())
	}
	back := proto.CloneOf(sold)
	back.StockNumber += "-R1"
	back.Name = sold.GetName() + "-R1"
	back.State, back.Hold, back.Buyer = fitmentv1.Listing_RETURNING, nil, ""
	back.ReturnOf, back.ReturnReport = sold.GetName(), r.GetReport()
	back.Evidence = append(back.GetEvidence(), r.GetEvidence()...)
	sold.ReturnedAs = back.GetName()
	f.donors[back.GetName()] = &fitmentv1.Donor{Listing: back, Decision: proto.CloneOf(d.GetDecision())}
	f.answers[f.tenant+r.GetRequestId()] = proto.CloneOf(back)
	return &fitmentv1.ReturnListingResponse{Listing: back}, f.leave("ReturnListing", r.GetName())
}
