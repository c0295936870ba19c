package choice_test

import (
	"fmt"
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/choice"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/working/workingtest"
)

// reference judges policies by their definition: it walks through every state of
// the world, each offer passing or failing, and shares nothing with package plan
// but the problem.
type reference struct {
	p plan.Problem
	// chance of each state, a bit for each offer that passes.
	chance []*big.Rat
}

func newReference(p plan.Problem) reference {
	r := reference{p: p}
	for state := range 1 << len(p.Offers) {
		r.chance = append(r.chance, r.likely(state))
	}
	return r
}

func exactly(v float64) *big.Rat {
	r, _ := new(big.Rat).SetString(fmt.Sprint(v))
	return r
}

// likely is the chance of a state: for a seller with an uncertain chance that of
// Pólya's urn with alpha and beta balls, which gets one more of the colour drawn.
func (r reference) likely(state int) *big.Rat {
	chance := big.NewRat(1, 1)
	urns := make(map[string][2]*big.Rat)
	for n, offer := range r.p.Offers {
		passes := state&(1<<n) != 0
		share := exactly(offer.Pass)
		if belief, ok := r.p.Sellers[offer.Seller]; ok {
			urn, ok := urns[offer.Seller]
			if !ok {
				urn = [2]*big.Rat{exactly(belief.Alpha), exactly(belief.Beta)}
			}
			share = new(big.Rat).Quo(urn[0], new(big.Rat).Add(urn[0], urn[1]))
			drawn := 1
			if passes {
				drawn = 0
			}
			urn[drawn] = new(big.Rat).Add(urn[drawn], big.NewRat(1, 1))
			urns[offer.Seller] = urn
		}
		if !passes {
			share = new(big.Rat).Sub(big.NewRat(1, 1), share)
		}
		chance.Mul(chance, share)
	}
	return chance
}

// ending says what a policy costs and how long it takes in a state.
func (r reference) ending(batches [][]int, state int) (cost, days int64) {
	late := func(ready bool) int64 {
		if r.p.Deadline > 0 && (!ready || days > int64(r.p.Deadline)) {
			return r.p.LateCost
		}
		return 0
	}
	for _, batch := range batches {
		longest, losses := int64(0), int64(0)
		var keep []int64
		for _, n := range batch {
			offer := r.p.Offers[n]
			cost += offer.Sunk
			losses += offer.ReturnLoss
			longest = max(longest, int64(offer.Days))
			if state&(1<<n) != 0 {
				keep = append(keep, offer.Price-offer.ReturnLoss)
			}
		}
		days += longest
		cost += longest*r.p.DayCost + losses
		if len(keep) > 0 {
			return cost + slices.Min(keep) + late(true), days
		}
	}
	if r.p.Fallback == nil {
		return cost + late(false), days
	}
	days += int64(r.p.Fallback.Days)
	cost += r.p.Fallback.Price + r.p.DayCost*int64(r.p.Fallback.Days)
	return cost + late(true), days
}

// judged is a policy with its exact expected cost, CVaR and expected days.
type judged struct {
	batches [][]int
	numbers [3]*big.Rat
}

// judge takes CVaR as the least t + E[(cost − t)⁺] / 0.05 over all costs t.
func (r reference) judge(batches [][]int) judged {
	j := judged{batches: slices.Clone(batches), numbers: [3]*big.Rat{new(big.Rat), nil, new(big.Rat)}}
	costs := make(map[int64]*big.Rat)
	for state, chance := range r.chance {
		cost, days := r.ending(batches, state)
		j.numbers[0].Add(j.numbers[0], new(big.Rat).Mul(chance, new(big.Rat).SetInt64(cost)))
		j.numbers[2].Add(j.numbers[2], new(big.Rat).Mul(chance, new(big.Rat).SetInt64(days)))
		if costs[cost] == nil {
			costs[cost] = new(big.Rat)
		}
		costs[cost].Add(costs[cost], chance)
	}
	for t := range costs {
		value := new(big.Rat)
		for cost, chance := range costs {
			value.Add(value, new(big.Rat).Mul(chance, new(big.Rat).SetInt64(20*max(cost-t, 0))))
		}
		if value.Add(value, new(big.Rat).SetInt64(t)); j.numbers[1] == nil || value.Cmp(j.numbers[1]) < 0 {
			j.numbers[1] = value
		}
	}
	return j
}

// policies lists all policies; nothing follows an offer that cannot fail.
func (r reference) policies(batches [][]int, left []int) (all []judged) {
	sure := false
	if len(batches) > 0 {
		for _, n := range batches[len(batches)-1] {
			_, uncertain := r.p.Sellers[r.p.Offers[n].Seller]
			sure = sure || (r.p.Offers[n].Pass == 1 && !uncertain)
		}
	}
	if sure {
		return []judged{r.judge(batches)}
	}
	if r.p.Fallback != nil || len(left) == 0 {
		all = append(all, r.judge(batches))
	}
	for choose := 1; choose < 1<<len(left); choose++ {
		var batch, rest []int
		for k, n := range left {
			if choose&(1<<k) != 0 {
				batch = append(batch, n)
			} else {
				rest = append(rest, n)
			}
		}
		if len(batch) == 1 || r.p.Parallel {
			all = append(all, r.policies(append(slices.Clone(batches), batch), rest)...)
		}
	}
	return all
}

func (j judged) beats(other judged) bool {
	better := false
	for n := range j.numbers {
		switch j.numbers[n].Cmp(other.numbers[n]) {
		case 1:
			return false
		case -1:
			better = true
		}
	}
	return better
}

func (j judged) key() string {
	return j.numbers[0].String() + " " + j.numbers[1].String() + " " + j.numbers[2].String()
}

// kind is what is known of all policies with the same numbers.
type kind struct {
	// Alike of them, of which the simplest buys so few parts in so many batches.
	Alike, Parts, Batches int
}

func (j judged) kind() kind { return kind{1, len(slices.Concat(j.batches...)), len(j.batches)} }

// best describes the policies that nothing beats by their numbers.
func best(all []judged) map[string]kind {
	front := make(map[string]kind)
	for _, j := range all {
		if slices.ContainsFunc(all, func(other judged) bool { return other.beats(j) }) {
			continue
		}
		own, known := j.kind(), front[j.key()]
		if known.Alike == 0 || own.Parts < known.Parts || (own.Parts == known.Parts && own.Batches > known.Batches) {
			known.Parts, known.Batches = own.Parts, own.Batches
		}
		known.Alike++
		front[j.key()] = known
	}
	return front
}

// problems draws problems in which ties are frequent.
func problems(most int) *rapid.Generator[plan.Problem] {
	return rapid.Custom(func(t *rapid.T) plan.Problem {
		few := rapid.SampledFrom([]int64{0, 1000, 1000, 2500, 7777})
		p := plan.Problem{Currency: "USD", DayCost: few.Draw(t, "day"), Parallel: rapid.Bool().Draw(t, "parallel")}
		if rapid.Bool().Draw(t, "deadline") {
			p.Deadline, p.LateCost = rapid.Int32Range(1, 9).Draw(t, "deadline"), few.Draw(t, "late")
		}
		if rapid.IntRange(0, 3).Draw(t, "new") > 0 {
			p.Fallback = &plan.Fallback{Price: rapid.Int64Range(0, 60000).Draw(t, "new price"), Days: rapid.Int32Range(0, 9).Draw(t, "new days")}
		}
		if rapid.Bool().Draw(t, "sellers") {
			weight := rapid.SampledFrom([]float64{.5, 1, 2.25, 9})
			p.Sellers = map[string]plan.Belief{"s": {Alpha: weight.Draw(t, "alpha"), Beta: weight.Draw(t, "beta")}, "r": {Alpha: 4, Beta: 2}}
		}
		if p.Parallel {
			most = min(most, 4)
		}
		count := rapid.IntRange(0, most).Draw(t, "offers")
		if p.Fallback == nil {
			count = max(count, 1)
		}
		for n := range count {
			o := plan.Offer{
				ID: string(rune('A' + n)), Price: 1000 * rapid.Int64Range(0, 30).Draw(t, "price"), Sunk: few.Draw(t, "sunk"), ReturnLoss: few.Draw(t, "loss"),
				Days: rapid.Int32Range(0, 5).Draw(t, "days"), Pass: rapid.SampledFrom([]float64{.02, .5, .5, .85, .9, .96, 1, .123456789}).Draw(t, "pass"),
			}
			if seller := rapid.SampledFrom([]string{"", "s", "r"}).Draw(t, "seller"); p.Sellers != nil && seller != "" {
				o.Seller, o.Pass = seller, 0
			}
			p.Offers = append(p.Offers, o)
		}
		return p
	})
}

// The front is what a comparison of all policies with all others leaves, each
// judged by walking through all states of the world; so no point is beaten, and
// nothing that is beaten is a point.
func TestFrontIsWhatNothingBeats(t *testing.T) {
	t.Parallel()
	most := 4
	if os.Getenv("BELTWRIGHT_LONG") == "1" {
		most = 5
	}
	rapid.Check(t, func(t *rapid.T) {
		check(t, problems(most).Draw(t, "problem"))
	})
}

// Offers of equal index may change places for nothing in expected cost. Calculated
// in floating-point numbers such costs differ in the last digits, and which of the
// two beats the other would be chance.
func TestFrontOfOffersWithEqualIndices(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := plan.Problem{Currency: "USD", Fallback: &plan.Fallback{Price: 13100}}
		for n := range rapid.IntRange(2, 4).Draw(t, "offers") {
			price, tenths := rapid.Int64Range(1, 12).Draw(t, "price")*1000, rapid.Int64Range(1, 10).Draw(t, "pass")
			// z = price + sunk / pass = 12000
			p.Offers = append(p.Offers, plan.Offer{ID: string(rune('A' + n)), Price: price, Sunk: (12000 - price) * tenths / 10, Pass: float64(tenths) / 10})
		}
		check(t, p)
	})
}

// check compares the front of a problem with the reference.
func check(t *rapid.T, p plan.Problem) {
	t.Helper()
	r := newReference(p)
	var offers []int
	for n := range p.Offers {
		offers = append(offers, n)
	}
	all := r.policies(nil, offers)
	got, err := choice.Front(p, choice.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	if got.Policies != len(all) {
		t.Fatalf("%d policies, want %d", got.Policies, len(all))
	}
	found := make(map[string]kind)
	for _, point := range got.Points {
		j := r.judge(point.Policy.Batches)
		if found[j.key()].Alike > 0 {
			t.Fatalf("%v has the numbers of another point", point.Batches)
		}
		found[j.key()] = kind{point.Alike, j.kind().Parts, j.kind().Batches}
		r.checkShown(t, point, j)
	}
	if diff := gocmp.Diff(best(all), found); diff != "" {
		t.Fatal(diff)
	}
	r.checkBreakEvens(t, got)
	r.checkRegrets(t, got)
}

// checkShown compares what is shown of a point with its exact numbers.
func (r reference) checkShown(t *rapid.T, point choice.Point, want judged) {
	t.Helper()
	days, _ := want.numbers[2].Float64()
	if want.numbers[0].FloatString(0) != fmt.Sprint(point.ExpectedCost) || want.numbers[1].FloatString(0) != fmt.Sprint(point.CVaR95) || days != point.ExpectedDays {
		t.Fatalf("%v: %d, %d and %g; want %v", point.Batches, point.ExpectedCost, point.CVaR95, point.ExpectedDays, want.numbers)
	}
	for n, batch := range point.Policy.Batches {
		for k, offer := range batch {
			if r.p.Offers[offer].ID != point.Batches[n][k] {
				t.Fatalf("%v is not %v", point.Policy, point.Batches)
			}
		}
	}
	unrepaired := 0.0
	if r.p.Fallback == nil {
		unrepaired, _ = r.chance[0].Float64()
	}
	if point.Unrepaired != unrepaired {
		t.Fatalf("unrepaired %g, want %g", point.Unrepaired, unrepaired)
	}
}

// checkBreakEvens draws the two straight lines anew: cost without days, plus days
// times what a day costs.
func (r reference) checkBreakEvens(t *rapid.T, trade choice.Trade) {
	t.Helper()
	timeless := r
	timeless.p.DayCost = 0
	for n := range len(trade.Points) - 1 {
		a, b := timeless.judge(trade.Points[n].Policy.Batches).numbers, timeless.judge(trade.Points[n+1].Policy.Batches).numbers
		at := trade.Points[n].BreakEven
		if at == nil {
			// The lines are parallel, or one is nowhere above the other.
			if costs, days := a[0].Cmp(b[0]), a[2].Cmp(b[2]); costs*days < 0 {
				t.Fatalf("lines %v and %v cross", a, b)
			}
			continue
		}
		line := func(numbers [3]*big.Rat) *big.Rat {
			cost := new(big.Rat).Mul(numbers[2], at)
			return cost.Add(cost, numbers[0])
		}
		if at.Sign() <= 0 || line(a).Cmp(line(b)) != 0 {
			t.Fatalf("at %s a day %v and %v cost %s and %s", at, a, b, line(a), line(b))
		}
	}
}

// regrets says, for every state that can be, how much more each point costs there
// than the cheapest one.
func (r reference) regrets(points []choice.Point) map[int][]int64 {
	all := make(map[int][]int64)
	for state, chance := range r.chance {
		if chance.Sign() == 0 {
			continue
		}
		var costs []int64
		for _, point := range points {
			cost, _ := r.ending(point.Policy.Batches, state)
			costs = append(costs, cost)
		}
		least := slices.Min(costs)
		for k := range costs {
			costs[k] -= least
		}
		all[state] = costs
	}
	return all
}

// raise makes the first at least as large as the second, number by number.
func raise(most, by []int64) {
	for k := range most {
		most[k] = max(most[k], by[k])
	}
}

// checkRegrets makes the table anew.
func (r reference) checkRegrets(t *rapid.T, trade choice.Trade) {
	t.Helper()
	want := make(map[string][]int64)
	most := make([]int64, len(trade.Points))
	for state, regrets := range r.regrets(trade.Points) {
		raise(most, regrets)
		var passes []string
		for n, offer := range r.p.Offers {
			if state&(1<<n) != 0 {
				passes = append(passes, offer.ID)
			}
		}
		want[strings.Join(passes, " ")] = regrets
	}
	got := make(map[string][]int64)
	for _, row := range trade.Regrets {
		got[strings.Join(slices.Sorted(slices.Values(row.State.Passes)), " ")] = row.Amounts
		if len(row.State.Passes)+len(row.State.Fails) != len(r.p.Offers) {
			t.Fatalf("%+v does not name all offers", row.State)
		}
	}
	if diff := gocmp.Diff(want, got); diff != "" {
		t.Fatal(diff)
	}
	for k, point := range trade.Points {
		at := got[strings.Join(slices.Sorted(slices.Values(point.WorstState.Passes)), " ")]
		if point.WorstRegret != most[k] || at[k] != most[k] {
			t.Fatalf("worst regret %d in a state where it is %d; want %d", point.WorstRegret, at[k], most[k])
		}
		if slices.Contains(trade.LeastWorst, k) != (most[k] == slices.Min(most)) {
			t.Fatalf("least worst regrets %v of %v", trade.LeastWorst, most)
		}
		for _, step := range point.Workings {
			if err := workingtest.Verify(step); err != nil {
				t.Fatal(err)
			}
		}
	}
}
