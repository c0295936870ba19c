package books_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/books"
)

func TestDepositsThatAreOut(t *testing.T) {
	t.Parallel()
	// Accepted on 10 March, 4 days on the way, 30 days for the old part: 13 April.
	first := &quotev1.CoreDeposit{Quote: quoteNamed, Source: usedPart, Seller: "kettlewick", Amount: 50_00, CurrencyCode: "USD", DueDay: "2026-04-13"}
	with := func(change func(d *quotev1.CoreDeposit)) []*quotev1.CoreDeposit {
		d := &quotev1.CoreDeposit{Quote: first.GetQuote(), Source: first.GetSource(), Seller: first.GetSeller(), Amount: first.GetAmount(), CurrencyCode: "USD", DueDay: first.GetDueDay()}
		change(d)
		return []*quotev1.CoreDeposit{d}
	}
	twice := func(q *quotev1.Quote) {
		line := &quotev1.QuoteLine{Need: q.GetNeed(), Options: q.GetOptions()[:1], State: quotev1.QuoteLine_ACCEPTED}
		q.Lines = []*quotev1.QuoteLine{line, line}
	}
	oneFailed := books.Facts{Failed: map[string]int{usedPart: 1}}
	second := &quotev1.CoreDeposit{Quote: quoteNamed, Source: remanPart, Seller: "farrowtull-works", Amount: 60_00, CurrencyCode: "USD"}
	for name, c := range map[string]struct {
		change  func(q *quotev1.Quote)
		entries []*quotev1.Entry
		facts   books.Facts
		want    []*quotev1.CoreDeposit
	}{
		"bought": {want: []*quotev1.CoreDeposit{first}},
		"inspected later than expected": {
			facts: books.Facts{Arrived: map[string]string{usedPart: "2026-03-20"}},
			want:  with(func(d *quotev1.CoreDeposit) { d.DueDay = "2026-04-19" }),
		},
		"on its last day":       {facts: books.Facts{Today: "2026-04-13"}, want: []*quotev1.CoreDeposit{first}},
		"the day after":         {facts: books.Facts{Today: "2026-04-14"}, want: with(func(d *quotev1.CoreDeposit) { d.Overdue = true })},
		"partly returned":       {entries: []*quotev1.Entry{entry(returned, 20_00, usedPart)}, want: with(func(d *quotev1.CoreDeposit) { d.Amount = 30_00 })},
		"returned and given up": {entries: []*quotev1.Entry{entry(returned, 20_00, usedPart), entry(forfeited, 30_00, usedPart)}},
		"failed its check":      {facts: books.Facts{Failed: map[string]int{usedPart: 1}}},
		"the next one bought": {
			facts: books.Facts{Failed: map[string]int{usedPart: 1}, Bought: map[string]int{usedPart: 1, remanPart: 1}},
			want:  []*quotev1.CoreDeposit{second},
		},
		"the next one paid": {
			entries: []*quotev1.Entry{entry(paid, 1, remanPart)}, want: []*quotev1.CoreDeposit{first, second},
		},
		"no days stated": {
			change: func(q *quotev1.Quote) { q.Options[0].CoreDays = 0 },
			facts:  books.Facts{Today: "2099-01-01"},
			want:   with(func(d *quotev1.CoreDeposit) { d.DueDay = "" }),
		},
		"no deposit": {change: func(q *quotev1.Quote) { q.Options[0].CoreDeposit = 0 }},
		"still open": {change: func(q *quotev1.Quote) { q.State = quotev1.Quote_OPEN }},
		"one item on two lines": {
			change:  twice,
			entries: []*quotev1.Entry{entry(returned, 50_00, usedPart), entry(returned, 10_00, usedPart)},
			want:    with(func(d *quotev1.CoreDeposit) { d.Amount = 40_00 }),
		},
		// One of two fails: price 185.00, tax 17.04 and deposit 50.00 are due for it, and
		// the other one's deposit is out until it comes back by itself.
		"one of two failed": {change: twice, facts: oneFailed, want: []*quotev1.CoreDeposit{first}},
		"one of two failed, its deposit booked as returned": {
			change: twice, facts: oneFailed, entries: []*quotev1.Entry{entry(refunded, 202_04, usedPart), entry(returned, 50_00, usedPart)},
			want: []*quotev1.CoreDeposit{first},
		},
		"one of two failed, its deposit refunded": {
			change: twice, facts: oneFailed, entries: []*quotev1.Entry{entry(refunded, 252_04, usedPart)}, want: []*quotev1.CoreDeposit{first},
		},
		"one of two failed, its deposit refunded and the other's returned": {
			change: twice, facts: oneFailed, entries: []*quotev1.Entry{entry(refunded, 252_04, usedPart), entry(returned, 50_00, usedPart)},
		},
		"one of two failed, both deposits returned": {
			change: twice, facts: oneFailed, entries: []*quotev1.Entry{entry(returned, 50_00, usedPart), entry(returned, 50_00, usedPart)},
		},
		"one of two failed, the seller keeps part of the price": {
			change: func(q *quotev1.Quote) {
				twice(q)
				q.Options[0].ReturnLoss = 37_00
			},
			facts: oneFailed, entries: []*quotev1.Entry{entry(refunded, 215_04, usedPart), entry(returned, 50_00, usedPart)},
		},
		"failed and returned":  {facts: oneFailed, entries: []*quotev1.Entry{entry(returned, 50_00, usedPart)}},
		"failed and forfeited": {change: twice, facts: oneFailed, entries: []*quotev1.Entry{entry(forfeited, 50_00, usedPart)}},
	} {
		q := workedExample()
		if c.change != nil {
			c.change(q)
		}
		got := books.Deposits(q, books.NewAccount(c.entries), c.facts)
		for _, d := range got {
			if d.GetTransport() == "" {
				t.Errorf("%s: %s says nothing of sending the old part", name, d.GetSource())
			}
			d.Transport = ""
		}
		if diff := cmp.Diff(c.want, got, protocmp.Transform()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// TestSendingAnOldPart: a live core is dangerous goods of class 9 and needs a
// trained shipper (49 CFR 172.101 and 172.704); parts without a charge are not.
func TestSendingAnOldPart(t *testing.T) {
	t.Parallel()
	live := map[fitmentv1.Part_Kind]bool{
		fitmentv1.Part_CLOCK_SPRING: false, fitmentv1.Part_CONTROL_MODULE: false, fitmentv1.Part_CRASH_SENSOR: false,
		fitmentv1.Part_OCCUPANT_SENSOR: false, fitmentv1.Part_PIGTAIL: false,
	}
	for number := range fitmentv1.Part_Kind_name {
		kind := fitmentv1.Part_Kind(number)
		if _, said := live[kind]; !said {
			live[kind] = true // pretensioners and air bags, and whatever is not known
		}
		q := workedExample()
		q.Need.Kind = kind
		text := books.Deposits(q, books.NewAccount(nil), books.Facts{})[0].GetTransport()
		for _, word := range []string{"live unless it has fired", "UN3268", "class 9", "training", "172.704"} {
			if strings.Contains(text, word) != live[kind] {
				t.Errorf("%s: %q in %q: %v", kind, word, text, !live[kind])
			}
		}
	}
}

func TestDueSortsByDay(t *testing.T) {
	t.Parallel()
	deposits := []*quotev1.CoreDeposit{
		{Quote: "a", Source: "1"}, {Quote: "b", DueDay: "2026-05-01"}, {Quote: "c", DueDay: "2026-04-01"}, {Quote: "a", Source: "0", DueDay: "2026-05-01"},
	}
	books.Due(deposits)
	var got []string
	for _, d := range deposits {
		got = append(got, d.GetQuote()+d.GetSource())
	}
	if want := []string{"c", "a0", "b", "a1"}; !cmp.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
