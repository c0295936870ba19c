// Package choice shows what may be chosen between: of all the ways to buy a part,
// those that no other way beats in expected cost, in the mean cost of the worst 5
// in 100 and in expected days at once. Nothing is weighed against anything else,
// since a weighted sum hides its rate of exchange and never finds some of these
// (Das and Dennis, Structural Optimization 14, 1997): limits filter, break-even day
// costs say at which price of a day two neighbours change places, and a table says
// how much each may be regretted. Which to take is for people to say.
//
// A way to buy is a plan.Policy. With a fallback that is any selection of the
// offers in any order, several at once where the problem allows it; without one
// all offers are tried in any order, as there is nothing to stop for. Of up to
// Most offers every policy is compared; the answer says what was left out beyond.
// Policies are compared by their exact numbers, not by rounded ones.
package choice

import (
	"math/big"
	"slices"

	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/working"
)

// Most is how many offers are compared in every order: seven of them make 13,700
// policies, and 94,586 where several may be bought at once.
const Most = 7

// Limits filter; they weigh nothing. A limit of 0 is off. The first three are
// compared with the numbers as they are shown, so that what is shown at a limit is
// within it.
type Limits struct {
	// MaxCost bounds the expected cost and MaxCVaR the mean cost of the worst 5 in
	// 100, in minor units.
	MaxCost, MaxCVaR int64
	// MaxDays bounds the expected days.
	MaxDays float64
	// MinLowerBound is what the lower bound of an offer's chance must reach, above 0
	// and below 1. It is never evidence of fit.
	MinLowerBound float64
	// LowerBounds holds that bound by the id of the offer, for all offers that
	// MinLowerBound is about; it is not about offers that are missing here.
	LowerBounds map[string]float64
}

// Trade is the set of what may be chosen between.
type Trade struct {
	// Points by expected cost, equal ones by CVaR. The first one costs what
	// plan.Purchase expects, unless a limit shut it out.
	Points []Point
	// Regrets is the regret table, empty where Points is.
	Regrets []Regret
	// LeastWorst lists the places in Points of what has the least worst regret. That
	// is a fact about the table and no recommendation.
	LeastWorst []int
	// Policies is how many were compared.
	Policies int
	// Limited says what was left out, and why; empty where nothing was.
	Limited string
	// ShutOut lists the offers that the limit on lower bounds shut out.
	ShutOut []ShutOut
	// Misses say, where the limits leave nothing, how near one comes to each.
	Misses []Miss
}

// Point is a policy that none beats in all three.
type Point struct {
	// Policy has indices into Problem.Offers, and Batches the ids of the same.
	Policy  plan.Policy
	Batches [][]string
	// ExpectedCost and CVaR95 are rounded half away from zero.
	ExpectedCost, CVaR95 int64
	// ExpectedDays is the mean number of days.
	ExpectedDays float64
	// Unrepaired is the chance of ending without a working part.
	Unrepaired float64
	// Alike counts the policies that have exactly these three numbers, this one
	// included: it buys the fewest parts of them, and the fewest at once.
	Alike int
	// BreakEven is the cost of a day, in minor units, at which this policy and the
	// next one of the list cost the same; nil at the last, and where one of the two
	// is neither slower nor dearer whatever a day costs.
	BreakEven *big.Rat
	// WorstRegret is the most that it can cost more than the cheapest point in the
	// same state of the world; WorstState is the first state in which that is so.
	WorstRegret int64
	WorstState  State
	// Workings say how BreakEven and WorstRegret came about; how the other numbers
	// did plan.Given says, which also lists how the policy can end.
	Workings []working.Step

	// mean cost and days, exactly.
	mean, days *big.Rat
}

// State is a state of the world: which offers would pass their check and which
// would fail, by id.
type State struct {
	Passes, Fails []string
	// OthersFail is true where there are other offers and all of them fail.
	OthersFail bool
}

// Regret is a row of the regret table.
type Regret struct {
	// State of the offers that were compared in every order.
	State State
	// Amounts says for each point how much more it costs in that state than the
	// cheapest point: where further offers are tried, at most, whatever those do.
	Amounts []int64
}

// ShutOut is an offer that a limit shut out.
type ShutOut struct {
	ID string
	// LowerBound of its chance of passing.
	LowerBound float64
}

// Front compares the policies of a problem. A problem or limits that make no
// sense are refused with a *plan.InvalidError that names every field.
func Front(p plan.Problem, limits Limits) (Trade, error) {
	if _, err := plan.Compile(p); err != nil {
		return Trade{}, err
	}
	if err := limits.validate(); err != nil {
		return Trade{}, err
	}
	admitted, places, shutOut := limits.admit(p)
	trade := Trade{ShutOut: shutOut}
	if len(admitted.Offers) == 0 && p.Fallback == nil {
		trade.Misses = limits.misses(p.Currency, nil, shutOut)
		return trade, nil
	}
	field, err := newField(admitted)
	if err != nil {
		return Trade{}, err
	}
	all := field.candidates()
	trade.Policies, trade.Limited = len(all), field.limited
	points, err := field.points(all)
	if err != nil {
		return Trade{}, err
	}
	trade.Points = slices.DeleteFunc(slices.Clone(points), func(point Point) bool { return !limits.allow(point) })
	if len(trade.Points) == 0 {
		trade.Misses = limits.misses(p.Currency, points, shutOut)
	}
	field.regrets(&trade)
	breakEvens(admitted, trade.Points)
	for n := range trade.Points {
		trade.Points[n].Policy = moved(trade.Points[n].Policy, places)
	}
	return trade, nil
}

// moved names the offers of a policy by other places.
func moved(policy plan.Policy, places []int) plan.Policy {
	batches := make([][]int, 0, len(policy.Batches))
	for _, batch := range policy.Batches {
		other := make([]int, 0, len(batch))
		for _, n := range batch {
			other = append(other, places[n])
		}
		batches = append(batches, other)
	}
	return plan.Policy{Batches: batches, Fallback: policy.Fallback}
}

// points are the policies that none beats.
func (f *field) points(all []*candidate) ([]Point, error) {
	front, alike := undominated(all, f.compare, simpler)
	points := make([]Point, 0, len(front))
	for n, best := range front {
		numbers := f.exact(best)
		per := func(sum *big.Int) *big.Rat { return new(big.Rat).SetFrac(sum, f.odds.whole) }
		point := Point{Policy: f.policy(best), Alike: alike[n], mean: per(numbers[0]), days: per(numbers[2])}
		point.Batches = f.ids(point.Policy)
		var err error
		if point.ExpectedCost, err = money.Round(point.mean); err != nil {
			return nil, err
		}
		if point.CVaR95, err = money.Round(per(numbers[1])); err != nil {
			return nil, err
		}
		point.ExpectedDays, _ = point.days.Float64()
		point.Unrepaired = f.unrepaired()
		points = append(points, point)
	}
	return points, nil
}

// unrepaired is the chance that all fail and nothing is left to buy: without a
// fallback that is the same for all policies, since all try all offers.
func (f *field) unrepaired() float64 {
	if f.problem.Fallback != nil {
		return 0
	}
	chance, _ := new(big.Rat).SetFrac(f.odds.parts[f.odds.rest+len(f.rest)], f.odds.whole).Float64()
	return chance
}
