// Package quote weighs what may be bought for a need: the safety gate first,
// then landed cost, the chance of passing the arrival check, and the buying
// plan. It is pure: listings, decisions, offers, outcomes and the time are all
// arguments.
package quote

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/money"
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
	// Tallies count the recorded outcomes of every seller of this kind of part, by
	// condition and then by the seller as resource names spell it: also those who
	// offer nothing now, since the others' records say what to expect of one.
	Tallies map[quotev1.Offer_Condition]map[string]Tally
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
	// Choices asks for what may be chosen between, which takes much longer than
	// the plan; limits on the plan ask for it, too.
	Choices bool
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
	// Held are the listings that this quote holds already.
	Held map[string]bool
	// Lost are listings that cannot be had although the search said so, each
	// with the reason.
	Lost map[string]string

	beliefs beliefs
}

// Result is what became of an Input.
type Result struct {
	// Options may be bought: in plan order, then by landed cost.
	Options []*quotev1.Option
	// Excluded are kept out: first those that something would admit.
	Excluded []*quotev1.ExcludedOption
	// Plan is what to buy in which order; its ids are the options' sources.
	Plan *quotev1.PlanPurchaseResponse
	// TradeOff is what may be chosen between; nil where nobody asked
	// or there is nothing to buy.
	TradeOff *quotev1.TradeOff
	// GoodUntil is when the first price that the plan counts on runs out; zero
	// where none does.
	GoodUntil time.Time
	// Notices are cautions and disclosures, each a sentence.
	Notices []string
}

// Weigh sorts everything that is offered through the gate and plans with what
// is left. Having nothing left is no error: the plan then says so.
func Weigh(in Input) (Result, error) {
	f := newField(in)
	purchase, err := f.purchase()
	if err != nil {
		return Result{}, err
	}
	return f.result(purchase), nil
}

// field is what may be bought for a need, priced.
type field struct {
	in       Input
	gate     *gate
	priced   []*candidate
	fallback *candidate // the new part to fall back on; nil where there is none
}

func newField(in Input) *field {
	g := newGate(in)
	for _, donor := range in.Donors {
		g.listing(donor)
	}
	for _, offer := range in.Offers {
		g.offer(offer)
	}
	g.in.beliefs = in.believe(g.candidates)
	f := &field{in: g.in, gate: g, priced: g.price()}
	for _, c := range f.priced {
		c.noteShared(in.Currency)
	}
	f.limit()
	f.fallback = cheapestNew(f.priced, in.DayCost)
	return f
}

// limit keeps out used parts whose seller's lower bound is below the limit that
// was set.
func (f *field) limit() {
	least := f.in.Limits.GetMinLowerBound()
	if least <= 0 {
		return
	}
	f.priced = slices.DeleteFunc(f.priced, func(c *candidate) bool {
		o := c.option
		if o.GetCondition() != quotev1.Offer_USED || o.GetLowerBound() >= least {
			return false
		}
		f.gate.exclude(o.GetSource(), o.GetCondition(), o.GetSeller(), o.GetPrice(),
			fmt.Sprintf("the lower bound of its seller's chance, %.4g, is below the limit of %g that was set, which at 95 %% takes %d outcomes if all pass; that says nothing about whether it fits",
				o.GetLowerBound(), least, trust.SuccessRun(least, boundLevel)),
			"more outcomes that passed are recorded of this seller, or the limit is lowered")
		return true
	})
}

// without leaves out something that serves another line.
func (f *field) without(source, reason string) {
	f.priced = slices.DeleteFunc(f.priced, func(c *candidate) bool {
		if c.option.GetSource() != source {
			return false
		}
		o := c.option
		f.gate.exclude(source, o.GetCondition(), o.GetSeller(), o.GetPrice(), reason, "")
		return true
	})
}

// result is what became of the field under a plan.
func (f *field) result(p purchase) Result {
	place(f.priced, f.fallback, p.plan.GetOrder())
	p.plan.Workings = append(p.plan.GetWorkings(), WorkingProtos(p.steps)...)
	result := Result{Excluded: f.gate.excluded, Plan: p.plan, TradeOff: p.tradeOff, GoodUntil: goodUntil(f.priced)}
	for _, c := range f.priced {
		result.Options = append(result.Options, c.option)
	}
	sortOptions(result.Options)
	sortExcluded(result.Excluded)
	result.Notices = notices(f.in, result)
	if Lighten(result.Options, MaxDetailed) {
		result.Notices = append(result.Notices, noticeLight)
	}
	if p.notice != "" {
		result.Notices = append([]string{p.notice}, result.Notices...)
	}
	return result
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
