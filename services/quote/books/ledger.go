package books

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
)

// Account names of the ledger, as bookkeepers commonly have them (common
// practice, no source). Each entry is two rows: what one account is debited with,
// another is credited with.
const (
	// Bank is where money comes in and goes out.
	Bank = "Bank"
	// Sales is what customers were charged.
	Sales = "Sales"
	// SalesAllowances is what was credited to customers.
	SalesAllowances = "Sales returns and allowances"
	// CustomerCredits is what customers have to their credit.
	CustomerCredits = "Customer credits"
	// Purchases is what parts cost, deposits included.
	Purchases = "Purchases"
	// PurchaseReturns is what sellers gave back, deposits included.
	PurchaseReturns = "Purchase returns"
	// CoresForfeited is what deposits that never come back cost.
	CoresForfeited = "Core deposits forfeited"
)

// Columns are the ledger's columns, in order.
func Columns() []string {
	return []string{
		"day", "entry", "kind", "number", "quote", "customer", "source", "seller", "account", "debit", "credit", "currency",
		"note", "reverses", "recorded",
	}
}

// posting is what an entry debits and credits.
func posting(kind quotev1.Entry_Kind) (debit, credit string) {
	switch kind {
	case quotev1.Entry_PAID:
		return Purchases, Bank
	case quotev1.Entry_REFUNDED, quotev1.Entry_CORE_RETURNED:
		return Bank, PurchaseReturns
	case quotev1.Entry_RECEIVED:
		return Bank, Sales
	case quotev1.Entry_CREDIT_NOTE:
		return SalesAllowances, CustomerCredits
	case quotev1.Entry_CORE_FORFEITED:
		return CoresForfeited, Purchases
	default:
		return "", ""
	}
}

// Rows are the two rows of an entry, cells in the order of Columns: first the
// debit, then the credit. A reversal posts what it takes back the other way round;
// reversed is the kind of that, and only read for a reversal. It fails for a kind
// that it does not know.
func Rows(entry *quotev1.Entry, reversed quotev1.Entry_Kind) ([2][]string, error) {
	debit, credit := posting(entry.GetKind())
	if entry.GetKind() == quotev1.Entry_REVERSAL {
		credit, debit = posting(reversed)
	}
	if debit == "" {
		return [2][]string{}, fmt.Errorf("entry %s is of a kind without accounts: %s", entry.GetName(), entry.GetKind())
	}
	sum := amount.Format(entry.GetAmount(), entry.GetCurrencyCode())
	return [2][]string{row(entry, debit, sum, ""), row(entry, credit, "", sum)}, nil
}

func row(entry *quotev1.Entry, account, debit, credit string) []string {
	return []string{
		entry.GetDay(), entry.GetName(), strings.ToLower(entry.GetKind().String()), entry.GetNumber(), entry.GetQuote(), entry.GetCustomer(),
		entry.GetSource(), sellerOf(entry.GetSource()), account, debit, credit, entry.GetCurrencyCode(),
		entry.GetNote(), entry.GetReverses(), entry.GetCreateTime().AsTime().Format(time.RFC3339),
	}
}

// sellerOf is the seller's part of a source's name; empty where there is none.
func sellerOf(source string) string {
	_, rest, _ := strings.Cut(source, "/")
	seller, _, _ := strings.Cut(rest, ".")
	return seller
}

// Within tells whether an entry's day lies in a period, whose ends may be open.
func Within(entry *quotev1.Entry, from, to string) bool { return within(entry.GetDay(), from, to) }

// ByDay sorts entries for a ledger: by day, then by when they were recorded.
func ByDay(entries []*quotev1.Entry) {
	slices.SortFunc(entries, func(a, b *quotev1.Entry) int {
		return cmp.Or(
			strings.Compare(a.GetDay(), b.GetDay()), a.GetCreateTime().AsTime().Compare(b.GetCreateTime().AsTime()),
			strings.Compare(a.GetName(), b.GetName()),
		)
	})
}
