package repair

import (
	"fmt"
	"slices"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
)

// stepKind is one kind of step: what it is called in a sentence, and in which states
// an order may be when it is recorded.
type stepKind struct {
	name string
	in   []quotev1.RepairOrder_State
}

// The states in which something may still happen.
var open = []quotev1.RepairOrder_State{
	quotev1.RepairOrder_RECEIVED, quotev1.RepairOrder_DIAGNOSED, quotev1.RepairOrder_QUOTED, quotev1.RepairOrder_ORDERED,
	quotev1.RepairOrder_TO_BUY_NEXT, quotev1.RepairOrder_ARRIVED, quotev1.RepairOrder_FITTED, quotev1.RepairOrder_PROVEN,
}

// The kinds of steps. A part may arrive while the order is diagnosed or quoted
// anew for another one, or once the repair went on without it, and a return is
// settled whenever the seller pays. Where the lamp returns before a proven order is
// closed, it is proven or diagnosed anew.
var (
	diagnosisStep = stepKind{"a diagnosis", []quotev1.RepairOrder_State{
		quotev1.RepairOrder_RECEIVED, quotev1.RepairOrder_DIAGNOSED, quotev1.RepairOrder_QUOTED, quotev1.RepairOrder_TO_BUY_NEXT,
		quotev1.RepairOrder_PROVEN,
	}}
	quoteMadeStep = stepKind{"a quote", []quotev1.RepairOrder_State{
		quotev1.RepairOrder_DIAGNOSED, quotev1.RepairOrder_QUOTED, quotev1.RepairOrder_TO_BUY_NEXT,
	}}
	orderStep   = stepKind{"the order", []quotev1.RepairOrder_State{quotev1.RepairOrder_QUOTED}}
	arrivalStep = stepKind{"an arrival check", []quotev1.RepairOrder_State{
		quotev1.RepairOrder_ORDERED, quotev1.RepairOrder_TO_BUY_NEXT, quotev1.RepairOrder_DIAGNOSED, quotev1.RepairOrder_QUOTED,
		quotev1.RepairOrder_FITTED, quotev1.RepairOrder_PROVEN,
	}}
	nextStep    = stepKind{"a next purchase", []quotev1.RepairOrder_State{quotev1.RepairOrder_TO_BUY_NEXT}}
	settledStep = stepKind{"the end of a return", open}
	fittingStep = stepKind{"a fitting", []quotev1.RepairOrder_State{quotev1.RepairOrder_ARRIVED, quotev1.RepairOrder_DIAGNOSED}}
	disposeStep = stepKind{"what became of an old part", []quotev1.RepairOrder_State{
		quotev1.RepairOrder_FITTED, quotev1.RepairOrder_PROVEN, quotev1.RepairOrder_DIAGNOSED,
	}}
	proofStep   = stepKind{"a proof", []quotev1.RepairOrder_State{quotev1.RepairOrder_FITTED, quotev1.RepairOrder_PROVEN}}
	closingStep = stepKind{"the closing", []quotev1.RepairOrder_State{quotev1.RepairOrder_PROVEN}}
	abandonStep = stepKind{"giving it up", open}
)

// kindOf is the kind of a step; false where it is none.
func kindOf(step *quotev1.RepairStep) (stepKind, bool) {
	switch step.GetStep().(type) {
	case *quotev1.RepairStep_Diagnosis:
		return diagnosisStep, true
	case *quotev1.RepairStep_QuoteMade:
		return quoteMadeStep, true
	case *quotev1.RepairStep_Order:
		return orderStep, true
	case *quotev1.RepairStep_ArrivalInspection:
		return arrivalStep, true
	case *quotev1.RepairStep_NextPurchase:
		return nextStep, true
	case *quotev1.RepairStep_ReturnSettled:
		return settledStep, true
	case *quotev1.RepairStep_Fitting:
		return fittingStep, true
	case *quotev1.RepairStep_Disposal:
		return disposeStep, true
	case *quotev1.RepairStep_Proof:
		return proofStep, true
	case *quotev1.RepairStep_Closing:
		return closingStep, true
	case *quotev1.RepairStep_Abandonment:
		return abandonStep, true
	}
	return stepKind{}, false
}

// Admit tells whether a step of this kind may be recorded in the state that the
// order is in, and whether it says who did the work.
func Admit(order *quotev1.RepairOrder, step *quotev1.RepairStep) error {
	var fields check.Fields
	kind, known := kindOf(step)
	if !known {
		fields.Add("step", "says nothing that was done", "one of diagnosis, quote_made, order, arrival_inspection, next_purchase, return_settled, fitting, disposal, proof, closing, abandonment")
	}
	fields.Text("step.by", step.GetBy(), maxBy, true)
	if step.GetTime() != nil {
		fields.Add("step.time", "is output only", "nothing: it is the time of recording")
	}
	if err := fields.Err(); err != nil {
		return err
	}
	switch {
	case Ended(order):
		return refused("order %s is %s: nothing changes any more", order.GetNumber(), words(order.GetState()))
	case !slices.Contains(kind.in, order.GetState()):
		return refused("order %s is %s; %s can be recorded only while it is %s; what comes next: %s", order.GetNumber(), words(order.GetState()),
			kind.name, stateList(kind.in), strings.Join(order.GetNext(), " "))
	case len(order.GetSteps()) >= MaxSteps || (len(order.GetSteps()) >= MaxSteps-10 && !Ends(step)):
		return refused("order %s has %d steps, and the last ten of %d are for ending it", order.GetNumber(), len(order.GetSteps()), MaxSteps)
	}
	return nil
}

// Ends tells whether a step brings an order to its end.
func Ends(step *quotev1.RepairStep) bool {
	switch step.GetStep().(type) {
	case *quotev1.RepairStep_ReturnSettled, *quotev1.RepairStep_Disposal, *quotev1.RepairStep_Closing, *quotev1.RepairStep_Abandonment:
		return true
	}
	return false
}

func stateList(states []quotev1.RepairOrder_State) string {
	list := make([]string, len(states))
	for i, state := range states {
		list[i] = words(state)
	}
	return strings.Join(list, " or ")
}

// items checks a list of short texts, each named once.
func (c *change) items(field string, list []string) {
	if n := len(list); n > maxItems {
		c.fields.Add(field, fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", maxItems))
		return
	}
	for i, item := range list {
		at := fmt.Sprintf("%s[%d]", field, i)
		c.fields.Text(at, item, maxItem, true)
		if slices.Contains(list[:i], item) {
			c.fields.Add(at, "is named twice", "each item once")
		}
	}
}
