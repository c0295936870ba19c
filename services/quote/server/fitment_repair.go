package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/repair"
)

// assess has what was read assessed.
func (f fitmentSide) assess(ctx context.Context, read *fitmentv1.AssessFaultRequest) (*fitmentv1.AssessFaultResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.decisions.AssessFault(ctx, read)
	if err != nil {
		return nil, f.failed(ctx, "AssessFault", err)
	}
	return answer, nil
}

// dues is a decision for what it says is due with a part: of a listing as it is
// decided, of another part by its kind.
func (f fitmentSide) dues(ctx context.Context, need *fitmentv1.Need, source string) (*fitmentv1.Decision, error) {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	request := &fitmentv1.DecideRequest{Need: need, Listing: &fitmentv1.Listing{}}
	if repair.IsListing(source) {
		request = &fitmentv1.DecideRequest{Need: need, ListingName: source}
	}
	answer, err := f.decisions.Decide(ctx, request)
	if err != nil {
		return nil, f.failed(ctx, "Decide", err)
	}
	if err := quote.SenseDecision(answer.GetDecision()); err != nil {
		return nil, nonsense("Decide", err)
	}
	return answer.GetDecision(), nil
}

// judgeSeen says what is wrong with statements about a part, named as evidence[0]
// and so on; nil where nothing is, or where the fitment side does not answer.
func (f fitmentSide) judgeSeen(ctx context.Context, need *fitmentv1.Need, seen []*fitmentv1.Evidence) error {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	listing := &fitmentv1.Listing{}
	for _, e := range seen {
		own := proto.CloneOf(e)
		own.Level, own.By = fitmentv1.Evidence_CONFIRMED, "buyer"
		listing.Evidence = append(listing.Evidence, own)
	}
	_, err := f.decisions.Decide(ctx, &fitmentv1.DecideRequest{Need: need, Listing: listing})
	if status.Code(err) != codes.InvalidArgument {
		return nil
	}
	violations := apierr.Violations(err)
	for i := range violations {
		violations[i].Field = strings.TrimPrefix(violations[i].Field, "listing.")
	}
	return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, violations...)
}

// sendBack tells a yard that a part comes back, and returns the name under which
// it does.
func (f fitmentSide) sendBack(ctx context.Context, request *fitmentv1.ReturnListingRequest) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.listings.ReturnListing(ctx, request)
	if err != nil {
		return "", f.failed(ctx, "ReturnListing", err)
	}
	back := answer.GetListing()
	switch {
	case back.GetReturnOf() != request.GetName():
		err = fmt.Errorf("the return of %.80q", back.GetReturnOf())
	case back.GetName() == "" || back.GetName() == request.GetName():
		err = errors.New("no listing of its own")
	}
	if err != nil {
		return "", nonsense("ReturnListing", err)
	}
	return back.GetName(), nil
}
