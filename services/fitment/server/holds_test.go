package server_test

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

const fits1 = "listings/north-yard.fits-1"

func (f *fixture) hold(t *testing.T, who, name string, minutes int32) *fitmentv1.Hold {
	t.Helper()
	got, err := f.listings.HoldListing(as(t, who), &fitmentv1.HoldListingRequest{Name: name, Minutes: minutes, RequestId: newID()})
	if err != nil {
		t.Fatal(err)
	}
	return got.GetListing().GetHold()
}

func (f *fixture) sell(t *testing.T, who, name string, fence int64) error {
	t.Helper()
	_, err := f.listings.SellListing(as(t, who), &fitmentv1.SellListingRequest{Name: name, Fence: fence, Need: need(), RequestId: newID()})
	return err
}

func TestHoldReleaseSell(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	if hold.GetHolder() != "shop-a" || hold.GetFence() != 1 || !hold.GetExpireTime().AsTime().Equal(f.clock.Now().Add(time.Hour)) {
		t.Errorf("hold %v", hold)
	}
	_, err := f.listings.HoldListing(as(t, shopB), &fitmentv1.HoldListingRequest{Name: fits1, Minutes: 1, RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_HELD)
	if !hasRetryInfo(err) {
		t.Errorf("no RetryInfo: %v", err)
	}
	wantReason(t, f.sell(t, shopB, fits1, 1), fitmentv1.ErrorInfo_HOLD_LOST)
	wantReason(t, f.sell(t, northYard, fits1, 1), fitmentv1.ErrorInfo_HOLD_LOST)
	release := func(who string, fence int64) error {
		_, err := f.listings.ReleaseListing(as(t, who), &fitmentv1.ReleaseListingRequest{Name: fits1, Fence: fence, RequestId: newID()})
		return err
	}
	wantReason(t, release(shopB, 1), fitmentv1.ErrorInfo_HOLD_LOST)
	wantReason(t, release(northYard, 1), fitmentv1.ErrorInfo_HOLD_LOST)
	if err := release(shopA, 1); err != nil {
		t.Fatal(err)
	}
	if second := f.hold(t, shopB, fits1, 60); second.GetFence() != 2 {
		t.Errorf("fence %d", second.GetFence())
	}
	if err := release(admin, 2); err != nil {
		t.Errorf("an administrator releases for the holder: %v", err)
	}
	third := f.hold(t, shopA, fits1, 60)
	if err := f.sell(t, shopA, fits1, third.GetFence()); err != nil {
		t.Fatal(err)
	}
	wantReason(t, f.sell(t, shopA, fits1, third.GetFence()), fitmentv1.ErrorInfo_LISTING_GONE)
	if l := f.get(t, shopA, fits1); l.GetState() != fitmentv1.Listing_SOLD || l.GetBuyer() != "shop-a" || l.GetDonor().GetVin() != "1G4AH59H45G118341" {
		t.Errorf("sold %v", l)
	}
	if l := f.get(t, shopB, fits1); l.GetBuyer() != "" || l.GetHold() != nil {
		t.Errorf("others see %v", l)
	}
	for _, bad := range []*fitmentv1.HoldListingRequest{
		{Name: fits1, Minutes: 0, RequestId: newID()},
		{Name: fits1, Minutes: 43_201, RequestId: newID()},
		{Name: "x", Minutes: 1, RequestId: newID()},
		{Name: fits1, Minutes: 1},
	} {
		_, err := f.listings.HoldListing(as(t, shopA), bad)
		wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
	}
}

func TestAnExpiredHoldSellsNothing(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	f.clock.Advance(time.Hour)
	wantReason(t, f.sell(t, shopA, fits1, hold.GetFence()), fitmentv1.ErrorInfo_HOLD_LOST)
	next := f.hold(t, shopB, fits1, 60)
	if next.GetFence() != hold.GetFence()+1 {
		t.Errorf("fence %d after %d", next.GetFence(), hold.GetFence())
	}
	wantReason(t, f.sell(t, shopA, fits1, next.GetFence()), fitmentv1.ErrorInfo_HOLD_LOST)
	if err := f.sell(t, shopB, fits1, next.GetFence()); err != nil {
		t.Errorf("the new holder: %v", err)
	}
}

// between is a store that does something between a sale's decision and its
// write, as a paused process would let happen.
type between struct {
	store.Store

	once sync.Once
	do   func()
}

func (b *between) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	b.once.Do(b.do)
	return b.Store.Apply(ctx, changes...)
}

func (f *fixture) pausedSale(t *testing.T, fence int64, do func()) error {
	t.Helper()
	paused := serveOn(t, &between{Store: f.store, do: do}, f.clock)
	return paused.sell(t, shopA, fits1, fence)
}

func TestAPausedHolderCannotSellAfterTheEnd(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	err := f.pausedSale(t, hold.GetFence(), func() { f.clock.Advance(time.Hour) })
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	if l := f.get(t, northYard, fits1); l.GetState() != fitmentv1.Listing_AVAILABLE {
		t.Errorf("state %s", l.GetState())
	}
}

func TestARecallBetweenDecisionAndSaleStopsIt(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	err := f.pausedSale(t, hold.GetFence(), func() {
		got, err := f.importRecalls(t, admin, recallsHeader+"notice,N-1,2026-06-29,,Orbis,K-1,,inflator may rupture,invented\n")
		if err != nil || got.sum.GetCreated() != 1 {
			t.Errorf("import: %v, %v", got, err)
		}
	})
	wantReason(t, err, fitmentv1.ErrorInfo_GATE_SHUT)
	if l := f.get(t, northYard, fits1); l.GetState() != fitmentv1.Listing_HELD {
		t.Errorf("state %s", l.GetState())
	}
	// Control: another write in between does not stop a sale.
	if err := f.pausedSaleOf(t, "listings/north-yard.fits-3"); err != nil {
		t.Errorf("a harmless change in between: %v", err)
	}
}

func (f *fixture) pausedSaleOf(t *testing.T, name string) error {
	t.Helper()
	hold := f.hold(t, shopA, name, 60)
	paused := serveOn(t, &between{Store: f.store, do: func() {
		if got, err := f.importParts(t, admin, "maker,number,kind,positions\nOrbis,Z-9,buckle pretensioner,1 LEFT\n"); err != nil || got.sum.GetCreated() != 1 {
			t.Errorf("import: %v, %v", got, err)
		}
	}}, f.clock)
	return paused.sell(t, shopA, name, hold.GetFence())
}

func TestTheGate(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	for name, why := range map[string]string{
		"claimed": "the label is only claimed", "deployed": "it deployed", "other-car": "it is for another car", "wrong-number": "wrong number",
	} {
		full := "listings/north-yard." + name
		hold := f.hold(t, shopA, full, 60)
		err := f.sell(t, shopA, full, hold.GetFence())
		if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_GATE_SHUT || status.Code(err) != codes.FailedPrecondition {
			t.Errorf("%s (%s): %v", name, why, err)
		}
		if l := f.get(t, northYard, full); l.GetState() != fitmentv1.Listing_HELD {
			t.Errorf("%s: state %s", name, l.GetState())
		}
	}
	hold := f.hold(t, shopA, fits1, 43_200)
	f.clock.Advance(25 * 24 * time.Hour) // the recall coverage is now 35 days old
	wantReason(t, f.sell(t, shopA, fits1, hold.GetFence()), fitmentv1.ErrorInfo_GATE_SHUT)
	_, err := f.listings.SellListing(as(t, shopA), &fitmentv1.SellListingRequest{Name: fits1, Fence: hold.GetFence(), RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
}

// TestManyHoldOneWins lets many businesses race for one listing.
func TestManyHoldOneWins(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	var won atomic.Int32
	var wait sync.WaitGroup
	for i := range 64 {
		wait.Go(func() {
			ctx := directly(t.Context(), fmt.Sprintf("shop-%d shop", i))
			_, err := f.HoldListing(ctx, &fitmentv1.HoldListingRequest{Name: fits1, Minutes: 60, RequestId: newID()})
			switch {
			case err == nil:
				won.Add(1)
			case apierr.ReasonOf(err) != fitmentv1.ErrorInfo_LISTING_HELD:
				t.Errorf("loser %d: %v", i, err)
			}
		})
	}
	wait.Wait()
	if won.Load() != 1 {
		t.Errorf("%d winners", won.Load())
	}
}

// TestManySellOnce lets one holder try to buy one listing many times at once,
// while he repeats one request too.
func TestManySellOnce(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	repeated := newID()
	var sold, repeats atomic.Int32
	var wait sync.WaitGroup
	for i := range 48 {
		wait.Go(func() {
			id := newID()
			if i%2 == 0 {
				id = repeated
			}
			_, err := f.SellListing(directly(t.Context(), shopA), &fitmentv1.SellListingRequest{Name: fits1, Fence: hold.GetFence(), Need: need(), RequestId: id})
			switch {
			case err == nil && id == repeated:
				repeats.Add(1)
			case err == nil:
				sold.Add(1)
			case apierr.ReasonOf(err) != fitmentv1.ErrorInfo_LISTING_GONE:
				t.Errorf("%d: %v", i, err)
			}
		})
	}
	wait.Wait()
	// Either the repeated request won, and then all its repeats answer so, or one
	// of the others did.
	if n, r := sold.Load(), repeats.Load(); (n != 1 || r != 0) && (n != 0 || r != 24) {
		t.Errorf("%d sales and %d repeats", n, r)
	}
}

// TestSalesOfDifferentListingsAllGoThrough: expecting the catalogue's head must
// not make sales fail each other.
func TestSalesOfDifferentListingsAllGoThrough(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	var wait sync.WaitGroup
	for _, stock := range []string{"fits-1", "fits-2", "fits-3"} {
		name := "listings/north-yard." + stock
		hold := f.hold(t, shopA, name, 60)
		wait.Go(func() {
			_, err := f.SellListing(directly(t.Context(), shopA), &fitmentv1.SellListingRequest{Name: name, Fence: hold.GetFence(), Need: need(), RequestId: newID()})
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
	wait.Wait()
}
