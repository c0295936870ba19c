package plan_test

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"os"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/plan"
)

// four are the offers of the worked example: index values 250, 233.33…,
// 247.8947… (with C's sunk cost 35) and 375 in whole units, by Weitzman's index
// (Econometrica 47(3), 1979), computed as exact fractions and confirmed by a
// dynamic program with recall.
func four() []plan.Offer {
	return []plan.Offer{
		{ID: "A", Price: 18000, Sunk: 5500, ReturnLoss: 3000, Pass: 0.85, Days: 3},
		{ID: "B", Price: 12000, Sunk: 5000, ReturnLoss: 4500, Pass: 0.60, Days: 5},
		{ID: "C", Price: 21000, Sunk: 3500, ReturnLoss: 2000, Pass: 0.95, Days: 4},
		{ID: "D", Price: 9000, Sunk: 6000, ReturnLoss: 9000, Pass: 0.40, Days: 2},
	}
}

func solve(t *testing.T, p plan.Problem) plan.Result {
	t.Helper()
	p.Currency = "USD"
	result, err := plan.Purchase(p)
	if err != nil {
		t.Fatal(err)
	}
	return result
}

var tight = cmpopts.EquateApprox(0, 1e-15)

func TestWorkedExample(t *testing.T) {
	t.Parallel()
	got := solve(t, plan.Problem{Fallback: &plan.Fallback{Price: 40000}, Offers: four()})
	want := plan.Result{
		Order: []string{"B", "C", "A", "D"}, ExpectedCost: 23962, ExpectedDays: 6.666,
		// CVaR by Rockafellar and Uryasev (Journal of Risk 2(3), 2000).
		Quantile95: 34000, CVaR95: 37240, UsesFallback: true,
		Distribution: []plan.Outcome{
			{17000, 5, .6}, {34000, 9, .38}, {38500, 12, .017}, {38500, 14, .0012}, {78500, 14, .0018},
		},
	}
	if diff := cmp.Diff(want, got, tight); diff != "" {
		t.Error(diff)
	}
}

func TestIndexValues(t *testing.T) {
	t.Parallel()
	want := []*big.Rat{big.NewRat(25000, 1), big.NewRat(70000, 3), big.NewRat(471000, 19), big.NewRat(37500, 1)}
	for n, offer := range four() {
		if got := plan.Index(offer, 0); got.Cmp(want[n]) != 0 {
			t.Errorf("%s: index %s, want %s", offer.ID, got.FloatString(4), want[n].FloatString(4))
		}
	}
}

func TestFallbackDecidesHowFarToGo(t *testing.T) {
	t.Parallel()
	cases := []struct {
		price int64
		order []string
		cost  int64
		cvar  int64
	}{
		{26000, []string{"B", "C", "A"}, 23923, 36460},
		{24000, []string{"B"}, 23600, 33500}, // 236, by the same dynamic program
		{20000, nil, 20000, 20000},
	}
	for _, c := range cases {
		got := solve(t, plan.Problem{Fallback: &plan.Fallback{Price: c.price}, Offers: four()})
		if !slices.Equal(got.Order, c.order) || got.ExpectedCost != c.cost || got.CVaR95 != c.cvar {
			t.Errorf("fallback %d: %v %d %d, want %v %d %d", c.price, got.Order, got.ExpectedCost, got.CVaR95, c.order, c.cost, c.cvar)
		}
	}
}

func TestNothingNewToBeHad(t *testing.T) {
	t.Parallel()
	got := solve(t, plan.Problem{Offers: four()})
	if !slices.Equal(got.Order, []string{"B", "C", "A", "D"}) || got.UsesFallback || len(got.NotTried) > 0 {
		t.Errorf("%+v", got)
	}
	if diff := cmp.Diff(0.4*0.05*0.15*0.6, got.Unrepaired, tight); diff != "" {
		t.Error(diff)
	}
}

// By the definition of Rockafellar and Uryasev (2000) an atom at the quantile is
// split: losses 100 with 0.98 and 1100 with 0.02 have a worst 5 in 100 that is
// two parts 1100 and three parts 100, in the mean 500.
func TestCVaRSplitsAtoms(t *testing.T) {
	t.Parallel()
	got := solve(t, plan.Problem{
		Fallback: &plan.Fallback{Price: 1100},
		Offers:   []plan.Offer{{ID: "x", Price: 100, Pass: .98}},
	})
	if got.Quantile95 != 100 || got.CVaR95 != 500 {
		t.Errorf("quantile %d, CVaR %d; want 100 and 500", got.Quantile95, got.CVaR95)
	}
}

func TestDayCostJoinsTheSunkPart(t *testing.T) {
	t.Parallel()
	fast := plan.Offer{ID: "fast", Price: 20000, Pass: .9, Days: 1}
	slow := plan.Offer{ID: "slow", Price: 19000, Pass: .9, Days: 6}
	fallback := &plan.Fallback{Price: 90000, Days: 2}
	if got := solve(t, plan.Problem{Fallback: fallback, Offers: []plan.Offer{fast, slow}}); got.Order[0] != "slow" {
		t.Errorf("days are free, yet the order is %v", got.Order)
	}
	got := solve(t, plan.Problem{Fallback: fallback, Offers: []plan.Offer{fast, slow}, DayCost: 1000})
	if got.Order[0] != "fast" || got.Distribution[0].Cost != 21000 {
		t.Errorf("a day costs 1000: %+v", got)
	}
}

// search finds the least expected cost over all orders and stopping points, in
// floating point and without the index.
func search(p plan.Problem) float64 {
	best := float64(p.Fallback.Price + p.DayCost*int64(p.Fallback.Days))
	for n, o := range p.Offers {
		rest := p
		rest.Offers = append(slices.Clone(p.Offers[:n]), p.Offers[n+1:]...)
		cost := float64(o.Sunk+p.DayCost*int64(o.Days)) + o.Pass*float64(o.Price) + (1-o.Pass)*(float64(o.ReturnLoss)+search(rest))
		best = math.Min(best, cost)
	}
	return best
}

func problems(offers int) *rapid.Generator[plan.Problem] {
	return rapid.Custom(func(t *rapid.T) plan.Problem {
		p := plan.Problem{
			Currency: "USD", DayCost: rapid.Int64Range(0, 5000).Draw(t, "day"),
			Fallback: &plan.Fallback{Price: rapid.Int64Range(0, 60000).Draw(t, "new"), Days: rapid.Int32Range(0, 20).Draw(t, "new days")},
		}
		for n := range rapid.IntRange(0, offers).Draw(t, "offers") {
			p.Offers = append(p.Offers, plan.Offer{
				ID: fmt.Sprint(n), Price: rapid.Int64Range(0, 40000).Draw(t, "price"), Sunk: rapid.Int64Range(0, 9000).Draw(t, "sunk"),
				ReturnLoss: rapid.Int64Range(0, 9000).Draw(t, "loss"), Days: rapid.Int32Range(0, 15).Draw(t, "days"),
				Pass: float64(rapid.IntRange(1, 1000).Draw(t, "pass")) / 1000,
			})
		}
		return p
	})
}

// No order and no stopping point is cheaper than the plan: 2,000 random cases of
// up to 6 offers, 100,000 in the long form.
func TestNoOtherPlanIsCheaper(t *testing.T) {
	t.Parallel()
	runs := 20
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		runs = 1000
	}
	for range runs { // rapid checks 100 cases a run
		rapid.Check(t, func(t *rapid.T) {
			p := problems(6).Draw(t, "problem")
			got, err := plan.Purchase(p)
			if err != nil {
				t.Fatal(err)
			}
			if want := search(p); math.Abs(float64(got.ExpectedCost)-want) > 0.5+1e-6 {
				t.Fatalf("plan %v costs %d, the best of all plans %.3f", got.Order, got.ExpectedCost, want)
			}
		})
	}
}

func TestDistributionHoldsTogether(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := problems(20).Draw(t, "problem")
		if len(p.Offers) > 0 && rapid.Bool().Draw(t, "nothing new") {
			p.Fallback = nil
		}
		got, err := plan.Purchase(p)
		if err != nil {
			t.Fatal(err)
		}
		var total, cost, days float64
		for _, o := range got.Distribution {
			total += o.Probability
			cost += o.Probability * float64(o.Cost)
			days += o.Probability * float64(o.Days)
		}
		if math.Abs(total-1) > 1e-12 || math.Abs(cost-float64(got.ExpectedCost)) > .51 || math.Abs(days-got.ExpectedDays) > 1e-9 {
			t.Fatalf("probabilities sum to %g, mean cost %g, mean days %g in %+v", total, cost, days, got)
		}
		if got.CVaR95 < got.Quantile95 || float64(got.CVaR95) < float64(got.ExpectedCost)-1 {
			t.Fatalf("CVaR below quantile or mean: %+v", got)
		}
		if len(got.Order)+len(got.NotTried) != len(p.Offers) || len(got.Order) > plan.MaxTried {
			t.Fatalf("%d offers became %d tried and %d not", len(p.Offers), len(got.Order), len(got.NotTried))
		}
	})
}

func TestNonsenseIsRefusedByField(t *testing.T) {
	t.Parallel()
	offers := []plan.Offer{{ID: "a", Price: -1, Pass: 1}, {ID: "a", Pass: math.NaN()}, {ID: "", Days: 9999, Pass: 2, Sunk: plan.MaxAmount + 1}}
	_, err := plan.Purchase(plan.Problem{Currency: "usd", DayCost: -1, Offers: offers})
	var invalid *plan.InvalidError
	if !errors.As(err, &invalid) {
		t.Fatalf("got %v", err)
	}
	var fields []string
	for _, v := range invalid.Violations {
		fields = append(fields, v.Field)
	}
	want := []string{
		"currency_code", "day_cost", "offers[0].price", "offers[1].id", "offers[1].pass_probability",
		"offers[2].id", "offers[2].sunk", "offers[2].days", "offers[2].pass_probability",
	}
	if diff := cmp.Diff(want, fields); diff != "" {
		t.Error(diff)
	}
	if _, err := plan.Purchase(plan.Problem{Currency: "USD"}); !errors.As(err, &invalid) {
		t.Errorf("nothing to buy: %v", err)
	}
}

func TestWords(t *testing.T) {
	t.Parallel()
	name := func(id string) string { return "part " + id }
	cases := map[string]struct {
		problem  plan.Problem
		fallback string
	}{
		"Buy part B; if it fails its check return it and buy part C; if it fails its check return it and buy part A; otherwise buy a new one.": {
			plan.Problem{Fallback: &plan.Fallback{Price: 26000}, Offers: four()}, "a new one",
		},
		"Buy a new one at once: nothing else is worth trying.": {
			plan.Problem{Fallback: &plan.Fallback{Price: 2600}, Offers: four()}, "a new one",
		},
		"Buy part A. Nothing new is to be had: with probability 15 % every one of them fails and the vehicle stays unrepaired.": {
			plan.Problem{Offers: four()[:1]}, "",
		},
	}
	for want, c := range cases {
		if got := plan.Words(solve(t, c.problem), name, c.fallback); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

func FuzzPurchase(f *testing.F) {
	f.Add(int64(18000), int64(5500), int64(3000), .85, int32(3), int64(40000), int64(0), true)
	f.Add(int64(plan.MaxAmount), int64(plan.MaxAmount), int64(plan.MaxAmount), plan.MinPass, int32(plan.MaxDays), int64(plan.MaxAmount), int64(plan.MaxAmount), false)
	f.Add(int64(-1), int64(0), int64(0), math.NaN(), int32(-1), int64(0), int64(0), true)
	f.Fuzz(func(t *testing.T, price, sunk, loss int64, pass float64, days int32, fresh, dayCost int64, withNew bool) {
		p := plan.Problem{Currency: "USD", DayCost: dayCost}
		if withNew {
			p.Fallback = &plan.Fallback{Price: fresh, Days: days}
		}
		for n := range 14 {
			p.Offers = append(p.Offers, plan.Offer{ID: fmt.Sprint(n), Price: price, Sunk: sunk, ReturnLoss: loss, Pass: pass, Days: days})
		}
		got, err := plan.Purchase(p)
		var invalid *plan.InvalidError
		switch {
		case errors.As(err, &invalid):
		case err != nil:
			t.Fatalf("within its limits a plan cannot fail: %v", err)
		case got.ExpectedCost < 0 || math.IsNaN(got.ExpectedDays) || got.CVaR95 < got.Quantile95:
			t.Fatalf("%+v", got)
		}
	})
}

func BenchmarkPurchaseFiftyOffers(b *testing.B) {
	p := plan.Problem{Currency: "USD", DayCost: 500, Fallback: &plan.Fallback{Price: 900000, Days: 9}}
	for n := range 50 {
		p.Offers = append(p.Offers, plan.Offer{ID: fmt.Sprint(n), Price: int64(10000 + n*37), Sunk: 4000, ReturnLoss: 5000, Pass: float64(50+n%45) / 100, Days: int32(n % 9)})
	}
	for b.Loop() {
		if _, err := plan.Purchase(p); err != nil {
			b.Fatal(err)
		}
	}
}
