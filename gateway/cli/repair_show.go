package cli

import (
	"fmt"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/repair"
)

func showRepair(p *printer, order *quotev1.RepairOrder) {
	p.linef("repair order %s (%s), %s   etag %s", order.GetNumber(), order.GetName(), words(order.GetState()), order.GetEtag())
	p.linef("%s   customer %s", car(order.GetVehicle()), order.GetCustomer())
	p.linef("complaint: %s", order.GetComplaint())
	for _, need := range order.GetNeeds() {
		p.linef("lacks: %s %s", words(need.GetKind()), place(need.GetPosition()))
	}
	if order.GetQuote() != "" {
		p.linef("quote: %s", order.GetQuote())
	}
	for _, purchase := range order.GetPurchases() {
		showPurchase(p, purchase)
	}
	rows := make([][]string, 0, len(order.GetSteps()))
	for _, s := range order.GetSteps() {
		rows = append(rows, []string{localTime(s.GetTime().AsTime()), s.GetBy(), stepWords(order, s)})
	}
	if len(rows) > 0 {
		p.table([]string{"when", "by", "step"}, rows)
	}
	p.list("next", order.GetNext())
}

func showPurchase(p *printer, purchase *quotev1.Purchase) {
	text := fmt.Sprintf("part: %s, line %d, %s", purchase.GetSource(), purchase.GetLine(), words(purchase.GetState()))
	if hold := purchase.GetHold(); hold != nil && purchase.GetState() == quotev1.Purchase_NEXT {
		text += fmt.Sprintf(", held until %s, fence %d", localTime(hold.GetExpireTime().AsTime()), hold.GetFence())
	}
	if purchase.GetState() == quotev1.Purchase_RETURNING {
		text += ", " + repair.RefundName + " " + cash(purchase.GetRefundDue(), purchase.GetCurrencyCode())
	}
	switch as := purchase.GetReturnedAs(); {
	case as == "":
	case purchase.GetState() == quotev1.Purchase_RETURNING:
		text += ", on its way back as " + as
	default:
		text += ", went back as " + as
	}
	p.linef("%s", text)
	if purchase.GetState() == quotev1.Purchase_BOUGHT {
		for i, check := range purchase.GetArrivalChecks() {
			p.linef("  check %d: %s It passes if: %s", i+1, check.GetCheck(), check.GetPass())
		}
	}
	if purchase.GetState() == quotev1.Purchase_BOUGHT || purchase.GetState() == quotev1.Purchase_PASSED {
		p.list("  must be new", purchase.GetOneUse())
		p.list("  is replaced together", purchase.GetReplaceWith())
	}
}

// purchaseWords answers whether buying is justified.
func purchaseWords(p fitmentv1.AssessFaultResponse_Purchase) string {
	switch p {
	case fitmentv1.AssessFaultResponse_JUSTIFIED:
		return "yes"
	case fitmentv1.AssessFaultResponse_NOT_YET:
		return "not yet"
	default:
		return "no"
	}
}

// stepWords says what was done in a step of an order.
func stepWords(order *quotev1.RepairOrder, s *quotev1.RepairStep) string {
	switch s := s.GetStep().(type) {
	case *quotev1.RepairStep_Diagnosis:
		text := "diagnosed"
		if a := s.Diagnosis.GetAssessed(); a != nil {
			text += "; buying justified: " + purchaseWords(a.GetPurchase())
		}
		if s.Diagnosis.GetReason() != "" {
			text += "; " + s.Diagnosis.GetReason()
		}
		return text
	case *quotev1.RepairStep_QuoteMade:
		return "quoted: " + s.QuoteMade.GetQuote()
	case *quotev1.RepairStep_Order:
		return "ordered by " + s.Order.GetQuote()
	case *quotev1.RepairStep_ArrivalInspection:
		return inspectionWords(s.ArrivalInspection)
	case *quotev1.RepairStep_NextPurchase:
		return "bought next: " + s.NextPurchase.GetSource()
	case *quotev1.RepairStep_ReturnSettled:
		return "return settled: " + s.ReturnSettled.GetSource()
	case *quotev1.RepairStep_Fitting:
		return "fitted " + strings.Join(s.Fitting.GetSources(), ", ") + " by " + s.Fitting.GetProcedure()
	case *quotev1.RepairStep_Disposal:
		return "old " + words(s.Disposal.GetKind()) + " " + place(s.Disposal.GetPosition()) + ": " + words(s.Disposal.GetWay())
	case *quotev1.RepairStep_Proof:
		if open := repair.Unproven(order, s.Proof); len(open) > 0 {
			return "proof failed: " + strings.Join(open, " ")
		}
		return "repair proven"
	case *quotev1.RepairStep_Closing:
		return "closed with " + strconv.Itoa(int(s.Closing.GetWarrantyDays())) + " days of warranty"
	case *quotev1.RepairStep_Abandonment:
		return "given up: " + s.Abandonment.GetReason()
	}
	return "?"
}

func inspectionWords(s *quotev1.ArrivalInspection) string {
	failed, undone := 0, 0
	for _, result := range s.GetResults() {
		switch {
		case result.GetNotDone():
			undone++
		case !result.GetPassed():
			failed++
		}
	}
	if undone > 0 {
		return fmt.Sprintf("arrived: %s, %d of %d checks failed, %d not done", s.GetSource(), failed, len(s.GetResults()), undone)
	}
	if failed == 0 {
		return fmt.Sprintf("arrived: %s, all %d checks passed", s.GetSource(), len(s.GetResults()))
	}
	return fmt.Sprintf("arrived: %s, %d of %d checks failed", s.GetSource(), failed, len(s.GetResults()))
}

func showRepairs(p *printer, answer *quotev1.ListRepairOrdersResponse) {
	rows := make([][]string, 0, len(answer.GetRepairOrders()))
	for _, order := range answer.GetRepairOrders() {
		rows = append(rows, []string{order.GetName(), words(order.GetState()), car(order.GetVehicle()), order.GetCustomer(), order.GetQuote()})
	}
	p.table([]string{"repair order", "state", "vehicle", "customer", "quote"}, rows)
	if token := answer.GetNextPageToken(); token != "" {
		p.linef("more: --page-token %s", token)
	}
}
