package server_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

func TestPrepareHoldsNumbersAndStores(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first := w.list("yard-a", "1", 100_00)
	w.list("yard-b", "1", 200_00)
	unproven := w.listDecided("yard-c", "1", 1, decision(unknown, yes))
	w.match("NB40118", yes, yes)
	fresh := w.offer("new", quotev1.Offer_NEW, 600_00)
	r := request()
	r.TaxPercent, r.DayCost, r.Reference = "7.25", 5_00, "order 7"
	r.Labour = &quotev1.Labour{FitMinutes: 60, CheckMinutes: 15, HourlyRate: 120_00}
	answer, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	q := answer.GetQuote()
	if q.GetName() != "quotes/Q-2026-000001" || q.GetNumber() != "Q-2026-000001" || q.GetState() != quotev1.Quote_OPEN {
		t.Errorf("name %s, number %s, state %s", q.GetName(), q.GetNumber(), q.GetState())
	}
	if q.GetHeldListing() != first || q.GetHold().GetHolder() != "shop-a" || q.GetHold().GetFence() != 2 {
		t.Errorf("holds %s by %v", q.GetHeldListing(), q.GetHold())
	}
	if want := w.clock.Now().Add(72 * time.Hour); !q.GetValidUntil().AsTime().Equal(want) || !q.GetHold().GetExpireTime().AsTime().Equal(want) {
		t.Errorf("valid until %s, hold until %s, want %s", q.GetValidUntil().AsTime(), q.GetHold().GetExpireTime().AsTime(), want)
	}
	if got := w.fake.listing(first); got.GetState() != fitmentv1.Listing_HELD {
		t.Errorf("the listing is %s", got.GetState())
	}
	if diff := cmp.Diff([]string{first, "listings/yard-b.1"}, q.GetPlan().GetOrder()); diff != "" {
		t.Error(diff)
	}
	if got := q.GetOptions()[2]; got.GetSource() != fresh || !got.GetFallback() {
		t.Errorf("third option %v", got)
	}
	if len(q.GetExcluded()) != 1 || q.GetExcluded()[0].GetSource() != unproven || q.GetExcluded()[0].GetReason() != "is not proven yet: a, fit: fit reason" {
		t.Errorf("excluded %v", q.GetExcluded())
	}
	if q.GetTaxPercent() != "7.25" || q.GetReference() != "order 7" || q.GetFitmentRevision() != "d-fake" || q.GetEtag() == "" || answer.GetRevision() == "" {
		t.Errorf("quote %v, revision %q", q, answer.GetRevision())
	}
	if diff := cmp.Diff(q, w.get(q.GetName()), protocmp.Transform()); diff != "" {
		t.Errorf("stored (-prepared +stored):\n%s", diff)
	}
}

func TestPrepareIsSafeToRepeat(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	r := request()
	first, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	again, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first, again, protocmp.Transform()); diff != "" {
		t.Errorf("the repeat answers otherwise:\n%s", diff)
	}
	other := proto.CloneOf(r)
	other.DayCost = 1
	_, err = w.PrepareQuote(as(t, "shop-a"), other)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	// another business may use the same id
	w.list("yard-a", "2", 100_00)
	w.fake.set(func() { w.fake.tenant = "shop-b" })
	if _, err := w.PrepareQuote(as(t, "shop-b"), r); err != nil {
		t.Error(err)
	}
}

func TestDryRunStoresNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	before, err := w.store.Place(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	r := request()
	r.DryRun, r.RequestId = true, ""
	answer, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	q := answer.GetQuote()
	if q.GetState() != quotev1.Quote_DRY_RUN || q.GetNumber() != "" || q.GetHold() != nil || q.GetHeldListing() != "" || len(q.GetOptions()) != 1 || answer.GetRevision() != "" {
		t.Errorf("answer %v", answer)
	}
	after, err := w.store.Place(t.Context())
	if err != nil || after != before {
		t.Errorf("the store went from %v to %v, %v", before, after, err)
	}
	if n := w.fake.count("HoldListing"); n != 0 {
		t.Errorf("%d holds", n)
	}
}

// TestNearestOfWhatIsKeptOut: where nothing may be bought, a near miss is told of
// rather than a part that does not fit, whatever their names.
func TestNearestOfWhatIsKeptOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	other := decision(no, yes)
	other.Findings[0].Remedy = "proof that the label is wrong"
	w.listDecided("yard-a", "0", 1, other)
	name := w.listDecided("yard-a", "1", 1, decision(yes, unknown))
	_, err := w.PrepareQuote(as(t, "shop-a"), request())
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY)
	if text := status.Convert(err).Message(); !strings.Contains(text, name+" is not proven yet") || strings.Contains(text, "yard-a.0") {
		t.Errorf("got %q", text)
	}
}

// TestTheRealReasonIsTold: what fits and is kept out for its currency is told of
// rather than what is not proven.
func TestTheRealReasonIsTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.listDecided("yard-a", "0", 1, decision(yes, unknown))
	name := w.listDecided("yard-a", "1", 1, decision(yes, yes))
	r := request()
	r.CurrencyCode = "EUR"
	_, err := w.PrepareQuote(as(t, "shop-a"), r)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY)
	if text := status.Convert(err).Message(); !strings.Contains(text, name+" is priced in USD, not in EUR; what would admit it: a price in EUR") {
		t.Errorf("got %q", text)
	}
}

func TestNothingToBuy(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	r := request()
	_, err := w.PrepareQuote(as(t, "shop-a"), r)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY)
	name := w.listDecided("yard-a", "1", 1, decision(yes, unknown))
	_, err = w.PrepareQuote(as(t, "shop-a"), r)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY)
	for _, want := range []string{name, "reuse reason", "a label photo"} {
		if !strings.Contains(status.Convert(err).Message(), want) {
			t.Errorf("%q does not say %q", status.Convert(err).Message(), want)
		}
	}
	r.DryRun = true
	answer, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	if q := answer.GetQuote(); len(q.GetOptions()) != 0 || len(q.GetExcluded()) != 1 || q.GetPlan().GetWords() == "" || q.GetPlan().GetUnrepairedProbability() != 1 {
		t.Errorf("dry run %v", q)
	}
}

// With the fitment service dead, slow or answering garbage nothing ever fits,
// nothing is held and nothing is stored, however cheap it is and whatever else
// is on offer.
func TestWithoutTheFitmentServiceNothingFits(t *testing.T) {
	t.Parallel()
	cases := map[string]func(w *world){
		"dead": func(w *world) {
			for _, method := range []string{"FindDonors", "FindParts"} {
				w.fake.before[method] = func(string) error { return status.Error(codes.Unavailable, "connection refused") }
			}
		},
		"dead half way": func(w *world) {
			w.fake.before["FindDonors"] = func(string) error {
				if w.fake.calls["FindDonors"] > 1 {
					return status.Error(codes.Unavailable, "connection reset")
				}
				return nil
			}
		},
		"failing": func(w *world) { w.fake.before["FindParts"] = func(string) error { return errors.New("oops") } },
		"no answer": func(w *world) {
			w.fake.before["FindDonors"] = func(string) error { return status.Error(codes.Unimplemented, "") }
		},
		"verdict not stated": func(w *world) {
			w.fake.spoil = func(d *fitmentv1.Donor) { d.Decision.Verdict = 0 }
		},
		"verdict against answers": func(w *world) {
			w.fake.spoil = func(d *fitmentv1.Donor) { d.Decision.Fit = unknown }
		},
		"fits against its findings": func(w *world) {
			w.fake.spoil = func(d *fitmentv1.Donor) { d.Decision.Findings[0].Answer = no }
		},
		"fits without findings": func(w *world) {
			w.fake.spoil = func(d *fitmentv1.Donor) { d.Decision.Findings = nil }
		},
		"no decision":      func(w *world) { w.fake.spoil = func(d *fitmentv1.Donor) { d.Decision = nil } },
		"no listing":       func(w *world) { w.fake.spoil = func(d *fitmentv1.Donor) { d.Listing = nil } },
		"negative price":   func(w *world) { w.fake.spoil = func(d *fitmentv1.Donor) { d.Listing.Price = -100_00 } },
		"part not decided": func(w *world) { w.fake.parts[0].Recall = nil },
		"endless pages":    func(w *world) { w.fake.endless = true },
	}
	for name, spoil := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			for i := range 5 {
				w.list("yard-a", fmt.Sprint(i), 1)
			}
			w.match("NB40118", yes, yes)
			w.offer("new", quotev1.Offer_NEW, 1)
			w.fake.set(func() { spoil(w) })
			for _, dry := range []bool{true, false} {
				r := request()
				r.DryRun = dry
				answer, err := w.PrepareQuote(as(t, "shop-a"), r)
				refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
				if answer != nil {
					t.Errorf("answer %v", answer)
				}
			}
			if n := w.fake.count("HoldListing"); n != 0 {
				t.Errorf("%d holds were taken", n)
			}
			list, err := w.ListQuotes(as(t, "shop-a"), &quotev1.ListQuotesRequest{})
			if err != nil || len(list.GetQuotes()) != 0 {
				t.Errorf("stored %v, %v", list, err)
			}
		})
	}
}

func TestASlowFitmentServiceIsADeadOne(t *testing.T) {
	t.Parallel()
	w := newWorldWith(t, 100*time.Millisecond)
	w.list("yard-a", "1", 1)
	w.fake.set(func() { w.fake.hang = true })
	_, err := w.PrepareQuote(as(t, "shop-a"), request())
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	// the caller's own deadline counts as well
	patient := newWorld(t)
	patient.fake.set(func() { patient.fake.hang = true })
	ctx, cancel := context.WithTimeout(as(t, "shop-a"), 100*time.Millisecond)
	defer cancel()
	_, err = patient.PrepareQuote(ctx, request())
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
}

func TestAnAnswerAboutTheHeldListingIsNotBelievedBlindly(t *testing.T) {
	t.Parallel()
	cases := map[string]func(l *fitmentv1.Listing){
		"another holder": func(l *fitmentv1.Listing) { l.Hold.Holder = "shop-z" },
		"no fence":       func(l *fitmentv1.Listing) { l.Hold.Fence = 0 },
		"no end":         func(l *fitmentv1.Listing) { l.Hold.ExpireTime = nil },
		"a far end":      func(l *fitmentv1.Listing) { l.Hold.ExpireTime.Seconds += 999_999_999 },
		"no hold":        func(l *fitmentv1.Listing) { l.Hold = nil },
		"another name":   func(l *fitmentv1.Listing) { l.Name = "listings/yard-z.9" },
	}
	for name, spoil := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			held := w.list("yard-a", "1", 100_00)
			w.fake.set(func() {
				w.fake.after["HoldListing"] = func(string) error {
					for _, l := range w.fake.answers {
						spoil(l)
					}
					return nil
				}
			})
			_, err := w.PrepareQuote(as(t, "shop-a"), request())
			refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
			if _, err := w.store.Get(t.Context(), store.Key{Tenant: "shop-a", Kind: "quote", ID: "Q-2026-000001"}); !errors.Is(err, store.ErrNotFound) {
				t.Errorf("a quote on %s was stored: %v", held, err)
			}
		})
	}
}

func TestAListingLostToAnotherIsPassedOver(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first, second := w.list("yard-a", "1", 100_00), w.list("yard-b", "1", 120_00)
	third := w.list("yard-c", "1", 140_00)
	w.fake.set(func() {
		w.fake.before["HoldListing"] = func(name string) error {
			switch name {
			case first:
				w.fake.holdFor(w.fake.donors[first].GetListing(), "shop-z", time.Hour)
			case second:
				w.fake.donors[second].Listing.State = fitmentv1.Listing_SOLD
			}
			return nil
		}
	})
	q := w.prepare()
	if q.GetHeldListing() != third {
		t.Fatalf("holds %s", q.GetHeldListing())
	}
	reasons := map[string]string{}
	for _, e := range q.GetExcluded() {
		reasons[e.GetSource()] = e.GetReason()
	}
	want := map[string]string{first: "was held by somebody else a moment ago", second: "was sold or withdrawn a moment ago"}
	if diff := cmp.Diff(want, reasons); diff != "" {
		t.Error(diff)
	}
}

func TestEverythingLostToOthers(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for i := range 10 {
		w.list("yard-a", fmt.Sprint(i), 100_00)
	}
	w.fake.set(func() {
		w.fake.before["HoldListing"] = func(string) error {
			return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_HELD, "held")
		}
	})
	_, err := w.PrepareQuote(as(t, "shop-a"), request())
	refused(t, err, codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE)
	if n := w.fake.count("HoldListing"); n != 8 {
		t.Errorf("%d tries to hold, want 8", n)
	}
}

func TestAListingThatChangedUnderwayIsWeighedAnew(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(d *fitmentv1.Donor){
		"dearer":       func(d *fitmentv1.Donor) { d.Listing.Price = 900_00 },
		"fits no more": func(d *fitmentv1.Donor) { d.Decision = decision(no, yes) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			first, second := w.list("yard-a", "1", 100_00), w.list("yard-b", "1", 120_00)
			w.fake.set(func() {
				w.fake.before["HoldListing"] = func(name string) error {
					if name == first {
						change(w.fake.donors[first])
					}
					return nil
				}
			})
			q := w.prepare()
			if q.GetHeldListing() != second {
				t.Errorf("holds %s, want %s", q.GetHeldListing(), second)
			}
			if got := w.fake.listing(first).GetState(); got != fitmentv1.Listing_AVAILABLE {
				t.Errorf("%s is %s: its hold was not given back", first, got)
			}
		})
	}
}

func TestQuoteOfAnOfferHoldsNothingAndEndsWithThePriceList(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.match("NB40118", yes, yes)
	w.offer("r", quotev1.Offer_REMANUFACTURED, 100_00, func(o *quotev1.Offer) { o.ValidUntil = "2026-03-11" })
	q := w.prepare()
	if q.GetHold() != nil || q.GetHeldListing() != "" || w.fake.count("HoldListing") != 0 {
		t.Errorf("holds %s", q.GetHeldListing())
	}
	if want := time.Date(2026, 3, 12, 0, 0, 0, 0, time.UTC); !q.GetValidUntil().AsTime().Equal(want) {
		t.Errorf("valid until %s, want %s", q.GetValidUntil().AsTime(), want)
	}
	if !strings.Contains(strings.Join(q.GetNotices(), "\n"), "holds until 2026-03-11") {
		t.Errorf("notices %v", q.GetNotices())
	}
}

func TestTwoQuotesOfOneBusinessDoNotTakeAListingFromEachOther(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first, second := w.list("yard-a", "1", 100_00), w.list("yard-b", "1", 120_00)
	quotes := make([]*quotev1.Quote, 2)
	errs := make([]error, 2)
	gate := make(chan struct{})
	var arrived sync.WaitGroup
	arrived.Add(2)
	w.fake.set(func() {
		w.fake.after["FindDonors"] = func(string) error { // both have seen the listing on sale
			w.fake.mu.Unlock()
			defer w.fake.mu.Lock()
			arrived.Done()
			<-gate
			return nil
		}
	})
	var all sync.WaitGroup
	for i := range quotes {
		all.Go(func() {
			answer, err := w.PrepareQuote(as(t, "shop-a"), request())
			quotes[i], errs[i] = answer.GetQuote(), err
		})
	}
	arrived.Wait()
	close(gate)
	all.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	held := map[string]bool{quotes[0].GetHeldListing(): true, quotes[1].GetHeldListing(): true}
	if !held[first] || !held[second] {
		t.Errorf("held %v", held)
	}
	for _, q := range quotes {
		if _, err := w.accept(q); err != nil {
			t.Errorf("%s cannot be accepted: %v", q.GetNumber(), err)
		}
	}
}

func TestNumbersAreUniqueAndWithoutGaps(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.match("NB40118", yes, yes)
	w.offer("new", quotev1.Offer_NEW, 300_00)
	const many = 24
	numbers := make([]string, many)
	errs := make([]error, many)
	var all sync.WaitGroup
	for i := range many {
		all.Go(func() {
			answer, err := w.PrepareQuote(as(t, "shop-a"), request())
			numbers[i], errs[i] = answer.GetQuote().GetNumber(), err
		})
	}
	all.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	seen := make(map[string]bool)
	for _, n := range numbers {
		seen[n] = true
	}
	for i := 1; i <= many; i++ {
		if n := fmt.Sprintf("Q-2026-%06d", i); !seen[n] {
			t.Errorf("no quote has the number %s", n)
		}
	}
	w.clock.Advance(300 * 24 * time.Hour) // the next year begins anew
	if got := w.prepare().GetNumber(); got != "Q-2027-000001" {
		t.Errorf("number %s in the next year", got)
	}
}

func TestTheSameRequestAtOnceMakesOneQuote(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for i := range 4 {
		w.list("yard-a", fmt.Sprint(i), int64(100_00+i))
	}
	r := request()
	var all sync.WaitGroup
	answers := make([]*quotev1.PrepareQuoteResponse, 6)
	errs := make([]error, len(answers))
	for i := range answers {
		all.Go(func() { answers[i], errs[i] = w.PrepareQuote(as(t, "shop-a"), r) })
	}
	all.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	for _, other := range answers[1:] {
		if diff := cmp.Diff(answers[0], other, protocmp.Transform()); diff != "" {
			t.Fatalf("answers differ:\n%s", diff)
		}
	}
	for i := range 4 {
		name := fmt.Sprintf("listings/yard-a.%d", i)
		held := w.fake.listing(name).GetState() == fitmentv1.Listing_HELD
		if held != (name == answers[0].GetQuote().GetHeldListing()) {
			t.Errorf("%s held: %t, the quote holds %s", name, held, answers[0].GetQuote().GetHeldListing())
		}
	}
}

// isQuote tells whether a change stores a quote.
func isQuote(changes []store.Change) bool {
	return len(changes) == 1 && len(changes[0].Puts) > 0 && changes[0].Puts[0].Key.Kind == "quote"
}

func TestARepeatFindsItsOwnHoldAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first := w.list("yard-a", "1", 100_00)
	w.list("yard-b", "1", 120_00)
	r := request()
	w.store.failWith(func(changes []store.Change) (bool, error) {
		if isQuote(changes) {
			return true, errors.New("the disk is gone")
		}
		return false, nil
	})
	_, err := w.PrepareQuote(as(t, "shop-a"), r)
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	if got := w.fake.listing(first); got.GetState() != fitmentv1.Listing_HELD {
		t.Fatalf("the hold was given back although the write may have happened: %s", got.GetState())
	}
	w.store.failWith(nil)
	answer, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	if q := answer.GetQuote(); q.GetHeldListing() != first || q.GetHold().GetFence() != 2 {
		t.Errorf("the repeat holds %s by fence %d", q.GetHeldListing(), q.GetHold().GetFence())
	}
}

func TestAnUnacknowledgedQuoteThatWasStoredIsFound(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	r := request()
	failures := 0
	w.store.failWith(func(changes []store.Change) (bool, error) {
		if isQuote(changes) && failures == 0 {
			failures++
			return false, errors.New("the acknowledgement is lost")
		}
		return false, nil
	})
	answer, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	if got := answer.GetQuote().GetNumber(); got != "Q-2026-000001" || failures != 1 {
		t.Errorf("number %s after %d failures", got, failures)
	}
}

func TestAQuoteThatCannotBeStoredGivesItsHoldBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	w.fake.set(func() { // the hold runs out before the quote is stored
		w.fake.after["Decide"] = func(string) error {
			w.clock.Advance(2 * time.Hour)
			return nil
		}
	})
	r := request()
	r.ValidHours = 1
	_, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err == nil {
		t.Fatal("a quote was made on a hold that has run out")
	}
	w.fake.set(func() { delete(w.fake.after, "Decide") })
	if got := w.fake.listing(name).GetState(); got != fitmentv1.Listing_AVAILABLE {
		t.Errorf("the listing is %s", got)
	}
	if got := w.prepare(); got.GetHeldListing() != name {
		t.Errorf("the next quote holds %q", got.GetHeldListing())
	}
}

// Run 1 of a request is slow in deciding; the client repeats; run 2 stores the
// quote on the same hold; run 1 then fails. It must not give the hold back.
func TestAFailingRunLeavesAnotherRunsHoldAlone(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	slow, stored := make(chan struct{}), make(chan struct{})
	w.fake.set(func() {
		w.fake.before["Decide"] = func(string) error {
			if w.fake.calls["Decide"] > 1 {
				return nil
			}
			w.fake.mu.Unlock()
			defer w.fake.mu.Lock()
			close(slow)
			<-stored
			return status.Error(codes.Unavailable, "connection reset")
		}
	})
	r := request()
	var first error
	var run sync.WaitGroup
	run.Go(func() { _, first = w.PrepareQuote(as(t, "shop-a"), r) })
	<-slow
	answer, err := w.PrepareQuote(as(t, "shop-a"), r)
	close(stored)
	run.Wait()
	if err != nil {
		t.Fatal(err)
	}
	refused(t, first, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	if got := w.fake.listing(name).GetState(); got != fitmentv1.Listing_HELD || w.fake.count("ReleaseListing") != 0 {
		t.Errorf("the listing of a stored quote is %s", got)
	}
	if _, err := w.accept(answer.GetQuote()); err != nil {
		t.Errorf("accept: %v", err)
	}
}

// The other way round: run 1 gives the hold back while run 2 is about to store
// its quote on it. Run 2 must not do so, whether it still has to extend the hold
// or, in the last minutes of a price, has not.
func TestNoQuoteIsStoredOnAHoldThatWasGivenBack(t *testing.T) {
	t.Parallel()
	for name, short := range map[string]bool{"to be extended": false, "short": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			if short {
				w.match("NB40118", yes, yes)
				w.offer("new", quotev1.Offer_NEW, 900_00, func(o *quotev1.Offer) { o.ValidUntil = "2026-03-10" })
				w.clock.Advance(14*time.Hour + 26*time.Minute) // four minutes to midnight
			}
			oneRunGivesBack(t, w)
		})
	}
}

func oneRunGivesBack(t *testing.T, w *world) {
	t.Helper()
	name := w.list("yard-a", "1", 100_00)
	failed := make(chan struct{})
	both := make(chan struct{})
	w.fake.set(func() {
		w.fake.after["Decide"] = func(string) error {
			switch w.fake.calls["Decide"] {
			case 1: // the first run to decide fails once the other one has decided
				w.fake.mu.Unlock()
				defer w.fake.mu.Lock()
				<-both
				return status.Error(codes.Unavailable, "connection reset")
			case 2:
				w.fake.mu.Unlock()
				defer w.fake.mu.Lock()
				close(both)
				<-failed
			}
			return nil
		}
	})
	r := request()
	var answers [2]*quotev1.PrepareQuoteResponse
	var errs [2]error
	var runs sync.WaitGroup
	for i := range answers {
		runs.Go(func() {
			answers[i], errs[i] = w.PrepareQuote(as(t, "shop-a"), r)
			if errs[i] != nil {
				close(failed)
			}
		})
	}
	runs.Wait()
	winner := 0
	if errs[0] != nil {
		winner = 1
	}
	if errs[winner] != nil || errs[1-winner] == nil {
		t.Fatalf("errors %v", errs)
	}
	q := answers[winner].GetQuote()
	if got := w.fake.listing(name); got.GetState() != fitmentv1.Listing_HELD || got.GetHold().GetFence() != q.GetHold().GetFence() {
		t.Errorf("the quote stands on %v; the listing is %s with %v", q.GetHold(), got.GetState(), got.GetHold())
	}
	if _, err := w.accept(q); err != nil {
		t.Errorf("accept: %v", err)
	}
}

// However often a request failed, repeating it goes on with new holds, until so
// many were tried that the answer asks for a new request id.
func TestARepeatGoesOnWhereItFailed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	broken := status.Error(codes.Unavailable, "connection reset")
	w.fake.set(func() {
		w.fake.after["Decide"] = func(string) error { return broken }
	})
	r := request()
	for range 20 {
		fence := w.fake.listing(name).GetHold().GetFence()
		_, err := w.PrepareQuote(as(t, "shop-a"), r)
		refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
		if got := w.fake.listing(name).GetState(); got != fitmentv1.Listing_AVAILABLE {
			t.Fatalf("the listing is %s after fence %d", got, fence)
		}
		w.fake.set(func() { // dead holds need no deciding that can fail
			w.fake.after["Decide"] = func(string) error {
				if w.fake.state(w.fake.donors[name].GetListing()) == fitmentv1.Listing_HELD {
					return broken
				}
				return nil
			}
		})
	}
	w.fake.set(func() { delete(w.fake.after, "Decide") })
	answer, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil || answer.GetQuote().GetHeldListing() != name {
		t.Fatalf("the 21st call: %v, %v", answer, err)
	}
	if _, err := w.accept(answer.GetQuote()); err != nil {
		t.Error(err)
	}
	used := request()
	w.fake.set(func() { w.fake.pageSize = 100 })
	w.fake.set(func() {
		w.fake.donors[name].Listing.State = fitmentv1.Listing_AVAILABLE
		w.fake.before["HoldListing"] = func(string) error {
			return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_HELD, "held")
		}
	})
	for i := range 70 {
		w.list(fmt.Sprint("yard-b", i), "1", 100_00)
	}
	for range 8 {
		_, err = w.PrepareQuote(as(t, "shop-a"), used)
		refused(t, err, codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE)
	}
	_, err = w.PrepareQuote(as(t, "shop-a"), used)
	refused(t, err, codes.Aborted, fitmentv1.ErrorInfo_LIMIT_REACHED)
	if !strings.Contains(status.Convert(err).Message(), "new request_id") {
		t.Errorf("%v does not say what to do", err)
	}
}

// A caller who vanishes while his quote is weighed leaves no hold, or, where not
// even giving it back succeeds, one of a few minutes.
func TestAVanishedCallerKeepsNoListing(t *testing.T) {
	t.Parallel()
	for name, reachable := range map[string]bool{"given back": true, "cut off": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			listing := w.list("yard-a", "1", 100_00)
			ctx, cancel := context.WithCancel(as(t, "shop-a"))
			w.fake.set(func() {
				w.fake.after["Decide"] = func(string) error {
					cancel()
					return nil
				}
				if !reachable {
					w.fake.before["ReleaseListing"] = func(string) error { return status.Error(codes.Unavailable, "cut off") }
				}
			})
			if _, err := w.PrepareQuote(ctx, request()); err == nil {
				t.Fatal("an answer to nobody")
			}
			if !reachable {
				w.clock.Advance(5 * time.Minute)
			}
			if got := w.fake.listing(listing); got.GetState() != fitmentv1.Listing_AVAILABLE {
				t.Errorf("the listing is %s until %s", got.GetState(), got.GetHold().GetExpireTime().AsTime())
			}
			w.fake.set(func() { delete(w.fake.after, "Decide") })
			w.clock.Advance(time.Minute) // the claim ends soon after the hold
			if got := w.prepare().GetHeldListing(); got != listing {
				t.Errorf("the next quote holds %q", got)
			}
		})
	}
}

// The answer to an extension is lost: it is asked for again.
func TestALostExtensionIsAskedForAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	w.fake.set(func() {
		w.fake.after["HoldListing"] = func(string) error {
			if w.fake.calls["HoldListing"] == 2 {
				return status.Error(codes.Unavailable, "connection reset")
			}
			return nil
		}
	})
	q := w.prepare()
	if got := q.GetHold(); got.GetFence() != 2 || !got.GetExpireTime().AsTime().Equal(w.clock.Now().Add(72*time.Hour)) {
		t.Errorf("hold %v", got)
	}
	if _, err := w.accept(q); err != nil {
		t.Error(err)
	}
}

// A price that ends is counted on until its end and no longer: in the last minute
// it is not quoted, and a quote whose hold was taken a little later than its
// prices were read does not outlive them.
func TestAQuoteEndsWithItsPrices(t *testing.T) {
	t.Parallel()
	end := time.Date(2026, 3, 12, 0, 0, 0, 0, time.UTC)
	priced := func(w *world, condition quotev1.Offer_Condition) string {
		w.match("NB40118", yes, yes)
		return w.offer("r", condition, 900_00, func(o *quotev1.Offer) { o.ValidUntil = "2026-03-11" })
	}
	t.Run("in the last minute", func(t *testing.T) {
		t.Parallel()
		w := newWorld(t)
		priced(w, quotev1.Offer_REMANUFACTURED)
		w.clock.Advance(end.Add(-time.Minute).Sub(w.clock.Now()))
		if got := w.prepare().GetValidUntil().AsTime(); !got.Equal(end) {
			t.Errorf("valid until %s", got)
		}
		w.clock.Advance(time.Nanosecond)
		_, err := w.PrepareQuote(as(t, "shop-a"), request())
		refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY)
	})
	t.Run("on a hold", func(t *testing.T) {
		t.Parallel()
		w := newWorld(t)
		w.list("yard-a", "1", 100_00)
		priced(w, quotev1.Offer_NEW)
		w.fake.set(func() {
			w.fake.before["HoldListing"] = func(string) error {
				w.clock.Advance(2 * time.Minute)
				return nil
			}
		})
		q := w.prepare()
		if !q.GetValidUntil().AsTime().Equal(end) || !q.GetHold().GetExpireTime().AsTime().After(end) {
			t.Errorf("valid until %s, hold until %s", q.GetValidUntil().AsTime(), q.GetHold().GetExpireTime().AsTime())
		}
	})
}

func TestPrepareRefusesNonsense(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for field, alter := range map[string]func(*quotev1.PrepareQuoteRequest){
		"need":                 func(r *quotev1.PrepareQuoteRequest) { r.Need = nil },
		"need.kind":            func(r *quotev1.PrepareQuoteRequest) { r.Need.Kind = 0 },
		"currency_code":        func(r *quotev1.PrepareQuoteRequest) { r.CurrencyCode = "XYZ" },
		"day_cost":             func(r *quotev1.PrepareQuoteRequest) { r.DayCost = -1 },
		"tax_percent":          func(r *quotev1.PrepareQuoteRequest) { r.TaxPercent = "NaN" },
		"labour.fit_minutes":   func(r *quotev1.PrepareQuoteRequest) { r.Labour = &quotev1.Labour{FitMinutes: 100_001} },
		"labour.check_minutes": func(r *quotev1.PrepareQuoteRequest) { r.Labour = &quotev1.Labour{CheckMinutes: -1} },
		"labour.hourly_rate":   func(r *quotev1.PrepareQuoteRequest) { r.Labour = &quotev1.Labour{HourlyRate: 1 << 62} },
		"valid_hours":          func(r *quotev1.PrepareQuoteRequest) { r.ValidHours = 721 },
		"reference":            func(r *quotev1.PrepareQuoteRequest) { r.Reference = strings.Repeat("x", 101) },
		"request_id":           func(r *quotev1.PrepareQuoteRequest) { r.RequestId = "7" },
	} {
		r := request()
		alter(r)
		_, err := w.PrepareQuote(as(t, "shop-a"), r)
		if got := fieldsIn(err); len(got) != 1 || got[0] != field {
			t.Errorf("%s: %v names %v", field, err, got)
		}
	}
	_, err := w.PrepareQuote(t.Context(), request())
	refused(t, err, codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
	// what the fitment side finds wrong with the need comes through
	w.fake.set(func() {
		w.fake.before["FindParts"] = func(string) error {
			return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{Field: "need.position", Problem: "is missing"})
		}
	})
	_, err = w.PrepareQuote(as(t, "shop-a"), request())
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
}

func TestACancelledCallIsNoFailureOfFitment(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ctx, cancel := context.WithCancel(as(t, "shop-a"))
	cancel()
	if _, err := w.PrepareQuote(ctx, request()); err == nil || apierr.ReasonOf(err) == fitmentv1.ErrorInfo_DEPENDENCY_DOWN {
		t.Errorf("got %v", err)
	}
}

func TestMoreListingsThanAQuoteReads(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.fake.set(func() { w.fake.pageSize = 100 })
	for i := range 1100 {
		w.listDecided("yard-a", fmt.Sprintf("%04d", i), 100_00, decision(unknown, yes))
	}
	best := w.list("yard-b", "1", 100_00)
	q := w.prepare()
	if len(q.GetOptions()) != 1 || q.GetHeldListing() != best {
		t.Errorf("%d options, holds %s", len(q.GetOptions()), q.GetHeldListing())
	}
	if !strings.Contains(strings.Join(q.GetNotices(), "\n"), "the search ended at 1000") {
		t.Errorf("nothing says that there is more: %v", q.GetNotices())
	}
	w.fake.set(func() {
		for _, d := range w.fake.donors {
			d.Decision = decision(yes, yes)
		}
	})
	_, err := w.PrepareQuote(as(t, "shop-a"), request())
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED)
}

func TestOffersOfOtherPartsAreNamedUpToABound(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.match("NB40118", yes, yes)
	best := w.offer("a", quotev1.Offer_NEW, 100_00)
	for i := range 210 {
		w.offer(fmt.Sprintf("b%03d", i), quotev1.Offer_NEW, 1, func(o *quotev1.Offer) { o.PartNumber = "OTHER" })
	}
	w.offer("c", quotev1.Offer_NEW, 1, func(o *quotev1.Offer) { o.PartNumber, o.Kind = "OTHER", fitmentv1.Part_CLOCK_SPRING })
	q := w.prepare()
	if len(q.GetOptions()) != 1 || q.GetOptions()[0].GetSource() != best || len(q.GetExcluded()) != 200 {
		t.Errorf("%d options, %d excluded", len(q.GetOptions()), len(q.GetExcluded()))
	}
	if !strings.Contains(strings.Join(q.GetNotices(), "\n"), "Further offers in your price lists") {
		t.Errorf("nothing says that there are more: %v", q.GetNotices())
	}
}
