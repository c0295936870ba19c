package document

import (
	"fmt"
	"math/big"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// SumError says that the amounts of a quote do not add up to its total. Such a
// quote is broken and is not printed.
type SumError struct {
	// Quote is its resource name.
	Quote string
}

// Error implements error.
func (e *SumError) Error() string {
	return fmt.Sprintf("the amounts of %s do not add up to its total; it is not printed", e.Quote)
}

// sumsOf is what the customer pays if each line's first purchase passes: what
// the quote says, or, where it was made before quotes said so, what its first
// purchases come to. It fails where the amounts do not add up.
func sumsOf(q *quotev1.Quote) (*quotev1.QuoteTotal, error) {
	t := q.GetTotal()
	if t == nil {
		t = &quotev1.QuoteTotal{}
		for _, line := range quote.Lines(q) {
			add(t, quote.FirstBuy(line.GetOptions()))
		}
	}
	return t, addsUp(q, t)
}

// addsUp tells whether a total is the sum of its parts.
func addsUp(q *quotev1.Quote, t *quotev1.QuoteTotal) error {
	sum := new(big.Int)
	for _, part := range []int64{
		t.GetParts(), t.GetCoreDeposits(), t.GetTax(), t.GetFreight(), t.GetHandling(), t.GetFitLabour(), t.GetCheckLabour(), t.GetSupplies(),
	} {
		sum.Add(sum, big.NewInt(part))
	}
	if !sum.IsInt64() || sum.Int64() != t.GetTotal() {
		return &SumError{Quote: q.GetName()}
	}
	return nil
}

// add adds an option's amounts, which were checked when it was weighed, so that
// twenty of them stay far below what an int64 holds.
func add(t *quotev1.QuoteTotal, o *quotev1.Option) {
	t.Parts += o.GetPrice()
	t.CoreDeposits += o.GetCoreDeposit()
	t.Tax += o.GetTax()
	t.Freight += o.GetFreight()
	t.Handling += o.GetHandling()
	t.FitLabour += o.GetFitLabour()
	t.CheckLabour += o.GetCheckLabour()
	t.Supplies += o.GetSupplies()
	t.Total += o.GetLandedCost()
	t.CoreRefunds += o.GetCoreRefund()
}
