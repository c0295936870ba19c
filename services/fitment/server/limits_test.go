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
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

func (f *fixture) tryHold(t *testing.T, who string, req *fitmentv1.HoldListingRequest) (*fitmentv1.Hold, error) {
	t.Helper()
	if req.GetRequestId() == "" {
		req.RequestId = newID()
	}
	if req.GetMinutes() == 0 {
		req.Minutes = 60
	}
	got, err := f.listings.HoldListing(as(t, who), req)
	return got.GetListing().GetHold(), err
}

func atMost(holds int) func(*server.Options) {
	return func(opts *server.Options) { opts.MaxHolds = holds }
}

func fits(i int) string { return fmt.Sprintf("listings/north-yard.fits-%d", i) }

func TestABusinessHoldsSoManyAtMost(t *testing.T) {
	t.Parallel()
	plain := start(t)
	plain.stock(t)
	f := serveOn(t, plain.store, plain.clock, atMost(2))
	first := &fitmentv1.HoldListingRequest{Name: fits(1), RequestId: newID()}
	hold, err := f.tryHold(t, shopA, first)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.tryHold(t, shopA, &fitmentv1.HoldListingRequest{Name: fits(2), Minutes: 30}); err != nil {
		t.Fatal(err)
	}
	third := func(who string) error {
		_, err := f.tryHold(t, who, &fitmentv1.HoldListingRequest{Name: fits(3)})
		return err
	}
	refused := third(shopA)
	wantReason(t, refused, fitmentv1.ErrorInfo_LIMIT_REACHED)
	if status.Code(refused) != codes.FailedPrecondition {
		t.Errorf("code %s", status.Code(refused))
	}
	if again, err := f.tryHold(t, shopA, first); err != nil || !proto.Equal(again, hold) {
		t.Errorf("a repeat at the limit: %v, %v", again, err)
	}
	longer, err := f.tryHold(t, shopA, &fitmentv1.HoldListingRequest{Name: fits(1), Minutes: 90, Fence: hold.GetFence()})
	if err != nil || longer.GetFence() != hold.GetFence()+1 {
		t.Errorf("extending at the limit: %v, %v", longer, err)
	}
	if err := third(shopB); err != nil {
		t.Errorf("another business: %v", err)
	}
	if _, err := f.listings.ReleaseListing(as(t, shopB), &fitmentv1.ReleaseListingRequest{Name: fits(3), Fence: 1, RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	wantReason(t, third(shopA), fitmentv1.ErrorInfo_LIMIT_REACHED)
	f.clock.Advance(30 * time.Minute)
	if err := third(shopA); err != nil {
		t.Errorf("once one has run out: %v", err)
	}
	_, err = f.tryHold(t, shopA, &fitmentv1.HoldListingRequest{Name: fits(2)})
	wantReason(t, err, fitmentv1.ErrorInfo_LIMIT_REACHED)
	if err := f.sell(t, shopA, fits(1), longer.GetFence()); err != nil {
		t.Fatal(err)
	}
	if _, err := f.tryHold(t, shopA, &fitmentv1.HoldListingRequest{Name: fits(2)}); err != nil {
		t.Errorf("once one is sold: %v", err)
	}
	if _, err := server.New(server.Options{Store: f.store, Files: f.files, MaxHolds: -1}); err == nil {
		t.Error("a limit below 0 was taken")
	}
}

// TestTheLimitIsExactUnderConcurrency: holds that are asked for at once count
// each other.
func TestTheLimitIsExactUnderConcurrency(t *testing.T) {
	t.Parallel()
	plain := start(t)
	const stock, most = 24, 5
	for i := range stock {
		plain.create(t, northYard, plainListing(i))
	}
	f := serveOn(t, plain.store, plain.clock, atMost(most))
	var held atomic.Int32
	var wait sync.WaitGroup
	for i := range stock {
		wait.Go(func() {
			_, err := f.HoldListing(directly(t.Context(), shopA), &fitmentv1.HoldListingRequest{
				Name: listing.Name("north-yard", fmt.Sprintf("many-%d", i)), Minutes: 60, RequestId: newID(),
			})
			switch {
			case err == nil:
				held.Add(1)
			case apierr.ReasonOf(err) != fitmentv1.ErrorInfo_LIMIT_REACHED:
				t.Error(err)
			}
		})
	}
	wait.Wait()
	if held.Load() != most {
		t.Errorf("%d holds, want %d", held.Load(), most)
	}
}

func plainListing(i int) *fitmentv1.Listing { return plain(fmt.Sprintf("many-%d", i)) }

// TestAHoldIsNotReplacedByAnotherOfTheSameBusiness: the earlier purchase keeps
// its fence.
func TestAHoldIsNotReplacedByAnotherOfTheSameBusiness(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	for _, fence := range []int64{0, hold.GetFence() + 1} {
		_, err := f.tryHold(t, shopA, &fitmentv1.HoldListingRequest{Name: fits1, Fence: fence})
		wantReason(t, err, fitmentv1.ErrorInfo_LISTING_HELD)
		if status.Code(err) != codes.FailedPrecondition || !hasRetryInfo(err) {
			t.Errorf("fence %d: %v", fence, err)
		}
	}
	_, err := f.tryHold(t, shopA, &fitmentv1.HoldListingRequest{Name: fits1, Fence: -1})
	wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
	_, err = f.tryHold(t, shopA, &fitmentv1.HoldListingRequest{Name: fits(2), Fence: 1})
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	if err := f.sell(t, shopA, fits1, hold.GetFence()); err != nil {
		t.Errorf("the first hold: %v", err)
	}
}

// shortFeed is a store that answers few changes at a time, as one that bounds an
// answer's bytes does where records are large.
type shortFeed struct{ store.Store }

func (s shortFeed) Changes(ctx context.Context, after int64, limit int) ([]store.Record, error) {
	return s.Store.Changes(ctx, after, min(limit, 2))
}

func TestNoSalePastARecallBehindAShortAnswer(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	got, err := f.importRecalls(t, admin, recallsHeader+"notice,N-1,2026-06-29,,Orbis,K-1,,inflator may rupture,invented\n")
	if err != nil || got.sum.GetCreated() != 1 {
		t.Fatalf("import: %v, %v", got, err)
	}
	other := serveOn(t, shortFeed{f.store}, f.clock)
	wantReason(t, other.sell(t, shopA, fits1, hold.GetFence()), fitmentv1.ErrorInfo_GATE_SHUT)
}

// reading is a store that does something just before a listing is read.
type reading struct {
	store.Store

	once sync.Once
	do   func()
}

func (r *reading) Get(ctx context.Context, key store.Key) (store.Record, error) {
	if key.Kind == listing.Kind {
		r.once.Do(r.do)
	}
	return r.Store.Get(ctx, key)
}

// TestAListingIsNotDecidedByAnOlderCatalogue: what was imported before the
// listing was read counts.
func TestAListingIsNotDecidedByAnOlderCatalogue(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	paused := serveOn(t, &reading{Store: f.store, do: func() {
		got, err := f.importRecalls(t, admin, recallsHeader+"notice,N-1,2026-06-29,,Orbis,K-1,,inflator may rupture,invented\n")
		if err != nil || got.sum.GetCreated() != 1 {
			t.Errorf("import: %v, %v", got, err)
		}
	}}, f.clock)
	answer, err := paused.decisions.Decide(as(t, shopA), &fitmentv1.DecideRequest{Need: need(), ListingName: fits1})
	if err != nil || answer.GetDecision().GetVerdict() != fitmentv1.Decision_BARRED {
		t.Errorf("decided %s, %v", answer.GetDecision().GetVerdict(), err)
	}
}
