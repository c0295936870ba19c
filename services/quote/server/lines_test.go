package server_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

const spring = fitmentv1.Part_CLOCK_SPRING

// listKind puts a listing of a kind on sale, with freight of its yard.
func (w *world) listKind(kind fitmentv1.Part_Kind, yard, stock string, price, freight int64) string {
	name := w.list(yard, stock, price)
	w.fake.set(func() {
		l := w.fake.donors[name].GetListing()
		l.Kind, l.Terms.Freight = kind, freight
	})
	return name
}

// repair asks for a buckle and a clock spring for one vehicle.
func repair() *quotev1.PrepareQuoteRequest {
	r := request()
	second := need()
	second.Kind, second.Position = spring, nil
	r.FurtherNeeds = []*quotev1.FurtherNeed{{Need: second, Labour: &quotev1.Labour{FitMinutes: 30, HourlyRate: 100_00}}}
	return r
}

func (w *world) prepareLines(r *quotev1.PrepareQuoteRequest) *quotev1.Quote {
	w.t.Helper()
	answer, err := w.PrepareQuote(as(w.t, "shop-a"), r)
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.GetQuote()
}

func (w *world) acceptLines(q *quotev1.Quote, lines ...int32) (*quotev1.Quote, error) {
	answer, err := w.AcceptQuote(as(w.t, "shop-a"), &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString(), Lines: lines})
	return answer.GetQuote(), err
}

func heldListings(q *quotev1.Quote) []string {
	var names []string
	for _, line := range quote.Lines(q) {
		names = append(names, line.GetHeldListing())
	}
	return names
}

// Two parts of one yard cost less together than from the two yards where each is
// cheapest alone: 100 + 12 and 50 + 12 apart, 103 + 52 + 12 together. All chances
// are alike and days, checks and losses are none, so what a failure costs is the
// freight alone.
func TestFreightIsSharedByTheLinesOfAQuote(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
	w.listKind(spring, "yard-b", "1", 50_00, 12_00)
	bothBuckle := w.listKind(buckle, "yard-c", "1", 103_00, 12_00)
	bothSpring := w.listKind(spring, "yard-c", "2", 52_00, 12_00)
	q := w.prepareLines(repair())
	if diff := cmp.Diff([]string{bothBuckle, bothSpring}, heldListings(q)); diff != "" {
		t.Fatalf("held (-want +got):\n%s", diff)
	}
	b := q.GetBasket()
	if b.GetTotal() != 167_00 || b.GetSeparateTotal() != 174_00 || !b.GetProven() || b.GetBound() != 167_00 {
		t.Errorf("basket %v", b)
	}
	want := &quotev1.QuoteTotal{Parts: 155_00, Freight: 12_00, FitLabour: 50_00, Total: 217_00}
	if diff := cmp.Diff(want, q.GetTotal(), protocmp.Transform()); diff != "" {
		t.Errorf("total (-want +got):\n%s", diff)
	}
	// The first line pays the freight. Passing (0.8): 103 + 12, failing (0.2) on to
	// the dearer 100 of yard-a after the freight of yard-c.
	first, second := q.GetLines()[0].GetPlan(), q.GetLines()[1].GetPlan()
	if first.GetOrder()[0] != bothBuckle || second.GetOrder()[0] != bothSpring {
		t.Errorf("plans begin with %s and %s", first.GetOrder()[0], second.GetOrder()[0])
	}
	// 0.8 × 115 + 0.2 × (12 + 0.8 × 112 + 0.2 × 12) = 112.80
	// 0.8 × 52 + 0.2 × (0 + 0.8 × 62 + 0.2 × 12) = 52.00
	if first.GetExpectedCost() != 112_80 || second.GetExpectedCost() != 52_00 {
		t.Errorf("expected costs %d and %d", first.GetExpectedCost(), second.GetExpectedCost())
	}
	if q.GetHeldListing() != "" || q.GetHold() != nil || len(q.GetOptions()) != 0 {
		t.Error("a quote of several lines has fields of a single one")
	}
	got, err := w.acceptLines(q)
	if err != nil {
		t.Fatal(err)
	}
	if got.GetState() != quotev1.Quote_ACCEPTED || got.GetLines()[1].GetState() != quotev1.QuoteLine_ACCEPTED {
		t.Errorf("accepted: %s, line 2 %s", got.GetState(), got.GetLines()[1].GetState())
	}
	for _, name := range heldListings(q) {
		if l := w.fake.listing(name); l.GetState() != fitmentv1.Listing_SOLD || l.GetBuyer() != "shop-a" {
			t.Errorf("%s is %s", name, l.GetState())
		}
	}
}

func TestAcceptanceInPart(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first := w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
	second := w.listKind(spring, "yard-a", "2", 50_00, 12_00)
	q := w.prepareLines(repair())
	for _, lines := range [][]int32{{0}, {3}, {1, 1}, {-1}} {
		_, err := w.acceptLines(q, lines...)
		refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	}
	r := &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString(), Lines: []int32{2}}
	answer, err := w.AcceptQuote(as(t, "shop-a"), r)
	if err != nil {
		t.Fatal(err)
	}
	got := answer.GetQuote()
	if got.GetState() != quotev1.Quote_PARTLY_ACCEPTED || got.GetLines()[0].GetState() != quotev1.QuoteLine_DECLINED || got.GetLines()[1].GetState() != quotev1.QuoteLine_ACCEPTED {
		t.Errorf("quote %s, lines %s and %s", got.GetState(), got.GetLines()[0].GetState(), got.GetLines()[1].GetState())
	}
	if diff := cmp.Diff([]int{1}, quote.Accepted(got)); diff != "" {
		t.Error(diff)
	}
	if a, b := w.fake.listing(first), w.fake.listing(second); a.GetState() != fitmentv1.Listing_AVAILABLE || b.GetState() != fitmentv1.Listing_SOLD {
		t.Errorf("listings are %s and %s", a.GetState(), b.GetState())
	}
	if again, err := w.AcceptQuote(as(t, "shop-a"), r); err != nil || !proto.Equal(again, answer) {
		t.Errorf("the repeat answers %v, %v", again, err)
	}
	if next := w.prepare(); next.GetHeldListing() != first {
		t.Errorf("the next quote holds %q", next.GetHeldListing())
	}
}

// The hold of a declined line could not be given back before the program ended:
// repeating the acceptance does it.
func TestARepeatedAcceptanceGivesHoldsBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first := w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
	w.listKind(spring, "yard-a", "2", 50_00, 12_00)
	q := w.prepareLines(repair())
	w.fake.set(func() {
		w.fake.before["ReleaseListing"] = func(string) error { return status.Error(codes.Unavailable, "cut off") }
	})
	r := &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString(), Lines: []int32{2}}
	if _, err := w.AcceptQuote(as(t, "shop-a"), r); err != nil {
		t.Fatal(err)
	}
	w.fake.set(func() { delete(w.fake.before, "ReleaseListing") })
	if got := w.fake.listing(first).GetState(); got != fitmentv1.Listing_HELD {
		t.Fatalf("the listing is %s", got)
	}
	if _, err := w.AcceptQuote(as(t, "shop-a"), r); err != nil {
		t.Fatal(err)
	}
	if got := w.fake.listing(first).GetState(); got != fitmentv1.Listing_AVAILABLE {
		t.Errorf("the listing is %s", got)
	}
}

// Of several holds all are had or none: the second one is lost, so the first is
// weighed again, and nothing stays held that the quote does not need.
func TestAllHoldsOrNone(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	together := w.listKind(buckle, "yard-c", "1", 103_00, 30_00)
	lost := w.listKind(spring, "yard-c", "2", 52_00, 30_00)
	alone := w.listKind(buckle, "yard-a", "1", 101_00, 12_00)
	other := w.listKind(spring, "yard-b", "1", 71_00, 12_00)
	w.fake.set(func() {
		w.fake.before["HoldListing"] = func(name string) error {
			if name == lost {
				w.fake.donors[lost].Listing.State = fitmentv1.Listing_SOLD
			}
			return nil
		}
	})
	q := w.prepareLines(repair())
	if diff := cmp.Diff([]string{alone, other}, heldListings(q)); diff != "" {
		t.Errorf("held (-want +got):\n%s", diff)
	}
	if got := w.fake.listing(together).GetState(); got != fitmentv1.Listing_AVAILABLE {
		t.Errorf("%s is %s", together, got)
	}
	if q.GetNumber() != "Q-2026-000001" {
		t.Errorf("number %s", q.GetNumber())
	}
}

// One listing cannot serve two lines: of two equal needs each gets its own, and
// where there is one only, there is no quote.
func TestOneListingServesOneLine(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	r := request()
	r.FurtherNeeds = []*quotev1.FurtherNeed{{Need: need()}}
	cheap := w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
	_, err := w.PrepareQuote(as(t, "shop-a"), r)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY)
	if got := w.fake.listing(cheap).GetState(); got != fitmentv1.Listing_AVAILABLE {
		t.Errorf("the listing is %s", got)
	}
	dear := w.listKind(buckle, "yard-b", "1", 300_00, 12_00)
	r.RequestId = uuid.NewString()
	q := w.prepareLines(r)
	held := heldListings(q)
	slices.Sort(held)
	if diff := cmp.Diff([]string{cheap, dear}, held); diff != "" {
		t.Errorf("held (-want +got):\n%s", diff)
	}
	for i, line := range q.GetLines() {
		if len(line.GetPlan().GetOrder()) != 1 {
			t.Errorf("line %d would try %v", i+1, line.GetPlan().GetOrder())
		}
	}
	if q.GetBasket().GetProven() || !strings.Contains(strings.Join(q.GetBasket().GetNotes(), " "), "can serve one") {
		t.Errorf("basket %v", q.GetBasket())
	}
}

// A supplier's item is bought as often as it is needed, and outcomes and tallies
// count each purchase.
func TestASuppliersItemServesSeveralLines(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.match("NB40118", yes, yes)
	item := w.offer("new", quotev1.Offer_NEW, 300_00, func(o *quotev1.Offer) { o.Freight = 20_00 })
	r := request()
	r.FurtherNeeds = []*quotev1.FurtherNeed{{Need: need()}}
	q := w.prepareLines(r)
	if got := q.GetTotal(); got.GetParts() != 600_00 || got.GetFreight() != 20_00 || got.GetTotal() != 620_00 {
		t.Errorf("total %v", got)
	}
	for _, line := range q.GetLines() {
		if quote.FirstBuy(line.GetOptions()).GetSource() != item {
			t.Errorf("line buys %v", line.GetOptions())
		}
	}
	if _, err := w.acceptLines(q, 1); err != nil {
		t.Fatal(err)
	}
}

// Acceptance of several lines decides all of them before it buys one, and what
// it did is completed by any later call, even too late.
func TestAcceptanceOfSeveralLines(t *testing.T) {
	t.Parallel()
	shop := func(t *testing.T) (*world, *quotev1.Quote, string, string) {
		t.Helper()
		w := newWorld(t)
		first := w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
		second := w.listKind(spring, "yard-a", "2", 50_00, 12_00)
		return w, w.prepareLines(repair()), first, second
	}
	t.Run("the second gate is shut", func(t *testing.T) {
		t.Parallel()
		w, q, first, second := shop(t)
		w.fake.set(func() { w.fake.donors[second].Decision = decision(yes, no) })
		_, err := w.acceptLines(q)
		refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT)
		if got := w.fake.listing(first).GetState(); got != fitmentv1.Listing_HELD {
			t.Errorf("the first listing is %s", got)
		}
		if got, err := w.acceptLines(q, 1); err != nil || got.GetState() != quotev1.Quote_PARTLY_ACCEPTED {
			t.Errorf("accepting the first alone: %s, %v", got.GetState(), err)
		}
	})
	half := func(t *testing.T) (*world, *quotev1.Quote, string, string) {
		t.Helper()
		w, q, first, second := shop(t)
		w.fake.set(func() {
			w.fake.before["SellListing"] = func(name string) error {
				if name == second {
					return status.Error(codes.Unavailable, "cut off")
				}
				return nil
			}
		})
		_, err := w.acceptLines(q)
		refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
		if a, b := w.fake.listing(first), w.fake.listing(second); a.GetState() != fitmentv1.Listing_SOLD || b.GetState() != fitmentv1.Listing_HELD {
			t.Fatalf("listings are %s and %s", a.GetState(), b.GetState())
		}
		w.fake.set(func() { delete(w.fake.before, "SellListing") })
		return w, q, first, second
	}
	t.Run("half done, completed", func(t *testing.T) {
		t.Parallel()
		w, q, _, second := half(t)
		_, err := w.decline(q)
		refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED)
		_, err = w.acceptLines(q, 2)
		refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED)
		if got := w.fake.listing(second).GetState(); got != fitmentv1.Listing_HELD {
			t.Fatalf("the second listing is %s", got)
		}
		if got, err := w.acceptLines(q); err != nil || got.GetState() != quotev1.Quote_ACCEPTED {
			t.Errorf("repeated: %s, %v", got.GetState(), err)
		}
	})
	t.Run("half done, completed too late", func(t *testing.T) {
		t.Parallel()
		w, q, _, second := half(t)
		w.clock.Advance(100 * time.Hour)
		_, err := w.acceptLines(q)
		refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_EXPIRED)
		got, err := w.acceptLines(q, 1)
		if err != nil || got.GetState() != quotev1.Quote_PARTLY_ACCEPTED {
			t.Errorf("accepting what is bought: %s, %v", got.GetState(), err)
		}
		if got := w.fake.listing(second).GetState(); got != fitmentv1.Listing_AVAILABLE {
			t.Errorf("the second listing is %s", got)
		}
	})
	t.Run("declined", func(t *testing.T) {
		t.Parallel()
		w, q, first, second := shop(t)
		got, err := w.DeclineQuote(as(t, "shop-a"), &quotev1.DeclineQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString(), Reason: "too dear"})
		if err != nil || got.GetQuote().GetDeclineReason() != "too dear" || got.GetQuote().GetLines()[0].GetState() != quotev1.QuoteLine_DECLINED {
			t.Errorf("declined: %v, %v", got, err)
		}
		for _, name := range []string{first, second} {
			if got := w.fake.listing(name).GetState(); got != fitmentv1.Listing_AVAILABLE {
				t.Errorf("%s is %s", name, got)
			}
		}
	})
}

// A new version was stored, and has not given back yet what it does not hold: an
// acceptance that read the version before buys nothing with its hold.
func TestAnAcceptanceOvertakenByANewVersionBuysNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
	second := w.listKind(spring, "yard-a", "2", 50_00, 12_00)
	q := w.prepareLines(repair())
	if got := heldListings(q); got[1] != second {
		t.Fatalf("holds %q", got)
	}
	w.listKind(spring, "yard-a", "3", 20_00, 12_00)
	w.fake.set(func() {
		w.fake.before["GetListing"] = func(string) error { // the acceptance has read the quote
			delete(w.fake.before, "GetListing")
			w.fake.before["ReleaseListing"] = func(string) error { return status.Error(codes.Unavailable, "cut off") }
			w.fake.mu.Unlock()
			defer w.fake.mu.Lock()
			_, err := w.revise(q, repair())
			return err
		}
	})
	_, err := w.acceptLines(q, 2)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED)
	if got := w.get(q.GetName()).GetState(); got != quotev1.Quote_SUPERSEDED {
		t.Errorf("the quote is %s", got)
	}
	if got := w.fake.listing(second).GetState(); got != fitmentv1.Listing_HELD {
		t.Errorf("%s is %s", second, got)
	}
}

// A sale was made in time and its acceptance not stored. Afterwards no offer comes in
// with it that the gate shuts out by now.
func TestALateAcceptanceProvesOffersAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	listing := w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
	w.offer("s1", quotev1.Offer_NEW, 60_00, func(o *quotev1.Offer) { o.Kind = spring })
	w.match("NB-40118", yes, yes)
	w.fake.set(func() { w.fake.parts[0].Part.Kind = spring })
	q := w.prepareLines(repair())
	w.store.failWith(func(changes []store.Change) (bool, error) {
		if isQuote(changes) {
			return true, errors.New("the disk is gone")
		}
		return false, nil
	})
	_, err := w.acceptLines(q)
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	if got := w.fake.listing(listing).GetState(); got != fitmentv1.Listing_SOLD {
		t.Fatalf("the listing is %s", got)
	}
	w.store.failWith(nil)
	w.clock.Advance(100 * time.Hour)
	w.fake.set(func() { w.fake.parts[0].Recall.Answer = no })
	_, err = w.acceptLines(q)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT)
	w.fake.set(func() { w.fake.parts[0].Recall.Answer = yes })
	if got, err := w.acceptLines(q); err != nil || got.GetState() != quotev1.Quote_ACCEPTED {
		t.Errorf("with the gate open: %s, %v", got.GetState(), err)
	}
}

// The law of Colorado in short: the customer consents in writing to a salvaged
// restraint, and the invoice bears its very words (C.R.S. 42-9-109.5(1)(b)).
func consenting() *fitmentv1.Decision {
	d := decision(yes, yes)
	d.Obligations = []*fitmentv1.Obligation{
		{Type: fitmentv1.Obligation_CONSENT, Text: "Only with the customer's specific written authorization.", Source: "C.R.S. 42-9-109.5(1)(b)"},
		{Type: fitmentv1.Obligation_INVOICE, Words: []string{"salvaged inflatable restraint system"}},
		{Type: fitmentv1.Obligation_FORBIDDEN_WORDS, Words: []string{"used", "as is"}},
	}
	return d
}

func TestAuthorization(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.listDecided("yard-a", "1", 100_00, consenting())
	q := w.prepare()
	o := q.GetOptions()[0]
	if o.GetConditionWords() != "salvaged inflatable restraint system" || len(o.GetObligations()) != 3 {
		t.Errorf("option %v", o)
	}
	if words := q.GetPlan().GetWords(); quote.Says(words, []string{"used"}) {
		t.Errorf("the plan says a forbidden word: %s", words)
	}
	accept := func(a *quotev1.Authorization) (*quotev1.Quote, error) {
		answer, err := w.AcceptQuote(as(t, "shop-a"), &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString(), Authorization: a})
		return answer.GetQuote(), err
	}
	good := func(alter func(*quotev1.Authorization)) *quotev1.Authorization {
		a := &quotev1.Authorization{By: "R. Ash", Method: quotev1.Authorization_SIGNED, Time: timestamppb.New(w.clock.Now()), UsedPart: true}
		alter(a)
		return a
	}
	total := q.GetTotal().GetTotal()
	for field, a := range map[string]*quotev1.Authorization{
		"authorization":           nil,
		"authorization.by":        good(func(a *quotev1.Authorization) { a.By = "" }),
		"authorization.method":    good(func(a *quotev1.Authorization) { a.Method = quotev1.Authorization_SPOKEN }),
		"authorization.time":      good(func(a *quotev1.Authorization) { a.Time = timestamppb.New(w.clock.Now().Add(time.Hour)) }),
		"authorization.up_to":     good(func(a *quotev1.Authorization) { a.UpTo = total - 1 }),
		"authorization.note":      good(func(a *quotev1.Authorization) { a.Note = strings.Repeat("x", 501) }),
		"authorization.used_part": good(func(a *quotev1.Authorization) { a.UsedPart = false }),
	} {
		_, err := accept(a)
		if got := fieldsIn(err); len(got) != 1 || got[0] != field {
			t.Errorf("%s: %v names %v", field, err, got)
		}
	}
	want := good(func(a *quotev1.Authorization) { a.UpTo, a.Note = total, "at the desk" })
	got, err := accept(want)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got.GetAuthorization(), protocmp.Transform()); diff != "" {
		t.Errorf("recorded (-want +got):\n%s", diff)
	}
}

// A quote that was stored before quotes had lines, versions and totals is read,
// accepted and revised all the same.
func TestAQuoteOfTheFirstForm(t *testing.T) {
	t.Parallel()
	for name, act := range map[string]func(w *world, q *quotev1.Quote) (quotev1.Quote_State, error){
		"accepted": func(w *world, q *quotev1.Quote) (quotev1.Quote_State, error) {
			got, err := w.accept(q)
			return got.GetState(), err
		},
		"declined": func(w *world, q *quotev1.Quote) (quotev1.Quote_State, error) {
			got, err := w.decline(q)
			return got.GetState(), err
		},
		"revised": func(w *world, q *quotev1.Quote) (quotev1.Quote_State, error) {
			got, err := w.revise(q, request())
			if got.GetVersion() != 2 {
				err = errors.Join(err, fmt.Errorf("version %d", got.GetVersion()))
			}
			return got.GetState(), err
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.list("yard-a", "1", 100_00)
			q := w.prepare()
			w.strip(q.GetName())
			if got := w.get(q.GetName()); got.GetVersion() != 1 || got.GetTotal() != nil || !got.GetIssueTime().AsTime().Equal(q.GetCreateTime().AsTime()) {
				t.Errorf("read %v", got)
			}
			want := map[string]quotev1.Quote_State{"accepted": quotev1.Quote_ACCEPTED, "declined": quotev1.Quote_DECLINED, "revised": quotev1.Quote_OPEN}[name]
			if got, err := act(w, q); err != nil || got != want {
				t.Errorf("%s, %v", got, err)
			}
		})
	}
}

// strip takes away from a stored quote what later builds added.
func (w *world) strip(name string) {
	w.t.Helper()
	key := store.Key{Tenant: "shop-a", Kind: "quote", ID: strings.TrimPrefix(name, "quotes/")}
	record, err := w.store.Get(w.t.Context(), key)
	if err != nil {
		w.t.Fatal(err)
	}
	full := &quotev1.Quote{}
	if err := proto.Unmarshal(record.Value, full); err != nil {
		w.t.Fatal(err)
	}
	old := &quotev1.Quote{
		Name: full.GetName(), Number: full.GetNumber(), State: full.GetState(), Need: full.GetNeed(), CurrencyCode: full.GetCurrencyCode(),
		DayCost: full.GetDayCost(), TaxPercent: full.GetTaxPercent(), Labour: full.GetLabour(), Options: full.GetOptions(), Plan: full.GetPlan(),
		Hold: full.GetHold(), HeldListing: full.GetHeldListing(), ValidUntil: full.GetValidUntil(), CreateTime: full.GetCreateTime(),
	}
	for _, o := range old.GetOptions() {
		o.Workings, o.ArrivalChecks, o.ConditionWords = nil, nil, ""
	}
	raw, err := proto.Marshal(old)
	if err != nil {
		w.t.Fatal(err)
	}
	applied, err := w.store.Apply(w.t.Context(), store.Change{Puts: []store.Put{{Key: key, Expect: record.Version, Value: raw}}})
	if err != nil || applied[0].Err != nil {
		w.t.Fatal(err, applied)
	}
}

func (w *world) revise(q *quotev1.Quote, prepare *quotev1.PrepareQuoteRequest) (*quotev1.Quote, error) {
	prepare = proto.CloneOf(prepare)
	prepare.RequestId = ""
	answer, err := w.ReviseQuote(as(w.t, "shop-a"), &quotev1.ReviseQuoteRequest{Name: q.GetName(), Prepare: prepare, RequestId: uuid.NewString()})
	return answer.GetQuote(), err
}

// In California nothing may only be called shop supplies (16 CCR 3356, as the trade
// press reported it). A quote that says so could not be printed, so it is refused
// when it is prepared, tried, issued or revised; one for a new part only, too.
func TestSuppliesAreNamedAsTheLawAsks(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.match("NB40118", yes, yes)
	w.fake.set(func() {
		w.fake.parts[0].Obligations = []*fitmentv1.Obligation{{
			Jurisdiction: "US-CA", Type: fitmentv1.Obligation_FORBIDDEN_WORDS, Party: fitmentv1.Obligation_INSTALLER,
			Text: "Whatever is charged for is named.", Words: []string{"shop supplies"}, Source: "16 CCR 3356",
		}}
	})
	w.offer("n", quotev1.Offer_NEW, 100_00)
	with := func(labels ...string) *quotev1.PrepareQuoteRequest {
		r := request()
		for _, label := range labels {
			r.Supplies = append(r.Supplies, &quotev1.SupplyLine{Label: label, Amount: 10_00})
		}
		return r
	}
	named := func(what string, err error, want string) {
		t.Helper()
		if got := fieldsIn(err); len(got) != 1 || got[0] != want || !strings.Contains(err.Error(), "16 CCR 3356") {
			t.Errorf("%s: %v names %v, want %s", what, err, got, want)
		}
	}
	for what, alter := range map[string]func(*quotev1.PrepareQuoteRequest){
		"prepared": func(*quotev1.PrepareQuoteRequest) {},
		"draft":    func(r *quotev1.PrepareQuoteRequest) { r.Draft = true },
		"dry run":  func(r *quotev1.PrepareQuoteRequest) { r.DryRun = true },
	} {
		r := with("thread locker", "Shop  Supplies")
		alter(r)
		_, err := w.PrepareQuote(as(t, "shop-a"), r)
		named(what, err, "supplies[1].label")
	}
	q := w.prepareLines(with("thread locker"))
	revise := func(label string) error {
		r := with(label)
		r.RequestId = ""
		_, err := w.ReviseQuote(as(t, "shop-a"), &quotev1.ReviseQuoteRequest{Name: q.GetName(), Prepare: r, RequestId: uuid.NewString()})
		return err
	}
	named("revised", revise("shop supplies"), "prepare.supplies[0].label")
	if err := revise("anchor bolts"); err != nil {
		t.Errorf("named: %v", err)
	}
}

func TestPrepareRefusesNonsenseOfLines(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for field, alter := range map[string]func(*quotev1.PrepareQuoteRequest){
		"further_needs": func(r *quotev1.PrepareQuoteRequest) {
			for range 20 {
				r.FurtherNeeds = append(r.FurtherNeeds, &quotev1.FurtherNeed{Need: need()})
			}
		},
		"further_needs[0].need":               func(r *quotev1.PrepareQuoteRequest) { r.FurtherNeeds = []*quotev1.FurtherNeed{{}} },
		"further_needs[0].need.kind":          func(r *quotev1.PrepareQuoteRequest) { r.FurtherNeeds[0].Need.Kind = 0 },
		"further_needs[0].need.vehicle":       func(r *quotev1.PrepareQuoteRequest) { r.FurtherNeeds[0].Need.Vehicle.Model = "Merlin" },
		"further_needs[0].labour.fit_minutes": func(r *quotev1.PrepareQuoteRequest) { r.FurtherNeeds[0].Labour.FitMinutes = -1 },
		"customer":                            func(r *quotev1.PrepareQuoteRequest) { r.Customer = strings.Repeat("x", 101) },
		"draft":                               func(r *quotev1.PrepareQuoteRequest) { r.Draft, r.DryRun = true, true },
		"supplies[0].label":                   func(r *quotev1.PrepareQuoteRequest) { r.Supplies = []*quotev1.SupplyLine{{Amount: 1}} },
		"supplies[0].amount":                  func(r *quotev1.PrepareQuoteRequest) { r.Supplies = []*quotev1.SupplyLine{{Label: "x", Amount: -1}} },
		"supplies_percent": func(r *quotev1.PrepareQuoteRequest) {
			r.Supplies, r.SuppliesPercent = []*quotev1.SupplyLine{{Label: "x", Amount: 1}}, "5"
		},
		"tax_place":              func(r *quotev1.PrepareQuoteRequest) { r.TaxPlace = "Ohio" },
		"limits.max_cost":        func(r *quotev1.PrepareQuoteRequest) { r.Limits = &quotev1.Limits{MaxCost: -1} },
		"limits.max_days":        func(r *quotev1.PrepareQuoteRequest) { r.Limits = &quotev1.Limits{MaxDays: -1} },
		"limits.min_lower_bound": func(r *quotev1.PrepareQuoteRequest) { r.Limits = &quotev1.Limits{MinLowerBound: 1} },
		"deadline_days":          func(r *quotev1.PrepareQuoteRequest) { r.LateCost = 1 },
		"late_cost":              func(r *quotev1.PrepareQuoteRequest) { r.DeadlineDays, r.LateCost = 1, -1 },
	} {
		r := repair()
		alter(r)
		_, err := w.PrepareQuote(as(t, "shop-a"), r)
		if got := fieldsIn(err); len(got) != 1 || got[0] != field {
			t.Errorf("%s: %v names %v", field, err, got)
		}
	}
	// California does not allow a percentage (16 CCR 3356(c)); where nothing says
	// that one is allowed, none is.
	for _, place := range []string{"US-CA", "US-OH", "US-ZZ", ""} {
		r := repair()
		r.SuppliesPercent, r.TaxPlace = "5", place
		if got := fieldsIn(second(w.PrepareQuote(as(t, "shop-a"), r))); len(got) != 1 || got[0] != "supplies_percent" {
			t.Errorf("%q: %v", place, got)
		}
	}
}

func second[A any](_ A, err error) error { return err }

// With the fitment service dead no quote of several lines is made or accepted, and
// those that were are read.
func TestLinesWithoutTheFitmentService(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
	w.listKind(spring, "yard-a", "2", 50_00, 12_00)
	q := w.prepareLines(repair())
	w.listKind(buckle, "yard-b", "1", 100_00, 12_00)
	w.listKind(spring, "yard-b", "2", 50_00, 12_00)
	draft := repair()
	draft.Draft = true
	drafted := w.prepareLines(draft)
	before, err := w.store.Place(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	w.fake.set(func() {
		for _, method := range []string{"FindDonors", "FindParts", "Decide", "GetListing", "HoldListing", "ReleaseListing", "SellListing"} {
			w.fake.before[method] = func(string) error { return status.Error(codes.Unavailable, "connection refused") }
		}
	})
	down := func(err error) {
		t.Helper()
		refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	}
	down(second(w.PrepareQuote(as(t, "shop-a"), repair())))
	down(second(w.PrepareQuote(as(t, "shop-a"), draft2())))
	down(second(w.IssueQuote(as(t, "shop-a"), &quotev1.IssueQuoteRequest{Name: drafted.GetName(), RequestId: uuid.NewString()})))
	down(second(w.revise(q, repair())))
	if after, err := w.store.Place(t.Context()); err != nil || after != before {
		t.Errorf("the store went from %v to %v, %v", before, after, err)
	}
	down(second(w.acceptLines(q)))
	down(second(w.decline(q)))
	if diff := cmp.Diff(q.GetLines(), w.get(q.GetName()).GetLines(), protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	list, err := w.ListQuotes(as(t, "shop-a"), &quotev1.ListQuotesRequest{})
	if err != nil || len(list.GetQuotes()) != 2 {
		t.Errorf("listed %d, %v", len(list.GetQuotes()), err)
	}
	w.fake.set(func() { clear(w.fake.before) })
	if got, err := w.acceptLines(q); err != nil || got.GetState() != quotev1.Quote_ACCEPTED {
		t.Errorf("accepted later: %s, %v", got.GetState(), err)
	}
}

func draft2() *quotev1.PrepareQuoteRequest {
	r := repair()
	r.Draft = true
	return r
}

func TestListQuotesFilters(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.match("NB40118", yes, yes)
	w.offer("new", quotev1.Offer_NEW, 300_00)
	made := make(map[string]*quotev1.Quote)
	for i, name := range []string{"open", "accepted", "declined", "expired", "draft"} {
		r := request()
		r.Customer, r.Draft = fmt.Sprint("customer ", i%2), name == "draft"
		if name == "expired" {
			r.ValidHours = 1
		}
		made[name] = w.prepareLines(r)
	}
	if _, err := w.accept(made["accepted"]); err != nil {
		t.Fatal(err)
	}
	if _, err := w.decline(made["declined"]); err != nil {
		t.Fatal(err)
	}
	w.clock.Advance(24 * time.Hour)
	r := request()
	r.Customer = "tomorrow's"
	made["late"] = w.prepareLines(r)
	list := func(r *quotev1.ListQuotesRequest) []string {
		t.Helper()
		var names []string
		for {
			answer, err := w.ListQuotes(as(t, "shop-a"), r)
			if err != nil {
				t.Fatal(err)
			}
			for _, q := range answer.GetQuotes() {
				for name, other := range made {
					if q.GetName() == other.GetName() {
						names = append(names, name)
					}
				}
			}
			if r.PageToken = answer.GetNextPageToken(); r.GetPageToken() == "" {
				slices.Sort(names)
				return names
			}
		}
	}
	for _, test := range []struct {
		request *quotev1.ListQuotesRequest
		want    []string
	}{
		{&quotev1.ListQuotesRequest{}, []string{"accepted", "declined", "draft", "expired", "late", "open"}},
		{&quotev1.ListQuotesRequest{PageSize: 1}, []string{"accepted", "declined", "draft", "expired", "late", "open"}},
		{&quotev1.ListQuotesRequest{State: quotev1.Quote_OPEN, PageSize: 1}, []string{"late", "open"}},
		{&quotev1.ListQuotesRequest{State: quotev1.Quote_EXPIRED}, []string{"expired"}},
		{&quotev1.ListQuotesRequest{State: quotev1.Quote_DRAFT}, []string{"draft"}},
		{&quotev1.ListQuotesRequest{State: quotev1.Quote_SUPERSEDED}, nil},
		{&quotev1.ListQuotesRequest{Customer: "customer 1"}, []string{"accepted", "expired"}},
		{&quotev1.ListQuotesRequest{FromDay: "2026-03-11"}, []string{"late"}},
		{&quotev1.ListQuotesRequest{ToDay: "2026-03-10", State: quotev1.Quote_DECLINED}, []string{"declined"}},
		{&quotev1.ListQuotesRequest{FromDay: "2026-03-12"}, nil},
	} {
		if diff := cmp.Diff(test.want, list(test.request)); diff != "" {
			t.Errorf("%v (-want +got):\n%s", test.request, diff)
		}
	}
	for field, r := range map[string]*quotev1.ListQuotesRequest{
		"state": {State: 99}, "from_day": {FromDay: "yesterday"}, "to_day": {FromDay: "2026-03-11", ToDay: "2026-03-10"},
		"customer": {Customer: strings.Repeat("x", 101)},
	} {
		_, err := w.ListQuotes(as(t, "shop-a"), r)
		if got := fieldsIn(err); len(got) != 1 || got[0] != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	first, err := w.ListQuotes(as(t, "shop-a"), &quotev1.ListQuotesRequest{PageSize: 1, State: quotev1.Quote_OPEN})
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.ListQuotes(as(t, "shop-a"), &quotev1.ListQuotesRequest{PageSize: 1, PageToken: first.GetNextPageToken()})
	if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID {
		t.Errorf("a token of another filter: %v", err)
	}
}
