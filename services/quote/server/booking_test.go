package server_test

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/books"
	"beltwright.example/services/store"
)

const coreOffer = "offers/northline.core"

// acceptedQuote stores an accepted quote of shop-a's, for a listing and, should it
// fail, an offer; both ask a deposit.
func (w *world) acceptedQuote(n int, alter ...func(*quotev1.Quote)) *quotev1.Quote {
	w.t.Helper()
	id := fmt.Sprintf("Q-2026-%06d", n)
	q := &quotev1.Quote{
		Name: "quotes/" + id, Number: id, State: quotev1.Quote_ACCEPTED, Need: need(), CurrencyCode: "USD", Customer: "C-17",
		CreateTime: timestamppb.New(w.clock.Now()), CloseTime: timestamppb.New(w.clock.Now()),
		ValidUntil: timestamppb.New(w.clock.Now().Add(time.Hour)),
		Options: []*quotev1.Option{
			{Source: "listings/yard-a." + fmt.Sprint(n), Condition: quotev1.Offer_USED, Seller: "yard-a", Price: 100_00, CoreDeposit: 50_00, FitLabour: 60_00, LandedCost: 210_00, PlanPlace: 1, Days: 3, CoreDays: 10},
			{Source: coreOffer, Condition: quotev1.Offer_REMANUFACTURED, Seller: "Northline", Price: 200_00, CoreDeposit: 40_00, LandedCost: 240_00, PlanPlace: 2, Days: 5},
		},
	}
	for _, a := range alter {
		a(q)
	}
	w.put("quote", id, q)
	return q
}

// put stores a message of shop-a's.
func (w *world) put(kind, id string, m proto.Message) {
	w.t.Helper()
	raw, err := proto.Marshal(m)
	if err != nil {
		w.t.Fatal(err)
	}
	w.putRaw(kind, id, raw)
}

// putRaw stores a record of shop-a's.
func (w *world) putRaw(kind, id string, raw []byte) {
	w.t.Helper()
	put := store.Put{Key: store.Key{Tenant: "shop-a", Kind: kind, ID: id}, Expect: store.Whatever, Value: raw}
	if applied, err := w.store.Store.Apply(w.t.Context(), store.Change{Puts: []store.Put{put}}); err != nil || applied[0].Err != nil {
		w.t.Fatal(err, applied)
	}
}

func booking(q *quotev1.Quote, kind quotev1.Entry_Kind, amount int64, source string) *quotev1.RecordEntryRequest {
	return &quotev1.RecordEntryRequest{RequestId: uuid.NewString(), Entry: &quotev1.Entry{
		Kind: kind, Quote: q.GetName(), Source: source, Amount: amount, CurrencyCode: "USD", Day: "2026-03-10", Note: "a note",
	}}
}

func (w *world) book(r *quotev1.RecordEntryRequest) *quotev1.Entry {
	w.t.Helper()
	answer, err := w.RecordEntry(as(w.t, "shop-a"), r)
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.GetEntry()
}

func TestAnEntryIsBookedOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ctx := as(t, "shop-a")
	q := w.acceptedQuote(1)
	r := booking(q, quotev1.Entry_PAID, 150_00, "listings/yard-a.1")
	first, err := w.RecordEntry(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	want := proto.CloneOf(r.GetEntry())
	want.Name, want.Customer, want.CreateTime = "entries/Q-2026-000001.0001", "C-17", timestamppb.New(w.clock.Now())
	if diff := cmp.Diff(want, first.GetEntry(), protocmp.Transform()); diff != "" {
		t.Errorf("stored (-want +got):\n%s", diff)
	}
	again, err := w.RecordEntry(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first, again, protocmp.Transform()); diff != "" {
		t.Errorf("the repeat answers otherwise:\n%s", diff)
	}
	other := proto.CloneOf(r)
	other.Entry.Amount++
	_, err = w.RecordEntry(ctx, other)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	if second := w.book(booking(q, quotev1.Entry_RECEIVED, 1, "")); second.GetName() != "entries/Q-2026-000001.0002" {
		t.Errorf("the second entry is %s", second.GetName())
	}
}

func TestEntriesThatAreRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	q := w.acceptedQuote(1)
	open := w.acceptedQuote(2, func(q *quotev1.Quote) { q.State = quotev1.Quote_OPEN })
	for name, c := range map[string]struct {
		tenant string
		change func(r *quotev1.RecordEntryRequest)
		want   []string
	}{
		"no request id":    {"shop-a", func(r *quotev1.RecordEntryRequest) { r.RequestId = "" }, []string{"request_id"}},
		"no entry":         {"shop-a", func(r *quotev1.RecordEntryRequest) { r.Entry = nil }, []string{"entry"}},
		"no such quote":    {"shop-a", func(r *quotev1.RecordEntryRequest) { r.Entry.Quote = "quotes/Q-2026-000009" }, []string{"entry.quote"}},
		"another business": {"shop-b", func(*quotev1.RecordEntryRequest) {}, []string{"entry.quote"}},
		"still open":       {"shop-a", func(r *quotev1.RecordEntryRequest) { r.Entry.Quote = open.GetName() }, []string{"entry.quote"}},
		"never bought": {
			"shop-a", func(r *quotev1.RecordEntryRequest) { r.Entry.Source = coreOffer }, []string{"entry.source"},
		},
		"forfeited, but never bought": {
			"shop-a", func(r *quotev1.RecordEntryRequest) {
				r.Entry.Kind, r.Entry.Source = quotev1.Entry_CORE_FORFEITED, coreOffer
			}, []string{"entry.source"},
		},
		"refund of nothing": {
			"shop-a", func(r *quotev1.RecordEntryRequest) { r.Entry.Kind = quotev1.Entry_REFUNDED }, []string{"entry.amount"},
		},
	} {
		r := booking(q, quotev1.Entry_PAID, 1, "listings/yard-a.1")
		c.change(r)
		_, err := w.RecordEntry(as(t, c.tenant), r)
		if got := fieldsIn(err); !cmp.Equal(got, c.want) {
			t.Errorf("%s: %v (%v)", name, got, err)
		}
	}
	_, err := w.RecordEntry(t.Context(), booking(q, quotev1.Entry_PAID, 1, "listings/yard-a.1"))
	refused(t, err, codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
	if answer, err := w.ListEntries(as(t, "shop-a"), &quotev1.ListEntriesRequest{}); err != nil || len(answer.GetEntries()) != 0 {
		t.Errorf("what was refused is stored: %v, %v", answer, err)
	}
}

// TestRefundsAtOnceStayWithinWhatWasPaid: each sees the one before.
func TestRefundsAtOnceStayWithinWhatWasPaid(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	q := w.acceptedQuote(1)
	w.book(booking(q, quotev1.Entry_PAID, 100, "listings/yard-a.1"))
	const many = 12
	errs := make([]error, many)
	var all sync.WaitGroup
	for i := range many {
		all.Go(func() {
			_, errs[i] = w.RecordEntry(as(t, "shop-a"), booking(q, quotev1.Entry_REFUNDED, 30, "listings/yard-a.1"))
		})
	}
	all.Wait()
	booked := 0
	for _, err := range errs {
		switch {
		case err == nil:
			booked++
		case !cmp.Equal(fieldsIn(err), []string{"entry.amount"}):
			t.Error(err)
		}
	}
	if booked != 3 {
		t.Errorf("%d refunds of 30 on 100", booked)
	}
}

// TestCreditNotesHaveNoGaps, whatever fails on the way: a number goes with its
// note or not at all.
func TestCreditNotesHaveNoGaps(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	quotes := []*quotev1.Quote{w.acceptedQuote(1), w.acceptedQuote(2), w.acceptedQuote(3)}
	for _, q := range quotes {
		w.book(booking(q, quotev1.Entry_RECEIVED, 1000, ""))
	}
	var mu sync.Mutex
	calls := 0
	w.store.failWith(func([]store.Change) (bool, error) {
		mu.Lock()
		defer mu.Unlock()
		calls++
		switch calls % 5 {
		case 1:
			return true, errors.New("lost before it happened")
		case 3:
			return false, errors.New("lost after it happened")
		}
		return false, nil
	})
	const many = 30
	var all sync.WaitGroup
	for i := range many {
		all.Go(func() {
			r := booking(quotes[i%len(quotes)], quotev1.Entry_CREDIT_NOTE, 1, "")
			for range 20 { // a caller who is not answered repeats
				if _, err := w.RecordEntry(as(t, "shop-a"), r); err == nil {
					return
				}
			}
			t.Error("a credit note was never acknowledged")
		})
	}
	all.Wait()
	w.store.failWith(nil)
	answer, err := w.ListEntries(as(t, "shop-a"), &quotev1.ListEntriesRequest{PageSize: 1000})
	if err != nil {
		t.Fatal(err)
	}
	var numbers []string
	for _, e := range answer.GetEntries() {
		if e.GetKind() == quotev1.Entry_CREDIT_NOTE {
			numbers = append(numbers, e.GetNumber())
		}
	}
	slices.Sort(numbers)
	if len(numbers) != many {
		t.Fatalf("%d credit notes of %d", len(numbers), many)
	}
	for i, got := range numbers {
		if want := fmt.Sprintf("C-2026-%06d", i+1); got != want {
			t.Fatalf("credit note %d has number %s, want %s", i+1, got, want)
		}
	}
}

func TestEntriesArePagedByQuote(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for n := 1; n <= 3; n++ {
		q := w.acceptedQuote(n)
		for range 5 {
			w.book(booking(q, quotev1.Entry_RECEIVED, 1, ""))
		}
	}
	read := func(quoted string) []string {
		t.Helper()
		var names []string
		for r := (&quotev1.ListEntriesRequest{PageSize: 2, Quote: quoted}); ; {
			page, err := w.ListEntries(as(t, "shop-a"), r)
			if err != nil {
				t.Fatal(err)
			}
			if len(page.GetEntries()) > 2 || page.GetRevision() == "" {
				t.Errorf("page of %d, revision %q", len(page.GetEntries()), page.GetRevision())
			}
			for _, e := range page.GetEntries() {
				names = append(names, e.GetName())
			}
			if r.PageToken = page.GetNextPageToken(); r.GetPageToken() == "" {
				return names
			}
		}
	}
	if all := read(""); len(all) != 15 || !slices.IsSorted(all) {
		t.Errorf("all: %v", all)
	}
	second := read("quotes/Q-2026-000002")
	if len(second) != 5 || second[0] != "entries/Q-2026-000002.0001" || second[4] != "entries/Q-2026-000002.0005" {
		t.Errorf("of the second quote: %v", second)
	}
	if none := read("quotes/Q-2026-00000"); none != nil {
		t.Errorf("of a quote whose name only begins like others: %v", none)
	}
	_, err := w.ListEntries(as(t, "shop-a"), &quotev1.ListEntriesRequest{Quote: "Q-2026-000002"})
	if got := fieldsIn(err); !cmp.Equal(got, []string{"quote"}) {
		t.Errorf("no name: %v", err)
	}
	// Whose entries are read is never the token's to say.
	page, err := w.ListEntries(as(t, "shop-a"), &quotev1.ListEntriesRequest{PageSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.ListEntries(as(t, "shop-b"), &quotev1.ListEntriesRequest{PageSize: 1, PageToken: page.GetNextPageToken()})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	if other, err := w.ListEntries(as(t, "shop-b"), &quotev1.ListEntriesRequest{}); err != nil || len(other.GetEntries()) != 0 {
		t.Errorf("another business sees %v, %v", other, err)
	}
}

func TestSums(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	q := w.acceptedQuote(1)
	w.acceptedQuote(2, func(q *quotev1.Quote) { q.State = quotev1.Quote_OPEN })
	w.acceptedQuote(3, func(q *quotev1.Quote) {
		q.State, q.ValidUntil = quotev1.Quote_OPEN, timestamppb.New(w.clock.Now().Add(-time.Minute))
	})
	w.book(booking(q, quotev1.Entry_RECEIVED, 300_00, ""))
	w.book(booking(q, quotev1.Entry_PAID, 150_00, "listings/yard-a.1"))
	sum := func(r *quotev1.SumQuotesRequest) string {
		t.Helper()
		answer, err := w.SumQuotes(as(t, "shop-a"), r)
		if err != nil {
			t.Fatal(err)
		}
		var text []string
		for _, q := range answer.GetQuotes() {
			text = append(text, fmt.Sprintf("%s %s %d %d %d", strings.TrimPrefix(q.GetNumber(), "Q-2026-00000"), q.GetState(), q.GetMargin(), q.GetExpectedMargin(), q.GetCoresOut()))
		}
		for _, total := range answer.GetTotals() {
			text = append(text, fmt.Sprintf("%s %d: %d %d", total.GetState(), total.GetQuotes(), total.GetQuoted(), total.GetMargin()))
		}
		return strings.Join(text, "; ")
	}
	for want, r := range map[string]*quotev1.SumQuotesRequest{
		"1 ACCEPTED 15000 6000 5000; 2 OPEN 0 6000 0; 3 EXPIRED 0 6000 0; OPEN 1: 21000 0; ACCEPTED 1: 21000 15000; EXPIRED 1: 21000 0": {},
		"1 ACCEPTED 15000 6000 5000; ACCEPTED 1: 21000 15000":                                                                           {State: quotev1.Quote_ACCEPTED, Customer: "C-17", FromDay: "2026-03-10", ToDay: "2026-03-10"},
		"3 EXPIRED 0 6000 0; EXPIRED 1: 21000 0":                                                                                        {State: quotev1.Quote_EXPIRED},
		"":                                                                                                                              {FromDay: "2026-03-11"},
	} {
		if got := sum(r); got != want {
			t.Errorf("%v: got %q, want %q", r, got, want)
		}
	}
	_, err := w.SumQuotes(as(t, "shop-a"), &quotev1.SumQuotesRequest{FromDay: "x", ToDay: "y", State: 99})
	if got := fieldsIn(err); !cmp.Equal(got, []string{"state", "from_day", "to_day"}) {
		t.Errorf("got %v", err)
	}
	if other, err := w.SumQuotes(as(t, "shop-b"), &quotev1.SumQuotesRequest{}); err != nil || len(other.GetQuotes()) != 0 {
		t.Errorf("another business sees %v, %v", other, err)
	}
}

// TestDepositsFollowTheOutcomes: a part that failed goes back with its deposit, and
// the one bought in its place owes its own.
func TestDepositsFollowTheOutcomes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ctx := as(t, "shop-a")
	q := w.acceptedQuote(1)
	deposits := func() string {
		t.Helper()
		answer, err := w.ListCoreDeposits(ctx, &quotev1.ListCoreDepositsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		var text []string
		for _, d := range answer.GetDeposits() {
			text = append(text, fmt.Sprintf("%s %d %s %v", d.GetSource(), d.GetAmount(), d.GetDueDay(), d.GetOverdue()))
		}
		return strings.Join(text, "; ")
	}
	if got := deposits(); got != "listings/yard-a.1 5000 2026-03-23 false" { // 3 days on the way, 10 for the core
		t.Errorf("accepted: %q", got)
	}
	w.clock.Advance(14 * 24 * time.Hour)
	if got := deposits(); got != "listings/yard-a.1 5000 2026-03-23 true" {
		t.Errorf("after a fortnight: %q", got)
	}
	record := func(source string, condition quotev1.Offer_Condition, result quotev1.Outcome_Result) {
		t.Helper()
		r := outcome(source, result)
		r.Outcome.Condition, r.Outcome.Quote = condition, q.GetName()
		if _, err := w.RecordOutcome(ctx, r); err != nil {
			t.Fatal(err)
		}
	}
	record("listings/yard-a.1", quotev1.Offer_USED, quotev1.Outcome_FAILED)
	if got := deposits(); got != "" {
		t.Errorf("failed: %q", got)
	}
	record(coreOffer, quotev1.Offer_REMANUFACTURED, quotev1.Outcome_PASSED)
	if got := deposits(); got != coreOffer+" 4000  false" {
		t.Errorf("the next one passed: %q", got)
	}
	w.book(booking(q, quotev1.Entry_PAID, 240_00, coreOffer))
	w.book(booking(q, quotev1.Entry_CORE_RETURNED, 15_00, coreOffer))
	w.book(booking(q, quotev1.Entry_CORE_FORFEITED, 25_00, coreOffer))
	if got := deposits(); got != "" {
		t.Errorf("returned and forfeited: %q", got)
	}
}

// TestDepositsOfOneListing: a listing that several quotes offer is bought on one of
// them, and its deposit is out on that one alone.
func TestDepositsOfOneListing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	offersIt := func(q *quotev1.Quote) {
		second := proto.CloneOf(q.GetOptions()[0])
		second.Source, second.PlanPlace = "listings/yard-b.7", 2
		q.GetOptions()[0].CoreDeposit = 0
		q.Options = []*quotev1.Option{q.GetOptions()[0], second}
	}
	w.acceptedQuote(1, offersIt)
	buyer := w.acceptedQuote(2, offersIt)
	w.acceptedQuote(3, offersIt)
	r := outcome("listings/yard-b.7", quotev1.Outcome_PASSED)
	r.Outcome.Condition, r.Outcome.Quote = quotev1.Offer_USED, buyer.GetName()
	if _, err := w.RecordOutcome(as(t, "shop-a"), r); err != nil {
		t.Fatal(err)
	}
	out := func() []string {
		t.Helper()
		answer, err := w.ListCoreDeposits(as(t, "shop-a"), &quotev1.ListCoreDepositsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		var on []string
		for _, d := range answer.GetDeposits() {
			on = append(on, d.GetQuote())
		}
		return on
	}
	if got := out(); !cmp.Equal(got, []string{buyer.GetName()}) {
		t.Errorf("by its outcome: got %v", got)
	}
	w.putRaw("bought", "listings.yard-b.7", []byte(`{"quote":"quotes/Q-2026-000003","answered":true}`))
	if got := out(); !cmp.Equal(got, []string{"quotes/Q-2026-000003"}) {
		t.Errorf("by its purchase: got %v", got)
	}
}

// TestTooManyDeposits: an answer that would be too large to send is refused with
// what to do.
func TestTooManyDeposits(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	lines := func(q *quotev1.Quote) {
		option := q.GetOptions()[0]
		q.Options = nil
		for i := range 20 {
			o := proto.CloneOf(option)
			o.Source = fmt.Sprintf("listings/yard-a.%d", i)
			q.Lines = append(q.Lines, &quotev1.QuoteLine{Need: q.GetNeed(), Options: []*quotev1.Option{o}, State: quotev1.QuoteLine_ACCEPTED})
		}
	}
	for n := range 500 {
		w.acceptedQuote(n, lines)
	}
	if answer, err := w.ListCoreDeposits(as(t, "shop-a"), &quotev1.ListCoreDepositsRequest{}); err != nil || len(answer.GetDeposits()) != 10_000 {
		t.Fatalf("%d deposits, %v", len(answer.GetDeposits()), err)
	}
	w.acceptedQuote(500)
	_, err := w.ListCoreDeposits(as(t, "shop-a"), &quotev1.ListCoreDepositsRequest{})
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED)
}

// ledgerStream takes what is exported.
type ledgerStream struct {
	grpc.ServerStream

	ctx    context.Context //nolint:containedctx // it is a stream's
	pieces [][]byte
	fail   error
}

func (l *ledgerStream) Context() context.Context { return l.ctx }

func (l *ledgerStream) Send(r *quotev1.ExportLedgerResponse) error {
	l.pieces = append(l.pieces, r.GetChunk())
	return l.fail
}

func (l *ledgerStream) rows(t *testing.T) [][]string {
	t.Helper()
	var whole strings.Builder
	for _, piece := range l.pieces {
		if len(piece) == 0 || len(piece) > 256<<10 {
			t.Errorf("a piece of %d bytes", len(piece))
		}
		whole.Write(piece)
	}
	rows, err := csv.NewReader(strings.NewReader(whole.String())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func TestLedger(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	q := w.acceptedQuote(1)
	first := booking(q, quotev1.Entry_PAID, 150_00, "listings/yard-a.1")
	first.Entry.Day, first.Entry.Note = "2026-03-09", `=HYPERLINK("x"), "quoted"`
	paid := w.book(first)
	w.book(booking(q, quotev1.Entry_RECEIVED, 1, ""))
	w.book(&quotev1.RecordEntryRequest{RequestId: uuid.NewString(), Entry: &quotev1.Entry{
		Kind: quotev1.Entry_REVERSAL, Reverses: paid.GetName(), Day: "2026-03-10",
	}})
	export := func(tenant, from, to string) [][]string {
		t.Helper()
		stream := &ledgerStream{ctx: as(t, tenant)}
		if err := w.ExportLedger(&quotev1.ExportLedgerRequest{FromDay: from, ToDay: to}, stream); err != nil {
			t.Fatal(err)
		}
		return stream.rows(t)
	}
	all := export("shop-a", "", "")
	if len(all) != 7 || !cmp.Equal(all[0], books.Columns()) || all[1][0] != "2026-03-09" || all[1][12] != `'=HYPERLINK("x"), "quoted"` {
		t.Errorf("all: %q", all)
	}
	// What is reversed may lie before the period; its accounts are still known.
	if late := export("shop-a", "2026-03-10", ""); len(late) != 5 || late[3][8] != "Bank" || late[3][9] != "150.00" || late[4][8] != "Purchases" {
		t.Errorf("from the 10th: %q", late)
	}
	if early := export("shop-a", "", "2026-03-09"); len(early) != 3 {
		t.Errorf("to the 9th: %q", early)
	}
	if other := export("shop-b", "", ""); len(other) != 1 {
		t.Errorf("another business: %q", other)
	}
	err := w.ExportLedger(&quotev1.ExportLedgerRequest{FromDay: "2026-03-10", ToDay: "2026-03-09"}, &ledgerStream{ctx: as(t, "shop-a")})
	if got := fieldsIn(err); !cmp.Equal(got, []string{"to_day"}) {
		t.Errorf("turned round: %v", err)
	}
	broken := errors.New("the client is gone")
	if err := w.ExportLedger(&quotev1.ExportLedgerRequest{}, &ledgerStream{ctx: as(t, "shop-a"), fail: broken}); !errors.Is(err, broken) {
		t.Errorf("a client that is gone: %v", err)
	}
}

func TestLongLedgersComeInPieces(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.acceptedQuote(1)
	const many = 400
	for i := range many {
		name := books.ID("Q-2026-000001", i+1)
		w.put("entry", name, &quotev1.Entry{
			Name: "entries/" + name, Kind: quotev1.Entry_RECEIVED, Quote: "quotes/Q-2026-000001", Amount: 1, CurrencyCode: "USD",
			Day: "2026-03-10", Note: strings.Repeat("ä", 500), CreateTime: timestamppb.New(w.clock.Now()),
		})
	}
	stream := &ledgerStream{ctx: as(t, "shop-a")}
	if err := w.ExportLedger(&quotev1.ExportLedgerRequest{}, stream); err != nil {
		t.Fatal(err)
	}
	if rows := stream.rows(t); len(rows) != 2*many+1 || len(stream.pieces) < 3 {
		t.Errorf("%d rows in %d pieces", len(rows), len(stream.pieces))
	}
}
