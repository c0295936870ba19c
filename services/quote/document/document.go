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
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/datafile"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/prose"
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

// Limits of letterheads: their file, a text, the lines of an address.
const (
	maxLetterhead = 1 << 20
	maxText       = 200
	maxAddress    = 8
)

// Letterheads are those of the businesses that the program serves, by their ids.
type Letterheads map[string]Letterhead

// For is a business's letterhead; without one, its id is its name.
func (l Letterheads) For(business string) Letterhead {
	if head, known := l[business]; known {
		return head
	}
	return Letterhead{Name: business}
}

// ReadLetterheads reads a JSON object that holds a letterhead for each business's
// id. Errors are those of datafile.Decode, ids that are none, and fields that are
// too long or not text; a name is needed.
func ReadLetterheads(r io.Reader) (Letterheads, error) {
	heads := Letterheads{}
	if err := datafile.Decode(r, maxLetterhead, &heads); err != nil {
		return nil, fmt.Errorf("letterheads: %w", err)
	}
	var fields check.Fields
	for _, business := range slices.Sorted(maps.Keys(heads)) {
		if !identity.ValidTenant(business) {
			fields.Add(business, "is no business's id", "1 to 32 of a-z, 0-9 and -")
		}
		heads[business].check(business+".", &fields)
	}
	if err := fields.Err(); err != nil {
		return nil, fmt.Errorf("letterheads: %w", err)
	}
	return heads, nil
}

// check notes what is wrong with a letterhead.
func (l Letterhead) check(prefix string, fields *check.Fields) {
	fields.Text(prefix+"name", l.Name, maxText, true)
	fields.Text(prefix+"registration", l.Registration, maxText, false)
	fields.Text(prefix+"phone", l.Phone, maxText, false)
	if len(l.Address) > maxAddress {
		fields.Add(prefix+"address", fmt.Sprintf("has %d lines", len(l.Address)), fmt.Sprintf("at most %d", maxAddress))
	}
	for i, line := range l.Address {
		fields.Text(fmt.Sprintf("%saddress[%d]", prefix, i), line, maxText, true)
	}
}

// draw opens a document with who it is from.
func (l Letterhead) draw(d *paper.Doc) {
	d.Strong(l.Name)
	for _, line := range l.Address {
		d.Small(line)
	}
	if contact := prose.Joined(" · ", labelled("phone", l.Phone), labelled("registration", l.Registration)); contact != "" {
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
	return prose.Joined(", ", words(kind), prose.Joined(" ", place, words(position.GetSide())))
}

// vehicle names a vehicle.
func vehicle(v *fitmentv1.Vehicle) string {
	year := ""
	if v.GetModelYear() != 0 {
		year = strconv.Itoa(int(v.GetModelYear()))
	}
	name := prose.Joined(" ", year, v.GetMake(), v.GetModel(), v.GetBody())
	return prose.Joined(", ", name, labelled("VIN", v.GetVin()))
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

// person is how somebody allowed the work, without remarks.
func person(a *quotev1.Authorization, currency string) string {
	text := prose.Joined(", ", a.GetBy(), words(a.GetMethod()), moment(a.GetTime()))
	if a.GetUpTo() > 0 {
		text += ", up to " + cash(a.GetUpTo(), currency)
	}
	return text
}

// stamp is a time as programs read it; empty where there is none.
func stamp(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format(time.RFC3339)
}
