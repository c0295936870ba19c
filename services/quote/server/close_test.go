package server_test

import (
	"errors"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

func TestAcceptBuysTheHeldListing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	q := w.prepare()
	w.clock.Advance(time.Hour)
	r := &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()}
	answer, err := w.AcceptQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	got := answer.GetQuote()
	if got.GetState() != quotev1.Quote_ACCEPTED || !got.GetCloseTime().AsTime().Equal(w.clock.Now()) || got.GetEtag() == q.GetEtag() {
		t.Errorf("accepted %v", got)
	}
	if l := w.fake.listing(name); l.GetState() != fitmentv1.Listing_SOLD || l.GetBuyer() != "shop-a" {
		t.Errorf("listing %s, buyer %s", l.GetState(), l.GetBuyer())
	}
	if diff := cmp.Diff(got, w.get(q.GetName()), protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	unchanged := func(x *quotev1.Quote) *quotev1.Quote {
		x.State, x.CloseTime, x.Etag = 0, nil, ""
		return x
	}
	again, err := w.AcceptQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(answer, again, protocmp.Transform()); diff != "" {
		t.Errorf("the repeat answers otherwise:\n%s", diff)
	}
	if diff := cmp.Diff(unchanged(q), unchanged(got), protocmp.Transform()); diff != "" {
		t.Errorf("accepting changed what was quoted:\n%s", diff)
	}
	_, err = w.accept(q)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED)
	_, err = w.decline(q)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED)
}

func TestDeclineGivesTheHoldBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	q := w.prepare()
	r := &quotev1.DeclineQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()}
	answer, err := w.DeclineQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	if answer.GetQuote().GetState() != quotev1.Quote_DECLINED || w.fake.listing(name).GetState() != fitmentv1.Listing_AVAILABLE {
		t.Errorf("quote %s, listing %s", answer.GetQuote().GetState(), w.fake.listing(name).GetState())
	}
	again, err := w.DeclineQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(answer, again, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	_, err = w.accept(q)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED)
	if next := w.prepare(); next.GetHeldListing() != name || next.GetNumber() != "Q-2026-000002" {
		t.Errorf("the next quote %s holds %q", next.GetNumber(), next.GetHeldListing())
	}
}

func TestTimeRunsOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	q := w.prepare()
	w.clock.Advance(72*time.Hour - time.Nanosecond)
	if got := w.get(q.GetName()).GetState(); got != quotev1.Quote_OPEN {
		t.Errorf("just before its end the quote is %s", got)
	}
	w.clock.Advance(time.Nanosecond)
	if got := w.get(q.GetName()).GetState(); got != quotev1.Quote_EXPIRED {
		t.Errorf("at its end the quote is %s", got)
	}
	_, err := w.accept(q)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_EXPIRED)
	if got := w.fake.listing(name).GetState(); got != fitmentv1.Listing_AVAILABLE {
		t.Errorf("the listing is %s", got)
	}
	if next := w.prepare(); next.GetHeldListing() != name {
		t.Errorf("the next quote holds %q", next.GetHeldListing())
	}
	if got, err := w.decline(q); err != nil || got.GetState() != quotev1.Quote_DECLINED {
		t.Errorf("declining a quote whose hold ran out: %v, %v", got.GetState(), err)
	}
	if got := w.fake.listing(name); got.GetState() != fitmentv1.Listing_HELD || got.GetHold().GetFence() != 4 {
		t.Errorf("declining the old quote touched the new one's hold: %v", got)
	}
}

func TestAShutGateLeavesTheQuoteOpen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	q := w.prepare()
	w.fake.set(func() { w.fake.donors[name].Decision = decision(yes, no) })
	_, err := w.accept(q)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT)
	if got := w.get(q.GetName()).GetState(); got != quotev1.Quote_OPEN {
		t.Errorf("the quote is %s", got)
	}
	w.fake.set(func() { w.fake.donors[name].Decision = decision(yes, yes) })
	if got, err := w.accept(q); err != nil || got.GetState() != quotev1.Quote_ACCEPTED {
		t.Errorf("after the gate opened again: %s, %v", got.GetState(), err)
	}
}

// terms imports the offer again with other terms.
func terms(alter func(*quotev1.Offer)) func(*world) {
	return func(w *world) { w.offer("r", quotev1.Offer_REMANUFACTURED, 100_00, alter) }
}

func TestAcceptingAnOfferProvesItAgain(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		spoil  func(w *world)
		code   codes.Code
		reason fitmentv1.ErrorInfo_Reason
	}{
		"as it was":           {func(*world) {}, codes.OK, 0},
		"recalled":            {func(w *world) { w.match("NB40118", yes, no) }, codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT},
		"recall unknown":      {func(w *world) { w.match("NB40118", yes, unknown) }, codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT},
		"application unknown": {func(w *world) { w.match("NB40118", unknown, yes) }, codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT},
		"not named any more":  {func(w *world) { w.match("OTHER", yes, yes) }, codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT},
		"garbage":             {func(w *world) { w.match("NB40118", 0, yes) }, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"cannot be delivered": {func(w *world) {
			w.offer("r", quotev1.Offer_REMANUFACTURED, 1, func(o *quotev1.Offer) { o.Available = false })
		}, codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"another part now": {func(w *world) {
			w.offer("r", quotev1.Offer_REMANUFACTURED, 1, func(o *quotev1.Offer) { o.PartNumber = "OTHER" })
		}, codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"dearer now":     {terms(func(o *quotev1.Offer) { o.Price++ }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"cheaper now":    {terms(func(o *quotev1.Offer) { o.Price-- }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"other freight":  {terms(func(o *quotev1.Offer) { o.Freight = 1 }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"other handling": {terms(func(o *quotev1.Offer) { o.Handling = 1 }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"other deposit":  {terms(func(o *quotev1.Offer) { o.CoreDeposit = 1 }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"other return":   {terms(func(o *quotev1.Offer) { o.ReturnFreight = 1 }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"restocking":     {terms(func(o *quotev1.Offer) { o.RestockingBasisPoints = 10_00 }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"later":          {terms(func(o *quotev1.Offer) { o.Days++ }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"other currency": {terms(func(o *quotev1.Offer) { o.CurrencyCode = "EUR" }), codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE},
		"price ended":    {terms(func(o *quotev1.Offer) { o.ValidUntil = "2026-03-09" }), codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_EXPIRED},
		"price ends":     {terms(func(o *quotev1.Offer) { o.ValidUntil = "2026-03-10" }), codes.OK, 0},
		"expired":        {func(w *world) { w.clock.Advance(72 * time.Hour) }, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_EXPIRED},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.match("NB40118", yes, yes)
			w.offer("r", quotev1.Offer_REMANUFACTURED, 100_00)
			q := w.prepare()
			test.spoil(w)
			_, err := w.accept(q)
			refused(t, err, test.code, test.reason)
			if want := test.code == codes.OK; (w.get(q.GetName()).GetState() == quotev1.Quote_ACCEPTED) != want {
				t.Errorf("the quote is %s", w.get(q.GetName()).GetState())
			}
		})
	}
}

func TestALostHoldCannotBeAccepted(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	q := w.prepare()
	w.fake.set(func() { w.fake.holdFor(w.fake.donors[name].GetListing(), "shop-z", time.Hour) })
	_, err := w.accept(q)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_HOLD_LOST)
	w.fake.set(func() {
		w.fake.donors[name].Listing.State, w.fake.donors[name].Listing.Buyer = fitmentv1.Listing_SOLD, "shop-z"
	})
	_, err = w.accept(q)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE)
	if got, err := w.decline(q); err != nil || got.GetState() != quotev1.Quote_DECLINED {
		t.Errorf("declining: %s, %v", got.GetState(), err)
	}
}

// The sale succeeded and the acceptance was not stored: whoever repeats the
// acceptance completes it, even after the quote's time; nobody can decline.
func TestAHalfDoneAcceptanceIsCompleted(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		later time.Duration
		same  bool
	}{
		"same request":              {time.Minute, true},
		"another request":           {time.Minute, false},
		"same request, too late":    {100 * time.Hour, true},
		"another request, too late": {100 * time.Hour, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			listing := w.list("yard-a", "1", 100_00)
			q := w.prepare()
			w.store.failWith(func(changes []store.Change) (bool, error) {
				if isQuote(changes) {
					return true, errors.New("the disk is gone")
				}
				return false, nil
			})
			r := &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()}
			_, err := w.AcceptQuote(as(t, "shop-a"), r)
			refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
			if got := w.fake.listing(listing).GetState(); got != fitmentv1.Listing_SOLD {
				t.Fatalf("the listing is %s", got)
			}
			w.store.failWith(nil)
			w.clock.Advance(test.later)
			_, err = w.decline(q)
			refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED)
			if !test.same {
				r.RequestId = uuid.NewString()
			}
			answer, err := w.AcceptQuote(as(t, "shop-a"), r)
			if err != nil || answer.GetQuote().GetState() != quotev1.Quote_ACCEPTED {
				t.Errorf("repeated: %v, %v", answer.GetQuote().GetState(), err)
			}
		})
	}
}

func TestASaleWhoseAnswerIsLostIsCompleted(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	q := w.prepare()
	w.fake.set(func() {
		w.fake.after["SellListing"] = func(string) error { return status.Error(codes.Unavailable, "connection reset") }
	})
	_, err := w.accept(q)
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	w.fake.set(func() { delete(w.fake.after, "SellListing") })
	if got, err := w.accept(q); err != nil || got.GetState() != quotev1.Quote_ACCEPTED {
		t.Errorf("repeated: %s, %v", got.GetState(), err)
	}
}

// The business sells itself the held listing for another need, without the quote:
// that is no sale of the quote's, for whose need nobody decided it again.
func TestASaleForAnotherNeedIsNoAcceptance(t *testing.T) {
	t.Parallel()
	for name, later := range map[string]time.Duration{"in time": 0, "too late": 100 * time.Hour} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			listing := w.list("yard-a", "1", 100_00)
			q := w.prepare()
			other := need()
			other.Vehicle.Model = "Merlin"
			if _, err := w.fake.SellListing(t.Context(), &fitmentv1.SellListingRequest{
				Name: listing, Fence: q.GetHold().GetFence(), Need: other, RequestId: uuid.NewString(),
			}); err != nil {
				t.Fatal(err)
			}
			w.clock.Advance(later)
			_, err := w.accept(q)
			want := fitmentv1.ErrorInfo_LISTING_GONE
			if later > 0 {
				want = fitmentv1.ErrorInfo_QUOTE_EXPIRED
			}
			refused(t, err, codes.FailedPrecondition, want)
			if got, err := w.decline(q); err != nil || got.GetState() != quotev1.Quote_DECLINED {
				t.Errorf("declining: %s, %v", got.GetState(), err)
			}
		})
	}
}

func TestGarbageFromASaleIsNoSale(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	q := w.prepare()
	w.fake.set(func() {
		w.fake.before["SellListing"] = func(string) error { return nil }
		w.fake.after["SellListing"] = func(string) error {
			for _, l := range w.fake.answers {
				l.State = fitmentv1.Listing_AVAILABLE
			}
			return nil
		}
	})
	_, err := w.accept(q)
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	if got := w.get(q.GetName()).GetState(); got != quotev1.Quote_OPEN {
		t.Errorf("the quote is %s", got)
	}
}

func TestClosingWithoutTheFitmentService(t *testing.T) {
	t.Parallel()
	w := newWorldWith(t, 500*time.Millisecond)
	w.list("yard-a", "1", 100_00)
	q := w.prepare()
	w.fake.set(func() { w.fake.hang = true })
	_, err := w.accept(q)
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	_, err = w.decline(q)
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	if got := w.get(q.GetName()).GetState(); got != quotev1.Quote_OPEN {
		t.Errorf("the quote is %s", got)
	}
}

// Of many calls that close a quote at once exactly one closes it, and the
// listing is sold if and only if the quote was accepted.
func TestRacesToCloseAQuote(t *testing.T) {
	t.Parallel()
	for name, setup := range map[string]func(w *world) string{
		"listing": func(w *world) string { return w.list("yard-a", "1", 100_00) },
		"offer": func(w *world) string {
			w.match("NB40118", yes, yes)
			w.offer("r", quotev1.Offer_REMANUFACTURED, 100_00)
			return ""
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			for range 10 {
				listing := setup(w)
				q := w.prepare()
				states := make([]quotev1.Quote_State, 6)
				var all sync.WaitGroup
				for i := range states {
					all.Go(func() {
						closeIt := w.accept
						if i%2 == 1 {
							closeIt = w.decline
						}
						got, err := closeIt(q)
						if err == nil {
							states[i] = got.GetState()
						} else if reason := apierr.ReasonOf(err); reason != fitmentv1.ErrorInfo_QUOTE_CLOSED && reason != fitmentv1.ErrorInfo_HOLD_LOST {
							t.Errorf("closing: %v", err)
						}
					})
				}
				all.Wait()
				winners := slices.DeleteFunc(states, func(s quotev1.Quote_State) bool { return s == 0 })
				end := w.get(q.GetName()).GetState()
				if len(winners) != 1 || winners[0] != end {
					t.Fatalf("%v closed the quote, which is %s", winners, end)
				}
				if listing != "" {
					sold := w.fake.listing(listing).GetState() == fitmentv1.Listing_SOLD
					if sold != (end == quotev1.Quote_ACCEPTED) {
						t.Fatalf("sold %t, quote %s", sold, end)
					}
				}
			}
		})
	}
}

func TestQuotesBelongToTheirBusiness(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	q := w.prepare()
	other := as(t, "shop-b")
	_, err := w.GetQuote(other, &quotev1.GetQuoteRequest{Name: q.GetName()})
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
	_, err = w.AcceptQuote(other, &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()})
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
	_, err = w.DeclineQuote(other, &quotev1.DeclineQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()})
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
	list, err := w.ListQuotes(other, &quotev1.ListQuotesRequest{})
	if err != nil || len(list.GetQuotes()) != 0 {
		t.Errorf("shop-b sees %v, %v", list, err)
	}
	for _, name := range []string{"", "quotes/", "quotes/a:b", "offers/x.y", "quotes/a/b"} {
		_, err := w.GetQuote(as(t, "shop-a"), &quotev1.GetQuoteRequest{Name: name})
		refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	}
	_, err = w.AcceptQuote(as(t, "shop-a"), &quotev1.AcceptQuoteRequest{Name: q.GetName()})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
}
