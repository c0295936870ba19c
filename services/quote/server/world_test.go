package server_test

import (
	"context"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/goleak"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/server"
	"beltwright.example/services/quote/trust"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const buckle = fitmentv1.Part_BUCKLE_PRETENSIONER

// world is a quote server on a store of its own and a fake fitment service.
type world struct {
	*server.Server

	t     *testing.T
	clock *storetest.Clock
	fake  *fakeFitment
	store *flaky
}

func newWorld(t *testing.T) *world {
	t.Helper()
	return newWorldWith(t, 30*time.Second)
}

// newWorldWith gives the fitment service this long for an answer; alter changes the
// server's options.
func newWorldWith(t *testing.T, timeout time.Duration, alter ...func(*server.Options)) *world {
	t.Helper()
	w := &world{t: t, clock: storetest.NewClock(time.Date(2026, 3, 10, 9, 30, 0, 0, time.UTC))}
	under, err := embedded.Open(t.TempDir(), embedded.Options{Now: w.clock.Now, NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	w.store = &flaky{Store: under}
	t.Cleanup(func() {
		if err := under.Close(); err != nil {
			t.Error(err)
		}
	})
	fake, conn := newFake(t, w.clock.Now)
	w.fake = fake
	prior := trust.Prior{Pass: 4, Fail: 1}
	options := server.Options{
		Store: w.store, Fitment: conn, Now: w.clock.Now, Log: slog.New(slog.DiscardHandler),
		Priors: trust.Priors{Used: prior, Remanufactured: prior, New: prior}, FitmentTimeout: timeout,
	}
	for _, a := range alter {
		a(&options)
	}
	w.Server, err = server.New(options)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// flaky is a store whose Apply can be made to fail.
type flaky struct {
	store.Store

	mu   sync.Mutex
	fail func(changes []store.Change) (before bool, err error)
}

// Apply fails as the test asks, before or after the real thing.
func (f *flaky) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	f.mu.Lock()
	fail := f.fail
	f.mu.Unlock()
	if fail == nil {
		return f.Store.Apply(ctx, changes...)
	}
	before, err := fail(changes)
	if err != nil && before {
		return nil, err
	}
	applied, realErr := f.Store.Apply(ctx, changes...)
	if err != nil {
		return nil, err
	}
	return applied, realErr
}

func (f *flaky) failWith(fail func(changes []store.Change) (before bool, err error)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.fail = fail
}

// as is a context of a business.
func as(t *testing.T, tenant string, roles ...identity.Role) context.Context {
	t.Helper()
	return identity.NewContext(t.Context(), identity.Principal{Tenant: tenant, KeyID: "k", Roles: roles})
}

func need() *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Make: "Alder", Model: "Kestrel", ModelYear: 2006},
		Kind:    buckle, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
	}
}

func decision(fit, reuse fitmentv1.Finding_Answer) *fitmentv1.Decision {
	verdict := fitmentv1.Decision_PROVE_FIRST
	switch {
	case reuse == fitmentv1.Finding_NO:
		verdict = fitmentv1.Decision_BARRED
	case fit == fitmentv1.Finding_NO:
		verdict = fitmentv1.Decision_DOES_NOT_FIT
	case fit == fitmentv1.Finding_YES && reuse == fitmentv1.Finding_YES:
		verdict = fitmentv1.Decision_FITS
	}
	made := &fitmentv1.Decision{Fit: fit, Reuse: reuse, Verdict: verdict, Findings: []*fitmentv1.Finding{
		{Rule: "a.fit", Severity: fitmentv1.Finding_FIT, Answer: fit, Reason: "fit reason"},
		{Rule: "a.reuse", Severity: fitmentv1.Finding_REUSE, Answer: reuse, Reason: "reuse reason", Remedy: "a label photo"},
	}}
	for _, severity := range []fitmentv1.Finding_Severity{fitmentv1.Finding_FIT, fitmentv1.Finding_REUSE} {
		for _, family := range quote.GatingFamilies(severity) {
			made.Findings = append(made.Findings, &fitmentv1.Finding{Rule: family + ".rule", Family: family, Severity: severity, Answer: yes})
		}
	}
	return made
}

const (
	yes     = fitmentv1.Finding_YES
	no      = fitmentv1.Finding_NO
	unknown = fitmentv1.Finding_UNKNOWN
)

// list puts a listing that fits on sale and returns its name.
func (w *world) list(yard, stock string, price int64) string {
	return w.listDecided(yard, stock, price, decision(yes, yes))
}

func (w *world) listDecided(yard, stock string, price int64, d *fitmentv1.Decision) string {
	name := "listings/" + yard + "." + stock
	w.fake.set(func() {
		w.fake.donors[name] = &fitmentv1.Donor{Decision: d, Listing: &fitmentv1.Listing{
			Name: name, Yard: yard, StockNumber: stock, Kind: buckle, PartMaker: "Norrland", PartNumber: "NB40118", CurrencyCode: "USD",
			Price: price, Terms: &fitmentv1.Terms{Freight: 10_00, Days: 3}, State: fitmentv1.Listing_AVAILABLE,
		}}
	})
	return name
}

// match makes the catalogue name a part.
func (w *world) match(number string, application, recall fitmentv1.Finding_Answer) {
	w.fake.set(func() {
		w.fake.parts = []*fitmentv1.PartMatch{{
			Part: &fitmentv1.Part{Maker: "Norrland", Number: number, Kind: buckle}, Via: fitmentv1.PartMatch_APPLICATION,
			Application: &fitmentv1.Finding{Answer: application, Reason: "application reason"},
			Recall:      &fitmentv1.Finding{Answer: recall, Reason: "recall reason"},
		}}
	})
}

// offer puts an offer into shop-a's price lists.
func (w *world) offer(item string, condition quotev1.Offer_Condition, price int64, alter ...func(*quotev1.Offer)) string {
	w.t.Helper()
	o := &quotev1.Offer{
		Supplier: "Northline", ItemNumber: item, Condition: condition, PartMaker: "Norrland", PartNumber: "NB-40118", Kind: buckle,
		CurrencyCode: "USD", Price: price, Days: 2, Available: true,
	}
	for _, a := range alter {
		a(o)
	}
	raw, err := proto.Marshal(o)
	if err != nil {
		w.t.Fatal(err)
	}
	key := store.Key{Tenant: "shop-a", Kind: "offer", ID: "northline." + item}
	applied, err := w.store.Store.Apply(w.t.Context(), store.Change{Puts: []store.Put{{Key: key, Expect: store.Whatever, Value: raw}}})
	if err != nil || applied[0].Err != nil {
		w.t.Fatal(err, applied)
	}
	return "offers/" + key.ID
}

func request() *quotev1.PrepareQuoteRequest {
	return &quotev1.PrepareQuoteRequest{Need: need(), CurrencyCode: "USD", RequestId: uuid.NewString()}
}

// prepare prepares a quote for shop-a.
func (w *world) prepare() *quotev1.Quote {
	w.t.Helper()
	answer, err := w.PrepareQuote(as(w.t, "shop-a"), request())
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.GetQuote()
}

func (w *world) get(name string) *quotev1.Quote {
	w.t.Helper()
	answer, err := w.GetQuote(as(w.t, "shop-a"), &quotev1.GetQuoteRequest{Name: name})
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.GetQuote()
}

func (w *world) accept(q *quotev1.Quote) (*quotev1.Quote, error) {
	answer, err := w.AcceptQuote(as(w.t, "shop-a"), &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()})
	return answer.GetQuote(), err
}

func (w *world) decline(q *quotev1.Quote) (*quotev1.Quote, error) {
	answer, err := w.DeclineQuote(as(w.t, "shop-a"), &quotev1.DeclineQuoteRequest{Name: q.GetName(), RequestId: uuid.NewString()})
	return answer.GetQuote(), err
}

// refused demands an error with this code and reason.
func refused(t *testing.T, err error, code codes.Code, reason fitmentv1.ErrorInfo_Reason) {
	t.Helper()
	if status.Code(err) != code || apierr.ReasonOf(err) != reason {
		t.Errorf("got %v (%s, %s); want %s, %s", err, status.Code(err), apierr.ReasonOf(err), code, reason)
	}
}
