package books_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/books"
	"beltwright.example/services/quote/working"
)

var today = time.Date(2026, 3, 10, 9, 30, 0, 0, time.UTC)

const (
	usedPart   = "listings/kettlewick.SOLANE-1"
	remanPart  = "offers/farrowtull-works.FT-1"
	quoteID    = "Q-2026-000001"
	quoteNamed = "quotes/" + quoteID
)

// workedExample is an accepted quote in the numbers of a repair that is worked
// out by hand: 1.4 h at 128.00 = 179.20, a quarter of an hour of it for the check; a
// used part of 185.00 with a deposit of 50.00, freight 38.50 and handling 35.00;
// supplies 10.75; tax 7.25 % of 235.00 = 17.04; 515.49 in all (our own example).
func workedExample() *quotev1.Quote {
	return &quotev1.Quote{
		Name: quoteNamed, Number: quoteID, State: quotev1.Quote_ACCEPTED, CurrencyCode: "USD", Customer: "C-17", TaxPercent: "7.25",
		Need:       &fitmentv1.Need{Kind: fitmentv1.Part_BUCKLE_PRETENSIONER},
		CreateTime: timestamppb.New(today), CloseTime: timestamppb.New(today),
		Options: []*quotev1.Option{
			{
				Source: usedPart, Condition: quotev1.Offer_USED, Seller: "kettlewick", Price: 185_00, CoreDeposit: 50_00, Tax: 17_04,
				Freight: 38_50, Handling: 35_00, FitLabour: 147_20, CheckLabour: 32_00, Supplies: 10_75, LandedCost: 515_49, PlanPlace: 1, Days: 4, CoreDays: 30,
			},
			{
				Source: remanPart, Condition: quotev1.Offer_REMANUFACTURED, Seller: "farrowtull-works", Price: 240_50, CoreDeposit: 60_00,
				Tax: 21_79, FitLabour: 179_20, LandedCost: 501_49, PlanPlace: 2, Days: 6,
			},
		},
	}
}

// ledger books entries one after the other, as the server does.
type ledger struct {
	t       *testing.T
	q       *quotev1.Quote
	entries []*quotev1.Entry
}

func (l *ledger) account() books.Account { return books.NewAccount(l.entries) }

// try books an entry and returns the fields that are wrong, sorted.
func (l *ledger) try(entry *quotev1.Entry) []string {
	l.t.Helper()
	var fields check.Fields
	clean := books.Clean(entry, today, &fields)
	if fields.OK() {
		clean.Name = books.Prefix + books.ID(quoteID, len(l.entries)+1)
		books.Check(clean, l.q, l.account(), &fields)
	}
	if fields.OK() {
		l.entries = append(l.entries, clean)
		return nil
	}
	var names []string
	for _, v := range fields.Violations() {
		names = append(names, v.Field)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func (l *ledger) book(entry *quotev1.Entry) *quotev1.Entry {
	l.t.Helper()
	if wrong := l.try(entry); wrong != nil {
		l.t.Fatalf("%v is refused for %v", entry, wrong)
	}
	return l.entries[len(l.entries)-1]
}

func entry(kind quotev1.Entry_Kind, amount int64, source string) *quotev1.Entry {
	return &quotev1.Entry{Kind: kind, Quote: quoteNamed, Amount: amount, Source: source, CurrencyCode: "USD", Day: "2026-03-10", Note: "n"}
}

func reversal(name string) *quotev1.Entry {
	return &quotev1.Entry{Kind: quotev1.Entry_REVERSAL, Reverses: name, Day: "2026-03-10"}
}

func steps(workings []*quotev1.Working) []working.Step {
	var all []working.Step
	for _, w := range workings {
		all = append(all, working.Step{Number: w.GetNumber(), Formula: w.GetFormula(), Value: w.GetValue(), Source: w.GetSource()})
	}
	return all
}
