package repair

import (
	"fmt"
	"slices"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
)

// sentences say what may or must be done next on an order.
func sentences(order *quotev1.RepairOrder) []string {
	var list []string
	switch order.GetState() {
	case quotev1.RepairOrder_ABANDONED:
		list = leftOver(order)
	case quotev1.RepairOrder_CLOSED:
	default:
		list = append(stateSentences(order), inStore(order)...)
	}
	for _, p := range order.GetPurchases() {
		if p.GetState() != quotev1.Purchase_RETURNING {
			continue
		}
		for _, said := range order.GetNext() { // holds until the return is settled
			if strings.HasPrefix(said, untold(p.GetSource())) {
				list = append(list, said)
			}
		}
		if Unreported(p) {
			list = append(list, fmt.Sprintf("The yard of %s is not told yet that it comes back: repeat the inspection's request once the fitment service answers.", p.GetSource()))
		}
		if !Ended(order) {
			list = append(list, fmt.Sprintf("Send %s back, and record the seller's refund: by the terms %s %s are due after return freight and restocking. A live part is shipped by somebody trained for it.",
				p.GetSource(), amount.Format(p.GetRefundDue(), p.GetCurrencyCode()), p.GetCurrencyCode()))
		}
	}
	return list
}

// Untold says that a yard was not told what was seen of its part, since the fitment
// side refused that, and why.
func Untold(source, why string) string {
	return untold(source) + fmt.Sprintf(" (%s): the part goes back all the same, and the yard hears of it only from you.", why)
}

func untold(source string) string {
	return "What was seen of " + source + " was refused and did not go to its yard"
}

// leftOver names what was paid for and is neither fitted nor returned when an order
// is given up: somebody has to see to it, since it may be live.
func leftOver(order *quotev1.RepairOrder) []string {
	list := make([]string, 0, len(order.GetPurchases()))
	for _, p := range order.GetPurchases() {
		source, has := p.GetSource(), "is neither fitted nor returned"
		switch p.GetState() {
		case quotev1.Purchase_BOUGHT:
			has = "has not arrived"
		case quotev1.Purchase_PASSED:
		case quotev1.Purchase_RETURNING:
			has = "is on its way back without a refund on record"
		default:
			continue
		}
		list = append(list, fmt.Sprintf("%s is paid for, may be live, and %s: return it by the seller's terms, shipped by somebody trained for it, or keep it stored by the rules for live parts. It is never thrown away or posted.", source, has))
	}
	return list
}

// inStore says how the old parts in store are kept, each sentence once.
func inStore(order *quotev1.RepairOrder) []string {
	out := disposals(order)
	var list []string
	for _, step := range order.GetSteps() {
		d := step.GetDisposal()
		if d.GetWay() != quotev1.Disposal_STORED || out[keyOf(d.GetKind(), d.GetPosition())].stored == 0 {
			continue
		}
		if text := Storing(order, d); !slices.Contains(list, text) {
			list = append(list, text)
		}
	}
	return list
}

// stateSentences are those of the state.
func stateSentences(order *quotev1.RepairOrder) []string {
	switch order.GetState() {
	case quotev1.RepairOrder_RECEIVED:
		return []string{"Read codes and loops, and record the diagnosis: what the vehicle lacks."}
	case quotev1.RepairOrder_DIAGNOSED:
		if failed := lastProof(order); failed != nil {
			return append([]string{"The proof failed. Diagnose again and quote what is lacking, or work on what was fitted once more and record the fitting."}, Unproven(order, failed)...)
		}
		return []string{"Prepare a quote for what the vehicle lacks, and record it."}
	case quotev1.RepairOrder_QUOTED:
		return []string{fmt.Sprintf("Have %s accepted with the customer's authorisation, then record the order.", order.GetQuote())}
	case quotev1.RepairOrder_ORDERED:
		return arrivals(order)
	case quotev1.RepairOrder_TO_BUY_NEXT:
		return append(toBuy(order), arrivals(order)...)
	case quotev1.RepairOrder_ARRIVED:
		return []string{"Fit " + names(in(order, quotev1.Purchase_PASSED)) + " by the vehicle maker's procedure, and record the fitting: what must be new, what is replaced together."}
	case quotev1.RepairOrder_FITTED:
		return append([]string{"Prove the repair and record it: lamp on at key-on, out after its check, out with the engine running; codes cleared and stayed clear; each loop as the module reports it."}, oldParts(order)...)
	case quotev1.RepairOrder_PROVEN:
		return append([]string{"Close the order, with the shop's warranty. Where the lamp returns before that, record another proof, or diagnose again."}, oldParts(order)...)
	default:
		return nil
	}
}

func arrivals(order *quotev1.RepairOrder) []string {
	due := in(order, quotev1.Purchase_BOUGHT)
	list := make([]string, 0, len(due))
	for _, source := range due {
		list = append(list, "When "+source+" arrives, answer each of its arrival checks: the fitting is recorded only after that.")
	}
	return list
}

func toBuy(order *quotev1.RepairOrder) []string {
	var list []string
	for _, p := range order.GetPurchases() {
		if p.GetState() != quotev1.Purchase_NEXT {
			continue
		}
		text := fmt.Sprintf("Buy %s next, as the plan of line %d says, and record that.", p.GetSource(), p.GetLine())
		if hold := p.GetHold(); hold != nil {
			text += " It is held until " + hold.GetExpireTime().AsTime().UTC().Format("2006-01-02 15:04 MST") + "."
		}
		list = append(list, text)
	}
	if len(list) == 0 {
		list = append(list, "A part failed and no next one is chosen: where nothing is left on the plan, diagnose or quote anew, or give the order up.")
	}
	return list
}

// oldParts reminds of old parts of which nothing is recorded.
func oldParts(order *quotev1.RepairOrder) []string {
	done := 0
	for _, t := range disposals(order) {
		done += t.done
	}
	if done >= len(in(order, quotev1.Purchase_FITTED)) {
		return nil
	}
	return []string{"Record what became of each old part that may be live. It is never thrown away or posted."}
}

// lastProof is the proof after which an order was to be diagnosed again, where
// nothing was diagnosed since; nil where there is none.
func lastProof(order *quotev1.RepairOrder) *quotev1.Proof {
	for _, step := range slices.Backward(order.GetSteps()) {
		if step.GetProof() != nil {
			return step.GetProof()
		}
		if step.GetDiagnosis() != nil {
			return nil
		}
	}
	return nil
}
