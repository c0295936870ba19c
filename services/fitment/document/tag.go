package document

import (
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/paper"
)

// codeSide is the side of the tag's code, in millimetres: it is read from an arm's
// length.
const codeSide = 48

// Tag draws the tag of a listing, with a code that opens it. Address is what the
// listing's name is put behind to open it, without a stroke at its end. Errors:
// paper.ErrSize, and what cannot be drawn.
func Tag(l *fitmentv1.Listing, address string, now time.Time, size paper.Size) ([]byte, error) {
	seen := masked(l, now)
	sheet := paper.Sheet{Size: size, Title: "Tag " + l.GetStockNumber(), Foot: l.GetYard(), Made: changed(l)}
	return paper.Render(sheet, func(d *paper.Doc) {
		d.Code(address+"/v1/"+l.GetName(), codeSide, func() {
			d.Huge(l.GetStockNumber(), 48)
			d.Huge(words(seen.GetKind()), 20)
			d.Huge(place(seen.GetPosition()), 20)
		})
		d.Gap(2)
		d.Rule()
		d.Gap(1)
		d.Pairs(pairs(seen))
		d.Heading("Handle with care")
		d.List(cautions(seen.GetKind()))
		evidence(d, seen.GetEvidence())
	})
}

// changed is when the listing last changed.
func changed(l *fitmentv1.Listing) time.Time {
	if l.GetUpdateTime() != nil {
		return l.GetUpdateTime().AsTime()
	}
	return l.GetCreateTime().AsTime()
}

// evidence lists what is known of the part, and how.
func evidence(d *paper.Doc, all []*fitmentv1.Evidence) {
	var rows []paper.Row
	for _, e := range all {
		value := e.GetValue()
		if e.GetAttribute() == fitmentv1.Evidence_LOOP_RESISTANCE && value != "" {
			value += " Ω, " + words(e.GetReading().GetMethod())
		}
		rows = append(rows, paper.Row{Cells: []string{words(e.GetAttribute()), value, words(e.GetLevel()), joined(", ", e.GetHow(), e.GetBy()), e.GetDate()}})
	}
	if len(rows) == 0 {
		return
	}
	d.Heading("What is known of it")
	d.Table([]paper.Column{
		{Name: "what", Share: 2.2},
		{Name: "value", Share: 2.2},
		{Name: "level", Share: 1},
		{Name: "how, by", Share: 2.2},
		{Name: "day", Share: 1},
	}, rows)
}
