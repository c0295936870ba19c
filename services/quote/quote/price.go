package quote

import (
	"errors"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/landed"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/trust"
)

// price works out the landed cost and the chance of every candidate; one whose
// amounts cannot be added up is kept out.
func (g *gate) price() []*candidate {
	priced := make([]*candidate, 0, len(g.candidates))
	for _, c := range g.candidates {
		o := c.option
		breakdown, err := landed.Compute(g.landedInput(c))
		if err == nil && !plannable(breakdown, o.GetDays()) {
			err = errTooLarge
		}
		if err != nil {
			remedy := "amounts and days within the limits"
			if errors.Is(err, landed.ErrNoWeight) {
				remedy = "the seller states the weight of the part as packed"
			}
			g.exclude(o.GetSource(), o.GetCondition(), o.GetSeller(), o.GetPrice(), "what it costs cannot be worked out: "+err.Error(), remedy)
			continue
		}
		c.cost(breakdown)
		o.Transport = append(o.GetTransport(), g.carriage(c)...)
		g.in.chance(o)
		priced = append(priced, c)
	}
	return priced
}

// landedInput is a candidate as package landed wants it.
func (g *gate) landedInput(c *candidate) landed.Input {
	o := c.option
	supplies := landed.Supplies{Percent: g.in.SuppliesPercent}
	for _, item := range g.in.Supplies {
		supplies.Items = append(supplies.Items, landed.Supply{Label: item.GetLabel(), Amount: item.GetAmount()})
	}
	return landed.Input{
		Currency: g.in.Currency, Price: o.GetPrice(), CoreDeposit: o.GetCoreDeposit(), Condition: taxCondition(o.GetCondition()),
		Freight: landed.Freight{Base: o.GetFreight(), PerKilogram: c.perKilogram}, WeightGrams: c.grams, Handling: o.GetHandling(),
		ReturnFreight: c.returnFreight, RestockingBasisPoints: c.restocking, Tax: g.in.Tax, Pack: g.in.Pack, Supplies: supplies,
		Core:         landed.CoreReturn{Expected: g.coreReturns(c), Freight: c.coreReturn},
		CheckMinutes: g.in.Labour.GetCheckMinutes(), FitMinutes: g.in.Labour.GetFitMinutes(), HourlyRate: g.in.Labour.GetHourlyRate(),
	}
}

// cost writes what a candidate costs into its option.
func (c *candidate) cost(b landed.Breakdown) {
	o := c.option
	o.Freight, o.Tax, o.CheckLabour, o.FitLabour, o.Supplies = b.Freight, b.Tax, b.CheckLabour, b.FitLabour, b.Supplies
	o.LandedCost, o.ReturnLoss, o.CoreRefund = b.Total, b.ReturnLoss, b.CoreRefund
	o.Workings = append(o.GetWorkings(), WorkingProtos(b.Workings)...)
	c.costs = b
}

var errTooLarge = errors.New("the amounts or days are too large for a plan")

// plannable tells whether a plan can calculate with the costs and days.
func plannable(b landed.Breakdown, days int32) bool {
	return max(b.Refundable+b.Sunk, b.ReturnLoss) <= plan.MaxAmount && days >= 0 && days <= plan.MaxDays
}

// unfitted is what stays spent where the part passes, without what fitting costs,
// which is the same on every way: the landed cost less what comes back with the
// old part.
func (c *candidate) unfitted() int64 { return c.costs.Refundable + c.costs.Sunk - c.costs.CoreRefund }

// planOffer is the candidate as the plan sees it. Where the part fails, all that
// is refundable comes back and the old part stays; where it passes, the old part
// goes back, and so its refund only lowers the price.
func (c *candidate) planOffer() plan.Offer {
	return plan.Offer{
		ID: c.option.GetSource(), Price: c.costs.Refundable - c.costs.CoreRefund, Sunk: c.costs.Sunk, ReturnLoss: c.costs.ReturnLoss,
		Pass: c.option.GetPassProbability(), Days: c.option.GetDays(),
	}
}

// taxCondition is a condition as tax packs name it.
func taxCondition(condition quotev1.Offer_Condition) tax.Condition {
	switch condition {
	case quotev1.Offer_NEW:
		return tax.New
	case quotev1.Offer_REMANUFACTURED:
		return tax.Reconditioned
	default:
		return tax.Used
	}
}

func trustCondition(condition quotev1.Offer_Condition) trust.Condition {
	switch condition {
	case quotev1.Offer_NEW:
		return trust.New
	case quotev1.Offer_REMANUFACTURED:
		return trust.Remanufactured
	default:
		return trust.Used
	}
}
