package quote

import (
	"google.golang.org/protobuf/proto"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// RequestOf is the request that a stored quote or draft answers, so that it can be
// weighed again; without request id, dry_run and draft.
func RequestOf(q *quotev1.Quote) *quotev1.PrepareQuoteRequest {
	lines := Lines(q)
	request := &quotev1.PrepareQuoteRequest{
		Need: lines[0].GetNeed(), CurrencyCode: q.GetCurrencyCode(), DayCost: q.GetDayCost(), TaxPercent: q.GetTaxPercent(),
		Labour: lines[0].GetLabour(), ValidHours: q.GetValidHours(), Reference: q.GetReference(), Customer: q.GetCustomer(),
		Supplies: q.GetSupplies(), SuppliesPercent: q.GetSuppliesPercent(), TaxPlace: q.GetTaxPlace(), Limits: q.GetLimits(),
		Parallel: q.GetParallel(), DeadlineDays: q.GetDeadlineDays(), LateCost: q.GetLateCost(),
	}
	for _, line := range lines[1:] {
		request.FurtherNeeds = append(request.FurtherNeeds, &quotev1.FurtherNeed{Need: line.GetNeed(), Labour: line.GetLabour()})
	}
	return proto.CloneOf(request)
}

// Needs are all needs of a request with their labour, in order.
func Needs(request *quotev1.PrepareQuoteRequest) []*quotev1.FurtherNeed {
	first := &quotev1.FurtherNeed{Need: request.GetNeed(), Labour: request.GetLabour()}
	return append([]*quotev1.FurtherNeed{first}, request.GetFurtherNeeds()...)
}
