package books

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/working"
)

// MaxRows is how many quotes a summary lists; its totals are over all.
const MaxRows = 1000

// Filter says which quotes count. The zero value takes all.
type Filter struct {
	// State is the quote's state as shown: an open quote whose time has passed is
	// expired.
	State quotev1.Quote_State
	// Customer is the shop's name or number for its customer, exactly.
	Customer string
	// From and To are days as YYYY-MM-DD; the quote was prepared between them, in
	// UTC. Empty: no end.
	From, To string
}

// Check notes what is wrong with the filter, under the names of SumQuotesRequest.
func (f Filter) Check(fields *check.Fields) {
	if _, known := quotev1.Quote_State_name[int32(f.State)]; !known {
		fields.Add("state", fmt.Sprintf("%d is unknown", f.State), "a state of quotes, or nothing")
	}
	fields.Text("customer", f.Customer, 100, false)
	Period(f.From, f.To, fields)
}

// Period notes what is wrong with two days.
func Period(from, to string, fields *check.Fields) {
	before := len(fields.Violations())
	fields.Date("from_day", from)
	fields.Date("to_day", to)
	if len(fields.Violations()) == before && from != "" && to != "" && from > to {
		fields.Add("to_day", to+" is before from_day", "a day from "+from)
	}
}

// Takes tells whether a quote counts.
func (f Filter) Takes(q *quotev1.Quote) bool {
	day := q.GetCreateTime().AsTime().Format(time.DateOnly)
	return (f.State == quotev1.Quote_STATE_UNSPECIFIED || f.State == q.GetState()) &&
		(f.Customer == "" || f.Customer == q.GetCustomer()) && within(day, f.From, f.To)
}

// within tells whether a day lies in a period, whose ends may be open.
func within(day, from, to string) bool {
	return (from == "" || day >= from) && (to == "" || day <= to)
}

// Summary adds up quotes one by one.
type Summary struct {
	filter Filter
	rows   []*quotev1.QuoteBooks
	count  int
	totals map[group]*quotev1.BooksTotal
}

type group struct {
	state    quotev1.Quote_State
	currency string
}

// NewSummary makes an empty one.
func NewSummary(filter Filter) *Summary {
	return &Summary{filter: filter, totals: make(map[group]*quotev1.BooksTotal)}
}

// Add counts a quote with its account, if the filter takes it. It fails where the
// totals become too large.
func (s *Summary) Add(q *quotev1.Quote, account Account, facts Facts) error {
	if !s.filter.Takes(q) {
		return nil
	}
	row, err := Row(q, account, facts)
	if err != nil {
		return err
	}
	s.count++
	if len(s.rows) < MaxRows {
		s.rows = append(s.rows, row)
	}
	key := group{row.GetState(), row.GetCurrencyCode()}
	total := s.totals[key]
	if total == nil {
		total = &quotev1.BooksTotal{State: key.state, CurrencyCode: key.currency}
		s.totals[key] = total
	}
	total.Quotes++
	return add(term{&total.Quoted, row.GetQuoted()}, term{&total.Received, row.GetReceived()}, term{&total.Credited, row.GetCredited()},
		term{&total.Paid, row.GetPaid()}, term{&total.Refunded, row.GetRefunded()}, term{&total.Margin, row.GetMargin()})
}

// Answer is the summary in the form of the wire contract, without its revision.
func (s *Summary) Answer() *quotev1.SumQuotesResponse {
	answer := &quotev1.SumQuotesResponse{Quotes: s.rows, Totals: slices.Collect(maps.Values(s.totals))}
	slices.SortFunc(answer.GetTotals(), func(a, b *quotev1.BooksTotal) int {
		return cmp.Or(cmp.Compare(a.GetState(), b.GetState()), strings.Compare(a.GetCurrencyCode(), b.GetCurrencyCode()))
	})
	if s.count > len(s.rows) {
		answer.Limited = fmt.Sprintf("%d of %d quotes are listed; the totals are over all.", len(s.rows), s.count)
	}
	return answer
}

// Row is one quote with what was booked on it.
func Row(q *quotev1.Quote, account Account, facts Facts) (*quotev1.QuoteBooks, error) {
	row := &quotev1.QuoteBooks{
		Quote: q.GetName(), Number: q.GetNumber(), State: q.GetState(), Customer: q.GetCustomer(), CurrencyCode: q.GetCurrencyCode(),
		Received: account.Received, Credited: account.Credited, Paid: account.Paid, Refunded: account.Back(), Margin: account.Margin(),
	}
	quoted, err := total(q, facts.Tax)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", q.GetName(), err)
	}
	row.Quoted, row.ExpectedMargin = quoted.total, quoted.margin()
	steps := quoted.workings(q.GetCurrencyCode())
	if accepted(q.GetState()) {
		out := make([]int64, 0)
		for _, deposit := range Deposits(q, account, facts) {
			out = append(out, deposit.GetAmount())
		}
		if row.CoresOut, err = money.Sum(out...); err != nil {
			return nil, fmt.Errorf("%s: %w", q.GetName(), err)
		}
		steps = append(steps, account.working(q.GetCurrencyCode()))
		if len(out) > 0 {
			steps = append(steps, working.Sum("deposits out", q.GetCurrencyCode(), row.GetCoresOut(), out...))
		}
	}
	row.Workings = quote.WorkingProtos(steps)
	return row, nil
}
