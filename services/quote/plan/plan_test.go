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

	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/working/workingtest"
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
	workingtest.Check(t, result.Workings)
	result.Workings = nil
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
		Batches: [][]string{{"B"}, {"C"}, {"A"}, {"D"}}, Method: plan.MethodIndex,
		ReadyBy: []plan.Ready{{5, .6}, {9, .98}, {12, .997}, {14, 1}},
		Distribution: []plan.Outcome{
			{17000, 5, .6, false}, {34000, 9, .38, false}, {38500, 12, .017, false}, {38500, 14, .0012, false}, {78500, 14, .0018, false},
		},
	}
	if diff := cmp.Diff(want, got, tight, cmpopts.EquateEmpty()); diff != "" {
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
	// D passing and D failing both end at 385.00: 235.00 spent before it, then its
	// price and sunk part, or its sunk part and loss. Computed by hand: 0.6 × 170 +
	// 0.38 × 340 + 0.02 × 385 = 238.90; worst 5 in 100: (0.02 × 385 + 0.03 × 340) /
	// 0.05 = 358.
	want := plan.Result{
		Order: []string{"B", "C", "A", "D"}, ExpectedCost: 23890, ExpectedDays: 6.666,
		Quantile95: 34000, CVaR95: 35800, Unrepaired: 0.0018,
		Batches: [][]string{{"B"}, {"C"}, {"A"}, {"D"}}, Method: plan.MethodIndex,
		ReadyBy:      []plan.Ready{{5, .6}, {9, .98}, {12, .997}, {14, .9982}},
		Distribution: []plan.Outcome{{17000, 5, .6, false}, {34000, 9, .38, false}, {38500, 12, .017, false}, {38500, 14, .0012, false}, {38500, 14, .0018, true}},
	}
	if diff := cmp.Diff(want, got, tight, cmpopts.EquateEmpty()); diff != "" {
		t.Error(diff)
	}
	// Never ready is not ready by day 14, on which it is known.
	law := evaluate(t, plan.Problem{Offers: four()}, false, singles(1, 2, 0, 3)...)
	equal(t, "ready by day 14", law.ReadyBy(14), 9982, 10000)
	equal(t, "ready by day 13", law.ReadyBy(13), 9970, 10000)
	equal(t, "unrepaired", law.Unrepaired(), 18, 10000)
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

// hundred turns a chance of n/100 back into n.
func hundred(pass float64) int64 { return int64(math.Round(pass * 100)) }

// A walk enumerates every order and every stopping point, without index and
// without recursion on subproblems: each way of trying some of the offers in
// some order and then stopping is priced forwards, from its own outcomes. All is
// in integers scaled by 100^n, n being the number of offers, so equal is equal.
type walk struct {
	problem plan.Problem
	all     bool  // only ways that try every offer count
	best    int64 // least expected cost × 100^n; negative before the first
}

// from prices the ways that begin with those already tried: sure is the expected
// cost of the ways to end so far, reach the chance of coming this far, scale what
// is left of 100^n, spent what was lost on the way.
func (w *walk) from(tried uint, sure, reach, scale, spent int64) {
	end := spent
	if f := w.problem.Fallback; f != nil {
		end += f.Price + w.problem.DayCost*int64(f.Days)
	}
	rest := false
	for n, o := range w.problem.Offers {
		if tried&(1<<n) != 0 {
			continue
		}
		rest = true
		p, sunk := hundred(o.Pass), spent+o.Sunk+w.problem.DayCost*int64(o.Days)
		w.from(tried|1<<n, sure+reach*p*(scale/100)*(sunk+o.Price), reach*(100-p), scale/100, sunk+o.ReturnLoss)
	}
	if total := sure + reach*scale*end; (!w.all || !rest) && (w.best < 0 || total < w.best) {
		w.best = total
	}
}

// least is the least expected cost of all ways, rounded as a plan's is.
func least(t *rapid.T, p plan.Problem, all bool) int64 {
	scale := int64(1)
	for range p.Offers {
		scale *= 100
	}
	w := walk{problem: p, all: all, best: -1}
	w.from(0, 0, 1, scale, 0)
	cost, err := money.Round(big.NewRat(w.best, scale))
	if err != nil {
		t.Fatal(err)
	}
	return cost
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
				Pass: float64(rapid.IntRange(1, 100).Draw(t, "pass")) / 100,
			})
		}
		return p
	})
}

// No order and no stopping point is cheaper than the plan, to the last fraction
// of a cent: 500 random cases of up to 6 offers, 100,000 in the long form.
func TestNoOtherPlanIsCheaper(t *testing.T) {
	t.Parallel()
	many(t, func(t *rapid.T) {
		p := problems(6).Draw(t, "problem")
		got, err := plan.Purchase(p)
		if err != nil {
			t.Fatal(err)
		}
		if want := least(t, p, false); got.ExpectedCost != want {
			t.Fatalf("plan %v costs %d, the best of all plans %d", got.Order, got.ExpectedCost, want)
		}
	})
}

// Without a fallback there is nothing to stop for; what is proven then is that no
// order that tries every offer is cheaper, and that the chance of ending
// unrepaired is that of all failing.
func TestNothingNewNoOtherOrderIsCheaper(t *testing.T) {
	t.Parallel()
	many(t, func(t *rapid.T) {
		p := problems(6).Filter(func(p plan.Problem) bool { return len(p.Offers) > 0 }).Draw(t, "problem")
		p.Fallback = nil
		got, err := plan.Purchase(p)
		if err != nil {
			t.Fatal(err)
		}
		if want := least(t, p, true); got.ExpectedCost != want {
			t.Fatalf("plan %v costs %d, the best of all orders %d", got.Order, got.ExpectedCost, want)
		}
		unrepaired := 1.0
		for _, o := range p.Offers {
			unrepaired *= 1 - o.Pass
		}
		if math.Abs(got.Unrepaired-unrepaired) > 1e-12 || got.UsesFallback || len(got.NotTried) > 0 {
			t.Fatalf("unrepaired %g, want %g, in %+v", got.Unrepaired, unrepaired, got)
		}
	})
}

// many runs a property on 500 random cases, on 100,000 in the long form.
func many(t *testing.T, property func(*rapid.T)) {
	t.Helper()
	runs := 5
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		runs = 1000
	}
	for range runs { // rapid checks 100 cases a run
		rapid.Check(t, property)
	}
}

// The input's order and what ids are called change nothing but which of equals
// comes first; a costlier fallback never makes the plan cheaper or shorter.
func TestPlansAreSteady(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := problems(12).Draw(t, "problem")
		got, err := plan.Purchase(p)
		if err != nil {
			t.Fatal(err)
		}
		shuffled := p
		shuffled.Offers = rapid.Permutation(p.Offers).Draw(t, "shuffled")
		again, err := plan.Purchase(shuffled)
		if diff := cmp.Diff(got, again); err != nil || diff != "" {
			t.Fatalf("another order of the same offers: %v\n%s", err, diff)
		}
		dearer := p
		dearer.Fallback = &plan.Fallback{Price: p.Fallback.Price + rapid.Int64Range(1, 50000).Draw(t, "more"), Days: p.Fallback.Days}
		more, err := plan.Purchase(dearer)
		if err != nil || more.ExpectedCost < got.ExpectedCost || len(more.Order) < len(got.Order) {
			t.Fatalf("a dearer new part: %v\n%+v\n%+v", err, got, more)
		}
		if got.ExpectedCost > p.Fallback.Price+p.DayCost*int64(p.Fallback.Days) {
			t.Fatalf("the plan costs %d, more than the new part alone", got.ExpectedCost)
		}
	})
}

func TestTiesAreBrokenByID(t *testing.T) {
	t.Parallel()
	same := plan.Offer{Price: 100, Sunk: 7, ReturnLoss: 3, Pass: .3}
	var offers []plan.Offer
	for _, id := range []string{"b", "a", "10", "9"} {
		same.ID = id
		offers = append(offers, same)
	}
	got := solve(t, plan.Problem{Fallback: &plan.Fallback{Price: 10000}, Offers: offers})
	if want := []string{"10", "9", "a", "b"}; !slices.Equal(got.Order, want) {
		t.Errorf("order %v, want %v", got.Order, want)
	}
	// An offer whose index equals the fallback's cost is not worth trying:
	// 100 + (7 + 0.7 × 3)/0.3 = 130 + 1/3 is above 130 and below 131.
	for price, tried := range map[int64]int{130: 0, 131: 4} {
		if got := solve(t, plan.Problem{Fallback: &plan.Fallback{Price: price}, Offers: offers}); len(got.Order) != tried {
			t.Errorf("fallback %d: %v, want %d tried", price, got.Order, tried)
		}
	}
	level := plan.Offer{ID: "level", Price: 100, Sunk: 15, Pass: .5} // 130 exactly
	if got := solve(t, plan.Problem{Fallback: &plan.Fallback{Price: 130}, Offers: []plan.Offer{level}}); len(got.Order) != 0 || got.ExpectedCost != 130 {
		t.Errorf("index and fallback are equal: %+v", got)
	}
}

// 7/0.07 is 100, but 99.99999999999999 in floating point, which would make the
// offer look cheaper than a new part at 100.
func TestIndexIsExact(t *testing.T) {
	t.Parallel()
	seven := plan.Offer{ID: "seven", Sunk: 7, Pass: .07}
	if got := plan.Index(seven, 0); got.Cmp(big.NewRat(100, 1)) != 0 {
		t.Errorf("index %s, want 100", got)
	}
	if got := solve(t, plan.Problem{Fallback: &plan.Fallback{Price: 100}, Offers: []plan.Offer{seven}}); len(got.Order) != 0 {
		t.Errorf("an offer that saves nothing is tried: %+v", got)
	}
	if got := plan.Index(plan.Offer{Sunk: math.MaxInt64, Days: math.MaxInt32, Pass: math.NaN()}, math.MaxInt64); got.Sign() <= 0 {
		t.Errorf("index %s of an offer that no plan takes", got)
	}
}

// As many as there may be are tried where they are worth it, and without a
// fallback all of them.
func TestAllThatIsWorthTryingIsTried(t *testing.T) {
	t.Parallel()
	for _, fallback := range []*plan.Fallback{nil, {Price: 90000}} {
		var offers []plan.Offer
		var want []string
		for n := range plan.MaxOffers {
			want = append(want, fmt.Sprintf("%03d", n))
			offers = append(offers, plan.Offer{ID: want[n], Price: int64(1000 + n), Sunk: 10, Pass: .5, Days: 1})
		}
		got := solve(t, plan.Problem{Fallback: fallback, Offers: offers})
		if !slices.Equal(got.Order, want) || len(got.NotTried) != 0 {
			t.Errorf("order %v, not tried %v", got.Order, got.NotTried)
		}
		// E = Σ 2⁻ⁿ⁻¹ (1000 + n + 10 (n + 1)) = 1000 + 1 + 20, but for what 2⁻²⁰⁰ leaves.
		if got.ExpectedCost != 1021 || math.Abs(got.ExpectedDays-2) > 1e-12 {
			t.Errorf("cost %d, days %g", got.ExpectedCost, got.ExpectedDays)
		}
		if chance := math.Ldexp(1, -plan.MaxOffers); fallback == nil && got.Unrepaired != chance {
			t.Errorf("unrepaired %g, want %g", got.Unrepaired, chance)
		}
	}
}

func TestEqualEndsAreMerged(t *testing.T) {
	t.Parallel()
	got := solve(t, plan.Problem{
		Fallback: &plan.Fallback{Price: 150},
		Offers:   []plan.Offer{{ID: "x", Price: 100, ReturnLoss: 20, Pass: .5}, {ID: "y", Price: 80, ReturnLoss: 0, Sunk: 50, Pass: .9}},
	})
	// x passes: 100. y after x: 20 + 50 + 80 = 150, index 80 + 50/.9 = 135.6.
	// both fail: 20 + 50 + 150 = 220.
	want := []plan.Outcome{{100, 0, .5, false}, {150, 0, .45, false}, {220, 0, .05, false}}
	if diff := cmp.Diff(want, got.Distribution, tight); diff != "" {
		t.Error(diff)
	}
	// With y's price 30 lower and x's loss 0, y after x ends at 100 as x does.
	got = solve(t, plan.Problem{
		Fallback: &plan.Fallback{Price: 150},
		Offers:   []plan.Offer{{ID: "x", Price: 100, Pass: .5}, {ID: "y", Price: 50, Sunk: 50, Pass: .9}},
	})
	if diff := cmp.Diff([]plan.Outcome{{100, 0, .95, false}, {200, 0, .05, false}}, got.Distribution, tight); diff != "" {
		t.Error(diff)
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
		if len(got.Order)+len(got.NotTried) != len(p.Offers) || (p.Fallback == nil && len(got.NotTried) > 0) {
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
		"Buy part B; if it fails its check, return it and buy part C; if it fails its check, return it and buy part A; otherwise buy a new one.": {
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

// Chances of 17 digits are the hardest: each makes the numbers 57 bits longer.
func BenchmarkPurchase(b *testing.B) {
	for _, many := range []int{50, plan.MaxOffers} {
		p := plan.Problem{Currency: "USD", DayCost: 500, Fallback: &plan.Fallback{Price: 900000, Days: 9}}
		for n := range many {
			p.Offers = append(p.Offers, plan.Offer{
				ID: fmt.Sprint(n), Price: int64(10000 + n*37), Sunk: 4000, ReturnLoss: 5000, Pass: (50 + float64(n)/7) / 100, Days: int32(n % 9),
			})
		}
		b.Run(fmt.Sprint(many), func(b *testing.B) {
			for b.Loop() {
				if _, err := plan.Purchase(p); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
