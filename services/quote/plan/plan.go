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
// expected cost. Offers are taken to pass or fail independently. Everything is
// calculated in fractions; results are rounded once, at the end.
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
	tried := p.tried(offers)
	result := Result{}
	for n, offer := range offers {
		if n < tried {
			result.Order = append(result.Order, offer.ID)
		} else {
			result.NotTried = append(result.NotTried, offer.ID)
		}
	}
	ends, left := p.ends(offers[:tried])
	result.UsesFallback = p.Fallback != nil && left.Sign() > 0
	if p.Fallback == nil {
		result.Unrepaired, _ = left.Float64()
	}
	return summarise(result, merge(ends))
}

// Index is the offer's index z with days priced at dayCost, as a fraction.
func Index(o Offer, dayCost int64) *big.Rat {
	return index(o, probability(o.Pass), o.Sunk+dayCost*int64(o.Days))
}

func index(o Offer, pass *big.Rat, cost int64) *big.Rat {
	loss := new(big.Rat).Sub(big.NewRat(1, 1), pass)
	loss.Mul(loss, new(big.Rat).SetInt64(o.ReturnLoss))
	loss.Add(loss, new(big.Rat).SetInt64(cost))
	loss.Quo(loss, pass)
	return loss.Add(loss, new(big.Rat).SetInt64(o.Price))
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
		offers = append(offers, indexed{Offer: o, pass: pass, cost: cost, index: index(o, pass, cost)})
	}
	slices.SortFunc(offers, func(a, b indexed) int {
		return cmp.Or(a.index.Cmp(b.index), cmp.Compare(a.ID, b.ID))
	})
	return offers
}

// tried counts the offers worth trying: with a fallback those whose index is
// below its cost, without one all, and never more than MaxTried.
func (p Problem) tried(offers []indexed) int {
	n := len(offers)
	if p.Fallback != nil {
		limit := new(big.Rat).SetInt64(p.fallbackCost())
		for i, offer := range offers {
			if offer.index.Cmp(limit) >= 0 {
				n = i
				break
			}
		}
	}
	return min(n, MaxTried)
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
	cost, days, below := new(big.Rat), new(big.Rat), new(big.Rat)
	level, found := big.NewRat(95, 100), false
	for _, end := range ends {
		chance, _ := end.probability.Float64()
		result.Distribution = append(result.Distribution, Outcome{end.cost, end.days, chance})
		cost.Add(cost, times(end.probability, end.cost))
		days.Add(days, times(end.probability, int64(end.days)))
		below.Add(below, end.probability)
		if !found && below.Cmp(level) >= 0 {
			result.Quantile95, found = end.cost, true
		}
	}
	result.ExpectedDays, _ = days.Float64()
	var err error
	if result.ExpectedCost, err = money.Round(cost); err != nil {
		return Result{}, err
	}
	result.CVaR95, err = money.Round(cvar(ends, result.Quantile95))
	return result, err
}

// cvar is Rockafellar and Uryasev's (2000) t + E[(L − t)⁺] / (1 − α) at the
// quantile t, which splits the probability of t itself where it must; α is 0.95.
func cvar(ends []exact, quantile int64) *big.Rat {
	tail := new(big.Rat)
	for _, end := range ends {
		if end.cost > quantile {
			tail.Add(tail, times(end.probability, end.cost-quantile))
		}
	}
	tail.Mul(tail, big.NewRat(20, 1))
	return tail.Add(tail, new(big.Rat).SetInt64(quantile))
}

func times(probability *big.Rat, amount int64) *big.Rat {
	return new(big.Rat).Mul(probability, new(big.Rat).SetInt64(amount))
}
