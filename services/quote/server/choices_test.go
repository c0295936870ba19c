package server_test

import (
	"context"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/server"
)

// fourOffers is the example of package plan's tests: Weitzman's index (1979) and
// Rockafellar and Uryasev's CVaR (2000), computed as exact fractions.
const fourOffers = `{"currencyCode":"USD","dayCost":"0","fallback":{"price":"40000","days":0},"offers":[
	{"id":"A","price":"18000","sunk":"5500","returnLoss":"3000","passProbability":0.85,"days":3},
	{"id":"B","price":"12000","sunk":"5000","returnLoss":"4500","passProbability":0.60,"days":5},
	{"id":"C","price":"21000","sunk":"3500","returnLoss":"2000","passProbability":0.95,"days":4},
	{"id":"D","price":"9000","sunk":"6000","returnLoss":"9000","passProbability":0.40,"days":2}]}`

func weighed(t *testing.T, problem, limits string) *quotev1.TradeOff {
	t.Helper()
	var r quotev1.WeighChoicesRequest
	if err := protojson.Unmarshal([]byte(`{"problem":`+problem+`,"limits":`+limits+`}`), &r); err != nil {
		t.Fatal(err)
	}
	got, err := (&server.Server{}).WeighChoices(as(t, "shop-a"), &r)
	if err != nil {
		t.Fatal(err)
	}
	return got.GetTradeOff()
}

// named are a trade-off's policies, a letter each, with what they cost.
func named(trade *quotev1.TradeOff) []string {
	var all []string
	for _, p := range trade.GetPoints() {
		text := ""
		for _, batch := range p.GetBatches() {
			text += strings.Join(batch.GetIds(), "+")
		}
		if p.GetFallback() {
			text += "F"
		}
		all = append(all, text+" "+strconv.FormatInt(p.GetExpectedCost(), 10)+" "+strconv.FormatInt(p.GetCvar95(), 10))
	}
	return all
}

// Of all 65 policies over four offers and a new part at 400.00, three are on the set
// of cost and risk where a day costs nothing (computed as exact fractions); those
// that also win days join them.
func TestWhatMayBeChosenBetween(t *testing.T) {
	t.Parallel()
	got := weighed(t, fourOffers, `{}`)
	if got.GetPolicies() != 65 || got.GetLimited() != "" {
		t.Errorf("%d policies, limited: %q", got.GetPolicies(), got.GetLimited())
	}
	all := named(got)
	for _, want := range []string{"BCADF 23962 37240", "CBADF 24792 31540", "CABDF 24835 31190"} {
		if !strings.Contains(strings.Join(all, "\n"), want) {
			t.Errorf("%s is not among %v", want, all)
		}
	}
	first := got.GetPoints()[0]
	if all[0] != "BCADF 23962 37240" || !strings.Contains(first.GetWords(), "Buy B; if it fails its check, return it and buy C") ||
		!strings.Contains(first.GetWords(), "a new part") || first.GetBreakEvenDayCost() == "" || first.GetWorstState() == "" {
		t.Errorf("first %v", first)
	}
	if n := got.GetLeastWorstRegret(); n < 1 || int(n) > len(all) {
		t.Fatalf("least worst regret at %d of %d", n, len(all))
	}
	for _, p := range got.GetPoints() {
		if p.GetWorstRegret() < got.GetPoints()[got.GetLeastWorstRegret()-1].GetWorstRegret() {
			t.Errorf("%v is regretted less than the least regretted", p)
		}
	}
	if last := got.GetPoints()[len(all)-1]; last.GetBreakEvenDayCost() != "" {
		t.Errorf("the last one has no next, and changes places with it at %s", last.GetBreakEvenDayCost())
	}
}

func TestLimitsFilterChoices(t *testing.T) {
	t.Parallel()
	all := named(weighed(t, fourOffers, `{}`))
	safe := weighed(t, fourOffers, `{"maxCvar":"31500","minLowerBound":0.95}`)
	for _, p := range safe.GetPoints() {
		if p.GetCvar95() > 315_00 {
			t.Errorf("beyond the limit: %v", p)
		}
	}
	if n := len(safe.GetPoints()); n == 0 || n >= len(all) || len(safe.GetNearestMisses()) != 0 {
		t.Errorf("%d of %d points, misses %v", n, len(all), safe.GetNearestMisses())
	}
	none := weighed(t, fourOffers, `{"maxCost":"23000"}`)
	if len(none.GetPoints()) != 0 || len(none.GetNearestMisses()) == 0 || !strings.Contains(none.GetNearestMisses()[0], "239.62") {
		t.Errorf("nothing costs 230.00: %v", none)
	}
}

func TestChoicesNameWhatIsWrong(t *testing.T) {
	t.Parallel()
	weigh := func(ctx context.Context, request string) error {
		var r quotev1.WeighChoicesRequest
		if err := protojson.Unmarshal([]byte(request), &r); err != nil {
			t.Fatal(err)
		}
		_, err := (&server.Server{}).WeighChoices(ctx, &r)
		return err
	}
	for request, want := range map[string][]string{
		`{}`:                                 {"problem"},
		`{"problem":{"currencyCode":"USD"}}`: {"problem.offers"},
		`{"problem":{"currencyCode":"XYZ","dayCost":"-1","fallback":{"price":"1"}}}`:              {"problem.currency_code", "problem.day_cost"},
		`{"problem":{"currencyCode":"USD","sellers":[{"id":"x"},{"id":"x"}]}}`:                    {"problem.sellers[1].id"},
		`{"problem":` + fourOffers + `,"limits":{"maxCost":"-1","maxDays":-1,"minLowerBound":1}}`: {"limits.max_cost", "limits.max_days", "limits.min_lower_bound"},
	} {
		err := weigh(as(t, "shop-a"), request)
		refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
		if diff := cmp.Diff(want, fieldsIn(err)); diff != "" {
			t.Errorf("%s: %s", request, diff)
		}
	}
	refused(t, weigh(t.Context(), `{}`), codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

// Ids of 300 characters of four bytes in dozens of policies over 200 offers would be more than
// an answer may hold.
func TestChoicesThatAreTooLargeAreRefused(t *testing.T) {
	t.Parallel()
	problem := &quotev1.PlanPurchaseRequest{CurrencyCode: "USD", DayCost: 1000, Parallel: true}
	for n := range 200 {
		problem.Offers = append(problem.Offers, &quotev1.PlanOffer{
			Id: strings.Repeat("𝄞", 290) + strconv.Itoa(n), Price: int64(10_000 + n*997%30_000), Sunk: int64(1000 + n*31%4000),
			ReturnLoss: int64(500 + n*57%3000), PassProbability: .4 + float64(n*37%60)/100, Days: int32(1 + n*13%11),
		})
	}
	got, err := (&server.Server{}).WeighChoices(as(t, "shop-a"), &quotev1.WeighChoicesRequest{Problem: problem})
	if err == nil {
		t.Fatalf("%d points are answered", len(got.GetTradeOff().GetPoints()))
	}
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED)
}
