package server_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/server"
	"beltwright.example/services/quote/working"
	"beltwright.example/services/quote/working/workingtest"
)

func TestBasketOnInlineInput(t *testing.T) {
	t.Parallel()
	var r quotev1.SolveBasketRequest
	if err := protojson.Unmarshal([]byte(`{"currencyCode":"USD","parts":["buckle","sensor"],"sellers":[
		{"id":"a","freight":"1250","offers":[{"part":"buckle","price":"4500"},{"part":"sensor","price":"3000"}]},
		{"id":"b","freight":"900","offers":[{"part":"buckle","price":"4400"}]},
		{"id":"c","freight":"900","offers":[{"part":"sensor","price":"2900"}]}]}`), &r); err != nil {
		t.Fatal(err)
	}
	got, err := (&server.Server{}).SolveBasket(as(t, "shop-a"), &r)
	if err != nil {
		t.Fatal(err)
	}
	want := &quotev1.SolveBasketResponse{
		Total: 8750, Bound: 8750, Proven: true, Nodes: 1, Method: "branch and bound",
		Assignment: []*quotev1.BasketChoice{{Part: "buckle", Seller: "a"}, {Part: "sensor", Seller: "a"}},
		Workings: []*quotev1.Working{
			{Number: "parts and freight from a", Formula: "45.00 + 30.00 + 12.50", Value: "87.50"},
			{Number: "total", Formula: "87.50", Value: "87.50"},
		},
	}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
}

func TestBasketNamesWhatIsWrong(t *testing.T) {
	t.Parallel()
	solve := func(ctx context.Context, r *quotev1.SolveBasketRequest) error {
		_, err := (&server.Server{}).SolveBasket(ctx, r)
		return err
	}
	good := &quotev1.SolveBasketRequest{CurrencyCode: "USD", Parts: []string{"a"}, Sellers: []*quotev1.BasketSeller{
		{Id: "s", Offers: []*quotev1.BasketOffer{{Part: "a"}}},
	}}
	if err := solve(as(t, "shop-a"), good); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(*quotev1.SolveBasketRequest)
		fields []string
	}{
		"limits":  {func(r *quotev1.SolveBasketRequest) { r.TimeLimitMs, r.NodeLimit = 20_001, math.MinInt32 }, []string{"time_limit_ms", "node_limit"}},
		"nothing": {func(r *quotev1.SolveBasketRequest) { proto.Reset(r) }, []string{"currency_code", "parts"}},
		"amounts": {func(r *quotev1.SolveBasketRequest) {
			r.Sellers[0].Freight, r.Sellers[0].Offers[0].Price = -1, math.MaxInt64
		}, []string{
			"sellers[0].freight", "sellers[0].offers[0].price",
		}},
		"nobody": {func(r *quotev1.SolveBasketRequest) { r.Parts = []string{"x", "a", "y"} }, []string{"parts[0]", "parts[2]"}},
	} {
		r := &quotev1.SolveBasketRequest{CurrencyCode: "USD", Parts: []string{"a"}, Sellers: []*quotev1.BasketSeller{
			{Id: "s", Offers: []*quotev1.BasketOffer{{Part: "a"}}},
		}}
		c.change(r)
		err := solve(as(t, "shop-a"), r)
		refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
		if diff := cmp.Diff(c.fields, fieldsIn(err)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	refused(t, solve(t.Context(), good), codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

// hardBasket takes tens of thousands of nodes, 16 s on two cores: forty parts from 500
// sellers, of whom each has eight, and hardly anything but freight counts.
func hardBasket() *quotev1.SolveBasketRequest {
	random := rand.New(rand.NewPCG(0, 34))
	const freight, price = 100_000, 100
	r := &quotev1.SolveBasketRequest{CurrencyCode: "USD"}
	for part := range 40 {
		r.Parts = append(r.Parts, fmt.Sprint("part ", part))
	}
	for n := range 500 {
		seller := &quotev1.BasketSeller{Id: fmt.Sprint("seller ", n)}
		random.Int64N(freight + 1) // so that what follows is the draw that was found to be hard
		for j, part := range r.GetParts() {
			if random.Float64() < .2 || j == n {
				seller.Offers = append(seller.Offers, &quotev1.BasketOffer{Part: part, Price: random.Int64N(price + 1)})
			}
		}
		r.Sellers = append(r.Sellers, seller)
	}
	for _, seller := range r.GetSellers() {
		seller.Freight = freight + random.Int64N(freight/10)
	}
	return r
}

func TestBasketThatIsCutOffSaysSo(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		within time.Duration
		nodes  int32
		time   int32
	}{
		"nodes": {time.Minute, 20, 0}, "time": {time.Minute, 0, 1}, "the caller's time": {2 * time.Second, 0, 20_000},
	} {
		ctx, cancel := context.WithTimeout(as(t, "shop-a"), c.within)
		defer cancel()
		r := hardBasket()
		r.NodeLimit, r.TimeLimitMs = c.nodes, c.time
		began := time.Now()
		got, err := (&server.Server{}).SolveBasket(ctx, r)
		if err != nil {
			t.Fatalf("%s: %v after %v", name, err, time.Since(began))
		}
		if got.GetProven() || got.GetBound() >= got.GetTotal() || got.GetBound() < 3*100_000 || len(got.GetAssignment()) != 40 {
			t.Errorf("%s: %v", name, got)
		}
		if c.nodes > 0 && got.GetNodes() != c.nodes {
			t.Errorf("%s: %d nodes", name, got.GetNodes())
		}
		steps := make([]working.Step, 0, len(got.GetWorkings()))
		for _, w := range got.GetWorkings() {
			steps = append(steps, working.Step{Number: w.GetNumber(), Formula: w.GetFormula(), Value: w.GetValue()})
		}
		workingtest.Check(t, steps)
	}
}

func TestNobodyWaitsForABasket(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(as(t, "shop-a"))
	cancel()
	if _, err := (&server.Server{}).SolveBasket(ctx, hardBasket()); status.Code(err) != codes.Canceled {
		t.Errorf("got %v", err)
	}
}
