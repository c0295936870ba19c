package document

import (
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/prose"
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
		d.Pairs(returned(seen))
		d.Heading("Handle with care")
		d.List(cautions(seen.GetKind()))
		evidence(d, seen.GetEvidence())
	})
}

// returned says why a part came back: nobody may take its tag for that of a part on
// sale.
func returned(l *fitmentv1.Listing) []paper.Pair {
	sale := ""
	if l.GetState() == fitmentv1.Listing_RETURNING {
		sale = "not on sale: on its way back"
	}
	return []paper.Pair{
		{Name: "state", Value: sale},
		{Name: "failed on arrival", Value: strings.Join(l.GetReturnReport().GetFailedChecks(), " ")},
	}
}

// changed is when the listing last changed.
func changed(l *fitmentv1.Listing) time.Time {
	if l.GetUpdateTime() != nil {
		return l.GetUpdateTime().AsTime()
	}
	return l.GetCreateTime().AsTime()
}

// evidence sums up what is known of the part by how well it is known, so that the
// tag stays on one sheet; the listing says the rest.
func evidence(d *paper.Doc, all []*fitmentv1.Evidence) {
	if len(all) == 0 {
		return
	}
	known := map[fitmentv1.Evidence_Level][]string{}
	for _, e := range all {
		value := e.GetValue()
		switch e.GetAttribute() {
		case fitmentv1.Evidence_LOOP_RESISTANCE:
			value = prose.Joined(" ", value, "Ω", words(e.GetReading().GetMethod()))
		case fitmentv1.Evidence_PART_KIND, fitmentv1.Evidence_PART_POSITION, fitmentv1.Evidence_DONOR_DRIVE_SIDE:
			value = strings.ToLower(strings.ReplaceAll(value, "_", " ")) // names of enums
		default:
		}
		known[e.GetLevel()] = append(known[e.GetLevel()], prose.Joined(": ", words(e.GetAttribute()), value))
	}
	d.Heading("What is known of it")
	d.Pairs([]paper.Pair{
		{Name: "confirmed by others", Value: strings.Join(known[fitmentv1.Evidence_CONFIRMED], "; ")},
		{Name: "shown", Value: strings.Join(known[fitmentv1.Evidence_SHOWN], "; ")},
		{Name: "claimed by the yard", Value: strings.Join(append(known[fitmentv1.Evidence_CLAIMED], known[fitmentv1.Evidence_LEVEL_UNSPECIFIED]...), "; ")},
	})
}
