package books

import (
	"fmt"
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/working"
)

// accepted tells whether entries may be booked on a quote in this state.
func accepted(state quotev1.Quote_State) bool {
	return state == quotev1.Quote_ACCEPTED || state == quotev1.Quote_PARTLY_ACCEPTED
}

// Booked tells whether entries may be booked on a quote.
func Booked(q *quotev1.Quote) bool { return accepted(q.GetState()) }

// lines are the quote's accepted lines.
func lines(q *quotev1.Quote) []*quotev1.QuoteLine {
	all, places := quote.Lines(q), quote.Accepted(q)
	counted := make([]*quotev1.QuoteLine, len(places))
	for i, place := range places {
		counted[i] = all[place]
	}
	return counted
}

// part is a source on the accepted lines.
type part struct {
	option *quotev1.Option
	kind   fitmentv1.Part_Kind
	first  int // lines whose plan buys it first
	lines  int // lines that offer it: several may buy the same supplier's item
}

// parts are all sources of the accepted lines, in their order.
func parts(q *quotev1.Quote) []*part {
	var all []*part
	found := make(map[string]*part)
	for _, line := range lines(q) {
		first := quote.FirstBuy(line.GetOptions())
		for _, option := range line.GetOptions() {
			p := found[option.GetSource()]
			if p == nil {
				p = &part{option: option, kind: line.GetNeed().GetKind()}
				found[option.GetSource()] = p
				all = append(all, p)
			}
			p.lines++
			if option == first {
				p.first++
			}
		}
	}
	return all
}

// partOf is the source on the accepted lines; nil where none offers it.
func partOf(q *quotev1.Quote, source string) *part {
	for _, p := range parts(q) {
		if p.option.GetSource() == source {
			return p
		}
	}
	return nil
}

// quoted is what the lines that count came to when they were quoted.
type quoted struct {
	terms                       []int64 // what the total is the sum of
	total, fit, check, supplies int64
}

// total is what the accepted lines came to and, of a quote that is not accepted, all
// of them: as the quote says or, where only some of its lines count, as it says of
// those, freight that several lines share once.
// Quotes that were stored before quotes had a total are for one need, whose first
// purchase says it. Pack are the tax rules of the quote's place.
func total(q *quotev1.Quote, pack tax.Pack) (quoted, error) {
	if q.GetTotal() == nil && len(q.GetLines()) == 0 {
		return landed(quote.FirstBuy(q.GetOptions())), nil
	}
	places := quote.Accepted(q)
	if !accepted(q.GetState()) {
		places = everyPlace(q)
	}
	t, err := quote.TotalOf(q, places, pack)
	if err != nil {
		return quoted{}, err
	}
	return quoted{
		terms: []int64{
			t.GetParts(), t.GetCoreDeposits(), t.GetTax(), t.GetFreight(), t.GetHandling(),
			t.GetFitLabour(), t.GetCheckLabour(), t.GetSupplies(),
		},
		total: t.GetTotal(), fit: t.GetFitLabour(), check: t.GetCheckLabour(), supplies: t.GetSupplies(),
	}, nil
}

// everyPlace is the places of all lines, from 0.
func everyPlace(q *quotev1.Quote) []int {
	places := make([]int, len(quote.Lines(q)))
	for place := range places {
		places[place] = place
	}
	return places
}

// landed is what one purchase came to; nothing where there is none.
func landed(first *quotev1.Option) quoted {
	return quoted{
		terms: parcels(first), total: first.GetLandedCost(),
		fit: first.GetFitLabour(), check: first.GetCheckLabour(), supplies: first.GetSupplies(),
	}
}

// parcels are what a landed cost is made of, or it alone where the option's own
// amounts do not make it up.
func parcels(o *quotev1.Option) []int64 {
	all := []int64{
		o.GetPrice(), o.GetCoreDeposit(), o.GetTax(), o.GetFreight(), o.GetHandling(), o.GetFitLabour(), o.GetCheckLabour(), o.GetSupplies(),
	}
	if sum, err := money.Sum(all...); err != nil || sum != o.GetLandedCost() {
		return []int64{o.GetLandedCost()}
	}
	return all
}

// margin is what the quote expected the shop to keep: its labour and supplies.
func (s quoted) margin() int64 { return s.fit + s.check + s.supplies }

// workings say how the quoted total and the expected margin came about.
func (s quoted) workings(currency string) []working.Step {
	return []working.Step{
		working.Sum("quoted", currency, s.total, some(s.terms...)...),
		working.Sum("expected margin", currency, s.margin(), some(s.fit, s.check, s.supplies)...),
	}
}

// some are the terms that add anything.
func some(terms ...int64) []int64 {
	return slices.DeleteFunc(terms, func(term int64) bool { return term == 0 })
}

// working says how the margin came about.
func (s Sums) working(currency string) working.Step {
	cash := func(value int64) string { return working.Term(value, currency) }
	return working.Step{
		Number: "margin",
		Formula: fmt.Sprintf("%s − %s − %s + (%s + %s)", cash(s.Received), cash(s.Credited), cash(s.Paid),
			cash(s.Refunded), cash(s.CoreReturned)),
		Value: amount.Format(s.Margin(), currency),
	}
}
