package plan_test

import (
	"math/big"
	"slices"
	"testing"

	"beltwright.example/services/quote/plan"
)

// evaluate is the law of a policy of single offers, by their place, or of batches.
func evaluate(t *testing.T, p plan.Problem, fallback bool, batches ...[]int) plan.Law {
	t.Helper()
	if p.Currency == "" {
		p.Currency = "USD"
	}
	law, err := compiled(t, p).Evaluate(plan.Policy{Batches: batches, Fallback: fallback})
	if err != nil {
		t.Fatal(err)
	}
	return law
}

// fataler is a test or a property.
type fataler interface {
	Helper()
	Fatal(args ...any)
}

// compiled is a problem that makes sense.
func compiled(t fataler, p plan.Problem) *plan.Model {
	t.Helper()
	m, err := plan.Compile(p)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// singles are batches of one.
func singles(offers ...int) [][]int {
	batches := make([][]int, len(offers))
	for n, i := range offers {
		batches[n] = []int{i}
	}
	return batches
}

func equal(t *testing.T, what string, got *big.Rat, num, den int64) {
	t.Helper()
	if want := big.NewRat(num, den); got.Cmp(want) != 0 {
		t.Errorf("%s: %s, want %s", what, got.FloatString(6), want.FloatString(6))
	}
}

// Weitzman (Econometrica 47(3), 1979), the example of two technologies: alpha
// costs 15 and pays 100 or 55, omega costs 20 and pays 240 with chance 0.2, else
// nothing; undiscounted, computed from those inputs: reservation values 70 and
// 140, opening omega first is worth 78, alpha first 75. Seen from the cost side a
// prize is what it leaves of 240.
func TestTwoTechnologies(t *testing.T) {
	t.Parallel()
	alpha := plan.Offer{ID: "alpha", Price: 140, Sunk: 15, Pass: .5} // 100 of 240
	omega := plan.Offer{ID: "omega", Price: 0, Sunk: 20, Pass: .2}
	equal(t, "reservation cost of alpha", plan.Index(alpha, 0), 240-70, 1)
	equal(t, "reservation cost of omega", plan.Index(omega, 0), 240-140, 1)
	// After omega fails alpha pays (100 + 55)/2 − 15 = 62.5. In halves, since that
	// is no whole number.
	omega.Sunk *= 2
	first := evaluate(t, plan.Problem{Offers: []plan.Offer{omega}, Fallback: &plan.Fallback{Price: 480 - 125}}, true, []int{0})
	equal(t, "omega first", first.Mean(), 480-2*78, 1)
	// After alpha there is 100 or 55 in hand, and omega is tried either way.
	omega.Sunk = 20
	sum := new(big.Rat)
	for _, hand := range []int64{100, 55} {
		p := plan.Problem{Currency: "USD", Offers: []plan.Offer{omega}, Fallback: &plan.Fallback{Price: 240 - hand}}
		if result, err := plan.Purchase(p); err != nil || !slices.Equal(result.Order, []string{"omega"}) {
			t.Errorf("%d in hand: %v, %v", hand, result.Order, err)
		}
		sum.Add(sum, evaluate(t, p, true, []int{0}).Mean())
	}
	sum.Quo(sum, big.NewRat(2, 1))
	equal(t, "alpha first", sum.Add(sum, big.NewRat(15, 1)), 240-75, 1)
}

// Mitten's rule (Journal of Industrial Engineering 11, 1960; from memory): tests
// of which any one suffices go by rising cost per chance. Costs 40, 90, 25, 60 and
// chances 1/2, 9/10, 1/5, 3/4: order 0, 3, 1, 2 costs 1305/16 = 81.5625 in the
// mean, the worst order 102.6; with something sure at 110 the third is dropped and
// it costs 661/8. Computed over all 24 orders.
func TestCostPerChance(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", Offers: []plan.Offer{
		{ID: "0", Sunk: 4000, Pass: .5}, {ID: "1", Sunk: 9000, Pass: .9}, {ID: "2", Sunk: 2500, Pass: .2}, {ID: "3", Sunk: 6000, Pass: .75},
	}}
	equal(t, "0, 3, 1, 2", evaluate(t, p, false, singles(0, 3, 1, 2)...).Mean(), 130500, 16)
	worst, orders := new(big.Rat), 0
	permute([]int{0, 1, 2, 3}, 0, func(order []int) {
		orders++
		if mean := evaluate(t, p, false, singles(order...)...).Mean(); mean.Cmp(worst) > 0 {
			worst = mean
		}
	})
	equal(t, "the worst of all orders", worst, 10260, 1)
	if orders != 24 {
		t.Errorf("%d orders", orders)
	}
	if got := solve(t, p); !slices.Equal(got.Order, []string{"0", "3", "1", "2"}) || got.ExpectedCost != 8156 { // 8156.25
		t.Errorf("%+v", got)
	}
	p.Fallback = &plan.Fallback{Price: 11000}
	equal(t, "with something sure", evaluate(t, p, true, singles(0, 3, 1)...).Mean(), 66100, 8)
	if got := solve(t, p); !slices.Equal(got.Order, []string{"0", "3", "1"}) || got.ExpectedCost != 8263 { // 8262.5
		t.Errorf("%+v", got)
	}
}

func permute(items []int, from int, visit func([]int)) {
	if from == len(items) {
		visit(items)
		return
	}
	for n := from; n < len(items); n++ {
		items[from], items[n] = items[n], items[from]
		permute(items, from+1, visit)
		items[from], items[n] = items[n], items[from]
	}
}

// twins are two parts at 100 with 10 sunk, a loss of 15, a chance of 0.6 and four
// days; a new part costs 250 and takes a day. Amounts in thousandths.
func twins(dayCost int64) plan.Problem {
	twin := plan.Offer{Price: 100_000, Sunk: 10_000, ReturnLoss: 15_000, Pass: .6, Days: 4}
	a, b := twin, twin
	a.ID, b.ID = "a", "b"
	return plan.Problem{
		Currency: "KWD", DayCost: dayCost, Parallel: true, Offers: []plan.Offer{a, b}, Fallback: &plan.Fallback{Price: 250_000, Days: 1},
	}
}

// Buying both at once beats one after the other where the days of one cost more
// than p/(1−p) × (c + r): 9.375 a day here. The means were computed from that
// closed form.
func TestBuyingBothAtOnce(t *testing.T) {
	t.Parallel()
	for dayCost, want := range map[int64][2]int64{ // one after the other, both at once
		5_000:  {175_200, 182_200},
		9_375:  {200_400, 200_400},
		20_000: {261_600, 244_600},
	} {
		p := twins(dayCost)
		equal(t, "one after the other", evaluate(t, p, true, []int{0}, []int{1}).Mean(), want[0], 1)
		equal(t, "both at once", evaluate(t, p, true, []int{0, 1}).Mean(), want[1], 1)
	}
	for dayCost, want := range map[int64][][]string{
		5_000: {{"a"}, {"b"}}, 9_374: {{"a"}, {"b"}}, 9_375: {{"a"}, {"b"}}, 9_376: {{"a", "b"}}, 20_000: {{"a", "b"}},
	} {
		p := twins(dayCost)
		got, err := plan.Purchase(p)
		if err != nil || !slices.EqualFunc(got.Batches, want, slices.Equal) || got.Method != plan.MethodExact {
			t.Errorf("day cost %d: %v by %s, %v; want %v", dayCost, got.Batches, got.Method, err, want)
		}
		// Where only one part may be bought at a time, nothing saves the days.
		p.Parallel = false
		if got := solve(t, p); len(got.Batches) > 0 && len(got.Batches[0]) != 1 {
			t.Errorf("day cost %d: %v, though nothing may be bought together", dayCost, got.Batches)
		}
	}
}

// Three parts of a seller whose chance has the distribution Beta(4, 2) fail
// together with 1/3, 1/7 and 1/14. With 60 sunk for each and something sure at
// 100, a fixed chance of 2/3 has three tried, believing it costs 90.37 where it
// costs 95.714; the right plan tries one, for 93.333. Computed as exact fractions.
func TestASellerWhoFailedOnce(t *testing.T) {
	t.Parallel()
	p := plan.Problem{
		Currency: "USD", Fallback: &plan.Fallback{Price: 10000},
		Sellers: map[string]plan.Belief{"yard": {Alpha: 4, Beta: 2}},
	}
	for _, id := range []string{"a", "b", "c"} {
		p.Offers = append(p.Offers, plan.Offer{ID: id, Sunk: 6000, Seller: "yard"})
	}
	for k, want := range []int64{1, 3, 7, 14} {
		equal(t, "all fail", evaluate(t, p, false, singles([]int{0, 1, 2}[:k]...)...).Unrepaired(), 1, want)
	}
	equal(t, "two at once fail", evaluate(t, p, false, []int{0, 2}).Unrepaired(), 1, 7)
	equal(t, "three tried", evaluate(t, p, true, singles(0, 1, 2)...).Mean(), 67000, 7)
	equal(t, "one tried", evaluate(t, p, true, []int{0}).Mean(), 28000, 3)
	if got := solve(t, p); !slices.Equal(got.Order, []string{"a"}) || got.Method != plan.MethodExact || got.ExpectedCost != 9333 {
		t.Errorf("%+v", got)
	}
	// Taken for independent, with 2/3 each.
	p.Sellers = nil
	p.Fallback.Price *= 3 // in thirds, so that 2/3 … 1/27 stay whole
	for n := range p.Offers {
		p.Offers[n].Sunk *= 3
		p.Offers[n].Pass = 2.0 / 3
	}
	mean, _ := evaluate(t, p, true, singles(0, 1, 2)...).Mean().Float64()
	if want := 3 * 244000.0 / 27; mean-want > 1e-6 || want-mean > 1e-6 { // 90.37
		t.Errorf("believed %g, want %g", mean/3, want/3)
	}
	if got := solve(t, p); len(got.Order) != 3 || got.Method != plan.MethodIndex {
		t.Errorf("%+v", got)
	}
}

// The worked example's law: variance 7657.1556 and CVaR 356.2, 372.4 and 457 at
// 0.90, 0.95 and 0.99, in whole units; then with an independent one of 250 (0.85)
// or 420 (0.15): mean 515.12, variance 11341.9056, quantiles 590, 760, 760 and
// CVaR 708.2, 773.275, 826.375. Computed as exact fractions by the definition of
// Rockafellar and Uryasev (Journal of Risk 2(3), 2000).
func TestRiskOfOneAndOfTwo(t *testing.T) {
	t.Parallel()
	law := evaluate(t, plan.Problem{Offers: four(), Fallback: &plan.Fallback{Price: 40000}}, true, singles(1, 2, 0, 3)...)
	equal(t, "mean", law.Mean(), 23962, 1)
	equal(t, "variance", variance(law), 76571556, 1)
	other := evaluate(t, plan.Problem{
		Offers: []plan.Offer{{ID: "x", Price: 25000, Pass: .85}}, Fallback: &plan.Fallback{Price: 42000},
	}, true, []int{0})
	both, err := plan.Both(law, other)
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "mean of both", both.Mean(), 51512, 1)
	equal(t, "variance of both", variance(both), 113419056, 1)
	for _, c := range []struct{ percent, one, quantile, two, of int64 }{
		{90, 35620, 59000, 70820, 1}, {95, 37240, 76000, 773275, 10}, {99, 45700, 76000, 826375, 10},
	} {
		level := big.NewRat(c.percent, 100)
		equal(t, "CVaR", law.CVaR(level), c.one, 1)
		equal(t, "CVaR of both", both.CVaR(level), c.two, c.of)
		if got := both.Quantile(level); got != c.quantile {
			t.Errorf("quantile of both at %d %%: %d, want %d", c.percent, got, c.quantile)
		}
	}
}

// variance of the cost, in squared cents; the chances have at most 15 digits.
func variance(law plan.Law) *big.Rat {
	mean := law.Mean()
	sum := new(big.Rat)
	for _, end := range law.Ends {
		p, _ := new(big.Rat).SetString(big.NewFloat(end.Probability).Text('g', 15))
		d := new(big.Rat).Sub(new(big.Rat).SetInt64(end.Cost), mean)
		sum.Add(sum, d.Mul(d, d).Mul(d, p))
	}
	return sum
}

// Lead times {2: 0.5, 3: 0.3, 5: 0.2} and {1: 0.2, 3: 0.6, 7: 0.2}: the later of
// both is {2: 0.1, 3: 0.54, 5: 0.16, 7: 0.2}, 4.02 in the mean, where the later of
// the means is 3.4. Computed as exact fractions.
func TestTheLaterOfTwo(t *testing.T) {
	t.Parallel()
	days := func(days ...plan.Offer) plan.Law {
		for n := range days {
			days[n].ID = string(rune('a' + n))
		}
		return evaluate(t, plan.Problem{Offers: days}, false, singles(0, 1, 2)...)
	}
	one := days(plan.Offer{Days: 2, Pass: .5}, plan.Offer{Days: 1, Pass: .6}, plan.Offer{Days: 2, Pass: 1})
	two := days(plan.Offer{Days: 1, Pass: .2}, plan.Offer{Days: 2, Pass: .75}, plan.Offer{Days: 4, Pass: 1})
	equal(t, "one", one.Days(), 29, 10)
	equal(t, "two", two.Days(), 34, 10)
	both, err := plan.Both(one, two)
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "the later", both.Days(), 402, 100)
	for day, percent := range map[int32]int64{1: 0, 2: 10, 3: 64, 4: 64, 5: 80, 6: 80, 7: 100} {
		equal(t, "ready", both.ReadyBy(day), percent, 100)
	}
}

// Two plans side by side leave the vehicle unrepaired where either does: with 1 in
// 4 and 1 in 10 that is 1 − 3/4 × 9/10.
func TestEitherOfTwoCanLeaveItUnrepaired(t *testing.T) {
	t.Parallel()
	one := evaluate(t, plan.Problem{Offers: []plan.Offer{{ID: "a", Price: 1, Pass: .75, Days: 2}}}, false, []int{0})
	two := evaluate(t, plan.Problem{Offers: []plan.Offer{{ID: "b", Price: 1, Pass: .9, Days: 3}}}, false, []int{0})
	both, err := plan.Both(one, two)
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "unrepaired", both.Unrepaired(), 325, 1000)
	equal(t, "ready", both.ReadyBy(3), 675, 1000)
	equal(t, "ready by the first alone", both.ReadyBy(2), 0, 1)
}
