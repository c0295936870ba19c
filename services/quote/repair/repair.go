// Package repair keeps a shop's repair order from complaint to proof of repair: a
// state machine over recorded steps. Each step says what it needs and is refused,
// with what is missing, where that is not there. It is pure: the quote, what was
// bought and the time are arguments, and the whole order follows from its steps
// and from what they were told (Replay).
//
// A refusal is FAILED_PRECONDITION with STEP_REFUSED; a field that cannot be right
// is INVALID_ARGUMENT naming it.
package repair

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
)

// Limits on what an order may hold.
const (
	// MaxSteps bounds the steps of an order; the last ten are kept for giving it
	// up or ending what is under way.
	MaxSteps     = 300
	maxBy        = 100
	maxCustomer  = 100
	maxComplaint = 1000
	maxReason    = 1000
	maxNote      = 500
	maxProcedure = 300
	maxItem      = 200
	maxItems     = 100
	maxSeen      = 16
)

// Bought is what is known of one purchase of an order.
type Bought struct {
	// Quote is the quote on which it was bought, or is to be.
	Quote *quotev1.Quote
	// Option is what the quote says of it, and Need what it is for.
	Option *quotev1.Option
	Need   *fitmentv1.Need
}

// Facts are what a step is told beside itself.
type Facts struct {
	// Now is when it is recorded.
	Now time.Time
	// Quote is the quote that the step names, as it is now.
	Quote *quotev1.Quote
	// Fitting is what is due with the parts of quotes that do not say so, by
	// source.
	Fitting map[string]Fitting
	// Obligations are what the law asks by the decision of now on the part that is
	// bought next.
	Obligations []*fitmentv1.Obligation
	// Bought is aligned with the order's purchases.
	Bought []Bought
}

// Fitting is what is due with a part.
type Fitting struct {
	// Checks are due on arrival.
	Checks []*fitmentv1.ArrivalCheck
	// OneUse are fasteners and the like that must be new, ReplaceWith what the
	// maker wants replaced together with it.
	OneUse, ReplaceWith []string
}

// Open starts an order with the complaint; fields names what is wrong with it.
func Open(request *quotev1.CreateRepairOrderRequest, number string, now time.Time, fields *check.Fields) *quotev1.RepairOrder {
	fields.Text("customer", request.GetCustomer(), maxCustomer, false)
	fields.Text("complaint", request.GetComplaint(), maxComplaint, true)
	if v := request.GetVehicle(); v.GetVin() == "" && (v.GetMake() == "" || v.GetModel() == "") {
		fields.Add("vehicle", "does not say which vehicle", "its VIN, or make and model at least")
	}
	checkVehicle(request.GetVehicle(), "vehicle.", fields)
	order := &quotev1.RepairOrder{
		Name: Prefix + number, Number: number, State: quotev1.RepairOrder_RECEIVED,
		Vehicle: proto.CloneOf(request.GetVehicle()), Customer: request.GetCustomer(), Complaint: request.GetComplaint(),
		CreateTime: timestamppb.New(now),
	}
	order.Next = sentences(order)
	return order
}

// Prefix opens the resource name of every order.
const Prefix = "repairOrders/"

// Number is the n-th number of a year, such as R-2026-000001.
func Number(year string, n int64) string { return fmt.Sprintf("R-%s-%06d", year, n) }

// Ended tells whether nothing changes in an order any more.
func Ended(order *quotev1.RepairOrder) bool {
	return order.GetState() == quotev1.RepairOrder_CLOSED || order.GetState() == quotev1.RepairOrder_ABANDONED
}

// Next is the order with one more step. The order and the step are left alone.
func Next(order *quotev1.RepairOrder, step *quotev1.RepairStep, facts Facts) (*quotev1.RepairOrder, error) {
	if err := Admit(order, step); err != nil {
		return nil, err
	}
	if len(facts.Bought) != len(order.GetPurchases()) {
		return nil, fmt.Errorf("%s: %d purchases and facts about %d", order.GetName(), len(order.GetPurchases()), len(facts.Bought))
	}
	c := &change{order: proto.CloneOf(order), facts: facts}
	if err := c.take(step); err != nil {
		return nil, err
	}
	if err := c.fields.Err(); err != nil {
		return nil, err
	}
	kept := proto.CloneOf(step)
	kept.Time = timestamppb.New(facts.Now)
	c.order.Steps = append(c.order.GetSteps(), kept)
	c.order.Next = sentences(c.order)
	return c.order, nil
}

// change is an order in the middle of a step.
type change struct {
	order  *quotev1.RepairOrder
	facts  Facts
	fields check.Fields
}

func (c *change) take(step *quotev1.RepairStep) error {
	switch s := step.GetStep().(type) {
	case *quotev1.RepairStep_Diagnosis:
		return c.diagnose(s.Diagnosis)
	case *quotev1.RepairStep_QuoteMade:
		return c.quoteMade(s.QuoteMade)
	case *quotev1.RepairStep_Order:
		return c.ordered(s.Order)
	case *quotev1.RepairStep_ArrivalInspection:
		return c.inspect(s.ArrivalInspection)
	case *quotev1.RepairStep_NextPurchase:
		return c.buyNext(s.NextPurchase)
	case *quotev1.RepairStep_ReturnSettled:
		return c.settled(s.ReturnSettled)
	case *quotev1.RepairStep_Fitting:
		return c.fit(s.Fitting)
	case *quotev1.RepairStep_Disposal:
		return c.dispose(s.Disposal)
	case *quotev1.RepairStep_Proof:
		return c.prove(s.Proof)
	case *quotev1.RepairStep_Closing:
		return c.close(s.Closing)
	case *quotev1.RepairStep_Abandonment:
		return c.abandon(s.Abandonment)
	}
	return nil // Admit has refused what is none
}

// refused is the error of a step that the order is not ready for.
func refused(format string, args ...any) error {
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED, "%s", fmt.Sprintf(format, args...))
}

// Event is something that made an order what it is: a step with what it was told,
// or what followed from a failed check afterwards.
type Event struct {
	// Step is the step, absent where something followed.
	Step *quotev1.RepairStep
	// Facts are those of the step.
	Facts Facts
	// Followed is what followed, where there is no step.
	Followed Followed
}

// Replay makes an order again out of what made it.
func Replay(opened *quotev1.RepairOrder, events []Event) (*quotev1.RepairOrder, error) {
	order := proto.CloneOf(opened)
	for i, event := range events {
		if event.Step == nil {
			order = Follow(order, event.Followed)
			continue
		}
		next, err := Next(order, event.Step, event.Facts)
		if err != nil {
			return nil, fmt.Errorf("event %d: %w", i+1, err)
		}
		order = next
	}
	return order, nil
}

// find is the first purchase of a source in one of these states; -1 where there
// is none.
func find(order *quotev1.RepairOrder, source string, states ...quotev1.Purchase_State) int {
	return slices.IndexFunc(order.GetPurchases(), func(p *quotev1.Purchase) bool {
		return p.GetSource() == source && slices.Contains(states, p.GetState())
	})
}

// Find is the purchase that a step about this source in this state is about; -1
// where there is none.
func Find(order *quotev1.RepairOrder, source string, state quotev1.Purchase_State) int {
	return find(order, source, state)
}

// in lists the sources of the purchases in one of these states.
func in(order *quotev1.RepairOrder, states ...quotev1.Purchase_State) []string {
	var sources []string
	for _, p := range order.GetPurchases() {
		if slices.Contains(states, p.GetState()) {
			sources = append(sources, p.GetSource())
		}
	}
	return sources
}

// words makes an enum's value readable.
func words(value fmt.Stringer) string {
	return strings.ToLower(strings.ReplaceAll(value.String(), "_", " "))
}

// loopKey tells the part of one place in a vehicle from others.
type loopKey struct {
	kind fitmentv1.Part_Kind
	row  int32
	side fitmentv1.Position_Side
}

func keyOf(kind fitmentv1.Part_Kind, position *fitmentv1.Position) loopKey {
	return loopKey{kind, position.GetRow(), position.GetSide()}
}

func (k loopKey) String() string {
	text := words(k.kind)
	if k.row != 0 {
		text += fmt.Sprintf(" row %d", k.row)
	}
	if k.side != fitmentv1.Position_SIDE_UNSPECIFIED {
		text += " " + words(k.side)
	}
	return text
}
