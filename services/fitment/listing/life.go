package listing

import (
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// New starts a listing's life: available, listed now. What the yard says is
// taken from said; its output-only fields are ignored.
func New(said *fitmentv1.Listing, now time.Time) *fitmentv1.Listing {
	l := Content(said)
	l.Name = Name(l.GetYard(), l.GetStockNumber())
	l.State = fitmentv1.Listing_AVAILABLE
	l.CreateTime, l.UpdateTime = timestamppb.New(now), timestamppb.New(now)
	return l
}

// StateAt is the state that counts at a time: a hold that has run out leaves
// the listing available, whatever the record still says.
func StateAt(l *fitmentv1.Listing, now time.Time) fitmentv1.Listing_State {
	if l.GetState() == fitmentv1.Listing_HELD && !now.Before(l.GetHold().GetExpireTime().AsTime()) {
		return fitmentv1.Listing_AVAILABLE
	}
	return l.GetState()
}

// HeldBy tells whether the tenant has a hold that counts at the time.
func HeldBy(l *fitmentv1.Listing, tenant string, now time.Time) bool {
	return StateAt(l, now) == fitmentv1.Listing_HELD && l.GetHold().GetHolder() == tenant
}

// Hold reserves a listing until a time and gives the hold a higher fence than
// every hold before. A holder may hold again, to have it longer or shorter:
// that is a new hold with a new fence, and the old fence no longer counts.
// Errors: LISTING_GONE, LISTING_HELD (with RetryInfo until the hold ends).
func Hold(l *fitmentv1.Listing, holder string, until, now time.Time) (*fitmentv1.Listing, error) {
	if err := gone(l); err != nil {
		return nil, err
	}
	if StateAt(l, now) == fitmentv1.Listing_HELD && l.GetHold().GetHolder() != holder {
		return nil, held(l, now)
	}
	next := clone(l)
	next.State = fitmentv1.Listing_HELD
	next.Hold = &fitmentv1.Hold{Holder: holder, Fence: l.GetHold().GetFence() + 1, ExpireTime: timestamppb.New(until)}
	next.UpdateTime = timestamppb.New(now)
	return next, nil
}

// Release gives the caller's hold back. The last hold stays in the record, so
// that the next one gets a higher fence. Errors: LISTING_GONE, HOLD_LOST.
func Release(l *fitmentv1.Listing, caller string, fence int64, now time.Time) (*fitmentv1.Listing, error) {
	if err := owned(l, caller, fence, now); err != nil {
		return nil, err
	}
	next := clone(l)
	next.State = fitmentv1.Listing_AVAILABLE
	next.UpdateTime = timestamppb.New(now)
	return next, nil
}

// Sell sells a listing to the caller who holds it. Sold is terminal. Whether
// the part may be sold at all is decided elsewhere; this only moves the state.
// Errors: LISTING_GONE, HOLD_LOST.
func Sell(l *fitmentv1.Listing, caller string, fence int64, now time.Time) (*fitmentv1.Listing, error) {
	if err := owned(l, caller, fence, now); err != nil {
		return nil, err
	}
	next := clone(l)
	next.State = fitmentv1.Listing_SOLD
	next.Buyer = caller
	next.UpdateTime = timestamppb.New(now)
	return next, nil
}

// Withdraw takes a listing off sale. A listing that somebody holds cannot be
// withdrawn until the hold ends or is given back: a hold is a promise to its
// holder. Errors: LISTING_GONE, LISTING_HELD.
func Withdraw(l *fitmentv1.Listing, now time.Time) (*fitmentv1.Listing, error) {
	if err := gone(l); err != nil {
		return nil, err
	}
	if StateAt(l, now) == fitmentv1.Listing_HELD {
		return nil, held(l, now)
	}
	next := clone(l)
	next.State = fitmentv1.Listing_WITHDRAWN
	next.UpdateTime = timestamppb.New(now)
	return next, nil
}

// Revise replaces what the yard says and keeps state, hold, buyer and times of
// listing. The record of a sold or withdrawn listing stays as it was. While a
// hold counts, price, currency, terms and jurisdiction stay as the holder saw
// them; evidence may still be added, since a sale decides again. Errors:
// LISTING_GONE, LISTING_HELD. The second result is false where nothing changes.
func Revise(old, said *fitmentv1.Listing, now time.Time) (*fitmentv1.Listing, bool, error) {
	next := Content(said)
	next.Name, next.Yard, next.StockNumber = old.GetName(), old.GetYard(), old.GetStockNumber()
	if proto.Equal(next, Content(old)) {
		return clone(old), false, nil
	}
	if err := gone(old); err != nil {
		return nil, false, err
	}
	if StateAt(old, now) == fitmentv1.Listing_HELD && !sameBargain(old, next) {
		return nil, false, held(old, now)
	}
	next.State, next.Hold, next.Buyer = old.GetState(), old.GetHold(), old.GetBuyer()
	next.CreateTime, next.UpdateTime = old.GetCreateTime(), timestamppb.New(now)
	return next, true, nil
}

func sameBargain(a, b *fitmentv1.Listing) bool {
	return a.GetPrice() == b.GetPrice() && a.GetCurrencyCode() == b.GetCurrencyCode() &&
		a.GetJurisdiction() == b.GetJurisdiction() && proto.Equal(a.GetTerms(), b.GetTerms())
}

func gone(l *fitmentv1.Listing) error {
	switch l.GetState() {
	case fitmentv1.Listing_SOLD:
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE, "%s is sold", l.GetName())
	case fitmentv1.Listing_WITHDRAWN:
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE, "%s was withdrawn by its yard", l.GetName())
	default:
		return nil
	}
}

func held(l *fitmentv1.Listing, now time.Time) error {
	return apierr.Retry(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_HELD,
		l.GetHold().GetExpireTime().AsTime().Sub(now), "%s is held until %s", l.GetName(),
		l.GetHold().GetExpireTime().AsTime().UTC().Format(time.RFC3339))
}

func owned(l *fitmentv1.Listing, caller string, fence int64, now time.Time) error {
	if err := gone(l); err != nil {
		return err
	}
	if !HeldBy(l, caller, now) || l.GetHold().GetFence() != fence {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_HOLD_LOST,
			"hold %d of %s no longer counts: it ran out, was given back or was replaced; hold the listing again", fence, l.GetName())
	}
	return nil
}
