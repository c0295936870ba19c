package repair

import (
	"fmt"
	"slices"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/quote"
)

// inspect records the check of a part that arrived. Every check that is due is
// answered once; one that failed sends the part back, and then others may be left
// undone.
func (c *change) inspect(s *quotev1.ArrivalInspection) error {
	at := find(c.order, s.GetSource(), quotev1.Purchase_BOUGHT)
	if at < 0 {
		return c.notIn(s.GetSource(), "to arrive", quotev1.Purchase_BOUGHT)
	}
	p := c.order.GetPurchases()[at]
	if n := len(s.GetEvidence()); n > maxSeen {
		c.fields.Add("step.arrival_inspection.evidence", fmt.Sprintf("has %d statements", n), fmt.Sprintf("at most %d", maxSeen))
	}
	failed := c.answered(p, s)
	if !c.fields.OK() {
		return nil
	}
	if len(failed) == 0 {
		p.State = quotev1.Purchase_PASSED
		if len(s.GetEvidence()) > 0 {
			c.fields.Add("step.arrival_inspection.evidence", "is for a part that goes back", "nothing where every check passed")
		}
	} else {
		p.State, p.RefundDue = quotev1.Purchase_RETURNING, Refund(c.facts.Bought[at].Option)
	}
	c.settle()
	return nil
}

// answered checks that each check due is answered once, and left undone only where
// another one failed. It returns those that failed.
func (c *change) answered(p *quotev1.Purchase, s *quotev1.ArrivalInspection) (failed []string) {
	const field = "step.arrival_inspection.results"
	due := make(map[string]bool, len(p.GetArrivalChecks()))
	for _, one := range p.GetArrivalChecks() {
		due[one.GetCheck()] = true
	}
	if len(s.GetResults()) > maxItems {
		c.fields.Add(field, fmt.Sprintf("has %d results", len(s.GetResults())), fmt.Sprintf("one for each of the %d checks", len(due)))
		return nil
	}
	for i, result := range s.GetResults() {
		at := fmt.Sprintf("%s[%d].", field, i)
		switch open, known := due[result.GetCheck()]; {
		case !known:
			c.fields.Add(at+"check", fmt.Sprintf("%.80q is none of the checks due", result.GetCheck()), "a check as the purchase words it")
		case !open:
			c.fields.Add(at+"check", fmt.Sprintf("%.80q is answered twice", result.GetCheck()), "each check once")
		}
		due[result.GetCheck()] = false
		c.fields.Text(at+"note", result.GetNote(), maxNote, false)
	}
	failed, _ = Failed(s)
	c.undone(field, s.GetResults(), len(failed) > 0)
	for _, one := range p.GetArrivalChecks() {
		if due[one.GetCheck()] {
			c.fields.Add(field, fmt.Sprintf("%.120q is not answered", one.GetCheck()), "a result for each check that is due")
			due[one.GetCheck()] = false
		}
	}
	return failed
}

// undone refuses checks that were not done where no other one failed, or that are
// said to have passed.
func (c *change) undone(field string, results []*quotev1.CheckResult, failed bool) {
	for i, result := range results {
		at := fmt.Sprintf("%s[%d].not_done", field, i)
		switch {
		case !result.GetNotDone():
		case result.GetPassed():
			c.fields.Add(at, "stands beside passed", "one of the two: what was not done has not passed")
		case !failed:
			c.fields.Add(at, "is set, and no check failed", "passed or failed: a check may be left undone only once another one has failed")
		}
	}
}

// Failed are the checks of an inspection that failed, and what was noted of them.
// What was not done has neither passed nor failed.
func Failed(s *quotev1.ArrivalInspection) (checks []string, note string) {
	for _, result := range s.GetResults() {
		if result.GetPassed() || result.GetNotDone() {
			continue
		}
		checks = append(checks, result.GetCheck())
		if result.GetNote() != "" {
			if note != "" {
				note += " "
			}
			note += result.GetNote()
		}
	}
	return checks, note
}

// settle finds the state of an order whose parts are bought or arrive.
func (c *change) settle() {
	if s := c.order.GetState(); s != quotev1.RepairOrder_ORDERED && s != quotev1.RepairOrder_TO_BUY_NEXT {
		return // it is diagnosed or quoted anew meanwhile
	}
	switch {
	case len(Lacking(c.order, c.facts.Bought)) > 0, len(in(c.order, quotev1.Purchase_NEXT)) > 0:
		c.order.State = quotev1.RepairOrder_TO_BUY_NEXT
	case len(in(c.order, quotev1.Purchase_BOUGHT)) > 0:
		c.order.State = quotev1.RepairOrder_ORDERED
	default:
		c.order.State = quotev1.RepairOrder_ARRIVED
	}
}

// Lacking are the lines of the order's quote, from 1, of which every part bought
// went back and nothing is chosen to be bought next.
func Lacking(order *quotev1.RepairOrder, bought []Bought) []int32 {
	alive := make(map[int32]bool)
	var lines []int32
	for i, p := range order.GetPurchases() {
		if bought[i].Quote.GetName() != order.GetQuote() {
			continue
		}
		if !slices.Contains(lines, p.GetLine()) {
			lines = append(lines, p.GetLine())
		}
		if p.GetState() != quotev1.Purchase_RETURNING && p.GetState() != quotev1.Purchase_RETURNED {
			alive[p.GetLine()] = true
		}
	}
	return slices.DeleteFunc(lines, func(line int32) bool { return alive[line] })
}

// notIn refuses a step about a part that is not where the step needs it.
func (c *change) notIn(source, what string, state quotev1.Purchase_State) error {
	sources := in(c.order, state)
	if len(sources) == 0 {
		return refused("order %s has no part %s", c.order.GetNumber(), what)
	}
	return refused("%.80q is no part of order %s %s; that is true of: %s", source, c.order.GetNumber(), what, names(sources))
}

// buyNext records that the plan's next part was bought; whoever records it has
// bought it.
func (c *change) buyNext(s *quotev1.NextPurchase) error {
	at := find(c.order, s.GetSource(), quotev1.Purchase_NEXT)
	if at < 0 {
		return c.notIn(s.GetSource(), "to be bought next", quotev1.Purchase_NEXT)
	}
	p, about := c.order.GetPurchases()[at], c.facts.Bought[at]
	if err := Allowed(c.order, c.facts.Bought, p.GetLine(), about.Option, about.Quote); err != nil {
		return err
	}
	option := &quotev1.Option{Condition: about.Option.GetCondition(), Obligations: c.facts.Obligations}
	if consent := quote.ConsentMissing(option, about.Quote.GetAuthorization()); consent != "" {
		return refused("the customer's authorisation of %s does not give what the law asks for before %s is bought: %s; a new quote with it is needed",
			about.Quote.GetName(), p.GetSource(), consent)
	}
	p.State = quotev1.Purchase_BOUGHT
	c.settle()
	return nil
}

// Allowed refuses what the customer did not allow to be spent.
func Allowed(order *quotev1.RepairOrder, bought []Bought, line int32, next *quotev1.Option, q *quotev1.Quote) error {
	pays, most, limited := Allowance(bought, order, line, next, q)
	if limited && pays > most {
		currency := q.GetCurrencyCode()
		return refused("buying %s would bring the work to %s %s, and the customer allowed %s: a new quote and a new authorisation are needed (recording another diagnosis or quote takes this purchase back)",
			next.GetSource(), amount.Format(pays, currency), currency, amount.Format(most, currency))
	}
	return nil
}

// settled records the end of a return.
func (c *change) settled(s *quotev1.ReturnSettled) error {
	at := find(c.order, s.GetSource(), quotev1.Purchase_RETURNING)
	if at < 0 {
		return c.notIn(s.GetSource(), "on its way back", quotev1.Purchase_RETURNING)
	}
	p := c.order.GetPurchases()[at]
	if Unreported(p) {
		return refused("the yard is not told yet that %s comes back; repeat this once the fitment service answers", p.GetSource())
	}
	c.fields.Int("step.return_settled.refunded", s.GetRefunded(), 0, amount.Max)
	c.fields.Text("step.return_settled.note", s.GetNote(), maxNote, false)
	p.State = quotev1.Purchase_RETURNED
	return nil
}

// Unreported tells whether a part that goes back is a listing whose yard is not
// told yet.
func Unreported(p *quotev1.Purchase) bool {
	return p.GetState() == quotev1.Purchase_RETURNING && IsListing(p.GetSource()) && p.GetReturnedAs() == ""
}
