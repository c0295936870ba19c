// Package document writes quotes, credit notes and repair orders for people: as
// PDF for paper, as CSV for spreadsheets and as JSON. It is pure: the same record
// gives the same bytes, and nothing is looked up.
//
// A document says nothing in words that the law of a place forbids on it, and
// says what that law prescribes in its own words (see wording).
package document

import (
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/datafile"
	"beltwright.example/services/platform/paper"
)

// Letterhead is who a document is from.
type Letterhead struct {
	// Name is the business's.
	Name string `json:"name"`
	// Address is its address, line by line.
	Address []string `json:"address"`
	// Registration is what its registration or licence is, where the place asks
	// for one on documents.
	Registration string `json:"registration"`
	// Phone is its telephone number.
	Phone string `json:"phone"`
}

// Limits of a letterhead.
const (
	maxLetterhead = 64 << 10
	maxText       = 200
	maxAddress    = 8
)

// ReadLetterhead reads a letterhead from a JSON file. Errors are those of
// datafile.Decode, and fields that are too long or not text; the name is needed.
func ReadLetterhead(r io.Reader) (Letterhead, error) {
	var head Letterhead
	if err := datafile.Decode(r, maxLetterhead, &head); err != nil {
		return Letterhead{}, fmt.Errorf("letterhead: %w", err)
	}
	var fields check.Fields
	fields.Text("name", head.Name, maxText, true)
	fields.Text("registration", head.Registration, maxText, false)
	fields.Text("phone", head.Phone, maxText, false)
	fields.Int("address", int64(len(head.Address)), 0, maxAddress)
	for i, line := range head.Address {
		fields.Text(fmt.Sprintf("address[%d]", i), line, maxText, true)
	}
	if err := fields.Err(); err != nil {
		return Letterhead{}, fmt.Errorf("letterhead: %w", err)
	}
	return head, nil
}

// draw opens a document with who it is from.
func (l Letterhead) draw(d *paper.Doc) {
	d.Strong(l.Name)
	for _, line := range l.Address {
		d.Small(line)
	}
	if contact := joined(" · ", labelled("phone", l.Phone), labelled("registration", l.Registration)); contact != "" {
		d.Small(contact)
	}
	d.Gap(3)
}

// labelled is a value behind its name, or nothing.
func labelled(name, value string) string {
	if value == "" {
		return ""
	}
	return name + " " + value
}

// joined joins the texts that are not empty.
func joined(between string, texts ...string) string {
	var kept []string
	for _, text := range texts {
		if text != "" {
			kept = append(kept, text)
		}
	}
	return strings.Join(kept, between)
}

// words makes an enum value readable; the unspecified one is nothing.
func words(value fmt.Stringer) string {
	text := value.String()
	if strings.HasSuffix(text, "_UNSPECIFIED") {
		return ""
	}
	return strings.ToLower(strings.ReplaceAll(text, "_", " "))
}

// partOf names a kind of part at its place in the vehicle.
func partOf(kind fitmentv1.Part_Kind, position *fitmentv1.Position) string {
	place := ""
	if position.GetRow() != 0 {
		place = fmt.Sprintf("row %d", position.GetRow())
	}
	return joined(", ", words(kind), joined(" ", place, words(position.GetSide())))
}

// vehicle names a vehicle.
func vehicle(v *fitmentv1.Vehicle) string {
	year := ""
	if v.GetModelYear() != 0 {
		year = fmt.Sprint(v.GetModelYear())
	}
	name := joined(" ", year, v.GetMake(), v.GetModel(), v.GetBody())
	return joined(", ", name, labelled("VIN", v.GetVin()))
}

// moment is a time as documents say it; empty where there is none.
func moment(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format("2006-01-02 15:04 MST")
}

// made is when a record was made, for the document's properties.
func made(times ...*timestamppb.Timestamp) time.Time {
	for _, t := range times {
		if t != nil {
			return t.AsTime()
		}
	}
	return time.Unix(0, 0)
}

// cash is an amount with its currency.
func cash(value int64, currency string) string {
	return amount.Format(value, currency) + " " + currency
}

// percent writes a chance with one decimal place, and never as 0 or 100 where it
// is neither.
func percent(chance float64) string {
	switch {
	case chance <= 0 || chance >= 1:
		return fmt.Sprintf("%.0f %%", chance*100)
	case chance < 0.001:
		return "below 0.1 %"
	case chance > 0.999:
		return "above 99.9 %"
	}
	return fmt.Sprintf("%.1f %%", chance*100)
}

// person is how somebody allowed the work.
func person(a *quotev1.Authorization, currency string) string {
	text := joined(", ", a.GetBy(), words(a.GetMethod()), moment(a.GetTime()))
	if a.GetUpTo() > 0 {
		text += ", up to " + cash(a.GetUpTo(), currency)
	}
	return joined("; ", text, a.GetNote())
}

// stamp is a time as programs read it; empty where there is none.
func stamp(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format(time.RFC3339)
}
