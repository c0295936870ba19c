// Package quote weighs what may be bought for a need: the safety gate first,
// then landed cost, the chance of passing the arrival check, and the buying
// plan. It is pure: listings, decisions, offers, outcomes and the time are all
// arguments.
package quote

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/trust"
)

// Input is everything that a quote stands on.
type Input struct {
	// Need is what the vehicle lacks.
	Need *fitmentv1.Need
	// Donors are the listings with the fitment side's decisions.
	Donors []*fitmentv1.Donor
	// Parts are the catalogue parts that the fitment side names for the need.
	Parts []*fitmentv1.PartMatch
	// Offers are suppliers' remanufactured and new parts.
	Offers []*quotev1.Offer
	// Tally counts recorded outcomes. The seller is spelt as in resource names.
	// Nil means that there are none.
	Tally func(seller string, condition quotev1.Offer_Condition, kind fitmentv1.Part_Kind) Tally
	// Priors are what is believed before any outcome.
	Priors trust.Priors
	// Labour is the shop's.
	Labour *quotev1.Labour
	// Tax is the tax rate.
	Tax money.Percent
	// Pack is the law of the place whose tax rules count; the zero Pack where the
	// place is not known.
	Pack tax.Pack
	// Supplies are itemised, or a SuppliesPercent of labour. Of several lines only
	// the first one has them.
	Supplies        []*quotev1.SupplyLine
	SuppliesPercent money.Percent
	// Limits filter; they weigh nothing.
	Limits *quotev1.Limits
	// Parallel allows several parts to be bought at once.
	Parallel bool
	// Deadline is the day by which the vehicle should be ready, 0 for none;
	// LateCost is the cost, once, of being ready later.
	Deadline int32
	LateCost int64
	// DayCost is the cost of a day without the vehicle, minor units.
	DayCost int64
	// Currency is that of every amount.
	Currency string
	// Now decides whether price lists and holds still count.
	Now time.Time
	// Tenant is the business that asks.
	Tenant string
	// Held is the listing that this quote holds already; empty for none.
	Held string
	// Lost are listings that cannot be had although the search said so, each
	// with the reason.
	Lost map[string]string
}

// Result is what became of an Input.
type Result struct {
	// Options may be bought: in plan order, then by landed cost.
	Options []*quotev1.Option
	// Excluded are kept out: first those that something would admit.
	Excluded []*quotev1.ExcludedOption
	// Plan is what to buy in which order; its ids are the options' sources.
	Plan *quotev1.PlanPurchaseResponse
	// GoodUntil is when the first price that the plan counts on runs out; zero
	// where none does.
	GoodUntil time.Time
	// Notices are cautions and disclosures, each a sentence.
	Notices []string
}

// Weigh sorts everything that is offered through the gate and plans with what
// is left. Having nothing left is no error: the plan then says so.
func Weigh(in Input) (Result, error) {
	g := newGate(in)
	for _, donor := range in.Donors {
		g.listing(donor)
	}
	for _, offer := range in.Offers {
		g.offer(offer)
	}
	priced := g.price(in.Tax)
	fallback := cheapestNew(priced, in.DayCost)
	purchase, err := planPurchase(in, priced, fallback)
	if err != nil {
		return Result{}, err
	}
	place(priced, fallback, purchase.GetOrder())
	result := Result{Excluded: g.excluded, Plan: purchase, GoodUntil: goodUntil(priced)}
	for _, c := range priced {
		result.Options = append(result.Options, c.option)
	}
	sortOptions(result.Options)
	sortExcluded(result.Excluded)
	result.Notices = notices(in, result)
	return result, nil
}

// FirstBuy is the option that the plan buys first: the first one it tries, or
// the new part where it tries none; nil where there is nothing.
func FirstBuy(options []*quotev1.Option) *quotev1.Option {
	for _, option := range options {
		if option.GetPlanPlace() == 1 {
			return option
		}
	}
	for _, option := range options {
		if option.GetFallback() {
			return option
		}
	}
	return nil
}

// chance fills in how likely an option passes its arrival check: the mean of
// the Beta posterior over its seller's outcomes.
func (in Input) chance(option *quotev1.Option) {
	var tally Tally
	if slug, err := SellerOf(option.GetSource()); err == nil && in.Tally != nil {
		tally = in.Tally(slug, option.GetCondition(), in.Need.GetKind())
	}
	option.Passed = int32(tally.Passed)
	option.Outcomes = int32(tally.Passed + tally.Failed)
	option.PassProbability = in.Priors.For(trustCondition(option.GetCondition())).Mean(tally.Passed, tally.Failed)
}

// SellerOf is the seller's part of a listing's or offer's resource name.
func SellerOf(source string) (string, error) {
	parts := sourceName.FindStringSubmatch(source)
	if parts == nil {
		return "", fmt.Errorf("%.80q is neither a listing nor an offer", source)
	}
	return parts[2], nil
}

// cheapestNew finds the new part to fall back on: the one with the lowest cost,
// days included; nil where no new part may be bought.
func cheapestNew(priced []*candidate, dayCost int64) *candidate {
	var best *candidate
	for _, c := range priced {
		if c.option.GetCondition() == quotev1.Offer_NEW && (best == nil || compareNew(c, best, dayCost) < 0) {
			best = c
		}
	}
	return best
}

func compareNew(a, b *candidate, dayCost int64) int {
	return cmp.Or(
		cmp.Compare(a.unfitted()+dayCost*int64(a.option.GetDays()), b.unfitted()+dayCost*int64(b.option.GetDays())),
		cmp.Compare(a.option.GetDays(), b.option.GetDays()),
		strings.Compare(a.option.GetSource(), b.option.GetSource()),
	)
}

// planPurchase plans over the used and remanufactured candidates with the new
// part behind them.
func planPurchase(in Input, priced []*candidate, fallback *candidate) (*quotev1.PlanPurchaseResponse, error) {
	tried := make([]*candidate, 0, len(priced))
	for _, c := range priced {
		if c.option.GetCondition() != quotev1.Offer_NEW {
			tried = append(tried, c)
		}
	}
	byIndex(tried, in.DayCost)
	kept := tried[:min(len(tried), plan.MaxOffers)]
	problem := plan.Problem{Currency: in.Currency, DayCost: in.DayCost}
	if fallback != nil {
		problem.Fallback = &plan.Fallback{Price: fallback.unfitted(), Days: fallback.option.GetDays()}
	}
	labels := make(map[string]string, len(kept))
	for _, c := range kept {
		problem.Offers = append(problem.Offers, c.planOffer())
		labels[c.option.GetSource()] = conditionWords(c.option.GetCondition()) + " part " + c.option.GetSource()
	}
	if len(kept) == 0 && fallback == nil {
		return &quotev1.PlanPurchaseResponse{UnrepairedProbability: 1, Words: "There is nothing that may be bought for this need."}, nil
	}
	fresh := ""
	if fallback != nil {
		fresh = "new part " + fallback.option.GetSource()
	}
	answer, err := Plan(problem, func(id string) string { return labels[id] }, fresh)
	if err != nil {
		return nil, err
	}
	for _, c := range tried[len(kept):] {
		answer.NotTried = append(answer.NotTried, c.option.GetSource())
	}
	return answer, nil
}

// byIndex sorts candidates as a plan would, so that of more than plan.MaxOffers
// those that promise the lowest cost take part.
func byIndex(candidates []*candidate, dayCost int64) {
	index := make(map[*candidate]*big.Rat, len(candidates))
	for _, c := range candidates {
		index[c] = plan.Index(c.planOffer(), dayCost)
	}
	slices.SortFunc(candidates, func(a, b *candidate) int {
		return cmp.Or(index[a].Cmp(index[b]), strings.Compare(a.option.GetSource(), b.option.GetSource()))
	})
}

// Plan computes a plan in the form of the wire contract, with its words: names
// says what an id is called, fresh what the fallback is called.
func Plan(problem plan.Problem, names func(id string) string, fresh string) (*quotev1.PlanPurchaseResponse, error) {
	result, err := plan.Purchase(problem)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	answer := &quotev1.PlanPurchaseResponse{
		Order: result.Order, ExpectedCost: result.ExpectedCost, ExpectedDays: result.ExpectedDays,
		Quantile95: result.Quantile95, Cvar95: result.CVaR95,
		UnrepairedProbability: result.Unrepaired, NotTried: result.NotTried,
		Words: plan.Words(result, names, fresh),
	}
	for _, outcome := range result.Distribution {
		answer.Distribution = append(answer.Distribution, &quotev1.PlanOutcome{
			Cost: outcome.Cost, Days: outcome.Days, Probability: outcome.Probability,
		})
	}
	return answer, nil
}

// place writes the plan's order into the options.
func place(priced []*candidate, fallback *candidate, order []string) {
	places := make(map[string]int32, len(order))
	for i, source := range order {
		places[source] = int32(i + 1)
	}
	for _, c := range priced {
		c.option.PlanPlace = places[c.option.GetSource()]
		c.option.Fallback = c == fallback
	}
}

// goodUntil is the first end of a price that the plan counts on.
func goodUntil(priced []*candidate) time.Time {
	var first time.Time
	for _, c := range priced {
		counts := c.option.GetPlanPlace() > 0 || c.option.GetFallback()
		if counts && !c.until.IsZero() && (first.IsZero() || c.until.Before(first)) {
			first = c.until
		}
	}
	return first
}

func sortOptions(options []*quotev1.Option) {
	last := int32(len(options) + 1)
	order := func(o *quotev1.Option) int32 {
		if o.GetPlanPlace() == 0 {
			return last
		}
		return o.GetPlanPlace()
	}
	slices.SortFunc(options, func(a, b *quotev1.Option) int {
		return cmp.Or(
			cmp.Compare(order(a), order(b)),
			cmp.Compare(a.GetLandedCost(), b.GetLandedCost()),
			strings.Compare(a.GetSource(), b.GetSource()),
		)
	})
}

// sortExcluded puts first what evidence or a remedy would admit.
func sortExcluded(excluded []*quotev1.ExcludedOption) {
	hopeless := func(e *quotev1.ExcludedOption) int {
		if e.GetRemedy() == "" {
			return 1
		}
		return 0
	}
	slices.SortFunc(excluded, func(a, b *quotev1.ExcludedOption) int {
		return cmp.Or(cmp.Compare(hopeless(a), hopeless(b)), strings.Compare(a.GetSource(), b.GetSource()))
	})
}

func conditionWords(condition quotev1.Offer_Condition) string {
	return strings.ToLower(condition.String())
}
