package quote

import (
	"errors"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/landed"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/trust"
)

// price works out the landed cost and the chance of every candidate; one whose
// amounts cannot be added up is kept out.
func (g *gate) price(tax money.Percent) []*candidate {
	priced := make([]*candidate, 0, len(g.candidates))
	for _, c := range g.candidates {
		o := c.option
		breakdown, err := landed.Compute(landed.Input{
			Price: o.GetPrice(), CoreDeposit: o.GetCoreDeposit(), Tax: tax, Freight: o.GetFreight(), Handling: o.GetHandling(),
			ReturnFreight: c.returnFreight, RestockingBasisPoints: c.restocking,
			CheckMinutes: g.in.Labour.GetCheckMinutes(), FitMinutes: g.in.Labour.GetFitMinutes(), HourlyRate: g.in.Labour.GetHourlyRate(),
		})
		if err == nil && !plannable(breakdown, o.GetDays()) {
			err = errTooLarge
		}
		if err != nil {
			g.exclude(o.GetSource(), o.GetCondition(), o.GetSeller(), o.GetPrice(),
				"what it costs cannot be worked out: "+err.Error(), "amounts and days within the limits")
			continue
		}
		o.Tax, o.CheckLabour, o.FitLabour = breakdown.Tax, breakdown.CheckLabour, breakdown.FitLabour
		o.LandedCost, o.ReturnLoss = breakdown.Total, breakdown.ReturnLoss
		c.costs = breakdown
		g.in.chance(o)
		priced = append(priced, c)
	}
	return priced
}

var errTooLarge = errors.New("the amounts or days are too large for a plan")

// plannable tells whether a plan can calculate with the costs and days.
func plannable(b landed.Breakdown, days int32) bool {
	return max(b.Refundable+b.Sunk, b.ReturnLoss) <= plan.MaxAmount && days >= 0 && days <= plan.MaxDays
}

// unfitted is the landed cost without the labour of fitting, which is the same
// on every way.
func (c *candidate) unfitted() int64 { return c.costs.Refundable + c.costs.Sunk }

// planOffer is the candidate as the plan sees it.
func (c *candidate) planOffer() plan.Offer {
	return plan.Offer{
		ID: c.option.GetSource(), Price: c.costs.Refundable, Sunk: c.costs.Sunk, ReturnLoss: c.costs.ReturnLoss,
		Pass: c.option.GetPassProbability(), Days: c.option.GetDays(),
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
