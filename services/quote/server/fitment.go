package server

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/quote/quote"
)

// Bounds on a donor search. Donors come fits first, so a search that ends at
// maxDonors has seen every listing that fits unless all of them do.
const (
	maxDonors   = 1000
	donorsAPage = 100
	maxPages    = 2 * maxDonors / donorsAPage
)

// retryAfter is when asking a dependency again is worth it.
const retryAfter = 2 * time.Second

// fitmentSide asks the fitment service and believes only answers that make
// sense: one that is late, missing or contradicts itself is DEPENDENCY_DOWN,
// so that it can never turn into a fit.
type fitmentSide struct {
	decisions fitmentv1.FitmentServiceClient
	listings  fitmentv1.ListingServiceClient
	known     fitmentv1.IdentityServiceClient
	timeout   time.Duration
	retries   *retries // of writes, whose request ids are the server's
	now       func() time.Time
}

// donors is the answer to a search for listings.
type donors struct {
	found    []*fitmentv1.Donor
	more     bool // there are further listings, none of which fits
	revision string
}

// findDonors returns the listings for a need, decided: all that fit, and the first
// of the others, so many in all unless more fit.
func (f fitmentSide) findDonors(ctx context.Context, need *fitmentv1.Need, enough int) (donors, error) {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	var all donors
	seen := make(map[string]int)
	request := &fitmentv1.FindDonorsRequest{Need: need, PageSize: donorsAPage, IncludeUnsuitable: true}
	for range maxPages {
		answer, err := f.decisions.FindDonors(ctx, request)
		if err != nil {
			return donors{}, f.failed(ctx, "FindDonors", err)
		}
		all.revision = answer.GetRevision()
		for _, donor := range answer.GetDonors() {
			if err := quote.SenseDonor(need, donor); err != nil {
				return donors{}, nonsense("FindDonors", err)
			}
			all.add(donor, seen)
		}
		next := answer.GetNextPageToken()
		switch {
		case next == "":
			return all, nil
		case next == request.GetPageToken():
			return donors{}, nonsense("FindDonors", errors.New("the same page token twice"))
		case len(all.found) >= maxDonors, len(all.found) >= enough && !all.fitting():
			return all.cut()
		}
		request.PageToken = next
	}
	return donors{}, nonsense("FindDonors", errors.New("pages without an end"))
}

// add appends a donor. A listing that changed between two pages may come twice;
// then the answer that does not admit it counts.
func (d *donors) add(donor *fitmentv1.Donor, seen map[string]int) {
	name := donor.GetListing().GetName()
	at, twice := seen[name]
	switch {
	case !twice:
		seen[name] = len(d.found)
		d.found = append(d.found, donor)
	case donor.GetDecision().GetVerdict() != fitmentv1.Decision_FITS:
		d.found[at] = donor
	}
}

// fitting tells whether the last one fits, so that others after it may fit, too.
func (d *donors) fitting() bool {
	return len(d.found) > 0 && d.found[len(d.found)-1].GetDecision().GetVerdict() == fitmentv1.Decision_FITS
}

func (d *donors) cut() (donors, error) {
	if d.fitting() {
		return donors{}, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"more than %d listings fit; state more of the vehicle, or the number of the part to be replaced", maxDonors)
	}
	d.more = true
	return *d, nil
}

// findParts returns the catalogue parts for a need.
func (f fitmentSide) findParts(ctx context.Context, need *fitmentv1.Need) ([]*fitmentv1.PartMatch, error) {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.decisions.FindParts(ctx, &fitmentv1.FindPartsRequest{Need: need})
	if err != nil {
		return nil, f.failed(ctx, "FindParts", err)
	}
	for _, match := range answer.GetParts() {
		if err := quote.SensePart(need, match); err != nil {
			return nil, nonsense("FindParts", err)
		}
	}
	return answer.GetParts(), nil
}

// look returns a listing as it is now, with its decision.
func (f fitmentSide) look(ctx context.Context, need *fitmentv1.Need, name string) (*fitmentv1.Donor, error) {
	listing, err := f.listing(ctx, name)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.decisions.Decide(ctx, &fitmentv1.DecideRequest{Need: need, ListingName: name})
	if err != nil {
		return nil, f.failed(ctx, "Decide", err)
	}
	donor := &fitmentv1.Donor{Listing: listing, Decision: answer.GetDecision()}
	if err := quote.SenseDonor(need, donor); err != nil {
		return nil, nonsense("Decide", err)
	}
	return donor, nil
}

// listing returns a listing as it is now.
func (f fitmentSide) listing(ctx context.Context, name string) (*fitmentv1.Listing, error) {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.listings.GetListing(ctx, &fitmentv1.GetListingRequest{Name: name})
	if err != nil {
		return nil, f.failed(ctx, "GetListing", err)
	}
	if got := answer.GetListing().GetName(); got != name {
		return nil, nonsense("GetListing", fmt.Errorf("%.80q instead of %s", got, name))
	}
	return answer.GetListing(), nil
}

// hold takes a hold for the tenant, extends the one of this fence, or, with the
// same request id, repeats either.
func (f fitmentSide) hold(ctx context.Context, tenant, name string, minutes int32, fence int64, requestID string) (*fitmentv1.Hold, error) {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.listings.HoldListing(ctx, &fitmentv1.HoldListingRequest{Name: name, Minutes: minutes, Fence: fence, RequestId: requestID})
	if err != nil {
		return nil, f.failed(ctx, "HoldListing", err)
	}
	const skew = 10 * time.Minute
	hold, latest := answer.GetListing().GetHold(), f.now().Add(time.Duration(minutes)*time.Minute+skew)
	switch {
	case answer.GetListing().GetName() != name:
		err = errors.New("another listing")
	case hold.GetHolder() != tenant:
		err = errors.New("another holder")
	case hold.GetFence() <= fence:
		err = errors.New("no new fence")
	case !hold.GetExpireTime().IsValid() || hold.GetExpireTime().AsTime().After(latest):
		err = errors.New("an impossible end")
	}
	if err != nil {
		return nil, nonsense("HoldListing", err)
	}
	return hold, nil
}

// release gives a hold back.
func (f fitmentSide) release(ctx context.Context, name string, fence int64, requestID string) error {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.listings.ReleaseListing(ctx, &fitmentv1.ReleaseListingRequest{Name: name, Fence: fence, RequestId: requestID})
	if err != nil {
		return f.failed(ctx, "ReleaseListing", err)
	}
	if got := answer.GetListing().GetName(); got != name {
		return nonsense("ReleaseListing", fmt.Errorf("%.80q instead of %s", got, name))
	}
	return nil
}

// sell buys a held listing; the fitment side decides the need again first.
func (f fitmentSide) sell(ctx context.Context, name string, fence int64, need *fitmentv1.Need, requestID string) error {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.listings.SellListing(ctx, &fitmentv1.SellListingRequest{Name: name, Fence: fence, Need: need, RequestId: requestID})
	if err != nil {
		return f.failed(ctx, "SellListing", err)
	}
	if got := answer.GetListing(); got.GetName() != name || got.GetState() != fitmentv1.Listing_SOLD {
		return nonsense("SellListing", fmt.Errorf("%.80q in state %s", got.GetName(), got.GetState()))
	}
	return nil
}

// soldTo tells whether a listing was sold to the tenant under this hold, for
// whatever need.
func (f fitmentSide) soldTo(ctx context.Context, tenant, name string, hold *fitmentv1.Hold) (bool, error) {
	listing, err := f.listing(ctx, name)
	if err != nil {
		return false, err
	}
	return listing.GetState() == fitmentv1.Listing_SOLD && listing.GetBuyer() == tenant &&
		listing.GetHold().GetFence() == hold.GetFence(), nil
}

// failed turns a call's error into ours: what the fitment side refuses for a
// reason of its own is passed on, everything else means that it is down.
func (fitmentSide) failed(ctx context.Context, method string, err error) error {
	if errors.Is(ctx.Err(), context.Canceled) {
		return status.FromContextError(ctx.Err()).Err()
	}
	refusals := []codes.Code{
		codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.PermissionDenied,
		codes.FailedPrecondition, codes.Aborted, codes.Unauthenticated,
		codes.ResourceExhausted, // a limit refused it before anything was done
	}
	if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_REASON_UNSPECIFIED && slices.Contains(refusals, status.Code(err)) {
		return err
	}
	return apierr.Down(codes.Unavailable, hop.Fitment, retryAfter,
		"the fitment service did not answer %s: %s", method, status.Code(err))
}

// keepsBooks refuses a business that is none, or none with the desk books: whoever
// mistypes it would otherwise keep records that nobody can read. Field is what named it.
func (f fitmentSide) keepsBooks(ctx context.Context, id, field string) error {
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	answer, err := f.known.GetBusiness(ctx, &fitmentv1.GetBusinessRequest{Name: "businesses/" + id})
	wrong := func(problem, expected string) error {
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{Field: field, Problem: problem, Expected: expected})
	}
	switch code := status.Code(err); {
	case code == codes.NotFound || code == codes.InvalidArgument:
		return wrong(fmt.Sprintf("there is no business %q", id), "one that has the desk books; the operator makes businesses")
	case err != nil:
		return f.failed(ctx, "GetBusiness", err)
	case !slices.Contains(answer.GetBusiness().GetRoles(), string(identity.Books)):
		return wrong(fmt.Sprintf("business %q has no desk books", id), "one that has it")
	}
	return nil
}

// nonsense is the error for an answer that cannot be believed.
func nonsense(method string, err error) error {
	return apierr.Down(codes.Unavailable, hop.Fitment, retryAfter,
		"the fitment service's answer to %s does not make sense: %v", method, err)
}

// unsettled tells whether an error leaves open whether the fitment side did what it
// was asked: its answer was lost, or nobody waited for it.
func unsettled(err error) bool {
	code := status.Code(err)
	return code == codes.Unavailable || code == codes.Canceled
}

// lost tells whether an error says that somebody else has the listing.
func lost(err error) bool {
	reason := apierr.ReasonOf(err)
	return reason == fitmentv1.ErrorInfo_LISTING_HELD || reason == fitmentv1.ErrorInfo_LISTING_GONE
}
