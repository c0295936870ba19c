package server_test

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/server"
	"beltwright.example/services/quote/working"
	"beltwright.example/services/quote/working/workingtest"
)

// planned plans on inline input, written as JSON, and does its sums again.
func planned(t *testing.T, request string) *quotev1.PlanPurchaseResponse {
	t.Helper()
	var r quotev1.PlanPurchaseRequest
	if err := protojson.Unmarshal([]byte(request), &r); err != nil {
		t.Fatal(err)
	}
	got, err := (&server.Server{}).PlanPurchase(as(t, "shop-a"), &r)
	if err != nil {
		t.Fatal(err)
	}
	if len(got.GetWorkings()) == 0 {
		t.Error("nothing says how the numbers came about")
	}
	for _, w := range got.GetWorkings() {
		workingtest.Check(t, []working.Step{{Number: w.GetNumber(), Formula: w.GetFormula(), Value: w.GetValue(), Source: w.GetSource()}})
	}
	return got
}

func batches(got *quotev1.PlanPurchaseResponse) [][]string {
	var all [][]string
	for _, batch := range got.GetBatches() {
		all = append(all, batch.GetIds())
	}
	return all
}

// Three parts of one seller, whose chance is Beta(4, 2): after one failed part the
// next is too likely to fail, so one is tried, for 93.333 in the mean; taken for
// independent at 2/3 each all three would be. Computed as exact fractions.
func TestPlanWithASellersUncertainChance(t *testing.T) {
	t.Parallel()
	const offers = `"offers":[{"id":"a","sunk":"6000","seller":"yard"},{"id":"b","sunk":"6000","seller":"yard"},{"id":"c","sunk":"6000","seller":"yard"}]`
	got := planned(t, `{"currencyCode":"USD","fallback":{"price":"10000"},"sellers":[{"id":"yard","alpha":4,"beta":2}],`+offers+`}`)
	if diff := cmp.Diff([][]string{{"a"}}, batches(got)); diff != "" || got.GetMethod() != "exact" || got.GetExpectedCost() != 9333 {
		t.Errorf("%v\n%s", got, diff)
	}
	if diff := cmp.Diff([]string{"b", "c"}, got.GetNotTried()); diff != "" {
		t.Error(diff)
	}
}

// Two equal parts of four days each are bought at once where a day costs more than
// 9.375, by the closed form p/(1−p) × (c + r) / t; at 20 a day that costs 244.60.
func TestPlanInParallelAndByADay(t *testing.T) {
	t.Parallel()
	const twins = `"currencyCode":"USD","dayCost":"2000","fallback":{"price":"25000","days":1},"offers":[
		{"id":"a","price":"10000","sunk":"1000","returnLoss":"1500","passProbability":0.6,"days":4},
		{"id":"b","price":"10000","sunk":"1000","returnLoss":"1500","passProbability":0.6,"days":4}]`
	got := planned(t, `{"parallel":true,`+twins+`}`)
	if diff := cmp.Diff([][]string{{"a", "b"}}, batches(got)); diff != "" || got.GetExpectedCost() != 24460 {
		t.Errorf("%v\n%s", got, diff)
	}
	if ready := got.GetReadyBy(); len(ready) != 2 || ready[0].GetDays() != 4 || math.Abs(ready[0].GetProbability()-.84) > 1e-12 || ready[1].GetProbability() != 1 {
		t.Errorf("ready by %v", got.GetReadyBy())
	}
	// The new part is ready on day 1: where being late is dear it is bought at once.
	got = planned(t, `{"deadlineDays":3,"lateCost":"100000",`+twins+`}`)
	if len(got.GetOrder()) != 0 || got.GetExpectedCost() != 27000 || got.GetReadyBy()[0].GetProbability() != 1 {
		t.Errorf("%v", got)
	}
}

func TestPlanNamesWhatIsWrongWithSellers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		request *quotev1.PlanPurchaseRequest
		want    []string
	}{
		{&quotev1.PlanPurchaseRequest{
			CurrencyCode: "USD", LateCost: 1, Offers: []*quotev1.PlanOffer{{Id: "A", Seller: "y", PassProbability: .9}, {Id: "B", Seller: "z"}},
			Sellers: []*quotev1.PlanSeller{{Id: "x", Alpha: 0, Beta: 1e7}, {Id: "y", Alpha: 1, Beta: 1}},
		}, []string{"deadline_days", `sellers["x"].alpha`, `sellers["x"].beta`, "offers[0].pass_probability", "offers[1].pass_probability"}},
		{&quotev1.PlanPurchaseRequest{
			CurrencyCode: "USD", Sellers: []*quotev1.PlanSeller{{Id: "x", Alpha: 1, Beta: 1}, {Id: "x", Alpha: 2, Beta: 1}},
		}, []string{"sellers[1].id"}},
	} {
		_, err := (&server.Server{}).PlanPurchase(as(t, "shop-a"), c.request)
		refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
		if diff := cmp.Diff(c.want, fieldsIn(err)); diff != "" {
			t.Error(diff)
		}
	}
}
