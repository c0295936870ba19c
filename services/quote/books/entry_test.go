package books_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/books"
)

const (
	paid      = quotev1.Entry_PAID
	refunded  = quotev1.Entry_REFUNDED
	received  = quotev1.Entry_RECEIVED
	credit    = quotev1.Entry_CREDIT_NOTE
	returned  = quotev1.Entry_CORE_RETURNED
	forfeited = quotev1.Entry_CORE_FORFEITED
)

func TestWhatAnEntryMustSay(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(e *quotev1.Entry)
		wrong  []string
	}{
		"good":                  {func(*quotev1.Entry) {}, nil},
		"no kind":               {func(e *quotev1.Entry) { e.Kind = 0 }, []string{"entry.kind"}},
		"unknown kind":          {func(e *quotev1.Entry) { e.Kind = 99 }, []string{"entry.kind"}},
		"negative kind":         {func(e *quotev1.Entry) { e.Kind = -1 }, []string{"entry.kind"}},
		"no quote":              {func(e *quotev1.Entry) { e.Quote = "" }, []string{"entry.quote"}},
		"bad quote":             {func(e *quotev1.Entry) { e.Quote = "quotes/a/b" }, []string{"entry.quote"}},
		"nothing":               {func(e *quotev1.Entry) { e.Amount = 0 }, []string{"entry.amount"}},
		"negative":              {func(e *quotev1.Entry) { e.Amount = -1 }, []string{"entry.amount"}},
		"too large":             {func(e *quotev1.Entry) { e.Amount = amount.Max + 1 }, []string{"entry.amount"}},
		"no source":             {func(e *quotev1.Entry) { e.Source = "" }, []string{"entry.source"}},
		"foreign source":        {func(e *quotev1.Entry) { e.Source = "listings/other.1" }, []string{"entry.source"}},
		"other currency":        {func(e *quotev1.Entry) { e.CurrencyCode = "EUR" }, []string{"entry.currency_code"}},
		"the quote's currency":  {func(e *quotev1.Entry) { e.CurrencyCode = "" }, nil},
		"no day":                {func(e *quotev1.Entry) { e.Day = "" }, []string{"entry.day"}},
		"no date":               {func(e *quotev1.Entry) { e.Day = "2026-02-30" }, []string{"entry.day"}},
		"tomorrow, in the east": {func(e *quotev1.Entry) { e.Day = "2026-03-11" }, nil},
		"the day after":         {func(e *quotev1.Entry) { e.Day = "2026-03-12" }, []string{"entry.day"}},
		"long note":             {func(e *quotev1.Entry) { e.Note = strings.Repeat("ä", 501) }, []string{"entry.note"}},
		"longest note":          {func(e *quotev1.Entry) { e.Note = strings.Repeat("ä", 500) }, nil},
		"control character":     {func(e *quotev1.Entry) { e.Note = "a\nb" }, []string{"entry.note"}},
		"reverses":              {func(e *quotev1.Entry) { e.Reverses = "entries/" + quoteID + ".0001" }, []string{"entry.reverses"}},
		"all at once": {
			func(e *quotev1.Entry) { e.Kind, e.Quote, e.Day = 0, "", "x" },
			[]string{"entry.day", "entry.kind", "entry.quote"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := &ledger{t: t, q: workedExample()}
			e := entry(paid, 100, usedPart)
			c.change(e)
			if got := l.try(e); !cmp.Equal(got, c.wrong) {
				t.Errorf("wrong are %v, want %v", got, c.wrong)
			}
		})
	}
	var fields check.Fields
	if books.Clean(nil, today, &fields); fields.OK() {
		t.Error("no entry at all is taken")
	}
}

// TestWhatFollowsFromTheQuote: a caller cannot set what is output only.
func TestWhatFollowsFromTheQuote(t *testing.T) {
	t.Parallel()
	l := &ledger{t: t, q: workedExample()}
	e := entry(received, 100, "")
	e.CurrencyCode, e.Customer, e.Number, e.Name = "", "somebody", "C-1", "entries/x"
	got := l.book(e)
	if got.GetCurrencyCode() != "USD" || got.GetCustomer() != "C-17" || got.GetNumber() != "" || got.GetName() != "entries/"+quoteID+".0001" {
		t.Errorf("%v", got)
	}
}

func TestOnlyAcceptedQuotesTakeEntries(t *testing.T) {
	t.Parallel()
	for number := range quotev1.Quote_State_name {
		state := quotev1.Quote_State(number)
		l := &ledger{t: t, q: workedExample()}
		l.q.State = state
		want := []string{"entry.quote"}
		if state == quotev1.Quote_ACCEPTED || state == quotev1.Quote_PARTLY_ACCEPTED {
			want = nil
		}
		if got := l.try(entry(received, 100, "")); !cmp.Equal(got, want) {
			t.Errorf("%s: wrong are %v, want %v", state, got, want)
		}
		if books.Booked(l.q) != (want == nil) {
			t.Errorf("%s: Booked %v", state, books.Booked(l.q))
		}
	}
}

// TestOnlyAcceptedLinesTakeEntries: what was declined is not bought.
func TestOnlyAcceptedLinesTakeEntries(t *testing.T) {
	t.Parallel()
	l := &ledger{t: t, q: twoLines(quotev1.QuoteLine_ACCEPTED, quotev1.QuoteLine_DECLINED)}
	if got := l.try(entry(paid, 100, usedPart)); got != nil {
		t.Errorf("accepted line: %v", got)
	}
	if got := l.try(entry(paid, 100, remanPart)); !cmp.Equal(got, []string{"entry.source"}) {
		t.Errorf("declined line: %v", got)
	}
}

// twoLines is a partly accepted quote of two lines, one source each.
func twoLines(first, second quotev1.QuoteLine_State) *quotev1.Quote {
	q := workedExample()
	q.State = quotev1.Quote_PARTLY_ACCEPTED
	one, two := q.GetOptions()[0], q.GetOptions()[1]
	two.PlanPlace = 1
	q.Lines = []*quotev1.QuoteLine{
		{Need: q.GetNeed(), Options: []*quotev1.Option{one}, State: first},
		{Need: q.GetNeed(), Options: []*quotev1.Option{two}, State: second},
	}
	q.Options, q.Need = nil, nil
	return q
}

func TestWhatMayBeBookedAfterWhat(t *testing.T) {
	t.Parallel()
	at := func(n int) string { return books.Prefix + books.ID(quoteID, n) }
	type step struct {
		entry *quotev1.Entry
		wrong string // field, or "" where it is booked
	}
	for name, all := range map[string][]step{
		"refunds are at most what was paid": {
			{entry(refunded, 1, usedPart), "entry.amount"},
			{entry(paid, 100, usedPart), ""},
			{entry(refunded, 60, usedPart), ""},
			{entry(refunded, 41, usedPart), "entry.amount"},
			{entry(refunded, 40, usedPart), ""},
		},
		"of each source by itself": {
			{entry(paid, 100, usedPart), ""},
			{entry(refunded, 1, remanPart), "entry.amount"},
		},
		"deposits count as paid back": {
			{entry(paid, 50_00, usedPart), ""},
			{entry(refunded, 1_00, usedPart), ""},
			{entry(returned, 49_01, usedPart), "entry.amount"},
			{entry(returned, 49_00, usedPart), ""},
		},
		"deposits end once": {
			{entry(paid, 325_54, usedPart), ""},
			{entry(returned, 30_00, usedPart), ""},
			{entry(forfeited, 20_01, usedPart), "entry.amount"},
			{entry(forfeited, 20_00, usedPart), ""},
			{entry(returned, 1, usedPart), "entry.amount"},
		},
		"the tax on a deposit comes back as a refund": { // 53.63 in all
			{entry(paid, 325_54, usedPart), ""},
			{entry(returned, 53_63, usedPart), "entry.amount"},
			{entry(returned, 50_00, usedPart), ""},
			{entry(refunded, 3_63, usedPart), ""},
		},
		"credit notes are at most what was received": {
			{entry(credit, 1, ""), "entry.amount"},
			{entry(received, 100, ""), ""},
			{entry(credit, 100, ""), ""},
			{entry(credit, 1, ""), "entry.amount"},
		},
		"a reversal frees what it takes back": {
			{entry(received, 100, ""), ""},
			{entry(credit, 100, ""), ""},
			{reversal(at(1)), "entry.reverses"}, // or the credit would be of nothing
			{reversal(at(2)), ""},
			{reversal(at(1)), ""},
			{reversal(at(1)), "entry.reverses"}, // once
			{reversal(at(3)), "entry.reverses"}, // never of a reversal
			{reversal(at(9)), "entry.reverses"}, // never of nothing
			{entry(credit, 1, ""), "entry.amount"},
		},
		"what was paid stays while it is paid back": {
			{entry(paid, 100, usedPart), ""},
			{entry(refunded, 100, usedPart), ""},
			{reversal(at(1)), "entry.reverses"},
			{reversal(at(2)), ""},
			{reversal(at(1)), ""},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := &ledger{t: t, q: workedExample()}
			for i, s := range all {
				got := strings.Join(l.try(s.entry), " ")
				if got != s.wrong {
					t.Fatalf("step %d, %v: wrong is %q, want %q", i+1, s.entry, got, s.wrong)
				}
			}
		})
	}
}

func TestAReversalCopiesWhatItTakesBack(t *testing.T) {
	t.Parallel()
	l := &ledger{t: t, q: workedExample()}
	first := l.book(entry(paid, 100, usedPart))
	for name, change := range map[string]func(e *quotev1.Entry){
		"amount":        func(e *quotev1.Entry) { e.Amount = 99 },
		"source":        func(e *quotev1.Entry) { e.Source = remanPart },
		"currency_code": func(e *quotev1.Entry) { e.CurrencyCode = "EUR" },
		"reverses":      func(e *quotev1.Entry) { e.Quote = "quotes/other" },
	} {
		e := reversal(first.GetName())
		change(e)
		if got := l.try(e); !cmp.Equal(got, []string{"entry." + name}) {
			t.Errorf("another %s: %v", name, got)
		}
	}
	e := reversal(first.GetName())
	e.Amount, e.Source = 100, usedPart // saying the same is fine
	got := l.book(e)
	if got.GetAmount() != 100 || got.GetSource() != usedPart || got.GetCurrencyCode() != "USD" || got.GetQuote() != quoteNamed {
		t.Errorf("%v", got)
	}
	if by := l.account().Reversed(first.GetName()); by != got.GetName() {
		t.Errorf("reversed by %q", by)
	}
	if sums := l.account().Sums; sums != (books.Sums{}) {
		t.Errorf("what was taken back still counts: %+v", sums)
	}
}

func TestAQuoteHasSoManyEntries(t *testing.T) {
	t.Parallel()
	l := &ledger{t: t, q: workedExample()}
	for i := range books.MaxEntries {
		e := entry(received, amount.Max, "")
		e.Name = books.Prefix + books.ID(quoteID, i+1)
		l.entries = append(l.entries, e)
	}
	if got := l.account().Received; got != books.MaxEntries*amount.Max {
		t.Errorf("received %d", got)
	}
	if got := l.try(entry(received, 1, "")); !cmp.Equal(got, []string{"entry.quote"}) {
		t.Errorf("one more: %v", got)
	}
}

func TestNamesSortAsBooked(t *testing.T) {
	t.Parallel()
	for n := 1; n < books.MaxEntries; n++ {
		if one, next := books.ID(quoteID, n), books.ID(quoteID, n+1); one >= next {
			t.Fatalf("%s is not before %s", one, next)
		}
	}
	if got, want := books.CreditNoteNumber("2026", 1), "C-2026-000001"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := fmt.Sprint(books.ID("Q-2026-000001", 12)); got != "Q-2026-000001.0012" {
		t.Errorf("got %s", got)
	}
}
