package server_test

import (
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/server"
	"beltwright.example/services/store/quota"
)

// A quote more than a business may keep holds nothing: what was held for it is given
// back, and those that are there go on.
func TestAQuoteBeyondTheQuotaHoldsNothing(t *testing.T) {
	t.Parallel()
	kinds := server.Counted()
	for i := range kinds {
		if kinds[i].Kind == "quote" {
			kinds[i].Limit = 2
		}
	}
	var counted *quota.Store
	w := newWorldWith(t, 0, func(o *server.Options) {
		var err error
		if counted, err = quota.Open(t.Context(), o.Store, kinds, nil); err != nil {
			t.Fatal(err)
		}
		o.Store = counted
	})
	for _, stock := range []string{"K-1", "K-2", "K-3"} {
		w.list("kettlewick", stock, 180_00)
	}
	first := w.prepare()
	w.prepare()
	_, err := w.PrepareQuote(as(t, "shop-a"), request())
	if status.Code(err) != codes.FailedPrecondition || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_QUOTA_REACHED {
		t.Fatalf("a third quote: %v", err)
	}
	if got := counted.Count("shop-a", "quote"); got != 2 {
		t.Errorf("%d quotes are counted", got)
	}
	held := 0
	w.fake.set(func() {
		for _, donor := range w.fake.donors {
			if donor.GetListing().GetState() == fitmentv1.Listing_HELD {
				held++
			}
		}
	})
	if held != 2 {
		t.Errorf("%d listings are held, want those of the two quotes", held)
	}
	if _, err := w.acceptLines(first); err != nil {
		t.Errorf("accepting one that is there: %v", err)
	}
}
