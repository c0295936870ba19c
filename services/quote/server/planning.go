package server

import (
	"context"
	"errors"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/quote"
)

// PlanPurchase plans on inline input and stores nothing.
func (*Server) PlanPurchase(ctx context.Context, request *quotev1.PlanPurchaseRequest) (*quotev1.PlanPurchaseResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	problem := plan.Problem{Currency: request.GetCurrencyCode(), DayCost: request.GetDayCost()}
	if fallback := request.GetFallback(); fallback != nil {
		problem.Fallback = &plan.Fallback{Price: fallback.GetPrice(), Days: fallback.GetDays()}
	}
	for _, offer := range request.GetOffers() {
		problem.Offers = append(problem.Offers, plan.Offer{
			ID: offer.GetId(), Price: offer.GetPrice(), Sunk: offer.GetSunk(), ReturnLoss: offer.GetReturnLoss(),
			Pass: offer.GetPassProbability(), Days: offer.GetDays(),
		})
	}
	answer, err := quote.Plan(problem, func(id string) string { return id }, "a new part")
	var invalid *plan.InvalidError
	if !errors.As(err, &invalid) {
		return answer, err
	}
	violations := make([]apierr.Violation, len(invalid.Violations))
	for i, v := range invalid.Violations {
		violations[i] = apierr.Violation(v)
	}
	return nil, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, violations...)
}
