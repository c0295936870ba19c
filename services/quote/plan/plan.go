// Package plan says which offers to buy and try, in which order and how many at
// once, until a part passes its arrival check.
//
// An offer's price comes back where it fails, less the loss on return; what is
// sunk is spent either way. With offers that pass or fail independently and are
// tried one at a time this is Weitzman's problem of opening boxes (Econometrica
// 47(3), 1979) seen from the cost side: with price P, sunk cost c (days of waiting
// included), loss r and chance p, the index
//
//	z = P + (c + (1 − p)·r) / p
//
// is the price of a sure thing that is worth exactly as much as the offer, and
// trying offers by rising z while z is below the fallback's cost has the least
// expected cost of all orders and stopping points. Without a fallback there is
// nothing to stop for: all offers are tried by rising z, which has the least
// expected cost of all orders that try all of them, since the chance that all
// fail is the same for each.
//
// Three things break the index, and then all policies are searched by a dynamic
// program over subsets, for MaxExact offers: offers that share a seller's
// uncertain chance, since one failure makes the next likelier; several parts
// bought at once, which saves days; and a deadline whose missing costs something.
//
// The search compares policies in floating-point numbers, to 1 part in 10^12. All
// that is said of a plan is calculated in fractions, a chance of 0.85 being
// 85/100, and rounded once, at the end.
package plan

import (
	"math/big"
	"slices"

	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/working"
)

// Offer is one thing that can be bought. Amounts are minor units.
type Offer struct {
	// ID is unique in the problem and breaks ties.
	ID string
	// Price is paid, and comes back where the part fails.
	Price int64
	// Sunk is spent either way.
	Sunk int64
	// ReturnLoss is lost where the part fails.
	ReturnLoss int64
	// Pass is the chance of passing, above 0 and at most 1. Where the seller's
	// chance is uncertain it is that chance's mean, or 0 to take it from there.
	Pass float64
	// Days pass between order and check.
	Days int32
	// Seller whose uncertain chance the offer shares, if Problem.Sellers has it.
	Seller string
}

// Fallback always works.
type Fallback struct {
	// Price is all that it costs, without the days.
	Price int64
	// Days it takes.
	Days int32
}

// Belief is what is known of a seller's chance that a part passes: it has the
// distribution Beta(Alpha, Beta). Each failure makes the next one likelier.
type Belief struct {
	Alpha, Beta float64
}

// mean is the chance that the next part passes.
func (b Belief) mean() float64 { return b.Alpha / (b.Alpha + b.Beta) }

// Problem is what is to be planned.
type Problem struct {
	// Currency is the ISO 4217 code of every amount.
	Currency string
	// DayCost is what a day without the vehicle costs.
	DayCost int64
	// Fallback is nil where nothing new is to be had.
	Fallback *Fallback
	// Offers in any order.
	Offers []Offer
	// Sellers hold the uncertain chances that offers share. An offer of a seller
	// that is not listed passes or fails by its own Pass, independently.
	Sellers map[string]Belief
	// Parallel allows several parts to be bought at once.
	Parallel bool
	// Deadline is the last day on which being ready costs nothing extra; 0 for
	// none.
	Deadline int32
	// LateCost is paid once where the vehicle is ready after the deadline, or
	// never.
	LateCost int64
	// ReadyBy lists the days at which the chance of being ready is wanted; empty
	// for the deadline and all days on which the plan can end.
	ReadyBy []int32
}

// Outcome is one way that the plan can end.
type Outcome struct {
	// Cost in all, days included.
	Cost int64
	// Days in all.
	Days int32
	// Probability of ending so.
	Probability float64
	// Unrepaired is true where all failed and nothing was left to buy.
	Unrepaired bool
}

// Result is the plan.
type Result struct {
	// Order holds the ids to try, in order.
	Order []string
	// Batches hold the same ids, those together that are bought at once.
	Batches [][]string
	// Method is MethodIndex or MethodExact.
	Method string
	// Limited says what an exact search left out, and why; empty where nothing.
	Limited string
	// ExpectedCost is rounded half away from zero.
	ExpectedCost int64
	// ExpectedDays is the mean number of days.
	ExpectedDays float64
	// Quantile95 is the least cost not exceeded with probability 0.95.
	Quantile95 int64
	// CVaR95 is the mean cost of the worst 5 in 100, rounded half away from
	// zero.
	CVaR95 int64
	// Distribution lists every way to end, by cost, then days.
	Distribution []Outcome
	// Unrepaired is the chance that all fail and there is no fallback.
	Unrepaired float64
	// NotTried holds the ids that the plan leaves out, in index order.
	NotTried []string
	// UsesFallback is true where the plan can end with the fallback.
	UsesFallback bool
	// ReadyBy gives the chance of being ready by the days that were asked for, by
	// days.
	ReadyBy []Ready
	// Workings say how the numbers came about.
	Workings []working.Step
}

// Ready is the chance that the vehicle is ready after at most so many days.
type Ready struct {
	Days        int32
	Probability float64
}

// Purchase makes the plan. A problem that makes no sense is refused with an
// InvalidError that names every field.
func Purchase(p Problem) (Result, error) {
	m, err := Compile(p)
	if err != nil {
		return Result{}, err
	}
	policy, method, limited := m.best()
	result, err := m.result(policy, method)
	result.Limited = limited
	return result, err
}

// worthTrying counts the offers worth trying, which are in the order of their
// index: with a fallback those whose index is below its cost, without one all.
func (m *Model) worthTrying(order []int) int {
	if m.problem.Fallback == nil {
		return len(order)
	}
	limit := new(big.Rat).SetInt64(m.problem.fallbackCost())
	for n, i := range order {
		if m.index(i).Cmp(limit) >= 0 {
			return n
		}
	}
	return len(order)
}

func (m *Model) ids(offers []int) []string {
	all := make([]string, 0, len(offers))
	for _, i := range offers {
		all = append(all, m.offers[i].ID)
	}
	return all
}

// readyBy lists the days at which the chance of being ready is wanted, rising.
func (p Problem) readyBy(ends Law) []int32 {
	days := slices.Clone(p.ReadyBy)
	if len(days) == 0 {
		for _, end := range ends.Ends {
			if !end.Unrepaired {
				days = append(days, end.Days)
			}
		}
		if p.Deadline > 0 {
			days = append(days, p.Deadline)
		}
	}
	slices.Sort(days)
	return slices.Compact(days)
}

func (p Problem) fallbackCost() int64 {
	return p.Fallback.Price + p.DayCost*int64(p.Fallback.Days)
}

// result says what follows from a policy.
func (m *Model) result(policy Policy, method string) (Result, error) {
	ends, err := m.Evaluate(policy)
	if err != nil {
		return Result{}, err
	}
	tried := slices.Concat(policy.Batches...)
	result := Result{Order: m.ids(tried), Method: method, Distribution: ends.Ends, NotTried: m.ids(m.untried(tried))}
	for _, batch := range policy.Batches {
		result.Batches = append(result.Batches, m.ids(batch))
	}
	result.UsesFallback = policy.Fallback && m.canFail(tried)
	result.ReadyBy = ends.readyBy(m.problem.readyBy(ends))
	result.Workings = m.workings(policy, method, ends.law, result.ReadyBy)
	return summarise(result, ends)
}

// untried lists the other offers by their index.
func (m *Model) untried(tried []int) []int {
	return slices.DeleteFunc(m.ByIndex(), func(i int) bool { return slices.Contains(tried, i) })
}

// canFail tells whether all of these offers can fail.
func (m *Model) canFail(offers []int) bool {
	for _, i := range offers {
		if m.offers[i].pass.IsInt() { // 1: a chance is above 0
			return false
		}
	}
	return true
}

// summarise fills in what follows from the law.
func summarise(result Result, ends Law) (Result, error) {
	cost, days := ends.law.means()
	result.ExpectedDays, _ = days.Float64()
	result.Quantile95 = ends.Quantile(level95)
	result.Unrepaired = ends.law.float(ends.law.parts(func(end exact) bool { return end.never }))
	var err error
	if result.ExpectedCost, err = money.Round(cost); err != nil {
		return Result{}, err
	}
	result.CVaR95, err = money.Round(ends.CVaR(level95))
	return result, err
}

// level95 is the level of the risk measures.
var level95 = big.NewRat(95, 100)
