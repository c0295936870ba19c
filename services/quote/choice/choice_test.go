package choice_test

import (
	"math/big"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"beltwright.example/services/quote/choice"
	"beltwright.example/services/quote/plan"
)

// four are the offers of the worked example of package plan, with a fallback for
// 400.00, in which days play no part.
func four() plan.Problem {
	return plan.Problem{Currency: "USD", Fallback: &plan.Fallback{Price: 40000}, Offers: []plan.Offer{
		{ID: "A", Price: 18000, Sunk: 5500, ReturnLoss: 3000, Pass: 0.85},
		{ID: "B", Price: 12000, Sunk: 5000, ReturnLoss: 4500, Pass: 0.60},
		{ID: "C", Price: 21000, Sunk: 3500, ReturnLoss: 2000, Pass: 0.95},
		{ID: "D", Price: 9000, Sunk: 6000, ReturnLoss: 9000, Pass: 0.40},
	}}
}

func front(t *testing.T, p plan.Problem, limits choice.Limits) choice.Trade {
	t.Helper()
	trade, err := choice.Front(p, limits)
	if err != nil {
		t.Fatal(err)
	}
	for _, point := range trade.Points {
		var ids [][]string
		for _, batch := range point.Policy.Batches {
			ids = append(ids, nil)
			for _, n := range batch {
				ids[len(ids)-1] = append(ids[len(ids)-1], p.Offers[n].ID)
			}
		}
		if diff := gocmp.Diff(ids, point.Batches, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("policy and ids differ: %s", diff)
		}
	}
	return trade
}

// shown is a point as a person sees it.
type shown struct {
	Order      string
	Cost, CVaR int64
}

func show(points []choice.Point) []shown {
	var all []shown
	for _, point := range points {
		var batches []string
		for _, batch := range point.Batches {
			batches = append(batches, strings.Join(batch, "+"))
		}
		all = append(all, shown{strings.Join(batches, " "), point.ExpectedCost, point.CVaR95})
	}
	return all
}

// Four offers make 1 + 4 + 12 + 24 + 24 = 65 policies with a fallback. Those that
// none beats, computed as exact fractions by a program of its own over all 65:
// expected 239.62, 247.92 and 248.345, worst 5 in 100 372.40, 315.40 and 311.90
// (CVaR by Rockafellar and Uryasev, Journal of Risk 2(3), 2000).
func TestWorkedExample(t *testing.T) {
	t.Parallel()
	got := front(t, four(), choice.Limits{})
	want := []shown{{"B C A D", 23962, 37240}, {"C B A D", 24792, 31540}, {"C A B D", 24835, 31190}}
	if diff := gocmp.Diff(want, show(got.Points)); diff != "" {
		t.Error(diff)
	}
	if got.Policies != 65 || got.Limited != "" || len(got.Misses) != 0 {
		t.Errorf("%d policies, limited %q, misses %v", got.Policies, got.Limited, got.Misses)
	}
	for _, point := range got.Points {
		if point.BreakEven != nil || point.Alike != 1 || point.Unrepaired != 0 || !point.Policy.Fallback {
			t.Errorf("no days are at stake: %+v", point)
		}
	}
}

// Two offers by hand. Slow costs 100.00 and takes 10 days, fast 160.00 and 2 days,
// both are sure; the fallback is too dear for anything. At 5.00 a day they cost
// 150.00 and 170.00. They cost the same where 100 + 10 D = 160 + 2 D: D = 7.50.
func TestBreakEvenByHand(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", DayCost: 500, Fallback: &plan.Fallback{Price: 900000}, Offers: []plan.Offer{
		{ID: "fast", Price: 16000, Pass: 1, Days: 2}, {ID: "slow", Price: 10000, Pass: 1, Days: 10},
	}}
	got := front(t, p, choice.Limits{})
	want := []shown{{"slow", 15000, 15000}, {"fast", 17000, 17000}, {"", 900000, 900000}}
	if diff := gocmp.Diff(want, show(got.Points)); diff != "" {
		t.Fatal(diff)
	}
	if at := got.Points[0].BreakEven; at == nil || at.Cmp(big.NewRat(750, 1)) != 0 {
		t.Errorf("slow and fast: %v, want 750", at)
	}
	// 160 + 2 D = 9000: D = 4420
	if at := got.Points[1].BreakEven; at == nil || at.Cmp(big.NewRat(442000, 1)) != 0 {
		t.Errorf("fast and new: %v, want 442000", at)
	}
	if got.Points[2].BreakEven != nil {
		t.Errorf("the last point has no next one: %v", got.Points[2].BreakEven)
	}
	step := got.Points[0].Workings
	if len(step) != 2 || step[1].Formula != "5.00 + (170.00000000 − 150.00000000) / (10.00000000 − 2.00000000), rounded half away from zero" || step[1].Value != "7.5000" {
		t.Errorf("%+v", step)
	}
}

// The sure offer is the dearer and the slower one here, and on the front because
// nothing can go wrong with it. At 25.00 a day: quick 0.9 × (100 + 50) + 0.1 × (60 +
// 50 + 900) = 236, sure 150 + 100 = 250. Without days 186 and 150; 186 + 2 D = 150 +
// 4 D where D = 18, so that a day would have to cost less for sure to be the cheaper.
func TestBreakEvenBelowThePresentDayCost(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", DayCost: 2500, Fallback: &plan.Fallback{Price: 90000}, Offers: []plan.Offer{
		{ID: "quick", Price: 10000, ReturnLoss: 6000, Pass: .9, Days: 2}, {ID: "sure", Price: 15000, Pass: 1, Days: 4},
	}}
	got := front(t, p, choice.Limits{})
	want := []shown{{"quick sure", 17100, 36000}, {"quick", 23600, 101000}, {"sure", 25000, 25000}, {"", 90000, 90000}}
	if diff := gocmp.Diff(want, show(got.Points)); diff != "" {
		t.Fatal(diff)
	}
	// quick sure costs 111 without days and takes 2.4: 111 + 2.4 D = 186 + 2 D.
	for n, minor := range []int64{18750, 1800, 18750} {
		if at := got.Points[n].BreakEven; at == nil || at.Cmp(big.NewRat(minor, 1)) != 0 {
			t.Errorf("%v: %v, want %d", got.Points[n].Batches, at, minor)
		}
	}
}

// Where two cost the same without days, the slower one is dearer or as dear
// whatever a day costs: there is no price of a day at which they change places.
func TestNoBreakEvenWhereDaysAreFree(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", Fallback: &plan.Fallback{Price: 90000}, Offers: []plan.Offer{
		{ID: "quick", Price: 10000, ReturnLoss: 6000, Pass: .9, Days: 2}, {ID: "sure", Price: 18600, Pass: 1, Days: 4},
	}}
	got := front(t, p, choice.Limits{})
	want := []shown{{"quick sure", 11460, 24600}, {"sure", 18600, 18600}, {"quick", 18600, 96000}, {"", 90000, 90000}}
	if diff := gocmp.Diff(want, show(got.Points)); diff != "" {
		t.Fatal(diff)
	}
	if at := got.Points[1].BreakEven; at != nil {
		t.Errorf("sure and quick: %s", at)
	}
}

// By hand: state, then what the three points cost and may be regretted.
func TestRegretByHand(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", Fallback: &plan.Fallback{Price: 40000}, Offers: []plan.Offer{
		{ID: "used", Price: 15000, Sunk: 3000, ReturnLoss: 2000, Pass: .6}, {ID: "other", Price: 30000, Pass: 1},
	}}
	got := front(t, p, choice.Limits{})
	// used passes: 180; used fails: 50 + 300. other at once: 300. Fallback: 400, beaten.
	if diff := gocmp.Diff([]shown{{"used other", 24800, 35000}, {"other", 30000, 30000}}, show(got.Points)); diff != "" {
		t.Fatal(diff)
	}
	want := []choice.Regret{
		{State: choice.State{Passes: []string{"other"}, Fails: []string{"used"}}, Amounts: []int64{5000, 0}},
		{State: choice.State{Passes: []string{"used", "other"}}, Amounts: []int64{0, 12000}},
	}
	if diff := gocmp.Diff(want, got.Regrets); diff != "" {
		t.Error(diff)
	}
	if diff := gocmp.Diff([]int{0}, got.LeastWorst); diff != "" {
		t.Error(diff)
	}
	name := func(id string) string { return "the " + id + " one" }
	if words := got.Points[0].WorstState.Words(name); words != "the other one passes, the used one fails" {
		t.Error(words)
	}
	if words := got.Points[1].WorstState.Words(name); words != "the used one and the other one pass" {
		t.Error(words)
	}
	if words := got.Points[0].Words(name, "a new one"); words != "Buy the used one; if it fails its check, return it and buy the other one." {
		t.Error(words)
	}
}

func TestLimitsFilter(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		limits choice.Limits
		want   []string
		misses []choice.Miss
	}{
		"none":           {want: []string{"B C A D", "C B A D", "C A B D"}},
		"cost":           {limits: choice.Limits{MaxCost: 24800}, want: []string{"B C A D", "C B A D"}},
		"cost, exactly":  {limits: choice.Limits{MaxCost: 23962}, want: []string{"B C A D"}},
		"rounded as is":  {limits: choice.Limits{MaxCost: 24835, MaxCVaR: 31190}, want: []string{"C A B D"}}, // 248.345
		"risk":           {limits: choice.Limits{MaxCVaR: 32000}, want: []string{"C B A D", "C A B D"}},
		"days":           {limits: choice.Limits{MaxDays: 1}, want: []string{"B C A D", "C B A D", "C A B D"}},
		"a bound of one": {limits: choice.Limits{MinLowerBound: .5, LowerBounds: map[string]float64{"C": .4, "A": .5}}, want: []string{"B A D", "B A", "A", ""}},
		"too cheap": {
			limits: choice.Limits{MaxCost: 23961},
			misses: []choice.Miss{{"max_cost", "239.61 USD", "239.62 USD", true, "With the other limits as they are, the least expected cost is 239.62 USD; the limit is 239.61 USD."}},
		},
		"at odds": {
			limits: choice.Limits{MaxCost: 24000, MaxCVaR: 32000},
			misses: []choice.Miss{
				{"max_cost", "240.00 USD", "247.92 USD", true, "With the other limits as they are, the least expected cost is 247.92 USD; the limit is 240.00 USD."},
				{"max_cvar", "320.00 USD", "372.40 USD", true, "With the other limits as they are, the least mean cost of the worst 5 in 100 is 372.40 USD; the limit is 320.00 USD."},
			},
		},
		// C, then A: 35 + 0.95 × 210 + 0.05 × (20 + 272.50), where A and what follows is
		// 55 + 0.85 × 180 + 0.15 × 430; in the worst 5 in 100 C fails: 35 + 20 + 272.50.
		"both too low, with an offer shut out": {
			limits: choice.Limits{MaxCost: 100, MaxCVaR: 100, MinLowerBound: .8, LowerBounds: map[string]float64{"D": .70009, "B": .3}},
			misses: []choice.Miss{
				{"max_cost", "1.00 USD", "249.13 USD", false, "The least expected cost of all is 249.13 USD; the limit is 1.00 USD, and nothing keeps the other limits either."},
				{"max_cvar", "1.00 USD", "327.50 USD", false, "The least mean cost of the worst 5 in 100 of all is 327.50 USD; the limit is 1.00 USD, and nothing keeps the other limits either."},
				{"min_lower_bound", "0.8", "0.7", false, "Of the 2 offers that the limit on lower bounds shuts out, D comes nearest with 0.7; the limit is 0.8."},
			},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := front(t, four(), c.limits)
			var orders []string
			for _, point := range show(got.Points) {
				orders = append(orders, point.Order)
			}
			if diff := gocmp.Diff(c.want, orders); diff != "" && len(c.want)+len(orders) > 0 {
				t.Error(diff, show(got.Points))
			}
			if diff := gocmp.Diff(c.misses, got.Misses); diff != "" {
				t.Error(diff)
			}
		})
	}
}
