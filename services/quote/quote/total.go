package quote

import (
	"fmt"
	"slices"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/working"
)

// sharedFreight names the working that says how much of an option's freight is
// charged once for all parts of its seller, where that is not all of it.
const sharedFreight = "freight charged once"

// Bill is what a total is made of. Amounts are minor units.
type Bill struct {
	// Currency of every amount.
	Currency string
	// Bought are the lines' first purchases.
	Bought []*quotev1.Option
	// Supplies are itemised; empty where the options carry a percentage of labour.
	Supplies []*quotev1.SupplyLine
	// Rate is the tax rate, and Pack the rules of the place that counts.
	Rate money.Percent
	Pack tax.Pack
}

// Total adds up what the customer pays where each line's first purchase passes:
// freight and handling of dangerous goods once for each seller, the highest of its
// parts', with what weight adds for each part; tax by the rules of the place.
func Total(b Bill) (*quotev1.QuoteTotal, []working.Step, error) {
	t := &tally{bill: b, total: &quotev1.QuoteTotal{}}
	for _, part := range []func() error{t.goods, t.carriage, t.work, t.supplies, t.tax, t.all} {
		if err := part(); err != nil {
			return nil, nil, fmt.Errorf("total: %w", err)
		}
	}
	return t.total, t.steps, nil
}

// tally works out a total part by part.
type tally struct {
	bill    Bill
	total   *quotev1.QuoteTotal
	charges []tax.Charge
	steps   []working.Step
}

// sum adds the charges of one kind, one an option.
func (t *tally) sum(into *int64, number string, kind tax.Line, of func(*quotev1.Option) int64) error {
	values := make([]int64, 0, len(t.bill.Bought))
	for _, option := range t.bill.Bought {
		if value := of(option); value != 0 {
			values = append(values, value)
		}
	}
	return t.add(into, number, kind, values)
}

func (t *tally) add(into *int64, number string, kind tax.Line, values []int64) error {
	total, err := money.Sum(values...)
	if err != nil {
		return fmt.Errorf("%s: %w", number, err)
	}
	*into = total
	for _, value := range values {
		if kind != "" {
			t.charges = append(t.charges, tax.Charge{Line: kind, Amount: value})
		}
	}
	if total != 0 && len(values) > 1 {
		t.steps = append(t.steps, working.Sum(number, t.bill.Currency, total, values...))
	}
	return nil
}

func (t *tally) goods() error {
	if err := t.sum(&t.total.Parts, "parts", tax.Part, (*quotev1.Option).GetPrice); err != nil {
		return err
	}
	if err := t.sum(&t.total.CoreDeposits, "core deposits", tax.Core, (*quotev1.Option).GetCoreDeposit); err != nil {
		return err
	}
	return t.sum(&t.total.CoreRefunds, "core refunds", "", (*quotev1.Option).GetCoreRefund)
}

// carriage charges each seller's freight and handling once.
func (t *tally) carriage() error {
	freight, handling, err := t.once()
	if err != nil {
		return err
	}
	if err := t.add(&t.total.Freight, "freight", tax.Freight, freight); err != nil {
		return err
	}
	return t.add(&t.total.Handling, "handling", tax.Handling, handling)
}

// once lists freight and handling, each not 0, by seller.
func (t *tally) once() (freight, handling []int64, err error) {
	sellers, err := carried(t.bill.Bought, t.bill.Currency)
	if err != nil {
		return nil, nil, err
	}
	for _, seller := range sellers {
		if seller.freight > 0 {
			freight = append(freight, seller.freight)
		}
		if seller.handling > 0 {
			handling = append(handling, seller.handling)
		}
		if n := len(seller.places); n > 1 && seller.freight > 0 {
			name := t.bill.Bought[seller.places[0]].GetSeller()
			step := working.Sum("freight of "+name, t.bill.Currency, seller.freight, seller.terms...)
			step.Formula += fmt.Sprintf(", once for %d parts", n)
			t.steps = append(t.steps, step)
		}
	}
	return freight, handling, nil
}

// carriage is what a seller charges for sending all of its parts.
type carriage struct {
	// places are those of its parts in what is bought.
	places []int
	// freight is the sum of terms: what is charged once, and what weight adds for each
	// part; handling is charged once.
	freight, handling int64
	terms             []int64
}

// carried works out each seller's charges, in the order of what is bought, where nil
// is nothing.
func carried(bought []*quotev1.Option, currency string) ([]*carriage, error) {
	of := make(map[string]*carriage)
	var sellers []*carriage
	for place, option := range bought {
		if option == nil {
			continue
		}
		key := sellerKey(option.GetSource())
		seller := of[key]
		if seller == nil {
			seller = &carriage{terms: []int64{0}}
			of[key], sellers = seller, append(sellers, seller)
		}
		once := shared(option, currency)
		seller.places = append(seller.places, place)
		seller.terms[0] = max(seller.terms[0], once)
		seller.handling = max(seller.handling, option.GetHandling())
		if byWeight := option.GetFreight() - once; byWeight > 0 {
			seller.terms = append(seller.terms, byWeight)
		}
	}
	for _, seller := range sellers {
		var err error
		if seller.freight, err = money.Sum(seller.terms...); err != nil {
			return nil, fmt.Errorf("freight: %w", err)
		}
	}
	return sellers, nil
}

func (t *tally) work() error {
	if err := t.sum(&t.total.CheckLabour, "labour of the checks", tax.CheckLabour, (*quotev1.Option).GetCheckLabour); err != nil {
		return err
	}
	return t.sum(&t.total.FitLabour, "labour of fitting", tax.FitLabour, (*quotev1.Option).GetFitLabour)
}

func (t *tally) supplies() error {
	if len(t.bill.Supplies) == 0 {
		return t.sum(&t.total.Supplies, "supplies", tax.Supplies, (*quotev1.Option).GetSupplies)
	}
	values := make([]int64, 0, len(t.bill.Supplies))
	for _, item := range t.bill.Supplies {
		values = append(values, item.GetAmount())
	}
	return t.add(&t.total.Supplies, "supplies", tax.Supplies, values)
}

func (t *tally) tax() error {
	value, steps, err := t.bill.Pack.On("tax", t.bill.Rate, t.bill.Currency, t.charges)
	if err != nil {
		return err //nolint:wrapcheck // On names it
	}
	if t.total.Tax = value; value != 0 {
		t.steps = append(t.steps, steps...)
	}
	return nil
}

func (t *tally) all() error {
	terms := slices.DeleteFunc([]int64{
		t.total.GetParts(), t.total.GetCoreDeposits(), t.total.GetTax(), t.total.GetFreight(), t.total.GetHandling(),
		t.total.GetFitLabour(), t.total.GetCheckLabour(), t.total.GetSupplies(),
	}, func(term int64) bool { return term == 0 })
	var err error
	if t.total.Total, err = money.Sum(terms...); err != nil {
		return err //nolint:wrapcheck // Total names it
	}
	t.steps = append(t.steps, working.Sum("total", t.bill.Currency, t.total.GetTotal(), terms...))
	return nil
}

// shared is how much of an option's freight is charged once for all parts of its
// seller: all of it, unless its weight adds some.
func shared(option *quotev1.Option, currency string) int64 {
	for _, step := range option.GetWorkings() {
		if step.GetNumber() != sharedFreight {
			continue
		}
		if value, err := amount.Parse(step.GetValue(), currency); err == nil && value <= option.GetFreight() {
			return value
		}
	}
	return option.GetFreight()
}

// noteShared keeps how much of a candidate's freight is charged once.
func (c *candidate) noteShared(currency string) {
	if c.perKilogram == 0 {
		return
	}
	base := amount.Format(c.base, currency)
	c.option.Workings = append(c.option.Workings, &quotev1.Working{
		Number: sharedFreight, Formula: base + ", whatever the weight", Value: base, Source: "the seller's terms",
	})
}

// sellerKey tells sellers apart: a yard and a supplier of the same name are two.
func sellerKey(source string) string {
	key, _, _ := strings.Cut(source, ".")
	return key
}

// TotalOf is the total of some lines of a stored quote, places from 0.
func TotalOf(q *quotev1.Quote, places []int, pack tax.Pack) (*quotev1.QuoteTotal, error) {
	lines := Lines(q)
	if len(places) == len(lines) && q.GetTotal() != nil {
		return q.GetTotal(), nil
	}
	rate, err := money.ParsePercent(q.GetTaxPercent())
	if err != nil {
		return nil, fmt.Errorf("tax rate of %s: %w", q.GetName(), err)
	}
	bill := Bill{Currency: q.GetCurrencyCode(), Supplies: q.GetSupplies(), Rate: rate, Pack: pack}
	for _, place := range places {
		if option := FirstBuy(lines[place].GetOptions()); option != nil {
			bill.Bought = append(bill.Bought, option)
		}
	}
	total, _, err := Total(bill)
	return total, err
}
