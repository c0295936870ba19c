// Package books keeps what was really paid against what was quoted: what may be
// booked on a quote, what a quote's bookings come to, which deposits on old parts
// are out, and the rows of a ledger. It is pure: quotes, entries and the day are
// arguments.
//
// Entries are never changed; a wrong one is taken back by a reversal. What counts
// is what neither is a reversal nor has one.
package books

import (
	"fmt"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/money"
)

// MaxEntries is how many entries one quote may have.
const MaxEntries = 500

// Sums are amounts of one quote, or of one of its sources, in minor units.
type Sums struct {
	// Received is what the customer paid, Credited what was credited to them.
	Received, Credited int64
	// Paid is what sellers were paid, Refunded what they paid back without
	// deposits.
	Paid, Refunded int64
	// CoreReturned are deposits that came back, CoreForfeited those that never
	// will.
	CoreReturned, CoreForfeited int64
}

// Back is all that came back from sellers.
func (s Sums) Back() int64 { return s.Refunded + s.CoreReturned }

// Margin is what is left: received less credited, less paid, plus what came back.
func (s Sums) Margin() int64 { return s.Received - s.Credited - s.Paid + s.Back() }

// counter is where a kind of entry is counted; nil for a reversal.
func counter(s *Sums, kind quotev1.Entry_Kind) *int64 {
	switch kind {
	case quotev1.Entry_PAID:
		return &s.Paid
	case quotev1.Entry_REFUNDED:
		return &s.Refunded
	case quotev1.Entry_RECEIVED:
		return &s.Received
	case quotev1.Entry_CREDIT_NOTE:
		return &s.Credited
	case quotev1.Entry_CORE_RETURNED:
		return &s.CoreReturned
	case quotev1.Entry_CORE_FORFEITED:
		return &s.CoreForfeited
	default:
		return nil
	}
}

// Account is what was booked on one quote.
type Account struct {
	// Sums are those of the whole quote.
	Sums

	entries  []*quotev1.Entry
	reversed map[string]string // name of an entry → name of what took it back
	sources  map[string]*Sums
}

// NewAccount adds up the entries of one quote, in any order.
func NewAccount(entries []*quotev1.Entry) Account {
	a := &Account{entries: entries, reversed: make(map[string]string), sources: make(map[string]*Sums)}
	for _, entry := range entries {
		if entry.GetKind() == quotev1.Entry_REVERSAL {
			a.reversed[entry.GetReverses()] = entry.GetName()
		}
	}
	for _, entry := range entries {
		if _, gone := a.reversed[entry.GetName()]; !gone {
			count(a, entry)
		}
	}
	return *a
}

// count adds an entry that counts. Each amount is at most amount.Max and a quote
// has at most MaxEntries of them, so that nothing overflows.
func count(a *Account, entry *quotev1.Entry) {
	into := counter(&a.Sums, entry.GetKind())
	if into == nil {
		return
	}
	*into += entry.GetAmount()
	if entry.GetSource() == "" {
		return
	}
	source := a.sources[entry.GetSource()]
	if source == nil {
		source = &Sums{}
		a.sources[entry.GetSource()] = source
	}
	*counter(source, entry.GetKind()) += entry.GetAmount()
}

// Source is what was booked on one listing or offer of the quote.
func (a Account) Source(name string) Sums {
	if found := a.sources[name]; found != nil {
		return *found
	}
	return Sums{}
}

// Find returns an entry of the account by its name; nil where there is none.
func (a Account) Find(name string) *quotev1.Entry {
	for _, entry := range a.entries {
		if entry.GetName() == name {
			return entry
		}
	}
	return nil
}

// Reversed returns the name of the entry that took this one back; empty where
// none did.
func (a Account) Reversed(name string) string { return a.reversed[name] }

// with is the account with one more entry.
func (a Account) with(entry *quotev1.Entry) Account {
	entries := make([]*quotev1.Entry, 0, len(a.entries)+1)
	return NewAccount(append(append(entries, a.entries...), entry))
}

// term is an amount on its way into a sum.
type term struct {
	into  *int64
	value int64
}

// add adds each term to its own sum and fails where one would not fit.
func add(terms ...term) error {
	for _, t := range terms {
		sum, err := money.Sum(*t.into, t.value)
		if err != nil {
			return fmt.Errorf("add up the books: %w", err)
		}
		*t.into = sum
	}
	return nil
}
