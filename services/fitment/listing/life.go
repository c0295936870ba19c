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
	l.ReturnReport = nil
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
// every hold before. Fence 0 asks for a hold where there is none. A holder who
// has a hold already names its fence, to have it longer or shorter: that is a
// new hold with a new fence, and the old fence no longer counts. Without the
// fence he is refused like anybody else, since the hold may be another
// purchase's of the same business. Errors: LISTING_GONE, LISTING_HELD (with
// RetryInfo until the hold ends), HOLD_LOST where a fence is named and there is
// no hold any more.
func Hold(l *fitmentv1.Listing, holder string, fence int64, until, now time.Time) (*fitmentv1.Listing, error) {
	if err := gone(l); err != nil {
		return nil, err
	}
	switch {
	case StateAt(l, now) != fitmentv1.Listing_HELD:
		if fence != 0 {
			return nil, lost(l, fence)
		}
	case l.GetHold().GetHolder() != holder:
		return nil, held(l, now)
	case l.GetHold().GetFence() != fence:
		return nil, heldByOwn(l, now)
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
	if err := closed(l); err != nil {
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
// hold counts, the part and the bargain stay as the holder saw them: kind,
// position, maker, number, donor, price, currency, terms, jurisdiction and every
// statement of evidence. Evidence may be added, since a sale decides again, and
// the note may change. What buyers saw of a part that came back stays whatever the
// yard says, and what a failed check left in doubt is proven only by what was seen
// since. Errors: LISTING_GONE, LISTING_HELD. The second result is false where
// nothing changes.
func Revise(old, said *fitmentv1.Listing, now time.Time) (*fitmentv1.Listing, bool, error) {
	next := Content(said)
	next.Name, next.Yard, next.StockNumber = old.GetName(), old.GetYard(), old.GetStockNumber()
	next.ReturnReport = proto.CloneOf(old.GetReturnReport())
	keepDoubted(next, old)
	keepReported(next, old)
	if proto.Equal(next, Content(old)) {
		return clone(old), false, nil
	}
	if err := closed(old); err != nil {
		return nil, false, err
	}
	if StateAt(old, now) == fitmentv1.Listing_HELD && (!samePart(old, next) || !sameBargain(old, next)) {
		return nil, false, held(old, now)
	}
	next.State, next.Hold, next.Buyer = old.GetState(), old.GetHold(), old.GetBuyer()
	next.ReturnOf, next.ReturnedAs = old.GetReturnOf(), old.GetReturnedAs()
	next.CreateTime, next.UpdateTime = old.GetCreateTime(), timestamppb.New(now)
	return next, true, nil
}

// KeepCost is what somebody says of a listing who is not told what the part cost:
// where he says nothing of it, the cost that is stored stays.
func KeepCost(said, stored *fitmentv1.Listing) *fitmentv1.Listing {
	if said.GetCostNote() != nil || stored.GetCostNote() == nil {
		return said
	}
	whole := clone(said)
	whole.CostNote = proto.CloneOf(stored.GetCostNote())
	return whole
}

// samePart tells whether what the yard says is about the part that it was about
// before, with nothing taken back.
func samePart(old, next *fitmentv1.Listing) bool {
	return old.GetKind() == next.GetKind() && proto.Equal(old.GetPosition(), next.GetPosition()) &&
		old.GetPartMaker() == next.GetPartMaker() && old.GetPartNumber() == next.GetPartNumber() &&
		proto.Equal(old.GetDonor(), next.GetDonor()) && contains(next.GetEvidence(), old.GetEvidence())
}

// contains tells whether every old statement is still there, in order. New ones
// may stand between them: a file's statements stand in the order of its columns,
// whenever they were added.
func contains(next, old []*fitmentv1.Evidence) bool {
	for _, e := range next {
		if len(old) > 0 && proto.Equal(old[0], e) {
			old = old[1:]
		}
	}
	return len(old) == 0
}

func sameBargain(a, b *fitmentv1.Listing) bool {
	return a.GetPrice() == b.GetPrice() && a.GetCurrencyCode() == b.GetCurrencyCode() &&
		a.GetJurisdiction() == b.GetJurisdiction() && proto.Equal(a.GetTerms(), b.GetTerms())
}

// OnSale is nil where the listing is neither sold nor withdrawn nor on its way
// back; LISTING_GONE.
func OnSale(l *fitmentv1.Listing) error { return gone(l) }

func gone(l *fitmentv1.Listing) error {
	if l.GetState() == fitmentv1.Listing_RETURNING {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE, "%s is on its way back to its yard, which has to list it again", l.GetName())
	}
	return closed(l)
}

// closed refuses what nothing can become of any more.
func closed(l *fitmentv1.Listing) error {
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

func heldByOwn(l *fitmentv1.Listing, now time.Time) error {
	end := l.GetHold().GetExpireTime().AsTime()
	return apierr.Retry(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_HELD, end.Sub(now),
		"%s is held by your own business until %s under fence %d; to extend that hold, name its fence",
		l.GetName(), end.UTC().Format(time.RFC3339), l.GetHold().GetFence())
}

func owned(l *fitmentv1.Listing, caller string, fence int64, now time.Time) error {
	if err := gone(l); err != nil {
		return err
	}
	if !HeldBy(l, caller, now) || l.GetHold().GetFence() != fence {
		return lost(l, fence)
	}
	return nil
}

func lost(l *fitmentv1.Listing, fence int64) error {
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_HOLD_LOST,
		"hold %d of %s no longer counts: it ran out, was given back or was replaced; hold the listing again", fence, l.GetName())
}
