package repair

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/working"
)

// quoteMade records the quote that the work is to be done on.
func (c *change) quoteMade(s *quotev1.QuoteMade) error {
	q := c.facts.Quote
	if err := c.suits("step.quote_made.quote", s.GetQuote(), q); err != nil {
		return err
	}
	switch q.GetState() {
	case quotev1.Quote_OPEN, quotev1.Quote_ACCEPTED, quotev1.Quote_PARTLY_ACCEPTED:
	default:
		return refused("quote %s is %s: a quote that is open or accepted is needed", q.GetName(), words(q.GetState()))
	}
	c.drop()
	c.order.Quote, c.order.State = q.GetName(), quotev1.RepairOrder_QUOTED
	return nil
}

// suits holds a quote against the order: the same vehicle, and nothing that the
// diagnosis does not name.
func (c *change) suits(field, name string, q *quotev1.Quote) error {
	if q == nil || q.GetName() != name {
		c.fields.Add(field, fmt.Sprintf("%.80q is no quote of yours", name), "a name such as quotes/Q-2026-000001")
		return c.fields.Err()
	}
	for _, step := range c.order.GetSteps() {
		if step.GetOrder().GetQuote() == name {
			return refused("the parts of quote %s are ordered already on this order", name)
		}
	}
	for i, line := range quote.Lines(q) {
		need := line.GetNeed()
		if difference := OtherVehicle(c.order.GetVehicle(), need.GetVehicle()); difference != "" {
			c.fields.Add(field, "is for another vehicle: "+difference, "a quote for the order's vehicle")
			break
		}
		key := keyOf(need.GetKind(), need.GetPosition())
		if !slices.ContainsFunc(c.order.GetNeeds(), func(own *fitmentv1.Need) bool { return keyOf(own.GetKind(), own.GetPosition()) == key }) {
			c.fields.Add(field, fmt.Sprintf("its line %d is for a %s, which the diagnosis does not name", i+1, key), "a quote for what the vehicle lacks, or another diagnosis first")
		}
	}
	return c.fields.Err()
}

// ordered records that the customer has allowed the work: the first purchase of
// every line that was accepted is bought.
func (c *change) ordered(s *quotev1.Order) error {
	if s.GetQuote() != c.order.GetQuote() {
		c.fields.Add("step.order.quote", fmt.Sprintf("%.80q is not the order's quote", s.GetQuote()), c.order.GetQuote()+", or record that the work is quoted on the other one first")
		return nil
	}
	q := c.facts.Quote
	if err := c.suits("step.order.quote", s.GetQuote(), q); err != nil {
		return err
	}
	if state := q.GetState(); state != quotev1.Quote_ACCEPTED && state != quotev1.Quote_PARTLY_ACCEPTED {
		return refused("quote %s is %s: it is accepted first, with the customer's authorisation", q.GetName(), words(state))
	}
	lines := quote.Lines(q)
	for _, place := range quote.Accepted(q) {
		option := quote.FirstBuy(lines[place].GetOptions())
		if option == nil {
			return refused("line %d of quote %s buys nothing", place+1, q.GetName())
		}
		c.add(Purchase(q, place, option, c.facts.Fitting[option.GetSource()], quotev1.Purchase_BOUGHT), Bought{q, option, lines[place].GetNeed()})
	}
	c.order.State = quotev1.RepairOrder_ORDERED
	return nil
}

func (c *change) add(p *quotev1.Purchase, about Bought) {
	c.order.Purchases = append(c.order.GetPurchases(), p)
	c.facts.Bought = append(slices.Clone(c.facts.Bought), about)
}

// Purchase is a part of a quote's line, places from 0, as the order keeps it. What
// is due with it is what the quote says, or else the given.
func Purchase(q *quotev1.Quote, place int, option *quotev1.Option, due Fitting, state quotev1.Purchase_State) *quotev1.Purchase {
	p := &quotev1.Purchase{
		Source: option.GetSource(), Line: int32(place) + 1, State: state, CurrencyCode: q.GetCurrencyCode(),
		ArrivalChecks: option.GetArrivalChecks(), OneUse: option.GetOneUse(), ReplaceWith: option.GetReplaceWith(),
		WarrantyDays: option.GetWarrantyDays(),
	}
	if len(p.GetArrivalChecks()) == 0 {
		p.ArrivalChecks, p.OneUse, p.ReplaceWith = due.Checks, due.OneUse, due.ReplaceWith
	}
	if len(p.GetArrivalChecks()) == 0 {
		p.ArrivalChecks = leastChecks()
	}
	return proto.CloneOf(p)
}

// leastChecks are due with a part of which nobody says what is: no part passes
// unseen.
func leastChecks() []*fitmentv1.ArrivalCheck {
	const source = "common practice, no source"
	return []*fitmentv1.ArrivalCheck{
		{Check: "Read the part's own label.", Pass: "Maker and number are those ordered, and the label is the part's own and undamaged.", Source: source},
		{Check: "Look for damage, dirt, water and missing pieces.", Pass: "There are none.", Source: source},
	}
}

// Refund is what a seller's terms promise for a part that goes back: price, deposit
// and the tax on them, less what the terms keep (restocking and the freight of the
// return). Freight, handling and labour are spent.
func Refund(option *quotev1.Option) int64 {
	return max(option.GetPrice()+option.GetCoreDeposit()+option.GetTax()-option.GetReturnLoss(), 0)
}

// RefundName says what a refund is: what the seller's terms charge is off already.
const RefundName = "refund due after return freight and restocking"

// RefundWorking says how a refund in this currency came about.
func RefundWorking(option *quotev1.Option, currency string) working.Step {
	step := working.Sum(RefundName, currency, Refund(option), option.GetPrice(), option.GetCoreDeposit(), option.GetTax())
	step.Formula += " − " + working.Term(option.GetReturnLoss(), currency)
	if option.GetPrice()+option.GetCoreDeposit()+option.GetTax() < option.GetReturnLoss() {
		step.Formula = working.Term(0, currency) + ", since the terms keep more than was paid"
	}
	step.Source = "price, deposit and their tax, less what the seller's terms charge for return freight and restocking"
	return step
}

// Allowance says whether buying this option next stays within what the customer
// allowed: what they pay if it passes, and the most they allowed, which is what was
// accepted where nothing more is on record. Limited is false where no customer is
// named and no authorisation recorded: the business spends its own money.
//
// What failed before it on the same line counts with what is lost on it: neither the
// labour of fitting it nor supplies were spent on it.
func Allowance(bought []Bought, order *quotev1.RepairOrder, line int32, next *quotev1.Option, q *quotev1.Quote) (pays, most int64, limited bool) {
	for _, place := range quote.Accepted(q) {
		pays += quote.FirstBuy(quote.Lines(q)[place].GetOptions()).GetLandedCost()
	}
	if total := q.GetTotal().GetTotal(); q.GetState() == quotev1.Quote_ACCEPTED && total > 0 {
		pays = total
	}
	most = pays
	if up := q.GetAuthorization().GetUpTo(); up > 0 {
		most = up
	}
	first := true
	for i, p := range order.GetPurchases() {
		if p.GetLine() != line || bought[i].Quote.GetName() != q.GetName() || p.GetState() == quotev1.Purchase_NEXT {
			continue
		}
		option := bought[i].Option
		if first {
			pays -= option.GetLandedCost()
			first = false
		}
		pays += option.GetLandedCost() - option.GetFitLabour() - option.GetSupplies() - Refund(option)
	}
	limited = q.GetAuthorization() != nil || q.GetCustomer() != "" || order.GetCustomer() != ""
	return pays + next.GetLandedCost(), most, limited
}

// names joins sources for a sentence.
func names(sources []string) string { return strings.Join(sources, ", ") }
