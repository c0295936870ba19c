package server_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
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

func (w *world) draft() *quotev1.Quote {
	w.t.Helper()
	r := request()
	r.Draft = true
	return w.prepareLines(r)
}

func (w *world) issue(q *quotev1.Quote) (*quotev1.Quote, error) {
	answer, err := w.IssueQuote(as(w.t, "shop-a"), &quotev1.IssueQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()})
	return answer.GetQuote(), err
}

// A draft holds nothing and has no number; issuing it weighs anew, and says what is
// different.
func TestADraftIsIssued(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	r := request()
	r.Draft, r.Customer, r.Reference = true, "R. Ash", "order 7"
	draft := w.prepareLines(r)
	if draft.GetState() != quotev1.Quote_DRAFT || draft.GetNumber() != "" || draft.GetHold() != nil || draft.GetIssueTime() != nil ||
		draft.GetName() != "quotes/D-"+r.GetRequestId() || w.fake.count("HoldListing") != 0 {
		t.Errorf("draft %v", draft)
	}
	if again := w.prepareLines(r); !proto.Equal(again, draft) {
		t.Error("the repeat answers otherwise")
	}
	w.clock.Advance(time.Hour)
	w.fake.set(func() { w.fake.donors[name].Listing.Price = 90_00 })
	ir := &quotev1.IssueQuoteRequest{Name: draft.GetName(), RequestId: uuid.NewString()}
	answer, err := w.IssueQuote(as(t, "shop-a"), ir)
	if err != nil {
		t.Fatal(err)
	}
	q := answer.GetQuote()
	if q.GetState() != quotev1.Quote_OPEN || q.GetNumber() != "Q-2026-000001" || q.GetHeldListing() != name || q.GetVersion() != 1 || q.GetSupersedes() != "" {
		t.Errorf("issued %v", q)
	}
	if q.GetCustomer() != "R. Ash" || q.GetReference() != "order 7" || !q.GetIssueTime().AsTime().Equal(w.clock.Now()) {
		t.Errorf("customer %q, reference %q, issued %s", q.GetCustomer(), q.GetReference(), q.GetIssueTime().AsTime())
	}
	var changed []string
	for _, d := range q.GetDifferences() {
		changed = append(changed, d.GetWhat()+": "+d.GetBefore()+" → "+d.GetAfter())
	}
	for _, want := range []string{"line 1, " + name + ", price: 100.00 USD → 90.00 USD", "total: 110.00 USD → 100.00 USD"} {
		if !slices.Contains(changed, want) {
			t.Errorf("no difference says %q: %q", want, changed)
		}
	}
	if again, err := w.IssueQuote(as(t, "shop-a"), ir); err != nil || !proto.Equal(again, answer) {
		t.Errorf("the repeat answers %v, %v", again, err)
	}
	if got := w.get(draft.GetName()); got.GetState() != quotev1.Quote_SUPERSEDED || got.GetSupersededBy() != q.GetName() {
		t.Errorf("the draft is %s, superseded by %q", got.GetState(), got.GetSupersededBy())
	}
	if _, err := w.accept(q); err != nil {
		t.Error(err)
	}
}

// A new version takes the hold over where it buys the same listing first: the
// listing is held without a gap, and by one quote.
func TestANewVersionTakesTheHoldOver(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 100_00)
	old := w.prepare()
	same, err := w.revise(old, request())
	if err != nil {
		t.Fatal(err)
	}
	if same.GetVersion() != 2 || same.GetSupersedes() != old.GetName() || same.GetNumber() != "Q-2026-000002" || len(same.GetDifferences()) != 0 {
		t.Errorf("version %d of %s, number %s, differences %v", same.GetVersion(), same.GetSupersedes(), same.GetNumber(), same.GetDifferences())
	}
	if same.GetHeldListing() != name || same.GetHold().GetFence() != old.GetHold().GetFence()+1 || w.fake.count("ReleaseListing") != 0 {
		t.Errorf("held %s by %v", same.GetHeldListing(), same.GetHold())
	}
	if got := w.get(old.GetName()); got.GetState() != quotev1.Quote_SUPERSEDED || got.GetSupersededBy() != same.GetName() {
		t.Errorf("the old version is %s, superseded by %q", got.GetState(), got.GetSupersededBy())
	}
	for _, act := range []func(*quotev1.Quote) (*quotev1.Quote, error){w.accept, w.decline, func(q *quotev1.Quote) (*quotev1.Quote, error) { return w.revise(q, request()) }} {
		_, err := act(old)
		refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED)
		if !strings.Contains(status.Convert(err).Message(), same.GetName()) {
			t.Errorf("%v does not name the new version", err)
		}
	}
	dearer := request()
	dearer.DayCost, dearer.Customer = 10_00, "R. Ash"
	third, err := w.revise(same, dearer)
	if err != nil {
		t.Fatal(err)
	}
	if len(third.GetDifferences()) == 0 || third.GetVersion() != 3 {
		t.Errorf("version %d, differences %v", third.GetVersion(), third.GetDifferences())
	}
	if _, err := w.accept(third); err != nil {
		t.Error(err)
	}
}

// The request that made a draft comes again after the store has forgotten it: what
// became of the draft stays.
func TestADraftIsNotMadeAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	r := request()
	r.Draft = true
	draft := w.prepareLines(r)
	if _, err := w.issue(draft); err != nil {
		t.Fatal(err)
	}
	w.clock.Advance(1000 * time.Hour)
	_, err := w.PrepareQuote(as(t, "shop-a"), r)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	if got := w.get(draft.GetName()).GetState(); got != quotev1.Quote_SUPERSEDED {
		t.Errorf("the draft is %s", got)
	}
}

// A quote that just fits into a record has a new version in which much is different.
func TestAFullQuoteIsRevised(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.fake.set(func() { w.fake.pageSize = 100 })
	const listings, detailed = 100, quote.MaxDetailed
	long := decision(yes, yes)
	long.Obligations = []*fitmentv1.Obligation{{Text: "x"}}
	for i := range listings {
		w.listDecided("yard-a", fmt.Sprintf("%03d", i), int64(100_00+100*i), long)
	}
	made := func(by string) {
		w.fake.set(func() {
			for _, d := range w.fake.donors {
				d.Listing.PartMaker = strings.Repeat(by, 100)
			}
		})
	}
	made("…")
	dry := request()
	dry.DryRun, dry.RequestId = true, ""
	room := store.MaxValue - 17<<10 - proto.Size(w.prepareLines(dry))
	w.fake.set(func() { long.Obligations[0].Text = strings.Repeat("x", room/detailed) })
	first := w.prepare()
	if size := proto.Size(first); size < store.MaxValue-20<<10 {
		t.Fatalf("the quote has %d bytes only", size)
	}
	made("†")
	second, err := w.revise(first, request())
	if err != nil || len(second.GetDifferences()) != listings {
		t.Fatalf("%d differences, %v", len(second.GetDifferences()), err)
	}
	answer, err := w.AcceptQuote(as(t, "shop-a"), &quotev1.AcceptQuoteRequest{
		Name: second.GetName(), RequestId: uuid.NewString(), Authorization: &quotev1.Authorization{
			By: strings.Repeat("…", 100), Method: quotev1.Authorization_SIGNED, Time: timestamppb.New(w.clock.Now()), Note: strings.Repeat("…", 500),
		},
	})
	if err != nil || answer.GetQuote().GetState() != quotev1.Quote_ACCEPTED {
		t.Errorf("accepted: %s, %v", answer.GetQuote().GetState(), err)
	}
}

func TestANewVersionGivesOtherHoldsBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	dear := w.list("yard-a", "1", 100_00)
	old := w.prepare()
	cheap := w.list("yard-b", "1", 50_00)
	r := &quotev1.ReviseQuoteRequest{Name: old.GetName(), Prepare: request(), RequestId: uuid.NewString()}
	r.Prepare.RequestId = ""
	w.fake.set(func() {
		w.fake.before["ReleaseListing"] = func(string) error { return status.Error(codes.Unavailable, "cut off") }
	})
	answer, err := w.ReviseQuote(as(t, "shop-a"), r)
	if err != nil || answer.GetQuote().GetHeldListing() != cheap {
		t.Fatalf("revised %v, %v", answer, err)
	}
	w.fake.set(func() { delete(w.fake.before, "ReleaseListing") })
	if again, err := w.ReviseQuote(as(t, "shop-a"), r); err != nil || !proto.Equal(again, answer) {
		t.Errorf("the repeat answers %v, %v", again, err)
	}
	if got := w.fake.listing(dear).GetState(); got != fitmentv1.Listing_AVAILABLE {
		t.Errorf("%s is %s", dear, got)
	}
}

func TestARunOutOrDeclinedQuoteIsRevised(t *testing.T) {
	t.Parallel()
	for name, end := range map[string]func(w *world, q *quotev1.Quote){
		"run out": func(w *world, _ *quotev1.Quote) { w.clock.Advance(100 * time.Hour) },
		"declined": func(w *world, q *quotev1.Quote) {
			if _, err := w.decline(q); err != nil {
				w.t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			listing := w.list("yard-a", "1", 100_00)
			q := w.prepare()
			end(w, q)
			next, err := w.revise(q, request())
			if err != nil || next.GetHeldListing() != listing || next.GetVersion() != 2 {
				t.Fatalf("revised %v, %v", next, err)
			}
			if _, err := w.accept(next); err != nil {
				t.Error(err)
			}
		})
	}
}

// Every state of a quote against everything that can be done with it.
func TestLifeOfAQuote(t *testing.T) {
	t.Parallel()
	must := func(w *world, q *quotev1.Quote, err error) *quotev1.Quote {
		w.t.Helper()
		if err != nil {
			w.t.Fatal(err)
		}
		return q
	}
	states := map[string]func(w *world) *quotev1.Quote{
		"draft": func(w *world) *quotev1.Quote { return w.draft() },
		"open":  func(w *world) *quotev1.Quote { return w.prepare() },
		"accepted": func(w *world) *quotev1.Quote {
			q := w.prepare()
			got, err := w.accept(q)
			return must(w, got, err)
		},
		"declined": func(w *world) *quotev1.Quote {
			q := w.prepare()
			got, err := w.decline(q)
			return must(w, got, err)
		},
		"expired": func(w *world) *quotev1.Quote {
			q := w.prepare()
			w.clock.Advance(100 * time.Hour)
			return q
		},
		"superseded": func(w *world) *quotev1.Quote {
			q := w.prepare()
			next, err := w.revise(q, request())
			must(w, next, err)
			return q
		},
		"issued draft": func(w *world) *quotev1.Quote {
			q := w.draft()
			next, err := w.issue(q)
			must(w, next, err)
			return q
		},
		"partly accepted": func(w *world) *quotev1.Quote {
			w.listKind(spring, "yard-s", "1", 50_00, 10_00)
			q := w.prepareLines(repair())
			got, err := w.acceptLines(q, 1)
			return must(w, got, err)
		},
	}
	actions := map[string]func(w *world, q *quotev1.Quote) (*quotev1.Quote, error){
		"issue":   func(w *world, q *quotev1.Quote) (*quotev1.Quote, error) { return w.issue(q) },
		"accept":  func(w *world, q *quotev1.Quote) (*quotev1.Quote, error) { return w.accept(q) },
		"decline": func(w *world, q *quotev1.Quote) (*quotev1.Quote, error) { return w.decline(q) },
		"revise":  func(w *world, q *quotev1.Quote) (*quotev1.Quote, error) { return w.revise(q, request()) },
	}
	const (
		gone  = fitmentv1.ErrorInfo_QUOTE_CLOSED
		late  = fitmentv1.ErrorInfo_QUOTE_EXPIRED
		early = fitmentv1.ErrorInfo_QUOTE_NOT_ISSUED
		fine  = fitmentv1.ErrorInfo_REASON_UNSPECIFIED
	)
	table := map[string]map[string]fitmentv1.ErrorInfo_Reason{
		"draft":           {"issue": fine, "accept": early, "decline": fine, "revise": early},
		"open":            {"issue": gone, "accept": fine, "decline": fine, "revise": fine},
		"accepted":        {"issue": gone, "accept": gone, "decline": gone, "revise": gone},
		"partly accepted": {"issue": gone, "accept": gone, "decline": gone, "revise": gone},
		"declined":        {"issue": gone, "accept": gone, "decline": gone, "revise": fine},
		"expired":         {"issue": gone, "accept": late, "decline": fine, "revise": fine},
		"superseded":      {"issue": gone, "accept": gone, "decline": gone, "revise": gone},
		"issued draft":    {"issue": gone, "accept": gone, "decline": gone, "revise": gone},
	}
	for state, set := range states {
		for action, act := range actions {
			t.Run(state+", "+action, func(t *testing.T) {
				t.Parallel()
				w := newWorld(t)
				w.list("yard-a", "1", 100_00)
				w.list("yard-b", "1", 120_00)
				q := set(w)
				before := w.get(q.GetName())
				_, err := act(w, q)
				want := table[state][action]
				if got := apierr.ReasonOf(err); got != want || (err != nil) != (want != fine) {
					t.Fatalf("got %v, want %s", err, want)
				}
				after := w.get(q.GetName())
				if (want == fine) != !proto.Equal(before, after) {
					t.Errorf("the quote went from %s to %s", before.GetState(), after.GetState())
				}
			})
		}
	}
}

// A new version was not stored after the hold was extended for it: the old version
// finds its hold again, whatever is done with it.
func TestAVersionThatWasNotStoredLeavesTheOldOneItsHold(t *testing.T) {
	t.Parallel()
	for name, act := range map[string]func(w *world, q *quotev1.Quote, same *quotev1.ReviseQuoteRequest) (*quotev1.Quote, error){
		"accept": func(w *world, q *quotev1.Quote, _ *quotev1.ReviseQuoteRequest) (*quotev1.Quote, error) {
			return w.accept(q)
		},
		"decline": func(w *world, q *quotev1.Quote, _ *quotev1.ReviseQuoteRequest) (*quotev1.Quote, error) {
			return w.decline(q)
		},
		"revise": func(w *world, q *quotev1.Quote, _ *quotev1.ReviseQuoteRequest) (*quotev1.Quote, error) {
			next, err := w.revise(q, request())
			if err == nil {
				return w.accept(next)
			}
			return nil, err
		},
		"the same revision": func(w *world, _ *quotev1.Quote, same *quotev1.ReviseQuoteRequest) (*quotev1.Quote, error) {
			answer, err := w.ReviseQuote(as(w.t, "shop-a"), same)
			if err == nil {
				return w.accept(answer.GetQuote())
			}
			return nil, err
		},
	} {
		for _, lostExtension := range []bool{false, true} {
			t.Run(fmt.Sprint(name, ", answer lost: ", lostExtension), func(t *testing.T) {
				t.Parallel()
				w := newWorld(t)
				listing := w.list("yard-a", "1", 100_00)
				q := w.prepare()
				r := &quotev1.ReviseQuoteRequest{Name: q.GetName(), Prepare: request(), RequestId: uuid.NewString()}
				r.Prepare.RequestId = ""
				w.store.failWith(func(changes []store.Change) (bool, error) {
					if isQuote(changes) {
						return true, errors.New("the disk is gone")
					}
					return false, nil
				})
				if lostExtension {
					w.fake.set(func() {
						w.fake.after["HoldListing"] = func(string) error { return status.Error(codes.Unavailable, "connection reset") }
					})
				}
				_, err := w.ReviseQuote(as(t, "shop-a"), r)
				refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
				w.store.failWith(nil)
				w.fake.set(func() { clear(w.fake.after) })
				if got := w.fake.listing(listing); got.GetHold().GetFence() == q.GetHold().GetFence() {
					t.Fatal("the hold was not extended, so the test shows nothing")
				}
				got, err := act(w, q, r)
				if err != nil {
					t.Fatal(err)
				}
				want := fitmentv1.Listing_SOLD
				if got.GetState() == quotev1.Quote_DECLINED {
					want = fitmentv1.Listing_AVAILABLE
				}
				if l := w.fake.listing(listing); l.GetState() != want {
					t.Errorf("quote %s, listing %s", got.GetState(), l.GetState())
				}
			})
		}
	}
}

// Accepting, declining and revising a quote at once: one of them has it, and the
// listing is sold if and only if a quote that is accepted has it.
func TestRacesOfVersions(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for round := range 12 {
		stock := fmt.Sprint(round)
		a, b := w.listKind(buckle, "yard-a", stock, 100_00, 10_00), w.listKind(spring, "yard-a", "s"+stock, 50_00, 10_00)
		q := w.prepareLines(repair())
		acts := []func() (*quotev1.Quote, error){
			func() (*quotev1.Quote, error) { return w.acceptLines(q) },
			func() (*quotev1.Quote, error) { return w.decline(q) },
			func() (*quotev1.Quote, error) { return w.revise(q, repair()) },
			func() (*quotev1.Quote, error) { return w.acceptLines(q) },
			func() (*quotev1.Quote, error) { return w.revise(q, repair()) },
		}
		made := make([]*quotev1.Quote, len(acts))
		var all sync.WaitGroup
		for i, act := range acts {
			all.Go(func() {
				got, err := act()
				allowed := []fitmentv1.ErrorInfo_Reason{
					fitmentv1.ErrorInfo_QUOTE_CLOSED, fitmentv1.ErrorInfo_HOLD_LOST, fitmentv1.ErrorInfo_LISTING_GONE,
					fitmentv1.ErrorInfo_NOTHING_TO_BUY, fitmentv1.ErrorInfo_ETAG_STALE,
				}
				if err != nil && !slices.Contains(allowed, apierr.ReasonOf(err)) {
					t.Errorf("round %d, act %d: %v", round, i, err)
				}
				made[i] = got
			})
		}
		all.Wait()
		w.settleQuotes(t, []string{a, b})
		// what is still open is accepted, so that the next round has its own
		for _, open := range w.quotes(quotev1.Quote_OPEN) {
			if _, err := w.acceptLines(open); err != nil {
				t.Errorf("round %d: %s cannot be accepted: %v", round, open.GetName(), err)
			}
		}
		w.settleQuotes(t, []string{a, b})
	}
	w.numbered(t)
}

// quotes lists shop-a's quotes in a state.
func (w *world) quotes(state quotev1.Quote_State) []*quotev1.Quote {
	w.t.Helper()
	answer, err := w.ListQuotes(as(w.t, "shop-a"), &quotev1.ListQuotesRequest{PageSize: 1000, State: state})
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.GetQuotes()
}

// reporter is what a test and a property have in common.
type reporter interface {
	Helper()
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
}

// settleQuotes demands that listings are held by open quotes only, each by one,
// and sold if and only if an accepted line bought them.
func (w *world) settleQuotes(t reporter, listings []string) {
	t.Helper()
	bought, held := make(map[string]string), make(map[string]string)
	for _, q := range w.quotes(quotev1.Quote_STATE_UNSPECIFIED) {
		for _, line := range quote.Lines(q) {
			name := line.GetHeldListing()
			switch {
			case name == "":
			case line.GetState() == quotev1.QuoteLine_ACCEPTED:
				if other := bought[name]; other != "" {
					t.Errorf("%s is bought by %s and %s", name, other, q.GetName())
				}
				bought[name] = q.GetName()
			case q.GetState() == quotev1.Quote_OPEN:
				if other := held[name]; other != "" {
					t.Errorf("%s is held by %s and %s", name, other, q.GetName())
				}
				held[name] = q.GetName()
			}
		}
	}
	for _, name := range listings {
		l := w.fake.listing(name)
		switch l.GetState() {
		case fitmentv1.Listing_SOLD:
			if bought[name] == "" {
				t.Errorf("%s is sold, and no accepted quote bought it", name)
			}
		case fitmentv1.Listing_HELD:
			if held[name] == "" {
				t.Errorf("%s is held until %s, and no open quote holds it", name, l.GetHold().GetExpireTime().AsTime())
			}
		default:
			if bought[name] != "" || held[name] != "" {
				t.Errorf("%s is %s, and bought by %q, held by %q", name, l.GetState(), bought[name], held[name])
			}
		}
	}
}

// numbered demands that the numbers of all quotes follow each other.
func (w *world) numbered(t reporter) {
	t.Helper()
	var numbers []string
	for _, q := range w.quotes(quotev1.Quote_STATE_UNSPECIFIED) {
		if q.GetNumber() != "" {
			numbers = append(numbers, q.GetNumber())
		}
	}
	slices.Sort(numbers)
	for i, number := range numbers {
		if want := fmt.Sprintf("Q-2026-%06d", i+1); number != want {
			t.Fatalf("number %s where %s is due", number, want)
		}
	}
}

func TestReviseRefusesNonsense(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	q := w.prepare()
	for field, alter := range map[string]func(*quotev1.ReviseQuoteRequest){
		"request_id":            func(r *quotev1.ReviseQuoteRequest) { r.RequestId = "7" },
		"name":                  func(r *quotev1.ReviseQuoteRequest) { r.Name = "offers/x" },
		"prepare.need":          func(r *quotev1.ReviseQuoteRequest) { r.Prepare.Need = nil },
		"prepare.currency_code": func(r *quotev1.ReviseQuoteRequest) { r.Prepare.CurrencyCode = "" },
		"prepare.request_id":    func(r *quotev1.ReviseQuoteRequest) { r.Prepare.RequestId = uuid.NewString() },
		"prepare.dry_run":       func(r *quotev1.ReviseQuoteRequest) { r.Prepare.DryRun = true },
		"prepare.draft":         func(r *quotev1.ReviseQuoteRequest) { r.Prepare.Draft = true },
	} {
		r := &quotev1.ReviseQuoteRequest{Name: q.GetName(), Prepare: request(), RequestId: uuid.NewString()}
		r.Prepare.RequestId = ""
		alter(r)
		_, err := w.ReviseQuote(as(t, "shop-a"), r)
		if got := fieldsIn(err); len(got) != 1 || got[0] != field {
			t.Errorf("%s: %v names %v", field, err, got)
		}
	}
	_, err := w.ReviseQuote(as(t, "shop-a"), &quotev1.ReviseQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()})
	if got := fieldsIn(err); len(got) == 0 {
		t.Errorf("without prepare: %v", err)
	}
	_, err = w.IssueQuote(as(t, "shop-a"), &quotev1.IssueQuoteRequest{Name: "quotes/D-none", RequestId: uuid.NewString()})
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
	other := as(t, "shop-b")
	_, err = w.IssueQuote(other, &quotev1.IssueQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()})
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
}

// Drafts answer with everything that the request asks, so that issuing one asks the
// same again.
func TestARequestComesBackOutOfItsQuote(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.listKind(buckle, "yard-a", "1", 100_00, 12_00)
	w.listKind(spring, "yard-a", "2", 50_00, 12_00)
	r := repair()
	r.Draft, r.DayCost, r.TaxPercent, r.ValidHours, r.Reference, r.Customer = true, 5_00, "7.25", 48, "order 7", "R. Ash"
	r.Labour = &quotev1.Labour{FitMinutes: 60, HourlyRate: 100_00}
	r.Supplies = []*quotev1.SupplyLine{{Label: "thread lock", Amount: 3_00}}
	r.TaxPlace, r.Parallel, r.DeadlineDays, r.LateCost = "US-WA", true, 10, 50_00
	r.Limits = &quotev1.Limits{MaxCost: 1_000_00, MaxDays: 30}
	q := w.prepareLines(r)
	want := proto.CloneOf(r)
	want.RequestId, want.Draft = "", false
	if diff := cmp.Diff(want, quote.RequestOf(q), protocmp.Transform()); diff != "" {
		t.Errorf("asked again (-want +got):\n%s", diff)
	}
	if _, err := w.issue(q); err != nil {
		t.Error(err)
	}
}

// An attempt chose in vain, since another quote of the business had the listing; the
// next one held a second listing, and the quote was not stored. A repeat goes on with
// that one, and gives it back where something else is first by now.
func TestARepeatFindsTheHoldOfALaterAttempt(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first, second := w.list("yard-a", "1", 100_00), w.list("yard-b", "1", 120_00)
	var other *quotev1.Quote
	w.fake.set(func() {
		w.fake.after["FindDonors"] = func(string) error {
			if other != nil {
				return nil
			}
			delete(w.fake.after, "FindDonors")
			w.fake.mu.Unlock()
			defer w.fake.mu.Lock()
			other = w.prepare()
			return nil
		}
	})
	r := request()
	w.store.failWith(func(changes []store.Change) (bool, error) {
		if isQuote(changes) && other != nil {
			return true, errors.New("the disk is gone")
		}
		return false, nil
	})
	_, err := w.PrepareQuote(as(t, "shop-a"), r)
	refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	w.store.failWith(nil)
	if got := w.fake.listing(second); other.GetHeldListing() != first || got.GetState() != fitmentv1.Listing_HELD {
		t.Fatalf("the other quote holds %s, and %s is %s: the test shows nothing", other.GetHeldListing(), second, got.GetState())
	}
	if _, err := w.decline(other); err != nil {
		t.Fatal(err)
	}
	answer, err := w.PrepareQuote(as(t, "shop-a"), r)
	if err != nil || answer.GetQuote().GetHeldListing() != first {
		t.Fatalf("repeated: %v, %v", answer.GetQuote().GetHeldListing(), err)
	}
	w.settleQuotes(t, []string{first, second})
}
