package quote

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// MaxLines bounds the needs of one quote.
const MaxLines = 20

// Lines are the lines of a quote, whatever build stored it: a quote for a single
// need is one line, made of the quote's own fields. Whoever reads a quote reads
// it through here.
func Lines(q *quotev1.Quote) []*quotev1.QuoteLine {
	if len(q.GetLines()) > 0 {
		return q.GetLines()
	}
	line := &quotev1.QuoteLine{
		Need: q.GetNeed(), Labour: q.GetLabour(), Options: q.GetOptions(), Excluded: q.GetExcluded(),
		Plan: q.GetPlan(), Hold: q.GetHold(), HeldListing: q.GetHeldListing(), TradeOff: q.GetTradeOff(),
	}
	switch q.GetState() {
	case quotev1.Quote_ACCEPTED, quotev1.Quote_PARTLY_ACCEPTED:
		line.State = quotev1.QuoteLine_ACCEPTED
	case quotev1.Quote_DECLINED:
		line.State = quotev1.QuoteLine_DECLINED
	default:
	}
	return []*quotev1.QuoteLine{line}
}

// Accepted are the places, from 0, of the lines that were accepted.
func Accepted(q *quotev1.Quote) []int {
	var places []int
	for i, line := range Lines(q) {
		if line.GetState() == quotev1.QuoteLine_ACCEPTED {
			places = append(places, i)
		}
	}
	return places
}

// AllOptions are the options of all lines, in the order of the lines.
func AllOptions(q *quotev1.Quote) []*quotev1.Option {
	var all []*quotev1.Option
	for _, line := range Lines(q) {
		all = append(all, line.GetOptions()...)
	}
	return all
}

// into puts the hold of a line in its place.
func (h Held) into(q *quotev1.Quote, line int) {
	if len(q.GetLines()) == 0 {
		q.HeldListing, q.Hold = h.Listing, h.Hold
		return
	}
	q.Lines[line].HeldListing, q.Lines[line].Hold = h.Listing, h.Hold
}

// Held is a listing that is held for a line.
type Held struct {
	// Listing is its resource name.
	Listing string
	// Hold is the hold on it.
	Hold *fitmentv1.Hold
}

// SetHeld writes the holds, by the place of their line, into a quote.
func SetHeld(q *quotev1.Quote, held map[int]Held) {
	for line, h := range held {
		h.into(q, line)
	}
}
