package quote

import (
	"fmt"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/choice"
	"beltwright.example/services/quote/plan"
)

// Choices computes what may be chosen between in the form of the wire contract, with
// its words; names and fresh as in Plan. Of the limits the one on lower bounds shuts
// nothing out, since the problem has none. The error is a *problem.InvalidError where
// problem or limits make no sense.
func Choices(p plan.Problem, limits *quotev1.Limits, names func(id string) string, fresh string) (*quotev1.TradeOff, error) {
	trade, err := choice.Front(p, choice.Limits{
		MaxCost: limits.GetMaxCost(), MaxCVaR: limits.GetMaxCvar(), MaxDays: limits.GetMaxDays(), MinLowerBound: limits.GetMinLowerBound(),
	})
	if err != nil {
		return nil, fmt.Errorf("what may be chosen between: %w", err)
	}
	return TradeOffProto(trade, names, fresh), nil
}
