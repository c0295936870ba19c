package books

import (
	"cmp"
	"slices"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/transport"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/tax"
)

// Facts are what is known of the parts of one quote beside its entries, by source.
type Facts struct {
	// Today is the day, YYYY-MM-DD.
	Today string
	// Tax are the rules of the quote's place.
	Tax tax.Pack
	// Bought is how often a source is known to have been bought. What the plans
	// buy first is bought in any case.
	Bought map[string]int
	// Failed is how often it failed its arrival check: such a part goes back, and
	// its deposit with it.
	Failed map[string]int
	// Arrived is the day, YYYY-MM-DD, of its last arrival check.
	Arrived map[string]string
}

// Deposited are the sources for which the accepted lines ask a deposit, each with
// the number of lines that offer it.
func Deposited(q *quotev1.Quote) map[string]int {
	sources := make(map[string]int)
	for _, p := range parts(q) {
		if p.option.GetCoreDeposit() > 0 {
			sources[p.option.GetSource()] = p.lines
		}
	}
	return sources
}

// Deposits are the deposits of an accepted quote that are out, in the order of
// its lines: those of every part that was bought and stays, less what came back or
// never will.
func Deposits(q *quotev1.Quote, account Account, facts Facts) []*quotev1.CoreDeposit {
	if !accepted(q.GetState()) {
		return nil
	}
	var deposits []*quotev1.CoreDeposit
	for _, p := range parts(q) {
		name := p.option.GetSource()
		booked := account.Source(name)
		bought := max(p.first, facts.Bought[name])
		if booked.Paid > 0 {
			bought = max(bought, 1)
		}
		failed := min(facts.Failed[name], bought)
		kept := int64(bought-failed) * p.option.GetCoreDeposit()
		out := kept - max(booked.CoreReturned-owed(p.option, int64(failed), booked), 0) - booked.CoreForfeited
		if out <= 0 {
			continue
		}
		due := dueDay(q, p.option, facts)
		deposits = append(deposits, &quotev1.CoreDeposit{
			Quote: q.GetName(), Source: name, Seller: p.option.GetSeller(), Amount: out, CurrencyCode: q.GetCurrencyCode(),
			DueDay: due, Overdue: due != "" && due < facts.Today, Transport: sending(p.kind),
		})
	}
	return deposits
}

// owed are the deposits of so many failed parts that no refund has brought back: a
// refund pays price and tax first, less what the seller keeps of a return. Of the
// deposits that are booked as returned these come first, so that the ones of failed
// parts never hide one that is out.
func owed(option *quotev1.Option, failed int64, booked Sums) int64 {
	deposits := failed * option.GetCoreDeposit()
	rest := failed * max(option.GetPrice()+option.GetTax()-option.GetReturnLoss(), 0)
	return deposits - min(max(booked.Refunded-rest, 0), deposits)
}

// dueDay is the last day for the old part: the seller's days, counted from the
// part's inspection, or from the day on which it should have arrived. Empty where
// the seller states no days.
func dueDay(q *quotev1.Quote, option *quotev1.Option, facts Facts) string {
	if option.GetCoreDays() <= 0 {
		return ""
	}
	arrived, err := time.Parse(time.DateOnly, facts.Arrived[option.GetSource()])
	if err != nil {
		arrived = q.GetCloseTime().AsTime().AddDate(0, 0, int(option.GetDays()))
	}
	return arrived.AddDate(0, 0, int(option.GetCoreDays())).Format(time.DateOnly)
}

// Due sorts deposits by the day on which they are due; those without one are last.
func Due(deposits []*quotev1.CoreDeposit) {
	late := func(d *quotev1.CoreDeposit) string { return cmp.Or(d.GetDueDay(), "9999-12-31") }
	slices.SortStableFunc(deposits, func(a, b *quotev1.CoreDeposit) int {
		return cmp.Or(strings.Compare(late(a), late(b)), strings.Compare(a.GetQuote(), b.GetQuote()), strings.Compare(a.GetSource(), b.GetSource()))
	})
}

// sending says what must be known of sending the old part back.
func sending(kind fitmentv1.Part_Kind) string {
	if !quote.Pyrotechnic(kind) {
		return "Parts of this kind hold no pyrotechnic charge (common practice, no source)."
	}
	ruling, err := transport.Decide(transport.Consignment{
		UN: transport.UN3268, InComponent: transport.No, Mode: transport.Road, ToRecycler: transport.No, NeverInstalled: transport.No,
	})
	reasons := make([]string, 0, len(ruling.Reasons))
	for _, reason := range ruling.Reasons {
		reasons = append(reasons, reason.Text+" ("+reason.Source+")")
	}
	if err != nil || len(reasons) == 0 { // the consignment is a valid one
		reasons = []string{"ask the seller how it may be sent"}
	}
	return "The old part is live unless it has fired. Where it is classified UN3268: " + strings.Join(reasons, "; ") + "."
}
