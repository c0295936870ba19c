package books

import (
	"fmt"
	"regexp"
	"strings"
	"time"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
)

// Prefix opens the resource name of every entry.
const Prefix = "entries/"

// maxNote bounds an entry's remarks, in characters.
const maxNote = 500

var (
	entryName = regexp.MustCompile(`^entries/([A-Za-z0-9_-]+)\.[0-9]{4}$`)
	quoteName = regexp.MustCompile(`^quotes/[A-Za-z0-9._-]{1,100}$`)
)

// ID is the id of the n-th entry of a quote, from 1. The ids of a quote's entries
// lie together and in the order in which they were booked.
func ID(quoteID string, n int) string { return fmt.Sprintf("%s.%04d", quoteID, n) }

// Clean checks an entry by itself and returns it as it is to be stored, but for
// its name, number, customer and time. The day is the one on which it is recorded,
// in UTC: somewhere it is tomorrow already.
func Clean(entry *quotev1.Entry, today time.Time, fields *check.Fields) *quotev1.Entry {
	if entry == nil {
		fields.Add("entry", "is missing", "an entry with kind, quote, amount and day")
		return nil
	}
	clean := &quotev1.Entry{
		Kind: entry.GetKind(), Quote: entry.GetQuote(), Source: entry.GetSource(), Amount: entry.GetAmount(),
		CurrencyCode: entry.GetCurrencyCode(), Day: entry.GetDay(), Note: entry.GetNote(), Reverses: entry.GetReverses(),
	}
	cleanKind(clean, fields)
	if !quoteName.MatchString(clean.GetQuote()) {
		fields.Add("entry.quote", fmt.Sprintf("%.80q is no quote", clean.GetQuote()), "a name such as quotes/Q-2026-000001")
	}
	cleanDay(clean.GetDay(), today, fields)
	fields.Text("entry.note", clean.GetNote(), maxNote, clean.GetKind() == quotev1.Entry_CREDIT_NOTE)
	return clean
}

// cleanKind checks what one kind needs and another must not have. A reversal
// without a quote is of the quote whose entry it takes back.
func cleanKind(entry *quotev1.Entry, fields *check.Fields) {
	var counted Sums
	switch kind := entry.GetKind(); {
	case kind == quotev1.Entry_REVERSAL:
		name := entryName.FindStringSubmatch(entry.GetReverses())
		switch {
		case name == nil:
			fields.Add("entry.reverses", fmt.Sprintf("%.80q is no entry", entry.GetReverses()), "a name such as entries/Q-2026-000001.0001")
		case entry.GetQuote() == "":
			entry.Quote = "quotes/" + name[1]
		case entry.GetQuote() != "quotes/"+name[1]:
			fields.Add("entry.reverses", "is an entry of another quote", "an entry of "+entry.GetQuote())
		}
	case counter(&counted, kind) == nil:
		fields.Add("entry.kind", "is missing or unknown", "PAID, REFUNDED, RECEIVED, CREDIT_NOTE, CORE_RETURNED, CORE_FORFEITED or REVERSAL")
	default:
		if entry.GetReverses() != "" {
			fields.Add("entry.reverses", "is only for a reversal", "nothing, or the kind REVERSAL")
		}
		if entry.GetSource() == "" && ofSeller(kind) {
			fields.Add("entry.source", "is missing", "the listing or offer that was bought, such as listings/yard-a.1001")
		}
		fields.Int("entry.amount", entry.GetAmount(), 1, amount.Max)
	}
}

// ofSeller tells whether entries of a kind belong to a listing or offer.
func ofSeller(kind quotev1.Entry_Kind) bool {
	switch kind {
	case quotev1.Entry_PAID, quotev1.Entry_REFUNDED, quotev1.Entry_CORE_RETURNED, quotev1.Entry_CORE_FORFEITED:
		return true
	default:
		return false
	}
}

func cleanDay(day string, today time.Time, fields *check.Fields) {
	if day == "" {
		fields.Add("entry.day", "is missing", "the day of the booking as YYYY-MM-DD")
		return
	}
	before := len(fields.Violations())
	fields.Date("entry.day", day)
	if last := today.AddDate(0, 0, 1).Format(time.DateOnly); len(fields.Violations()) == before && day > last {
		fields.Add("entry.day", day+" is in the future", "a day until "+last)
	}
}

// Check holds a clean entry against the quote and what is booked on it already,
// and fills in what follows from them: currency and customer, and what a reversal
// takes back. The entry may be booked where it notes nothing.
func Check(entry *quotev1.Entry, q *quotev1.Quote, account Account, fields *check.Fields) {
	if !accepted(q.GetState()) {
		fields.Add("entry.quote", fmt.Sprintf("%s is %s", q.GetName(), stateWords(q.GetState())), "a quote that was accepted, whole or in part")
		return
	}
	entry.Customer = q.GetCustomer()
	if entry.GetKind() == quotev1.Entry_REVERSAL {
		checkReversal(entry, account, fields)
	}
	switch entry.GetCurrencyCode() {
	case "":
		entry.CurrencyCode = q.GetCurrencyCode()
	case q.GetCurrencyCode():
	default:
		fields.Add("entry.currency_code", fmt.Sprintf("%.20q is not the quote's", entry.GetCurrencyCode()), q.GetCurrencyCode()+", or nothing")
	}
	if source := entry.GetSource(); source != "" {
		if partOf(q, source) == nil {
			fields.Add("entry.source", fmt.Sprintf("%.80q is no option of the accepted lines of %s", source, q.GetName()), "a source that the quote offers")
		}
	}
	if fields.OK() {
		checkBalance(entry, q, account.with(entry), fields)
	}
}

// checkReversal looks for what is taken back, once at most, and copies it.
func checkReversal(entry *quotev1.Entry, account Account, fields *check.Fields) {
	target := account.Find(entry.GetReverses())
	switch {
	case target == nil:
		fields.Add("entry.reverses", fmt.Sprintf("there is no %.80s", entry.GetReverses()), "an entry of the quote")
		return
	case target.GetKind() == quotev1.Entry_REVERSAL:
		fields.Add("entry.reverses", target.GetName()+" is a reversal itself", "an entry that is none; book it again instead")
		return
	case account.Reversed(target.GetName()) != "":
		fields.Add("entry.reverses", target.GetName()+" was reversed already by "+account.Reversed(target.GetName()), "an entry that counts")
		return
	}
	if said := entry.GetAmount(); said != 0 && said != target.GetAmount() {
		fields.Add("entry.amount", fmt.Sprintf("%d is not what %s says", said, target.GetName()), fmt.Sprintf("%d, or nothing", target.GetAmount()))
	}
	if said := entry.GetSource(); said != "" && said != target.GetSource() {
		fields.Add("entry.source", fmt.Sprintf("%.80q is not what %s says", said, target.GetName()), target.GetSource()+", or nothing")
	}
	entry.Amount, entry.Source = target.GetAmount(), target.GetSource()
}

// checkBalance looks at the account as it would be.
func checkBalance(entry *quotev1.Entry, q *quotev1.Quote, after Account, fields *check.Fields) {
	cash := func(value int64) string { return amount.Format(value, q.GetCurrencyCode()) + " " + q.GetCurrencyCode() }
	wrong := func(what string, sum int64, limit string, most int64) {
		field := "entry.amount"
		if entry.GetKind() == quotev1.Entry_REVERSAL {
			field = "entry.reverses"
		}
		fields.Add(field, fmt.Sprintf("%s would come to %s, of %s %s", what, cash(sum), limit, cash(most)),
			"no more than that; book what is missing, or reverse what is wrong, first")
	}
	if len(after.entries) > MaxEntries {
		fields.Add("entry.quote", fmt.Sprintf("%s has %d entries", q.GetName(), MaxEntries), fmt.Sprintf("a quote with fewer than %d entries", MaxEntries))
	}
	if after.Credited > after.Received {
		wrong("credit notes", after.Credited, "received", after.Received)
	}
	source := after.Source(entry.GetSource())
	if source.Back() > source.Paid {
		wrong("what came back for "+entry.GetSource(), source.Back(), "paid", source.Paid)
	}
	if p := partOf(q, entry.GetSource()); p != nil {
		ended, most := source.CoreReturned+source.CoreForfeited, p.option.GetCoreDeposit()*int64(p.lines)
		if ended > most {
			wrong("deposits returned and forfeited of "+entry.GetSource(), ended, "a deposit of", most)
		}
	}
}

// stateWords is a state as people say it.
func stateWords(state quotev1.Quote_State) string {
	return strings.ToLower(strings.ReplaceAll(state.String(), "_", " "))
}

// CreditNoteNumber is the n-th credit note of a year, such as C-2026-000001.
func CreditNoteNumber(year string, n int64) string { return fmt.Sprintf("C-%s-%06d", year, n) }
