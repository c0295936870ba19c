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
// fail is the same for each.
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
	// UsesFallback is true where the plan can end with the fallback.
	UsesFallback bool
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
	result := Result{Order: ids(offers[:worth]), NotTried: ids(offers[worth:])}
	all := p.ends(offers[:worth])
	allFail := all.ends[len(all.ends)-1].weight
	result.UsesFallback = p.Fallback != nil && allFail.Sign() > 0
	if p.Fallback == nil {
		result.Unrepaired = all.float(allFail)
	}
	return summarise(result, all.merged())
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

// ends lists the ways to end: one for each offer, then that every offer fails.
func (p Problem) ends(offers []indexed) law {
	all := law{whole: big.NewInt(1)}
	left := big.NewInt(1) // chance that all offers so far fail, in parts of whole
	var spent int64
	var days int32
	for _, o := range offers {
		passes, of := o.pass.Num(), o.pass.Denom()
		all.refine(of)
		days += o.Days
		all.ends = append(all.ends, exact{spent + o.Price + o.cost, days, new(big.Int).Mul(left, passes)})
		spent += o.cost + o.ReturnLoss
		left.Mul(left, new(big.Int).Sub(of, passes))
	}
	last := exact{spent, days, left}
	if p.Fallback != nil {
		last.cost += p.fallbackCost()
		last.days += p.Fallback.Days
	}
	all.ends = append(all.ends, last)
	return all
}

// summarise fills in what follows from the law.
func summarise(result Result, all law) (Result, error) {
	for _, end := range all.ends {
		result.Distribution = append(result.Distribution, Outcome{end.cost, end.days, all.float(end.weight)})
	}
	cost, days := all.means()
	result.ExpectedDays, _ = days.Float64()
	result.Quantile95 = all.quantile(level95)
	var err error
	if result.ExpectedCost, err = money.Round(cost); err != nil {
		return Result{}, err
	}
	result.CVaR95, err = money.Round(all.cvar(level95))
	return result, err
}

// level95 is the level of the risk measures.
var level95 = big.NewRat(95, 100)
