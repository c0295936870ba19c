package repair

import (
	"cmp"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// Followed is what followed from a failed check, found out from the yard and the
// sellers.
type Followed struct {
	// Returned names the listings that parts come back under, by the place of
	// their purchase.
	Returned map[int]string
	// Dropped are places of purchases that were to be bought next and cannot be any
	// more.
	Dropped []int
	// Next are parts to be bought next.
	Next []*quotev1.Purchase
	// Notes are sentences on what was passed over, and why.
	Notes []string
}

// Follow is the order with what followed.
func Follow(order *quotev1.RepairOrder, f Followed) *quotev1.RepairOrder {
	next := proto.CloneOf(order)
	for place, name := range f.Returned {
		next.Purchases[place].ReturnedAs = name
	}
	if len(f.Dropped) > 0 {
		kept := next.GetPurchases()[:0:0]
		for i, p := range next.GetPurchases() {
			if !slices.Contains(f.Dropped, i) {
				kept = append(kept, p)
			}
		}
		next.Purchases = kept
	}
	for _, p := range f.Next {
		next.Purchases = append(next.Purchases, proto.CloneOf(p))
	}
	next.Next = sentences(next)
	for _, note := range f.Notes {
		if !slices.Contains(next.GetNext(), note) {
			next.Next = append(next.Next, note)
		}
	}
	return next
}

// Candidates are the options of a quote's line, from 1, that its plan tries and that
// were not bought on the quote yet, in the plan's order, the new part behind them. A
// listing is one part: it is bought once, on whatever quote.
func Candidates(order *quotev1.RepairOrder, bought []Bought, q *quotev1.Quote, line int32) []*quotev1.Option {
	lines := quote.Lines(q)
	if line < 1 || int(line) > len(lines) {
		return nil
	}
	var left []*quotev1.Option
	for _, option := range lines[line-1].GetOptions() {
		planned := option.GetPlanPlace() > 0 || option.GetFallback()
		had := false
		for i, p := range order.GetPurchases() {
			if p.GetSource() == option.GetSource() && (IsListing(p.GetSource()) || bought[i].Quote.GetName() == q.GetName()) {
				had = true
			}
		}
		if planned && !had {
			left = append(left, option)
		}
	}
	slices.SortStableFunc(left, func(a, b *quotev1.Option) int {
		return cmp.Compare(place(a), place(b))
	})
	return left
}

// place is an option's place in its plan; the fallback comes last.
func place(option *quotev1.Option) int32 {
	if option.GetPlanPlace() == 0 {
		return 1 << 30
	}
	return option.GetPlanPlace()
}

// IsListing tells whether a source is a listing, of which there is one part.
func IsListing(source string) bool { return strings.HasPrefix(source, "listings/") }

// Empty tells whether nothing followed that changes an order's purchases.
func (f Followed) Empty() bool { return len(f.Returned)+len(f.Dropped)+len(f.Next) == 0 }
