package server

import (
	"beltwright.example/services/quote/offers"
	"beltwright.example/services/store"
)

// Counted are the records of this side of which one business may keep only so many,
// with what it may keep where nothing else is said: years of a busy desk, and little
// enough that no business fills the disk (choices of this project, no source).
func Counted() []store.Counted {
	return []store.Counted{
		{Kind: kindQuote, Name: "quotes", Limit: 200_000},
		{Kind: kindRepair, Name: "repair-orders", Limit: 100_000},
		{Kind: kindOutcome, Name: "outcomes", Limit: 200_000},
		{Kind: kindEntry, Name: "entries", Limit: 1_000_000},
		{Kind: offers.Kind, Name: "offers", Limit: 500_000},
	}
}
