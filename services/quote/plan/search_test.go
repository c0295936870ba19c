package plan_test

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/working/workingtest"
)

// intricate draws problems that the index does not answer, and some that it does:
// up to so many offers of a few sellers, of which two have uncertain chances.
func intricate(offers int) *rapid.Generator[plan.Problem] {
	return rapid.Custom(func(t *rapid.T) plan.Problem {
		belief := rapid.Custom(func(t *rapid.T) plan.Belief {
			return plan.Belief{Alpha: float64(rapid.IntRange(1, 20).Draw(t, "alpha")) / 4, Beta: float64(rapid.IntRange(1, 12).Draw(t, "beta")) / 4}
		})
		p := plan.Problem{
			Currency: "USD", DayCost: rapid.Int64Range(0, 5000).Draw(t, "day"),
			Sellers:  map[string]plan.Belief{"s": belief.Draw(t, "s"), "t": belief.Draw(t, "t")},
			Parallel: rapid.Bool().Draw(t, "parallel"),
			Deadline: rapid.Int32Range(0, 30).Draw(t, "deadline"),
		}
		if p.Deadline > 0 {
			p.LateCost = rapid.Int64Range(0, 40000).Draw(t, "late")
		}
		for n := range rapid.IntRange(0, offers).Draw(t, "offers") {
			o := plan.Offer{
				ID: fmt.Sprint(n), Price: rapid.Int64Range(0, 40000).Draw(t, "price"), Sunk: rapid.Int64Range(0, 9000).Draw(t, "sunk"),
				ReturnLoss: rapid.Int64Range(0, 9000).Draw(t, "loss"), Days: rapid.Int32Range(0, 12).Draw(t, "days"),
				Seller: rapid.SampledFrom([]string{"", "s", "s", "t", "u"}).Draw(t, "seller"),
			}
			if _, uncertain := p.Sellers[o.Seller]; !uncertain {
				o.Pass = float64(rapid.IntRange(1, 100).Draw(t, "pass")) / 100
			}
			p.Offers = append(p.Offers, o)
		}
		if len(p.Offers) == 0 || rapid.IntRange(0, 3).Draw(t, "nothing new") > 0 {
			p.Fallback = &plan.Fallback{Price: rapid.Int64Range(0, 60000).Draw(t, "new"), Days: rapid.Int32Range(0, 20).Draw(t, "new days")}
		}
		return p
	})
}

// A world says which offers pass. Worlds knows how likely they are, by the
// definition of each seller's chance and not step by step: s passes and f failures
// of a seller have the chance B(a+s, b+f) / B(a, b).
type worlds struct{ p plan.Problem }

// chance is that of these offers passing and those failing.
func (w worlds) chance(pass, fail uint) float64 {
	type count struct{ pass, fail int }
	sellers := make(map[string]count)
	chance := 1.0
	for n, o := range w.p.Offers {
		passes, fails := pass&(1<<n) != 0, fail&(1<<n) != 0
		_, uncertain := w.p.Sellers[o.Seller]
		c := sellers[o.Seller]
		switch {
		case passes && uncertain:
			c.pass++
		case fails && uncertain:
			c.fail++
		case passes:
			chance *= o.Pass
		case fails:
			chance *= 1 - o.Pass
		}
		sellers[o.Seller] = c
	}
	for seller, b := range w.p.Sellers {
		c := sellers[seller]
		chance *= rising(b.Alpha, c.pass) * rising(b.Beta, c.fail) / rising(b.Alpha+b.Beta, c.pass+c.fail)
	}
	return chance
}

// rising is x (x + 1) … for n factors.
func rising(x float64, n int) float64 {
	product := 1.0
	for i := range n {
		product *= x + float64(i)
	}
	return product
}

// An oracle enumerates every policy: each way of trying some of the offers, alone
// or, where that is allowed, several at once, and then stopping. Each is priced
// forwards by the worlds in which it ends, without index, posterior chances and
// recursion on subproblems.
type oracle struct {
	p      plan.Problem
	chance [64][64]float64 // of worlds, by passes and failures
	best   float64
	count  int
}

func ask(p plan.Problem) *oracle {
	o := &oracle{p: p, best: math.Inf(1)}
	all := uint(1)<<len(p.Offers) - 1
	for pass := range all + 1 {
		for fail := range all + 1 {
			if pass&fail == 0 {
				o.chance[pass][fail] = worlds{p}.chance(pass, fail)
			}
		}
	}
	o.from(0, 0, 0, 0)
	return o
}

func (o *oracle) late(days int32) int64 {
	if o.p.Deadline > 0 && days > o.p.Deadline {
		return o.p.LateCost
	}
	return 0
}

// nothing is the cost and the days where everything failed.
func (o *oracle) nothing(spent int64, days int32) (int64, int32) {
	switch f := o.p.Fallback; {
	case f != nil:
		days += f.Days
		return spent + f.Price + o.p.DayCost*int64(f.Days) + o.late(days), days
	case o.p.Deadline > 0:
		return spent + o.p.LateCost, days
	default:
		return spent, days
	}
}

// bought is what has been spent and how many days have passed when a batch is
// there, before anything goes back, and what all its parts lose by going back.
func (o *oracle) bought(batch uint, spent int64, days int32) (nowSpent, losses int64, nowDays int32) {
	longest := int32(0)
	for n, offer := range o.p.Offers {
		if batch&(1<<n) != 0 {
			spent += offer.Sunk
			losses += offer.ReturnLoss
			longest = max(longest, offer.Days)
		}
	}
	return spent + o.p.DayCost*int64(longest), losses, days + longest
}

// cheapest is the least that it costs to keep one of these instead of giving it
// back.
func (o *oracle) cheapest(pass uint) int64 {
	least := int64(math.MaxInt64)
	for n, offer := range o.p.Offers {
		if pass&(1<<n) != 0 {
			least = min(least, offer.Price-offer.ReturnLoss)
		}
	}
	return least
}

func (o *oracle) from(tried uint, sure float64, spent int64, days int32) {
	all := uint(1)<<len(o.p.Offers) - 1
	if o.p.Fallback != nil || tried == all {
		o.count++
		end, _ := o.nothing(spent, days)
		o.best = min(o.best, sure+o.chance[0][tried]*float64(end))
	}
	rest := all &^ tried
	for batch := rest; batch > 0; batch = (batch - 1) & rest {
		if !o.p.Parallel && bits.OnesCount(batch) > 1 {
			continue
		}
		now, losses, then := o.bought(batch, spent, days)
		sum := sure
		for pass := batch; pass > 0; pass = (pass - 1) & batch {
			sum += o.chance[pass][tried|batch&^pass] * float64(now+losses+o.cheapest(pass)+o.late(then))
		}
		o.from(tried|batch, sum, now+losses, then)
	}
}

// places turns ids, which are places, back into those.
func places(t *rapid.T, batches [][]string) [][]int {
	all := make([][]int, len(batches))
	for n, batch := range batches {
		for _, id := range batch {
			var i int
			if _, err := fmt.Sscan(id, &i); err != nil {
				t.Fatal(err)
			}
			all[n] = append(all[n], i)
		}
	}
	return all
}

func close9(a, b float64) bool { return math.Abs(a-b) <= 1e-9*max(1, math.Abs(a), math.Abs(b)) }

// No policy is cheaper than the plan: 500 random cases of up to 6 offers,
// 100,000 in the long form. The plan's exact mean is compared, not a rounded one.
func TestNoOtherPolicyIsCheaper(t *testing.T) {
	t.Parallel()
	many(t, func(t *rapid.T) {
		p := intricate(6).Draw(t, "problem")
		got, err := plan.Purchase(p)
		if err != nil {
			t.Fatal(err)
		}
		policy := plan.Policy{Batches: places(t, got.Batches), Fallback: p.Fallback != nil}
		law, err := compiled(t, p).Evaluate(policy)
		if err != nil {
			t.Fatal(err)
		}
		mean, _ := law.Mean().Float64()
		if want := ask(p).best; !close9(mean, want) {
			t.Fatalf("plan %v by %s costs %.9g, the best of all policies %.9g", got.Batches, got.Method, mean, want)
		}
		if math.Abs(mean-float64(got.ExpectedCost)) > .5+1e-6 {
			t.Fatalf("the plan costs %.9g and says %d", mean, got.ExpectedCost)
		}
		if !p.Parallel && slices.ContainsFunc(got.Batches, func(b []string) bool { return len(b) > 1 }) {
			t.Fatalf("%v though nothing may be bought together", got.Batches)
		}
	})
}

// All policies are compared, and not a few: with four offers there are 65 ways to
// try some of them in some order, and with batches 1 + 4 + 6·3 + 4·13 + 75 = 150
// (ordered partitions of all subsets; Fubini numbers 1, 3, 13, 75).
func TestTheOracleKnowsAllPolicies(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", Offers: four(), Fallback: &plan.Fallback{Price: 40000}}
	if o := ask(p); o.count != 65 || !close9(o.best, 23962) {
		t.Errorf("%d policies, the best costs %g", o.count, o.best)
	}
	p.Parallel = true
	if o := ask(p); o.count != 150 {
		t.Errorf("%d policies with batches", o.count)
	}
}

// policies draws a policy for a problem.
func policies(t *rapid.T, p plan.Problem) plan.Policy {
	order := make([]int, len(p.Offers))
	for i := range order {
		order[i] = i
	}
	if len(order) > 0 {
		order = rapid.Permutation(order).Draw(t, "order")
	}
	order = order[:rapid.IntRange(0, len(order)).Draw(t, "tried")]
	policy := plan.Policy{Fallback: p.Fallback != nil && rapid.IntRange(0, 5).Draw(t, "gives up") > 0}
	for len(order) > 0 {
		n := rapid.IntRange(1, len(order)).Draw(t, "batch")
		policy.Batches = append(policy.Batches, order[:n])
		order = order[n:]
	}
	return policy
}

// end is what a policy comes to in one world, by the words of Policy.
func (o *oracle) end(policy plan.Policy, world uint) (cost int64, days int32, never bool) {
	var spent int64
	for _, members := range policy.Batches {
		batch := uint(0)
		for _, i := range members {
			batch |= 1 << i
		}
		var losses int64
		spent, losses, days = o.bought(batch, spent, days)
		spent += losses
		if passed := batch & world; passed != 0 {
			return spent + o.cheapest(passed) + o.late(days), days, false
		}
	}
	if !policy.Fallback {
		o.p.Fallback = nil
	}
	cost, days = o.nothing(spent, days)
	return cost, days, !policy.Fallback
}

// The law of a policy is what becomes of it in all worlds together; Follow says
// the same of each world, and Estimate the same in floating point.
func TestLawIsThatOfAllWorlds(t *testing.T) {
	t.Parallel()
	many(t, func(t *rapid.T) {
		p := intricate(5).Draw(t, "problem")
		policy := policies(t, p)
		model, err := plan.Compile(p)
		if err != nil {
			t.Fatal(err)
		}
		law, err := model.Evaluate(policy)
		if err != nil {
			t.Fatal(err)
		}
		got := make(map[plan.Outcome]float64)
		for _, end := range law.Ends {
			chance := end.Probability
			end.Probability = 1
			got[end] = chance
		}
		all := uint(1)<<len(p.Offers) - 1
		for world := range all + 1 {
			o := oracle{p: p}
			cost, days, never := o.end(policy, world)
			end := plan.Outcome{Cost: cost, Days: days, Probability: 1, Unrepaired: never}
			if follows := model.Follow(policy, func(i int) bool { return world&(1<<i) != 0 }); follows != end {
				t.Fatalf("world %b ends with %+v, want %+v", world, follows, end)
			}
			if chance := (worlds{p}).chance(world, all&^world); chance > 0 {
				got[end] -= chance
			}
		}
		for end, left := range got {
			if math.Abs(left) > 1e-12 {
				t.Fatalf("the law and all worlds differ by %g about %+v", left, end)
			}
		}
		cost, cvar, days := model.Estimate(policy)
		for what, pair := range map[string][2]float64{
			"cost": {cost, float(law.Mean())}, "CVaR": {cvar, float(law.CVaR(big.NewRat(95, 100)))}, "days": {days, float(law.Days())},
		} {
			if !close9(pair[0], pair[1]) {
				t.Fatalf("%s is estimated as %.12g, and is %.12g", what, pair[0], pair[1])
			}
		}
	})
}

func float(r *big.Rat) float64 {
	f, _ := r.Float64()
	return f
}

// Every number of a plan is what its formula gives, done again by other code.
func TestWorkingsGiveThePlansNumbers(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := intricate(8).Draw(t, "problem")
		p.Currency = rapid.SampledFrom([]string{"USD", "JPY", "KWD"}).Draw(t, "currency")
		got, err := plan.Purchase(p)
		if err != nil {
			t.Fatal(err)
		}
		numbers := make(map[string]string, len(got.Workings))
		for _, step := range got.Workings {
			if err := workingtest.Verify(step); err != nil {
				t.Fatalf("%s: %v", step.Number, err)
			}
			numbers[step.Number] = step.Value
		}
		scale := map[string]float64{"USD": 100, "JPY": 1, "KWD": 1000}[p.Currency]
		for number, want := range map[string]float64{
			"expected cost": float64(got.ExpectedCost) / scale, "expected days": got.ExpectedDays,
			"mean cost of the worst 5 in 100": float64(got.CVaR95) / scale,
		} {
			var value float64
			if _, err := fmt.Sscan(numbers[number], &value); err != nil || math.Abs(value-want) > 1e-6 {
				t.Fatalf("%s is traced to %q, the plan says %g", number, numbers[number], want)
			}
		}
		if got.Unrepaired > 0 && numbers["chance of ending unrepaired"] == "" {
			t.Fatal("the chance of ending unrepaired is not traced")
		}
		for _, ready := range got.ReadyBy {
			var value float64
			written := numbers[fmt.Sprintf("chance of being ready by day %d", ready.Days)]
			if _, err := fmt.Sscan(written, &value); err != nil || math.Abs(value-ready.Probability) > 1e-6 {
				t.Fatalf("ready by day %d with %g, traced to %q", ready.Days, ready.Probability, written)
			}
		}
	})
}

// What an exact plan is does not hang on the order of the input; being allowed
// more never costs more; waiting never makes it less likely to be ready.
func TestExactPlansAreSteady(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := intricate(8).Draw(t, "problem")
		got, err := plan.Purchase(p)
		if err != nil {
			t.Fatal(err)
		}
		shuffled := p
		if len(p.Offers) > 0 {
			shuffled.Offers = rapid.Permutation(p.Offers).Draw(t, "shuffled")
		}
		again, err := plan.Purchase(shuffled)
		if diff := cmp.Diff(got, again); err != nil || diff != "" {
			t.Fatalf("another order of the same offers: %v\n%s", err, diff)
		}
		free := p
		free.Parallel = true
		if more, err := plan.Purchase(free); err != nil || more.ExpectedCost > got.ExpectedCost {
			t.Fatalf("with batches %d, without %d, %v", more.ExpectedCost, got.ExpectedCost, err)
		}
		last := 0.0
		for _, ready := range got.ReadyBy {
			if ready.Probability < last || ready.Probability > 1 {
				t.Fatalf("ready by %+v", got.ReadyBy)
			}
			last = ready.Probability
		}
		if p.ReadyBy == nil && math.Abs(last+got.Unrepaired-1) > 1e-12 {
			t.Fatalf("ready in the end with %g, never with %g", last, got.Unrepaired)
		}
	})
}

// Beyond twelve offers an exact search says what it left out; without a fallback
// it leaves nothing out.
func TestMoreThanTwelveOffers(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", Parallel: true, DayCost: 1, Fallback: &plan.Fallback{Price: 90000}}
	for n := range 15 {
		p.Offers = append(p.Offers, plan.Offer{ID: fmt.Sprintf("%02d", n), Price: int64(1000 + n*10), Pass: .5, Days: 1})
	}
	got := solve(t, p)
	if !slices.Equal(got.NotTried, []string{"12", "13", "14"}) || len(got.Order) != 12 || !strings.Contains(got.Limited, "the other 3 are left out") {
		t.Errorf("tried %v, not tried %v: %q", got.Order, got.NotTried, got.Limited)
	}
	p.Fallback = nil
	got = solve(t, p)
	if len(got.Order) != 15 || len(got.NotTried) != 0 || got.Unrepaired != math.Ldexp(1, -15) || !strings.Contains(got.Limited, "the other 3 are tried after them") {
		t.Errorf("tried %v, not tried %v, unrepaired %g: %q", got.Order, got.NotTried, got.Unrepaired, got.Limited)
	}
	// A deadline leaves nothing out either.
	p.Deadline, p.LateCost, p.Parallel = 1, 1, false
	if got = solve(t, p); len(got.Order) != 15 {
		t.Errorf("%v", got.Order)
	}
	if p.Offers = p.Offers[:12]; solve(t, p).Limited != "" {
		t.Error("of twelve nothing is left out")
	}
}

// A deadline whose missing is dear brings a fast and dear offer forward.
func TestADeadlineChangesTheOrder(t *testing.T) {
	t.Parallel()
	p := plan.Problem{
		Fallback: &plan.Fallback{Price: 80000, Days: 9},
		Offers: []plan.Offer{
			{ID: "slow", Price: 10000, Sunk: 1000, Pass: .5, Days: 8},
			{ID: "fast", Price: 16000, Sunk: 1000, Pass: .9, Days: 2},
		},
	}
	if got := solve(t, p); !slices.Equal(got.Order, []string{"slow", "fast"}) || got.Method != plan.MethodIndex {
		t.Errorf("without a deadline: %+v", got)
	}
	p.Deadline = 8
	if got := solve(t, p); got.Method != plan.MethodIndex || !slices.Equal(got.ReadyBy, []plan.Ready{{8, .5}, {10, .95}, {19, 1}}) {
		t.Errorf("being late costs nothing: %+v", got)
	}
	p.LateCost = 20000
	got := solve(t, p)
	// fast first: 0.9 × 170 + 0.05 × (20 + 100 + 200) + 0.05 × (20 + 800 + 200) = 220;
	// slow first: 0.5 × 110 + 0.45 × (20 + 160 + 200) + 0.05 × (20 + 800 + 200) = 277.
	// By hand.
	if !slices.Equal(got.Order, []string{"fast", "slow"}) || got.ExpectedCost != 22000 || got.Method != plan.MethodExact {
		t.Errorf("being late costs 200: %+v", got)
	}
	p.ReadyBy = []int32{3, 1, 3}
	if got := solve(t, p); !slices.Equal(got.ReadyBy, []plan.Ready{{1, 0}, {3, .9}}) {
		t.Errorf("ready by %v", got.ReadyBy)
	}
}

func TestNonsenseInSearchesIsRefusedByField(t *testing.T) {
	t.Parallel()
	p := plan.Problem{
		Currency: "USD", LateCost: 5, ReadyBy: []int32{-1},
		Sellers: map[string]plan.Belief{"a": {Alpha: 0, Beta: math.NaN()}, "b": {Alpha: 3, Beta: 1}, "": {Alpha: 1, Beta: math.Inf(1)}},
		Offers: []plan.Offer{
			{ID: "1", Seller: "b", Pass: .7}, {ID: "2", Seller: "b", Pass: .75}, {ID: "3", Seller: "c"}, {ID: "4", Seller: strings.Repeat("x", plan.MaxID+1), Pass: 1},
		},
	}
	_, err := plan.Purchase(p)
	want := []string{
		"deadline_days", "ready_by[0]", `sellers[""].id`, `sellers[""].beta`, `sellers["a"].alpha`, `sellers["a"].beta`,
		"offers[0].pass_probability", "offers[2].pass_probability", "offers[3].seller",
	}
	if diff := cmp.Diff(want, fields(err)); diff != "" {
		t.Error(diff)
	}
	p = plan.Problem{Currency: "USD", Deadline: -1, LateCost: -1, ReadyBy: make([]int32, plan.MaxReadyBy+1), Offers: four(), Sellers: make(map[string]plan.Belief)}
	for n := range plan.MaxOffers + 1 {
		p.Sellers[fmt.Sprint(n)] = plan.Belief{Alpha: 1, Beta: 1}
	}
	_, err = plan.Compile(p)
	if diff := cmp.Diff([]string{"deadline_days", "late_cost", "ready_by", "sellers"}, fields(err)); diff != "" {
		t.Error(diff)
	}
}

func fields(err error) []string {
	invalid, ok := err.(*plan.InvalidError) //nolint:errorlint // it comes unwrapped
	if !ok {
		return []string{fmt.Sprint(err)}
	}
	all := make([]string, len(invalid.Violations))
	for n, v := range invalid.Violations {
		all[n] = v.Field
	}
	return all
}

func TestPoliciesThatSuitNoProblemAreRefused(t *testing.T) {
	t.Parallel()
	m := compiled(t, plan.Problem{Currency: "USD", Offers: four()})
	for _, c := range []struct {
		policy plan.Policy
		field  string
	}{
		{plan.Policy{Fallback: true}, "policy.fallback"},
		{plan.Policy{Batches: [][]int{{0}, {}}}, "policy.batches[1]"},
		{plan.Policy{Batches: [][]int{{0, 0}}}, "policy.batches[0]"},
		{plan.Policy{Batches: [][]int{{1}, {2, 1}}}, "policy.batches[1]"},
		{plan.Policy{Batches: [][]int{{4}}}, "policy.batches[0]"},
		{plan.Policy{Batches: [][]int{{-1}}}, "policy.batches[0]"},
	} {
		_, err := m.Evaluate(c.policy)
		if got := fields(err); !slices.Equal(got, []string{c.field}) {
			t.Errorf("%+v: %v, want %s", c.policy, got, c.field)
		}
		if cost, cvar, days := m.Estimate(c.policy); !math.IsNaN(cost) || !math.IsNaN(cvar) || !math.IsNaN(days) {
			t.Errorf("%+v is estimated at %g, %g, %g", c.policy, cost, cvar, days)
		}
	}
}

func TestBothRefusesWhatIsTooMuch(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", DayCost: 1}
	var order []int
	for n := range plan.MaxOffers {
		order = append(order, n)
		p.Offers = append(p.Offers, plan.Offer{ID: fmt.Sprint(n), Price: int64(n), Pass: .01, Days: 1, ReturnLoss: int64(n * n)})
	}
	law := evaluate(t, p, false, singles(order...)...)
	both, err := plan.Both(law, law)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := plan.Both(both, both); err == nil {
		t.Errorf("%d × %d ends were put together", len(both.Ends), len(both.Ends))
	}
	dear := evaluate(t, plan.Problem{
		DayCost: plan.MaxAmount, Offers: []plan.Offer{{ID: "a", Price: plan.MaxAmount, Days: plan.MaxDays, Pass: 1}},
	}, false, []int{0})
	for n := 0; err == nil; n++ {
		if dear, err = plan.Both(dear, dear); n > 64 {
			t.Fatal("costs grow without end")
		}
	}
}

func TestWordsOfBatches(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Offers: four(), Parallel: true, DayCost: 200000, Fallback: &plan.Fallback{Price: 40000, Days: 30}}
	const want = "Buy part D, part A and part C together, keep the one that passes its check and costs least to keep, and return the rest; " +
		"if none passes its check, return them and buy part B; otherwise buy a new one."
	result := solve(t, p)
	result.Batches = [][]string{{"D", "A", "C"}, {"B"}}
	if got := plan.Words(result, func(id string) string { return "part " + id }, "a new one"); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func FuzzSearch(f *testing.F) {
	f.Add(int64(18000), int64(5500), int64(3000), 4.0, 2.0, int32(3), int32(9), int64(40000), byte(0b1111))
	f.Add(int64(plan.MaxAmount), int64(plan.MaxAmount), int64(plan.MaxAmount), 1e-3, 1e6, int32(plan.MaxDays), int32(plan.MaxDays), int64(plan.MaxAmount), byte(0b1001))
	f.Add(int64(0), int64(0), int64(0), math.NaN(), -1.0, int32(-1), int32(0), int64(-1), byte(0))
	f.Fuzz(func(t *testing.T, price, sunk, loss int64, alpha, beta float64, days, deadline int32, late int64, flags byte) {
		p := plan.Problem{
			Currency: "USD", DayCost: sunk, Parallel: flags&1 != 0, Deadline: deadline, LateCost: late,
			Sellers: map[string]plan.Belief{"s": {Alpha: alpha, Beta: beta}},
		}
		if flags&2 != 0 {
			p.Fallback = &plan.Fallback{Price: price, Days: days}
		}
		for n := range int(flags>>2&7) + 1 {
			o := plan.Offer{ID: fmt.Sprint(n), Price: price - int64(n), Sunk: sunk, ReturnLoss: loss, Days: days - int32(n), Seller: "s"}
			if n%3 == 2 {
				o.Seller, o.Pass = "", .5
			}
			p.Offers = append(p.Offers, o)
		}
		got, err := plan.Purchase(p)
		var invalid *plan.InvalidError
		switch {
		case errors.As(err, &invalid):
			return
		case err != nil:
			t.Fatalf("within its limits a plan cannot fail: %v", err)
		}
		total := 0.0
		for _, end := range got.Distribution {
			total += end.Probability
		}
		if got.ExpectedCost < 0 || math.Abs(total-1) > 1e-9 || got.CVaR95 < got.Quantile95 {
			t.Fatalf("%+v", got)
		}
	})
}

// Twelve offers whose days are all different have the most states.
func BenchmarkSearch(b *testing.B) {
	for name, late := range map[string]int64{"batches": 0, "batches and deadline": 5000} {
		p := plan.Problem{Currency: "USD", DayCost: 500, Parallel: true, Fallback: &plan.Fallback{Price: 900000, Days: 9}, Deadline: plan.MaxDays, LateCost: late}
		for n := range plan.MaxExact {
			p.Offers = append(p.Offers, plan.Offer{
				ID: fmt.Sprint(n), Price: int64(10000 + n*37), Sunk: 4000, ReturnLoss: 5000, Pass: .5 + float64(n)/100, Days: 1 << min(n, 11),
			})
		}
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := plan.Purchase(p); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkEstimate(b *testing.B) {
	p := plan.Problem{Currency: "USD", Offers: four(), Fallback: &plan.Fallback{Price: 40000}}
	model, err := plan.Compile(p)
	if err != nil {
		b.Fatal(err)
	}
	policy := plan.Policy{Batches: [][]int{{1, 0}, {2}, {3}}, Fallback: true}
	b.ReportAllocs()
	for b.Loop() {
		model.Estimate(policy)
	}
}
