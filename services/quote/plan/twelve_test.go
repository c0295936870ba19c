package plan

import (
	"fmt"
	"math/big"
	"math/bits"
	"math/rand/v2"
	"os"
	"testing"
)

// rounds is how many cases of twelve offers are drawn.
func rounds(usual, long int) int {
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		return long
	}
	return usual
}

// dozen draws twelve independent offers with chances in tenths; all amounts are so
// small that a cost times 10^12 fits into 64 bits.
func dozen(r *rand.Rand) Problem {
	p := Problem{Currency: "USD", DayCost: r.Int64N(1000), Fallback: &Fallback{Price: 10000 + r.Int64N(50000), Days: r.Int32N(9)}}
	if r.IntN(4) == 0 {
		p.Fallback = nil
	}
	for n := range MaxExact {
		p.Offers = append(p.Offers, Offer{
			ID: fmt.Sprint(n), Price: r.Int64N(40000), Sunk: r.Int64N(6000), ReturnLoss: r.Int64N(9000),
			Pass: float64(1+r.IntN(10)) / 10, Days: r.Int32N(9),
		})
	}
	return p
}

func compile(t *testing.T, p Problem) *Model {
	t.Helper()
	m, err := Compile(p)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// mean is the exact expected cost of the policy that a search finds over all
// offers.
func mean(t *testing.T, m *Model) *big.Rat {
	t.Helper()
	_, mean := searched(t, m, m.ByIndex(), nil)
	return mean
}

// searched is the policy that a search finds, with its exact expected cost, which
// the search must have believed in.
func searched(t *testing.T, m *Model, offers, tail []int) (Policy, *big.Rat) {
	t.Helper()
	s := newSearch(m, offers, tail)
	policy := Policy{Batches: append(s.run(), oneByOne(tail)...), Fallback: m.problem.Fallback != nil}
	law, err := m.Evaluate(policy)
	if err != nil {
		t.Fatal(err)
	}
	mean := law.Mean()
	if believed := new(big.Rat).SetFloat64(s.states[0].value[0]); !sameCost(believed, mean) {
		t.Errorf("the search takes %v to cost %s, it costs %s", policy.Batches, believed.FloatString(9), mean.FloatString(9))
	}
	return policy, mean
}

// sameCost tells whether two costs differ by no more than what the search takes for
// equal, at each of its steps.
func sameCost(a, b *big.Rat) bool {
	diff := new(big.Rat).Sub(a, b)
	limit := new(big.Rat).Mul(b, new(big.Rat).SetFloat64(2*MaxExact*same))
	return diff.Abs(diff).Cmp(limit.Abs(limit)) <= 0
}

// One at a time, the search and the index find plans of the same cost: 8 cases of
// twelve independent offers, 200 in the long form.
func TestSearchAgreesWithIndexOnTwelve(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 1))
	for n := range rounds(8, 200) {
		m := compile(t, dozen(r))
		policy, method, _ := m.best()
		if method != MethodIndex {
			t.Fatalf("case %d was answered by %s", n, method)
		}
		law, err := m.Evaluate(policy)
		if err != nil {
			t.Fatal(err)
		}
		if got, want := mean(t, m), law.Mean(); !sameCost(got, want) {
			t.Errorf("case %d: search %s, index %s", n, got.FloatString(9), want.FloatString(9))
		}
	}
}

// scaled is a recursion over all batches of all sets of offers, in whole numbers:
// the cost from each set on is held in parts of 10^(offers left), so nothing is
// rounded. Each batch is priced pattern by pattern of what passes.
func scaled(p Problem) *big.Rat {
	n := len(p.Offers)
	power := make([]int64, n+1)
	for i := range power {
		power[i] = 1
		if i > 0 {
			power[i] = 10 * power[i-1]
		}
	}
	tenths := make([]int64, n)
	for i, o := range p.Offers {
		tenths[i] = int64(o.Pass*10 + .5)
	}
	own, fail := make([]int64, 1<<n), make([]int64, 1<<n)
	for batch := 1; batch < 1<<n; batch++ {
		own[batch], fail[batch] = patterns(p, batch, tenths)
	}
	least := make([]int64, 1<<n)
	for tried := 1<<n - 1; tried >= 0; tried-- {
		rest := (1<<n - 1) &^ tried
		left := bits.OnesCount(uint(rest))
		best := int64(-1)
		if p.Fallback != nil {
			best = p.fallbackCost() * power[left]
		} else if rest == 0 {
			best = 0
		}
		for batch := rest; batch > 0; batch = (batch - 1) & rest {
			size := bits.OnesCount(uint(batch))
			if !p.Parallel && size > 1 {
				continue
			}
			if value := own[batch]*power[left-size] + fail[batch]*least[tried|batch]; best < 0 || value < best {
				best = value
			}
		}
		least[tried] = best
	}
	return big.NewRat(least[0], power[n])
}

// patterns adds up what a batch costs over all ways in which its parts pass and
// fail, in parts of 10^(parts); fail is how many parts of those have none pass.
func patterns(p Problem, batch int, tenths []int64) (own, fail int64) {
	longest, fixed := int32(0), int64(0)
	for i, o := range p.Offers {
		if batch>>i&1 == 1 {
			fixed += o.Sunk
			longest = max(longest, o.Days)
		}
	}
	fixed += p.DayCost * int64(longest)
	for pass := batch; ; pass = (pass - 1) & batch {
		chance, losses, kept := int64(1), int64(0), -1
		for i, o := range p.Offers {
			switch {
			case batch>>i&1 == 0:
			case pass>>i&1 == 0:
				chance *= 10 - tenths[i]
				losses += o.ReturnLoss
			default:
				chance *= tenths[i]
				losses += o.ReturnLoss
				if kept < 0 || o.Price-o.ReturnLoss < p.Offers[kept].Price-p.Offers[kept].ReturnLoss {
					kept = i
				}
			}
		}
		if pass == 0 {
			return own + chance*(fixed+losses), chance
		}
		own += chance * (fixed + losses + p.Offers[kept].Price - p.Offers[kept].ReturnLoss)
	}
}

// The search agrees with the slow recursion, with and without batches: 3 cases of
// twelve offers, 200 in the long form.
func TestSearchAgreesWithWholeNumbersOnTwelve(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 2))
	together := 0
	for n := range rounds(3, 200) {
		p := dozen(r)
		p.Parallel = n%3 != 0
		m := compile(t, p)
		if got, want := mean(t, m), scaled(p); !sameCost(got, want) {
			t.Errorf("case %d: search %s, whole numbers %s", n, got.FloatString(9), want.FloatString(9))
		}
		for _, batch := range newSearch(m, m.ByIndex(), nil).run() {
			together = max(together, len(batch))
		}
	}
	if together < 2 {
		t.Error("no case buys several parts at once")
	}
}

// posteriors is the recursion for offers that share sellers' chances, one at a
// time, in fractions.
func posteriors(p Problem, tried int, known map[int]*big.Rat) *big.Rat {
	if value, ok := known[tried]; ok {
		return value
	}
	var best *big.Rat
	if p.Fallback != nil {
		best = new(big.Rat).SetInt64(p.fallbackCost())
	} else if tried == 1<<len(p.Offers)-1 {
		best = new(big.Rat)
	}
	for i, o := range p.Offers {
		if tried>>i&1 == 1 {
			continue
		}
		fail := new(big.Rat).Sub(big.NewRat(1, 1), probability(o.Pass))
		if b, shared := p.Sellers[o.Seller]; shared {
			failed := int64(0)
			for j, other := range p.Offers {
				if tried>>j&1 == 1 && other.Seller == o.Seller {
					failed++
				}
			}
			fail = big.NewRat(int64(b.Beta)+failed, int64(b.Alpha+b.Beta)+failed)
		}
		value := new(big.Rat).SetInt64(o.ReturnLoss - o.Price)
		value.Add(value, posteriors(p, tried|1<<i, known))
		value.Mul(value, fail) // what failing costs more than passing
		value.Add(value, new(big.Rat).SetInt64(o.Sunk+p.DayCost*int64(o.Days)+o.Price))
		if best == nil || value.Cmp(best) < 0 {
			best = value
		}
	}
	known[tried] = best
	return best
}

// Three sellers of four parts each: one case of twelve offers, 20 in the long form.
func TestSearchAgreesWithFractionsOnTwelveOfThreeSellers(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 3))
	for n := range rounds(1, 20) {
		p := dozen(r)
		p.Sellers = make(map[string]Belief)
		for _, seller := range []string{"a", "b", "c"} {
			p.Sellers[seller] = Belief{Alpha: float64(1 + r.IntN(9)), Beta: float64(1 + r.IntN(5))}
		}
		for i := range p.Offers {
			p.Offers[i].Seller, p.Offers[i].Pass = []string{"a", "b", "c"}[i%3], 0
		}
		m := compile(t, p)
		if got, want := mean(t, m), posteriors(p, 0, make(map[int]*big.Rat)); !sameCost(got, want) {
			t.Errorf("case %d: search %s, fractions %s", n, got.FloatString(9), want.FloatString(9))
		}
	}
}

// Where chances are as near to 0 and 1 as they may be and amounts as large, neither
// the search nor an estimate loses digits. A large loss on return is the worst: it is
// nearly always given back.
func TestExtremeNumbersLoseNoDigits(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 5))
	amount := func() int64 { return []int64{0, 1, 7, 1000, MaxAmount}[r.IntN(5)] }
	for range 300 {
		p := Problem{Currency: "USD", DayCost: r.Int64N(2), Parallel: r.IntN(2) == 0, Deadline: 9, LateCost: 1 + amount()/2, Fallback: &Fallback{Price: amount()}}
		p.Sellers = map[string]Belief{"s": {Alpha: []float64{MinWeight, 3, MaxWeight}[r.IntN(3)], Beta: []float64{MinWeight, 2, MaxWeight}[r.IntN(3)]}}
		for n := range 4 {
			o := Offer{ID: fmt.Sprint(n), Price: amount(), Sunk: amount(), ReturnLoss: amount(), Days: r.Int32N(9), Pass: []float64{MinPass, 1e-6, .5, .999999999, 1}[r.IntN(5)]}
			if r.IntN(3) == 0 {
				o.Seller, o.Pass = "s", 0
			}
			p.Offers = append(p.Offers, o)
		}
		m := compile(t, p)
		policy, mean := searched(t, m, m.ByIndex(), nil)
		law, err := m.Evaluate(policy)
		if err != nil {
			t.Fatal(err)
		}
		cost, cvar, days := m.Estimate(policy)
		for what, pair := range map[string][2]*big.Rat{
			"cost": {mean, new(big.Rat).SetFloat64(cost)}, "CVaR": {law.CVaR(level95), new(big.Rat).SetFloat64(cvar)}, "days": {law.Days(), new(big.Rat).SetFloat64(days)},
		} {
			if !sameCost(pair[1], pair[0]) {
				t.Errorf("%+v, %v: %s is %s, estimated %s", p, policy, what, pair[0].FloatString(9), pair[1].FloatString(9))
			}
		}
	}
}

// What follows the offers that are searched counts where it can be late: with no
// other way left, the plan of the first offers is the best one before that tail.
func TestWhatFollowsASearchCounts(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 4))
	for range 50 {
		p := dozen(r)
		p.Fallback, p.Offers = nil, p.Offers[:5]
		p.Deadline, p.LateCost, p.Parallel = 1+r.Int32N(20), 1+r.Int64N(40000), r.IntN(2) == 0
		p.Sellers = map[string]Belief{"s": {Alpha: 3, Beta: 2}}
		for _, i := range []int{1, 3, 4} {
			p.Offers[i].Seller, p.Offers[i].Pass = "s", 0
		}
		m := compile(t, p)
		found, best := searched(t, m, []int{0, 1, 2}, []int{3, 4})
		for _, head := range heads(p.Parallel) {
			other, err := m.Evaluate(Policy{Batches: append(head, []int{3}, []int{4})})
			if err != nil {
				t.Fatal(err)
			}
			if mean := other.Mean(); mean.Cmp(best) < 0 && !sameCost(mean, best) {
				t.Errorf("%v costs %s, found %v for %s", head, mean.FloatString(6), found.Batches, best.FloatString(6))
			}
		}
	}
}

// heads are all ordered partitions of three offers, or all their orders.
func heads(batches bool) [][][]int {
	all := [][][]int{{{0}, {1}, {2}}, {{0}, {2}, {1}}, {{1}, {0}, {2}}, {{1}, {2}, {0}}, {{2}, {0}, {1}}, {{2}, {1}, {0}}}
	if batches {
		all = append(all, [][]int{{0, 1, 2}}, [][]int{{0, 1}, {2}}, [][]int{{0, 2}, {1}}, [][]int{{1, 2}, {0}},
			[][]int{{0}, {1, 2}}, [][]int{{1}, {0, 2}}, [][]int{{2}, {0, 1}})
	}
	return all
}
