// Package plan orders offers that are bought and tried one at a time until one
// passes its arrival check.
//
// An offer's price comes back where it fails, less the loss on return; what is
// sunk is spent either way. This is Weitzman's problem of opening boxes
// (Econometrica 47(3), 1979) seen from the cost side: with price P, sunk cost c
// (days of waiting included), loss r and chance p, the index
//
//	z = P + (c + (1 − p)·r) / p
//
// is the price of a sure thing that is worth exactly as much as the offer, and
// trying offers by rising z while z is below the fallback's cost has the least
// expected cost of all orders and stopping points. Without a fallback there is
// nothing to stop for: all offers are tried by rising z, which has the least
// expected cost of all orders that try all of them, since the chance that all
// fail is the same for each. A plan tries at most MaxTried offers, the first by
// index; with more worth trying it is the best over those.
//
// Offers are taken to pass or fail independently. Parts of one seller do not
// quite: trust.AllFail says how much likelier it is that they fail together.
//
// Everything is calculated in fractions, a chance of 0.85 being 85/100; results
// are rounded once, at the end.
package plan

import (
	"cmp"
	"math/big"
	"slices"
	"strconv"

	"beltwright.example/services/quote/money"
)

// MaxTried is how many offers a plan tries at most; the others are not tried.
const MaxTried = 12

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
	// Pass is the chance of passing, above 0 and at most 1.
	Pass float64
	// Days pass between order and check.
	Days int32
}

// Fallback always works.
type Fallback struct {
	// Price is all that it costs, without the days.
	Price int64
	// Days it takes.
	Days int32
}

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
}

// Outcome is one way that the plan can end.
type Outcome struct {
	// Cost in all, days included.
	Cost int64
	// Days in all.
	Days int32
	// Probability of ending so.
	Probability float64
}

// Result is the plan.
type Result struct {
	// Order holds the ids to try, in order.
	Order []string
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
	// LimitReached is true where offers that are worth trying are left out
	// because a plan tries at most MaxTried.
	LimitReached bool
	// UsesFallback is true where the plan can end with the fallback.
	UsesFallback bool
}

// exact is an outcome before rounding.
type exact struct {
	cost        int64
	days        int32
	probability *big.Rat
}

// indexed is an offer with its index.
type indexed struct {
	Offer

	pass  *big.Rat
	cost  int64 // sunk and days
	index *big.Rat
}

// Purchase makes the plan. A problem that makes no sense is refused with an
// InvalidError that names every field.
func Purchase(p Problem) (Result, error) {
	if err := p.validate(); err != nil {
		return Result{}, err
	}
	offers := p.byIndex()
	worth := p.worthTrying(offers)
	tried := min(worth, MaxTried)
	result := Result{
		Order: ids(offers[:tried]), NotTried: ids(offers[tried:]), LimitReached: worth > tried,
	}
	ends, left := p.ends(offers[:tried])
	result.UsesFallback = p.Fallback != nil && left.Sign() > 0
	if p.Fallback == nil {
		result.Unrepaired, _ = left.Float64()
	}
	return summarise(result, merge(ends))
}

// Index is the offer's index z with days priced at dayCost, as a fraction. A
// chance outside MinPass to 1, which Purchase refuses, counts as MinPass.
func Index(o Offer, dayCost int64) *big.Rat {
	if !(o.Pass >= MinPass && o.Pass <= 1) {
		o.Pass = MinPass
	}
	cost := new(big.Int).Mul(big.NewInt(dayCost), big.NewInt(int64(o.Days)))
	cost.Add(cost, big.NewInt(o.Sunk))
	return index(o, probability(o.Pass), new(big.Rat).SetInt(cost))
}

// index is P + (c + (1 − p)·r) / p.
func index(o Offer, pass, cost *big.Rat) *big.Rat {
	z := new(big.Rat).Sub(big.NewRat(1, 1), pass)
	z.Mul(z, new(big.Rat).SetInt64(o.ReturnLoss))
	z.Add(z, cost)
	z.Quo(z, pass)
	return z.Add(z, new(big.Rat).SetInt64(o.Price))
}

// probability reads a chance as the decimal number that somebody wrote: 0.85 is
// 85/100, not the nearest binary fraction.
func probability(p float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(p, 'g', -1, 64))
	return r
}

func (p Problem) byIndex() []indexed {
	offers := make([]indexed, 0, len(p.Offers))
	for _, o := range p.Offers {
		pass, cost := probability(o.Pass), o.Sunk+p.DayCost*int64(o.Days)
		offers = append(offers, indexed{Offer: o, pass: pass, cost: cost, index: index(o, pass, new(big.Rat).SetInt64(cost))})
	}
	slices.SortFunc(offers, func(a, b indexed) int {
		return cmp.Or(a.index.Cmp(b.index), cmp.Compare(a.ID, b.ID))
	})
	return offers
}

// worthTrying counts the offers worth trying: with a fallback those whose index
// is below its cost, without one all.
func (p Problem) worthTrying(offers []indexed) int {
	if p.Fallback == nil {
		return len(offers)
	}
	limit := new(big.Rat).SetInt64(p.fallbackCost())
	for n, offer := range offers {
		if offer.index.Cmp(limit) >= 0 {
			return n
		}
	}
	return len(offers)
}

func ids(offers []indexed) []string {
	all := make([]string, 0, len(offers))
	for _, offer := range offers {
		all = append(all, offer.ID)
	}
	return all
}

func (p Problem) fallbackCost() int64 {
	return p.Fallback.Price + p.DayCost*int64(p.Fallback.Days)
}

// ends lists the ways to end and the probability that every offer fails.
func (p Problem) ends(offers []indexed) ([]exact, *big.Rat) {
	var ends []exact
	var spent int64
	var days int32
	left := big.NewRat(1, 1)
	for _, o := range offers {
		days += o.Days
		ends = append(ends, exact{spent + o.Price + o.cost, days, new(big.Rat).Mul(left, o.pass)})
		spent += o.cost + o.ReturnLoss
		left = new(big.Rat).Mul(left, new(big.Rat).Sub(big.NewRat(1, 1), o.pass))
	}
	last := exact{spent, days, left}
	if p.Fallback != nil {
		last.cost += p.fallbackCost()
		last.days += p.Fallback.Days
	}
	return append(ends, last), left
}

// merge sorts the ends by cost and days, joins equal ones and drops impossible
// ones.
func merge(ends []exact) []exact {
	slices.SortFunc(ends, func(a, b exact) int {
		return cmp.Or(cmp.Compare(a.cost, b.cost), cmp.Compare(a.days, b.days))
	})
	var merged []exact
	for _, end := range ends {
		last := len(merged) - 1
		switch {
		case end.probability.Sign() == 0:
		case last >= 0 && merged[last].cost == end.cost && merged[last].days == end.days:
			merged[last].probability = new(big.Rat).Add(merged[last].probability, end.probability)
		default:
			merged = append(merged, end)
		}
	}
	return merged
}

// summarise fills in what follows from the distribution.
func summarise(result Result, ends []exact) (Result, error) {
	for _, end := range ends {
		chance, _ := end.probability.Float64()
		result.Distribution = append(result.Distribution, Outcome{end.cost, end.days, chance})
	}
	cost, days := means(ends)
	result.ExpectedDays, _ = days.Float64()
	result.Quantile95 = quantile(ends, level95)
	var err error
	if result.ExpectedCost, err = money.Round(cost); err != nil {
		return Result{}, err
	}
	result.CVaR95, err = money.Round(cvar(ends, level95))
	return result, err
}

// level95 is the level of the risk measures.
var level95 = big.NewRat(95, 100)

func means(ends []exact) (cost, days *big.Rat) {
	cost, days = new(big.Rat), new(big.Rat)
	for _, end := range ends {
		cost.Add(cost, times(end.probability, end.cost))
		days.Add(days, times(end.probability, int64(end.days)))
	}
	return cost, days
}

// quantile is the least cost that is not exceeded with at least the probability
// level; the ends are sorted by cost and their probabilities sum to 1.
func quantile(ends []exact, level *big.Rat) int64 {
	below := new(big.Rat)
	for _, end := range ends {
		if below.Add(below, end.probability).Cmp(level) >= 0 {
			return end.cost
		}
	}
	return 0 // there are always ends, and they sum to 1
}

// cvar is Rockafellar and Uryasev's (2000) t + E[(L − t)⁺] / (1 − level) at the
// quantile t: the mean of the worst 1 − level, which splits the probability of t
// itself where it must.
func cvar(ends []exact, level *big.Rat) *big.Rat {
	t := quantile(ends, level)
	tail := new(big.Rat)
	for _, end := range ends {
		if end.cost > t {
			tail.Add(tail, times(end.probability, end.cost-t))
		}
	}
	tail.Quo(tail, new(big.Rat).Sub(big.NewRat(1, 1), level))
	return tail.Add(tail, new(big.Rat).SetInt64(t))
}

func times(probability *big.Rat, amount int64) *big.Rat {
	return new(big.Rat).Mul(probability, new(big.Rat).SetInt64(amount))
}
