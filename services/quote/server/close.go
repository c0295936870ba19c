package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/quote/offers"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// AcceptQuote decides again, buys the listing that the quote holds, and closes
// the quote. Where the sale succeeded and the rest did not, repeating the call
// completes it, even after the quote's time.
func (s *Server) AcceptQuote(ctx context.Context, request *quotev1.AcceptQuoteRequest) (*quotev1.AcceptQuoteResponse, error) {
	q, place, err := s.closeQuote(ctx, request, quotev1.Quote_ACCEPTED, s.mayAccept)
	if err != nil {
		return nil, err
	}
	return &quotev1.AcceptQuoteResponse{Quote: q, Revision: place}, nil
}

// DeclineQuote gives the quote's hold back and closes the quote.
func (s *Server) DeclineQuote(ctx context.Context, request *quotev1.DeclineQuoteRequest) (*quotev1.DeclineQuoteResponse, error) {
	q, place, err := s.closeQuote(ctx, request, quotev1.Quote_DECLINED, s.mayDecline)
	if err != nil {
		return nil, err
	}
	return &quotev1.DeclineQuoteResponse{Quote: q, Revision: place}, nil
}

// closeRequest is what both requests that close a quote have.
type closeRequest interface {
	proto.Message
	GetName() string
	GetRequestId() string
}

// closeQuote moves an open quote to a closing state once may has done what has
// to be done first. Of several calls at once the fitment side (where a listing
// is held) or the record's version (where none is) lets one through.
func (s *Server) closeQuote(
	ctx context.Context, request closeRequest, state quotev1.Quote_State,
	may func(ctx context.Context, tenant string, q *quotev1.Quote, change *store.Change) error,
) (*quotev1.Quote, string, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, "", err
	}
	var fields check.Fields
	requests.ID(&fields, request.GetRequestId())
	if err := fields.Err(); err != nil {
		return nil, "", err
	}
	w, before, err := s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	if err != nil || before.Replayed {
		return s.closedAnswer(ctx, before, err)
	}
	for range conflictTries {
		applied, err := s.closeOnce(ctx, w, request.GetName(), state, may)
		if errors.Is(err, store.ErrConflict) {
			continue // somebody closed it, or wrote at the same time: look again
		}
		return s.closedAnswer(ctx, applied, err)
	}
	return nil, "", contended()
}

func (s *Server) closeOnce(
	ctx context.Context, w write, name string, state quotev1.Quote_State,
	may func(ctx context.Context, tenant string, q *quotev1.Quote, change *store.Change) error,
) (store.Applied, error) {
	record, q, err := s.loadQuote(ctx, w.tenant, name)
	if err != nil {
		return store.Applied{}, err
	}
	if q.GetState() != quotev1.Quote_OPEN {
		// a repeat of the call that closed it, overtaken by that call
		if again, err := s.store.Seen(ctx, w.tenant, w.requestID, w.fingerprint); err == nil && again.Replayed {
			return again, nil
		}
		return store.Applied{}, closed(q)
	}
	var change store.Change
	if err := may(ctx, w.tenant, q, &change); err != nil {
		return store.Applied{}, err
	}
	q.State, q.CloseTime = state, timestamppb.New(s.now())
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(q)
	if err != nil {
		return store.Applied{}, fmt.Errorf("keep the quote: %w", err)
	}
	change.Puts = append([]store.Put{{Key: record.Key, Expect: record.Version, Value: raw}}, change.Puts...)
	applied, err := s.apply(ctx, w, change, raw)
	if errors.Is(err, store.ErrTooLate) {
		return store.Applied{}, quoteExpired(q)
	}
	return applied, err
}

// closedAnswer reads the answer of a closing write, the first time and on a
// repeat alike.
func (s *Server) closedAnswer(ctx context.Context, applied store.Applied, err error) (*quotev1.Quote, string, error) {
	if err != nil {
		return nil, "", err
	}
	q := &quotev1.Quote{}
	if err := proto.Unmarshal(applied.Answer, q); err != nil || len(applied.Versions) == 0 {
		return nil, "", fmt.Errorf("read the kept answer: %w", errors.Join(err, errNoVersion(applied)))
	}
	place, err := s.placeOf(ctx, applied.Versions[0])
	if err != nil {
		return nil, "", err
	}
	q.Etag = revision.ETag(applied.Versions[0])
	return q, place, nil
}

func errNoVersion(applied store.Applied) error {
	if len(applied.Versions) == 0 {
		return errors.New("the change has no version")
	}
	return nil
}

// mayAccept buys the held listing, or proves the first part of the plan again.
func (s *Server) mayAccept(ctx context.Context, tenant string, q *quotev1.Quote, change *store.Change) error {
	name := q.GetHeldListing()
	if name == "" {
		if s.expired(q) {
			return quoteExpired(q)
		}
		change.NotAfter = q.GetValidUntil().AsTime()
		return s.proveOffer(ctx, tenant, q)
	}
	free, err := s.freeClaim(ctx, tenant, name, q.GetName())
	if err != nil {
		return err
	}
	change.Puts = free
	if s.expired(q) {
		// The sale may have been made in time, and its acceptance not stored.
		ours, err := s.soldForQuote(ctx, tenant, q)
		if err == nil && !ours {
			err = quoteExpired(q)
		}
		return err
	}
	return s.side.sell(ctx, name, q.GetHold().GetFence(), q.GetNeed(), step(q, "sell"))
}

// soldForQuote tells whether the held listing was bought for this quote. That it
// was sold to the business under the quote's hold does not show that: the
// business may have bought it for another need, without this quote. Proof is
// that the fitment side answers the quote's own sale again; once it has forgotten
// the request (after a day at least) there is none.
func (s *Server) soldForQuote(ctx context.Context, tenant string, q *quotev1.Quote) (bool, error) {
	sold, err := s.side.soldTo(ctx, tenant, q.GetHeldListing(), q.GetHold())
	if err != nil || !sold {
		return false, err
	}
	// A listing that is sold cannot be sold again: this sells nothing.
	err = s.side.sell(ctx, q.GetHeldListing(), q.GetHold().GetFence(), q.GetNeed(), step(q, "sell"))
	if over(err) {
		return false, nil
	}
	return err == nil, err
}

// proveOffer asks the fitment side and the price list again about the first
// part that the plan buys.
func (s *Server) proveOffer(ctx context.Context, tenant string, q *quotev1.Quote) error {
	option := quote.FirstBuy(q.GetOptions())
	offer, err := s.offerNow(ctx, tenant, option.GetSource())
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return err
	}
	if err != nil || !offer.GetAvailable() || !quote.SamePart(option, offer) {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE,
			"%s: the supplier's price list does not offer it any more; prepare a new quote", option.GetSource())
	}
	if quote.Ended(offer, s.now()) {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_EXPIRED,
			"%s: its price held until %s; prepare a new quote", option.GetSource(), offer.GetValidUntil())
	}
	if changed := quote.Changed(option, q.GetCurrencyCode(), offer); changed != "" {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE,
			"%s: the supplier's price list does not offer it on the quoted terms any more: %s; prepare a new quote", option.GetSource(), changed)
	}
	parts, err := s.side.findParts(ctx, q.GetNeed())
	if err != nil {
		return err
	}
	if reason := quote.Admits(q.GetNeed(), parts, offer); reason != "" {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT, "%s: %s", option.GetSource(), reason)
	}
	return nil
}

// offerNow reads one of the tenant's offers as it is now; store.ErrNotFound
// where there is none.
func (s *Server) offerNow(ctx context.Context, tenant, source string) (*quotev1.Offer, error) {
	offerID, ok := strings.CutPrefix(source, offers.Prefix)
	if !ok {
		return nil, fmt.Errorf("%q is no offer: %w", source, store.ErrNotFound)
	}
	record, err := s.store.Get(ctx, store.Key{Tenant: tenant, Kind: offers.Kind, ID: offerID})
	if err != nil {
		return nil, fmt.Errorf("read offer: %w", err)
	}
	return readOffer(record)
}

// mayDecline gives the hold back. A hold that is over is fine, unless it ended
// in the sale of an acceptance that is still to be completed.
func (s *Server) mayDecline(ctx context.Context, tenant string, q *quotev1.Quote, change *store.Change) error {
	name := q.GetHeldListing()
	if name == "" {
		return nil
	}
	free, err := s.freeClaim(ctx, tenant, name, q.GetName())
	if err != nil {
		return err
	}
	change.Puts = free
	err = s.side.release(ctx, name, q.GetHold().GetFence(), step(q, "release"))
	if err == nil || !over(err) {
		return err
	}
	sold, err := s.soldForQuote(ctx, tenant, q)
	if err != nil {
		return err
	}
	if sold {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED,
			"quote %s is being accepted: its part is bought already; repeat the acceptance to complete it", q.GetNumber())
	}
	return nil
}

// over tells whether an error says that a hold is not there any more.
func over(err error) bool {
	return lost(err) || apierr.ReasonOf(err) == fitmentv1.ErrorInfo_HOLD_LOST
}
