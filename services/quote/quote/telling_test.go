package quote_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// way is a policy that tries these in order.
func way(cost, cvar int64, days float64, tries ...string) *quotev1.TradePoint {
	point := &quotev1.TradePoint{ExpectedCost: cost, Cvar95: cvar, ExpectedDays: days}
	for _, id := range tries {
		point.Batches = append(point.Batches, &quotev1.PlanBatch{Ids: []string{id}})
	}
	return point
}

func TestTellingNamesEachStartAndTheBestInEachRespect(t *testing.T) {
	t.Parallel()
	points := []*quotev1.TradePoint{
		way(100, 900, 5, "a", "b", "c"), // the cheapest
		way(101, 890, 5, "a", "c", "b"),
		way(102, 700, 5, "b", "a", "c"), // the cheapest that starts with b
		way(103, 650, 6, "b", "c", "a"), // the least risk
		way(104, 880, 4, "a", "b"),      // the fewest days
		way(105, 800, 4.5, "b", "c"),
		way(106, 660, 4.2, "a"), // the least worst regret
		way(300, 660, 4.1),      // the fallback at once
	}
	for name, test := range map[string]struct {
		trade *quotev1.TradeOff
		want  []int
	}{
		"all":         {&quotev1.TradeOff{Points: points, LeastWorstRegret: 7}, []int{0, 2, 3, 4, 6, 7}},
		"no regret":   {&quotev1.TradeOff{Points: points}, []int{0, 2, 3, 4, 7}},
		"one":         {&quotev1.TradeOff{Points: points[:1], LeastWorstRegret: 1}, []int{0}},
		"none":        {&quotev1.TradeOff{}, nil},
		"out of list": {&quotev1.TradeOff{Points: points[:1], LeastWorstRegret: 9}, []int{0}},
	} {
		if diff := cmp.Diff(test.want, quote.Telling(test.trade)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}
