package quote

import (
	"fmt"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/money"
)

// Share is a line's part of what the customer pays, minor units.
type Share struct {
	// Freight and Handling are its parts of what its seller charges once.
	Freight, Handling int64
	// Tax is its part of the tax, which is rounded for the whole quote.
	Tax int64
	// Total is all that the line comes to. The lines' add up to the quote's total.
	Total int64
}

// Shares splits the total of a stored quote among its lines: what a seller charges
// once by what each of its parts would be charged alone, and the tax likewise, each
// to the last unit (money.Allocate). Everything else is the line's own. A quote
// without a total, because nothing may be bought for one of its lines or because it
// was stored before quotes had one, has nothing to split.
func Shares(q *quotev1.Quote) ([]Share, error) {
	lines := Lines(q)
	shares := make([]Share, len(lines))
	bought := make([]*quotev1.Option, len(lines))
	for i, line := range lines {
		o := FirstBuy(line.GetOptions())
		bought[i] = o
		shares[i] = Share{Freight: o.GetFreight(), Handling: o.GetHandling(), Tax: o.GetTax()}
	}
	if q.GetTotal() != nil {
		if err := split(shares, bought, q); err != nil {
			return nil, fmt.Errorf("the lines' shares of %s: %w", q.GetName(), err)
		}
	}
	for i, o := range bought {
		var err error
		s := &shares[i]
		s.Total, err = money.Sum(o.GetPrice(), o.GetCoreDeposit(), o.GetFitLabour(), o.GetCheckLabour(), o.GetSupplies(), s.Freight, s.Handling, s.Tax)
		if err != nil {
			return nil, fmt.Errorf("the share of line %d of %s: %w", i+1, q.GetName(), err)
		}
	}
	return shares, nil
}

// split shares out what is charged once.
func split(shares []Share, bought []*quotev1.Option, q *quotev1.Quote) error {
	sellers, err := carried(bought, q.GetCurrencyCode())
	if err != nil {
		return err
	}
	for _, seller := range sellers {
		freight := func(s *Share) *int64 { return &s.Freight }
		if err := allot(shares, seller.places, seller.freight, freight); err != nil {
			return err
		}
		handling := func(s *Share) *int64 { return &s.Handling }
		if err := allot(shares, seller.places, seller.handling, handling); err != nil {
			return err
		}
	}
	all := make([]int, 0, len(bought))
	taxed := false
	for i, o := range bought {
		all = append(all, i)
		taxed = taxed || o.GetTax() > 0
	}
	if !taxed { // each by itself is rounded to nothing
		for i, o := range bought {
			shares[i].Tax = o.GetLandedCost()
		}
	}
	return allot(shares, all, q.GetTotal().GetTax(), func(s *Share) *int64 { return &s.Tax })
}

// allot puts shares of an amount in the place of the lines' own charges, which are
// its weights.
func allot(shares []Share, places []int, total int64, of func(*Share) *int64) error {
	weights := make([]int64, len(places))
	for i, place := range places {
		weights[i] = *of(&shares[place])
	}
	parts := make([]int64, len(places))
	if total != 0 {
		var err error
		if parts, err = money.Allocate(total, weights); err != nil {
			return err //nolint:wrapcheck // Shares names it
		}
	}
	for i, place := range places {
		*of(&shares[place]) = parts[i]
	}
	return nil
}
