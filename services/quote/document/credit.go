package document

import (
	"cmp"
	"errors"
	"fmt"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/quote"
)

// ErrEntry is returned for a booking that no document is made of: only credit
// notes, and what a seller paid back, are printed.
var ErrEntry = errors.New("only a credit note, a refund or a returned deposit is printed")

// CreditNote draws a credit note to the customer, or the record of what a seller
// paid back, as PDF. Reversed names the entry that took it back, if one did; then
// the document says that it does not count. The quote is the one that the entry
// belongs to. Errors: ErrEntry, paper.ErrSize, and what cannot be drawn.
func CreditNote(e *quotev1.Entry, reversed string, q *quotev1.Quote, from Letterhead, size paper.Size) ([]byte, error) {
	titles := map[quotev1.Entry_Kind]string{
		quotev1.Entry_CREDIT_NOTE:   "Credit note " + e.GetNumber(),
		quotev1.Entry_REFUNDED:      "Refund by a seller",
		quotev1.Entry_CORE_RETURNED: "Deposit returned by a seller",
	}
	title, ok := titles[e.GetKind()]
	if !ok {
		return nil, ErrEntry
	}
	sheet := paper.Sheet{Size: size, Title: title, Foot: from.Name, Made: made(e.GetCreateTime())}
	return paper.Render(sheet, func(d *paper.Doc) {
		w := wordingOf(q)
		from.draw(d)
		d.Title(title)
		if reversed != "" {
			d.Strong("This was taken back by " + reversed + " and does not count any more.")
			d.Gap(1)
		}
		d.Pairs([]paper.Pair{
			{Name: "day", Value: e.GetDay()},
			{Name: "customer", Value: cmp.Or(e.GetCustomer(), q.GetCustomer())},
			{Name: "for quote", Value: prose.Joined(", ", q.GetNumber(), moment(q.GetCreateTime()))},
			{Name: "reference", Value: w.text(q.GetReference())},
			{Name: "vehicle", Value: vehicle(quote.Lines(q)[0].GetNeed().GetVehicle())},
			{Name: "part", Value: bought(w, q, e.GetSource())},
			{Name: "booked as", Value: e.GetName()},
		})
		d.Gap(2)
		what := "credited to the customer"
		if e.GetKind() != quotev1.Entry_CREDIT_NOTE {
			what = "paid back by the seller"
		}
		d.Table(
			[]paper.Column{{Name: "what", Share: 5}, {Name: e.GetCurrencyCode(), Share: 1.4, Number: true}},
			[]paper.Row{{Cells: []string{what, amount.Format(e.GetAmount(), e.GetCurrencyCode())}, Strong: true}},
		)
		d.Gap(2)
		if note := w.text(e.GetNote()); note != "" {
			d.Text("Reason: " + note)
		}
		if e.GetKind() == quotev1.Entry_CREDIT_NOTE && reversed == "" {
			d.Text(fmt.Sprintf("This amount is credited against quote %s. Where the price credited was taxed, its tax is contained in it.", q.GetNumber()))
		}
		w.leftOut(d)
	})
}

// bought names the part that an entry is about.
func bought(w *wording, q *quotev1.Quote, source string) string {
	for _, o := range quote.AllOptions(q) {
		if o.GetSource() == source {
			return prose.Joined(", ", prose.Joined(" ", o.GetPartMaker(), o.GetPartNumber())+": "+w.condition(o), source)
		}
	}
	return source
}
