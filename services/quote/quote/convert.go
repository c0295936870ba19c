package quote

import (
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/choice"
	"beltwright.example/services/quote/plan"
)

// PlanProto puts a plan into the form of the wire contract, with its words: names
// says what an id is called, fresh what the fallback is called, empty where there
// is none.
func PlanProto(result plan.Result, names func(id string) string, fresh string) *quotev1.PlanPurchaseResponse {
	answer := &quotev1.PlanPurchaseResponse{
		Order: result.Order, ExpectedCost: result.ExpectedCost, ExpectedDays: result.ExpectedDays,
		Quantile95: result.Quantile95, Cvar95: result.CVaR95,
		UnrepairedProbability: result.Unrepaired, NotTried: result.NotTried,
		Words: plan.Words(result, names, fresh), Batches: batchProtos(result.Batches), Method: result.Method,
		Limited: result.Limited, Workings: WorkingProtos(result.Workings),
	}
	for _, outcome := range result.Distribution {
		answer.Distribution = append(answer.Distribution, &quotev1.PlanOutcome{
			Cost: outcome.Cost, Days: outcome.Days, Probability: outcome.Probability,
		})
	}
	for _, ready := range result.ReadyBy {
		answer.ReadyBy = append(answer.ReadyBy, &quotev1.ReadyBy{Days: ready.Days, Probability: ready.Probability})
	}
	return answer
}

// breakEvenPlaces is with how many decimal places of a minor unit a break-even day
// cost is written.
const breakEvenPlaces = 2

// TradeOffProto puts what may be chosen between into the form of the wire
// contract; names and fresh as in PlanProto.
func TradeOffProto(trade choice.Trade, names func(id string) string, fresh string) *quotev1.TradeOff {
	answer := &quotev1.TradeOff{Policies: int64(trade.Policies), Limited: trade.Limited}
	for _, point := range trade.Points {
		made := &quotev1.TradePoint{
			Batches: batchProtos(point.Batches), Fallback: point.Policy.Fallback, ExpectedCost: point.ExpectedCost,
			Cvar95: point.CVaR95, ExpectedDays: point.ExpectedDays, UnrepairedProbability: point.Unrepaired,
			Words: point.Words(names, fresh), WorstRegret: point.WorstRegret,
		}
		if point.BreakEven != nil {
			made.BreakEvenDayCost = point.BreakEven.FloatString(breakEvenPlaces)
		}
		if point.WorstRegret > 0 {
			made.WorstState = point.WorstState.Words(names)
		}
		answer.Points = append(answer.Points, made)
	}
	if len(trade.LeastWorst) > 0 {
		answer.LeastWorstRegret = int32(trade.LeastWorst[0]) + 1
	}
	for _, miss := range trade.Misses {
		answer.NearestMisses = append(answer.NearestMisses, miss.Words)
	}
	return answer
}

func batchProtos(batches [][]string) []*quotev1.PlanBatch {
	protos := make([]*quotev1.PlanBatch, len(batches))
	for i, batch := range batches {
		protos[i] = &quotev1.PlanBatch{Ids: batch}
	}
	return protos
}
