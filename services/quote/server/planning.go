package server

import (
	"context"
	"fmt"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/quote"
)

// PlanPurchase plans on inline input and stores nothing.
func (*Server) PlanPurchase(ctx context.Context, request *quotev1.PlanPurchaseRequest) (*quotev1.PlanPurchaseResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	p, err := planProblem(request, "")
	if err != nil {
		return nil, err
	}
	answer, err := quote.Plan(p, own, aNewPart)
	if err != nil {
		return nil, planRefusal(err, "")
	}
	return answer, nil
}

// planProblem reads the problem; what makes no sense in it is left to the plan,
// but for a seller that is named twice. At is what its fields' names begin with.
func planProblem(request *quotev1.PlanPurchaseRequest, at string) (plan.Problem, error) {
	p := plan.Problem{
		Currency: request.GetCurrencyCode(), DayCost: request.GetDayCost(), Parallel: request.GetParallel(),
		Deadline: request.GetDeadlineDays(), LateCost: request.GetLateCost(),
		Sellers: make(map[string]plan.Belief, len(request.GetSellers())),
	}
	if fallback := request.GetFallback(); fallback != nil {
		p.Fallback = &plan.Fallback{Price: fallback.GetPrice(), Days: fallback.GetDays()}
	}
	for _, offer := range request.GetOffers() {
		p.Offers = append(p.Offers, plan.Offer{
			ID: offer.GetId(), Price: offer.GetPrice(), Sunk: offer.GetSunk(), ReturnLoss: offer.GetReturnLoss(),
			Pass: offer.GetPassProbability(), Days: offer.GetDays(), Seller: offer.GetSeller(),
		})
	}
	var fields check.Fields
	for i, seller := range request.GetSellers() {
		if _, twice := p.Sellers[seller.GetId()]; twice {
			fields.Add(fmt.Sprintf("%ssellers[%d].id", at, i), fmt.Sprintf("%.80q is named before", seller.GetId()), "an id of its own")
		}
		p.Sellers[seller.GetId()] = plan.Belief{Alpha: seller.GetAlpha(), Beta: seller.GetBeta()}
	}
	return p, fields.Err()
}
