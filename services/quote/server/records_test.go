package server_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/quote/server"
)

// fieldsIn lists the fields that an error names.
func fieldsIn(err error) []string {
	var fields []string
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				fields = append(fields, v.GetField())
			}
		}
	}
	return fields
}

func outcome(source string, result quotev1.Outcome_Result) *quotev1.RecordOutcomeRequest {
	return &quotev1.RecordOutcomeRequest{
		Outcome: &quotev1.Outcome{Source: source, Kind: buckle, Result: result}, RequestId: uuid.NewString(),
	}
}

func TestOutcomesMoveTheNextQuote(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("yard-a", "1", 100_00)
	ctx := as(t, "shop-a")
	record := func(source string, result quotev1.Outcome_Result) {
		t.Helper()
		if _, err := w.RecordOutcome(ctx, outcome(source, result)); err != nil {
			t.Fatal(err)
		}
	}
	record("listings/yard-a.81", quotev1.Outcome_FAILED)
	record("listings/yard-a.82", quotev1.Outcome_FAILED)
	record("listings/yard-a.83", quotev1.Outcome_PASSED)
	record("listings/yard-b.83", quotev1.Outcome_FAILED) // another seller
	if _, err := w.RecordOutcome(as(t, "shop-b"), outcome("listings/yard-a.84", quotev1.Outcome_FAILED)); err != nil {
		t.Fatal(err) // another business
	}
	otherKind := outcome("listings/yard-a.85", quotev1.Outcome_FAILED)
	otherKind.Outcome.Kind = fitmentv1.Part_CLOCK_SPRING
	if _, err := w.RecordOutcome(ctx, otherKind); err != nil {
		t.Fatal(err)
	}
	got := w.prepare().GetOptions()[0]
	// Beta(4, 1), one of three passed: (4+1)/(5+3) = 0.625.
	if got.GetPassProbability() != 0.625 || got.GetPassed() != 1 || got.GetOutcomes() != 3 {
		t.Errorf("chance %g from %d of %d", got.GetPassProbability(), got.GetPassed(), got.GetOutcomes())
	}
}

func TestOneOutcomeEach(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ctx := as(t, "shop-a")
	r := outcome("listings/yard-a.1", quotev1.Outcome_PASSED)
	first, err := w.RecordOutcome(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	again, err := w.RecordOutcome(ctx, r)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first, again, protocmp.Transform()); diff != "" {
		t.Errorf("the repeat answers otherwise:\n%s", diff)
	}
	second := outcome("listings/yard-a.1", quotev1.Outcome_PASSED)
	reported, err := w.RecordOutcome(ctx, second)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first.GetOutcome(), reported.GetOutcome(), protocmp.Transform()); diff != "" {
		t.Errorf("the same report under another id answers otherwise:\n%s", diff)
	}
	if again, err := w.RecordOutcome(ctx, second); err != nil || again.GetRevision() != reported.GetRevision() {
		t.Errorf("the second report repeated: %v, %v; want %v", again, err, reported)
	}
	second.Outcome.Source = "listings/yard-a.9" // its id is used up, although it recorded nothing new
	_, err = w.RecordOutcome(ctx, second)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	_, err = w.RecordOutcome(ctx, outcome("listings/yard-a.1", quotev1.Outcome_FAILED))
	refused(t, err, codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS)
	changed := proto.CloneOf(r)
	changed.Outcome.Note = "other"
	_, err = w.RecordOutcome(ctx, changed)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	_, err = w.RecordOutcome(ctx, &quotev1.RecordOutcomeRequest{RequestId: uuid.NewString()})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	w.list("yard-a", "2", 1)
	if got := w.prepare().GetOptions()[0]; got.GetOutcomes() != 1 || got.GetPassed() != 1 {
		t.Errorf("%d of %d counted", got.GetPassed(), got.GetOutcomes())
	}
}

// A supplier's item is bought again and again: every purchase counts, a repeat of
// one report does not, and of one quote there is one outcome.
func TestEveryPurchaseOfAnOfferCounts(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ctx := as(t, "shop-a")
	w.match("NB40118", yes, yes)
	name := w.offer("r", quotev1.Offer_REMANUFACTURED, 100_00)
	q := w.prepare()
	report := func(result quotev1.Outcome_Result, quoted string) *quotev1.RecordOutcomeRequest {
		r := outcome(name, result)
		r.Outcome.Condition, r.Outcome.Quote = quotev1.Offer_REMANUFACTURED, quoted
		return r
	}
	passed, quoted := report(quotev1.Outcome_PASSED, ""), report(quotev1.Outcome_PASSED, q.GetName())
	for _, r := range []*quotev1.RecordOutcomeRequest{
		passed, passed, report(quotev1.Outcome_PASSED, ""), report(quotev1.Outcome_FAILED, ""), quoted, quoted, report(quotev1.Outcome_PASSED, q.GetName()),
	} {
		if _, err := w.RecordOutcome(ctx, r); err != nil {
			t.Fatal(err)
		}
	}
	_, err := w.RecordOutcome(ctx, report(quotev1.Outcome_FAILED, q.GetName()))
	refused(t, err, codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS)
	if got := w.prepare().GetOptions()[0]; got.GetPassed() != 3 || got.GetOutcomes() != 4 {
		t.Errorf("%d of %d counted, want 3 of 4", got.GetPassed(), got.GetOutcomes())
	}
}

// A page ends at about 4 MiB, however many records were asked for, and never
// without one.
func TestPagesEndAtTheirSize(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	const many, each = 21, 900 << 10
	for i := range many {
		w.offer(fmt.Sprintf("%02d", i), quotev1.Offer_NEW, 1, func(o *quotev1.Offer) { o.Supplier = strings.Repeat("x", each) })
	}
	var seen []string
	pages := 0
	for r := (&quotev1.ListOffersRequest{PageSize: 1000}); ; pages++ {
		answer, err := w.ListOffers(as(t, "shop-a"), r)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(answer.GetOffers()); n != 4 && len(seen)+n != many {
			t.Errorf("page %d has %d records", pages, n)
		}
		for _, o := range answer.GetOffers() {
			seen = append(seen, o.GetName())
		}
		if r.PageToken = answer.GetNextPageToken(); r.GetPageToken() == "" {
			break
		}
	}
	if len(seen) != many || !slices.IsSorted(seen) {
		t.Errorf("saw %d of %d: %v", len(seen), many, seen)
	}
}

func TestOutcomesAtOnceAreAllCounted(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	const many = 20
	errs := make([]error, many)
	var all sync.WaitGroup
	for i := range many {
		all.Go(func() {
			_, errs[i] = w.RecordOutcome(as(t, "shop-a"), outcome(fmt.Sprintf("listings/yard-a.%d", i), quotev1.Outcome_PASSED))
		})
	}
	all.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	w.list("yard-a", "x", 1)
	if got := w.prepare().GetOptions()[0]; got.GetOutcomes() != many {
		t.Errorf("%d outcomes counted, %d recorded", got.GetOutcomes(), many)
	}
}

func TestAnOutcomeMustSuitItsQuote(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	name := w.list("yard-a", "1", 1)
	q := w.prepare()
	r := outcome("listings/yard-z.1", quotev1.Outcome_PASSED)
	r.Outcome.Quote = q.GetName()
	_, err := w.RecordOutcome(as(t, "shop-a"), r)
	if got := fieldsIn(err); len(got) != 1 || got[0] != "outcome.source" {
		t.Errorf("got %v", err)
	}
	r = outcome(name, quotev1.Outcome_PASSED)
	r.Outcome.Quote = q.GetName()
	if _, err := w.RecordOutcome(as(t, "shop-a"), r); err != nil {
		t.Error(err)
	}
	r = outcome(name, quotev1.Outcome_PASSED)
	r.Outcome.Quote = "quotes/Q-2026-000099"
	_, err = w.RecordOutcome(as(t, "shop-a"), r)
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
}

func TestLists(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ctx := as(t, "shop-a")
	w.match("NB40118", yes, yes)
	for i := range 5 {
		w.offer(fmt.Sprint(i), quotev1.Offer_NEW, 100_00)
		if _, err := w.RecordOutcome(ctx, outcome(fmt.Sprintf("listings/yard-a.%d", i), quotev1.Outcome_PASSED)); err != nil {
			t.Fatal(err)
		}
		w.prepare()
	}
	var quotes, offers, outcomes []string
	var token string
	for {
		page, err := w.ListQuotes(ctx, &quotev1.ListQuotesRequest{PageSize: 2, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range page.GetQuotes() {
			quotes = append(quotes, q.GetName())
			if diff := cmp.Diff(w.get(q.GetName()), q, protocmp.Transform()); diff != "" {
				t.Error(diff)
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	allOffers, err := w.ListOffers(ctx, &quotev1.ListOffersRequest{PageSize: 5})
	if err != nil || allOffers.GetNextPageToken() != "" || allOffers.GetRevision() == "" {
		t.Fatal(allOffers, err)
	}
	for _, o := range allOffers.GetOffers() {
		offers = append(offers, o.GetName())
		if o.GetEtag() == "" {
			t.Errorf("%s has no etag", o.GetName())
		}
	}
	allOutcomes, err := w.ListOutcomes(ctx, &quotev1.ListOutcomesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range allOutcomes.GetOutcomes() {
		outcomes = append(outcomes, o.GetName())
	}
	for i := range 5 {
		if quotes[i] != fmt.Sprintf("quotes/Q-2026-%06d", i+1) || offers[i] != fmt.Sprintf("offers/northline.%d", i) ||
			outcomes[i] != fmt.Sprintf("outcomes/listings.yard-a.%d", i) {
			t.Errorf("%s, %s, %s", quotes[i], offers[i], outcomes[i])
		}
	}
	page, err := w.ListQuotes(ctx, &quotev1.ListQuotesRequest{PageSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.ListQuotes(as(t, "shop-b"), &quotev1.ListQuotesRequest{PageToken: page.GetNextPageToken()})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	_, err = w.ListOffers(ctx, &quotev1.ListOffersRequest{PageToken: page.GetNextPageToken()})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	_, err = w.ListOutcomes(ctx, &quotev1.ListOutcomesRequest{PageSize: -1})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	_, err = w.ListQuotes(t.Context(), &quotev1.ListQuotesRequest{})
	refused(t, err, codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

// The example of the API's description; its values were found by a search over
// all orders and stopping points.
func TestPlanOnInlineInput(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var r quotev1.PlanPurchaseRequest
	if err := protojson.Unmarshal([]byte(`{"currencyCode":"USD","dayCost":"0","fallback":{"price":"40000","days":0},"offers":[
		{"id":"A","price":"18000","sunk":"5500","returnLoss":"3000","passProbability":0.85,"days":3},
		{"id":"B","price":"12000","sunk":"5000","returnLoss":"4500","passProbability":0.60,"days":5},
		{"id":"C","price":"21000","sunk":"3500","returnLoss":"2000","passProbability":0.95,"days":4},
		{"id":"D","price":"9000","sunk":"6000","returnLoss":"9000","passProbability":0.40,"days":2}]}`), &r); err != nil {
		t.Fatal(err)
	}
	got, err := w.PlanPurchase(as(t, "shop-a"), &r)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"B", "C", "A", "D"}, got.GetOrder()); diff != "" {
		t.Error(diff)
	}
	numbers := []int64{got.GetExpectedCost(), got.GetQuantile95(), got.GetCvar95()}
	if diff := cmp.Diff([]int64{23962, 34000, 37240}, numbers); diff != "" {
		t.Error(diff)
	}
	if math.Abs(got.GetExpectedDays()-6.666) > 1e-9 || got.GetUnrepairedProbability() != 0 {
		t.Errorf("days %g, unrepaired %g", got.GetExpectedDays(), got.GetUnrepairedProbability())
	}
	want := []struct {
		cost int64
		days int32
		p    float64
	}{{17000, 5, .6}, {34000, 9, .38}, {38500, 12, .017}, {38500, 14, .0012}, {78500, 14, .0018}}
	for i, o := range got.GetDistribution() {
		if o.GetCost() != want[i].cost || o.GetDays() != want[i].days || math.Abs(o.GetProbability()-want[i].p) > 1e-12 {
			t.Errorf("outcome %d: %v, want %v", i, o, want[i])
		}
	}
	if words := "Buy B; if it fails its check, return it and buy C; if it fails its check, return it and buy A; " +
		"if it fails its check, return it and buy D; otherwise buy a new part."; got.GetWords() != words {
		t.Errorf("words %q", got.GetWords())
	}
	r.Fallback.Price = 26000
	if got, err = w.PlanPurchase(as(t, "shop-a"), &r); err != nil || got.GetExpectedCost() != 23923 || got.GetCvar95() != 36460 || len(got.GetNotTried()) != 1 {
		t.Errorf("with a fallback of 26000: %v, %v", got, err)
	}
	r.Fallback = nil
	if got, err = w.PlanPurchase(as(t, "shop-a"), &r); err != nil || len(got.GetOrder()) != 4 || math.Abs(got.GetUnrepairedProbability()-.4*.05*.15*.6) > 1e-12 {
		t.Errorf("without a fallback: %v, %v", got, err)
	}
}

func TestPlanNamesWhatIsWrong(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	r := &quotev1.PlanPurchaseRequest{CurrencyCode: "USD", Offers: []*quotev1.PlanOffer{
		{Id: "A", PassProbability: math.NaN()}, {Id: "A", PassProbability: 1}, {Id: "B", PassProbability: 1.5, Price: -1}, {Id: "C"},
	}}
	_, err := w.PlanPurchase(as(t, "shop-a"), r)
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	want := []string{"offers[0].pass_probability", "offers[1].id", "offers[2].price", "offers[2].pass_probability", "offers[3].pass_probability"}
	if diff := cmp.Diff(want, fieldsIn(err)); diff != "" {
		t.Error(diff)
	}
	_, err = w.PlanPurchase(t.Context(), r)
	refused(t, err, codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

// serveQuote serves the world's quote server to one caller.
func (w *world) serveQuote(who identity.Principal) *grpc.ClientConn {
	w.t.Helper()
	listener := bufconn.Listen(1 << 20)
	s := grpc.NewServer(grpc.StreamInterceptor(func(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) error {
		return next(srv, caller{stream, who})
	}))
	w.Register(s)
	served := make(chan error, 1)
	go func() { served <- s.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///quote", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			w.t.Error(err)
		}
		s.Stop()
		if err := <-served; err != nil {
			w.t.Error(err)
		}
	})
	return conn
}

// caller is a stream of a known principal.
type caller struct {
	grpc.ServerStream

	who identity.Principal
}

// Context carries the principal.
func (c caller) Context() context.Context {
	return identity.NewContext(c.ServerStream.Context(), c.who)
}

func importOffers(t *testing.T, conn *grpc.ClientConn, options *fitmentv1.ImportOptions, csv string) ([]*fitmentv1.RowResult, *fitmentv1.ImportSummary, error) {
	t.Helper()
	stream, err := quotev1.NewOfferServiceClient(conn).ImportOffers(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, message := range []*quotev1.ImportOffersRequest{
		{Content: &quotev1.ImportOffersRequest_Options{Options: options}},
		{Content: &quotev1.ImportOffersRequest_Chunk{Chunk: []byte(csv)}},
	} {
		if err := stream.Send(message); err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	var rows []*fitmentv1.RowResult
	var sum *fitmentv1.ImportSummary
	for {
		answer, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return rows, sum, nil
		}
		if err != nil {
			return rows, sum, err
		}
		if answer.GetRow() != nil {
			rows = append(rows, answer.GetRow())
		}
		if answer.GetSummary() != nil {
			sum = answer.GetSummary()
		}
	}
}

func TestImportedOffersAreQuoted(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	conn := w.serveQuote(identity.Principal{Tenant: "shop-a"})
	const csv = "supplier,item_number,condition,part_maker,part_number,kind,currency,price,days\n" +
		"Northline,1,new,Norrland,NB 40.118,buckle pretensioner,USD,310.00,4\n" +
		"Northline,2,used,Norrland,NB 40.118,buckle pretensioner,USD,1.00,4\n" +
		"Northline,3,remanufactured,Norrland,NB 40.118,buckle pretensioner,USD,120.00,4\n"
	rows, sum, err := importOffers(t, conn, &fitmentv1.ImportOptions{}, csv)
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 3 || sum.GetCreated() != 2 || sum.GetRejected() != 1 || rows[1].GetProblems()[0].GetField() != "condition" {
		t.Errorf("rows %v, summary %v", rows, sum)
	}
	if _, sum, err = importOffers(t, conn, &fitmentv1.ImportOptions{}, csv); err != nil || sum.GetUnchanged() != 2 {
		t.Errorf("the same file again: %v, %v", sum, err)
	}
	w.match("NB40118", yes, yes)
	q := w.prepare()
	if diff := cmp.Diff([]string{"offers/northline.3"}, q.GetPlan().GetOrder()); diff != "" {
		t.Error(diff)
	}
	if _, _, err := importOffers(t, conn, &fitmentv1.ImportOptions{Owner: "shop-b"}, csv); status.Code(err) != codes.PermissionDenied {
		t.Errorf("importing for another: %v", err)
	}
	admin := w.serveQuote(identity.Principal{Tenant: "office", Roles: []identity.Role{identity.Admin, identity.Operator}})
	if _, sum, err = importOffers(t, admin, &fitmentv1.ImportOptions{Owner: "shop-b"}, csv); err != nil || sum.GetCreated() != 2 {
		t.Errorf("an administrator importing for another: %v, %v", sum, err)
	}
	list, err := w.ListOffers(as(t, "shop-b"), &quotev1.ListOffersRequest{})
	if err != nil || len(list.GetOffers()) != 2 {
		t.Errorf("shop-b has %v, %v", list, err)
	}
	if _, _, err := importOffers(t, admin, &fitmentv1.ImportOptions{Owner: "Shop B"}, csv); status.Code(err) != codes.InvalidArgument {
		t.Errorf("an owner that is none: %v", err)
	}
	for owner, want := range map[string]string{"shop-bb": "there is no business", "yard-a": "has no desk books"} {
		_, _, err := importOffers(t, admin, &fitmentv1.ImportOptions{Owner: owner}, csv)
		if said := status.Convert(err).Message(); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_FIELD_INVALID || !strings.HasPrefix(said, "options.owner: ") || !strings.Contains(said, want) {
			t.Errorf("for %s: %v", owner, err)
		}
		if kept, err := w.store.List(t.Context(), owner, "offer", "", 1); err != nil || len(kept) > 0 {
			t.Errorf("%s has %d offers, %v", owner, len(kept), err)
		}
	}
	w.fake.before["GetBusiness"] = func(string) error { return status.Error(codes.Unavailable, "gone") }
	if _, _, err := importOffers(t, admin, &fitmentv1.ImportOptions{Owner: "shop-b"}, csv); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_DEPENDENCY_DOWN {
		t.Errorf("nobody can tell whether there is such a business: %v", err)
	}
}

func TestReadyFollowsStoreAndFitment(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	if err := w.Ready(t.Context()); err != nil {
		t.Error(err)
	}
	w.fake.health.SetServingStatus(fitmentv1.FitmentService_ServiceDesc.ServiceName, healthpb.HealthCheckResponse_NOT_SERVING)
	if err := w.Ready(t.Context()); err == nil {
		t.Error("ready without the fitment service")
	}
	if got := len(w.Names()); got != 5 {
		t.Errorf("%d services", got)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := w.Run(ctx); err != nil {
		t.Error(err)
	}
}

func TestNewNeedsItsOptions(t *testing.T) {
	t.Parallel()
	if _, err := server.New(server.Options{}); err == nil {
		t.Error("a server without a store")
	}
}
