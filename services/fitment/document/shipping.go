package document

import (
	"fmt"
	"slices"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/platform/transport"
)

// ReadMode reads how a part travels: road, passenger aircraft, cargo aircraft, sea
// or hand over, in capitals or not, with spaces, hyphens or underscores; empty is
// road. False for anything else.
func ReadMode(text string) (transport.Mode, bool) {
	fold := func(text string) string {
		return strings.Join(strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return r == ' ' || r == '-' || r == '_' }), " ")
	}
	if fold(text) == "" {
		return transport.Road, text == ""
	}
	i := slices.IndexFunc(transport.Modes(), func(mode transport.Mode) bool { return fold(string(mode)) == fold(text) })
	if i < 0 {
		return "", false
	}
	return transport.Modes()[i], true
}

// Shipping draws what the papers of a shipment of a listing must say, as far as
// it is known: who ships it with which training, and whether its design passed the
// test that its UN number takes, the listing does not say, so the answer is no more
// than what has to be settled first. Errors: paper.ErrSize, what
// transport.Decide refuses, and what cannot be drawn.
func Shipping(l *fitmentv1.Listing, mode transport.Mode, toRecycler bool, now time.Time, size paper.Size) ([]byte, error) {
	consignment := transport.Consignment{
		UN: l.GetTerms().GetUnNumber(), InComponent: tri(l.GetTerms().GetInComponent()), Mode: mode,
		GrossGrams: l.GetTerms().GetWeightGrams(), ToRecycler: tri(toRecycler), NeverInstalled: transport.No,
	}
	ruling, err := transport.Decide(consignment)
	if err != nil {
		return nil, fmt.Errorf("judge the shipment of %s: %w", l.GetName(), err)
	}
	seen := masked(l, now)
	sheet := paper.Sheet{Size: size, Title: "Shipping facts " + l.GetStockNumber(), Foot: l.GetYard(), Made: changed(l)}
	return paper.Render(sheet, func(d *paper.Doc) {
		d.Title("Facts for the papers of a shipment")
		d.Pairs(append([]paper.Pair{
			{Name: "listing", Value: seen.GetName()},
			{Name: "kind", Value: prose.Joined(", ", words(seen.GetKind()), place(seen.GetPosition()))},
		}, pairs(seen)...))
		d.Pairs([]paper.Pair{
			{Name: "travels", Value: string(mode)},
			{Name: "to", Value: destination(toRecycler)},
			{Name: "gross weight", Value: weight(consignment.GrossGrams)},
		})
		if !rules.HasSquib(seen.GetKind()) && consignment.UN == "" {
			d.Gap(2)
			d.Strong("By its kind this part holds no charge, so the rules for UN3268 and UN0503 do not count for it. (common practice, no source)")
		} else {
			judged(d, ruling)
		}
		d.Heading("Handle with care")
		d.List(cautions(seen.GetKind()))
		d.Gap(1)
		d.Small("These are facts for the papers and not the papers themselves: somebody trained makes them out and signs them. What is said of the law is no legal advice; a carrier may ask for more.")
	})
}

// verdicts say what a ruling comes to.
var verdicts = map[transport.Tri]string{
	transport.Yes:     "It may be shipped so.",
	transport.No:      "It may not be shipped so.",
	transport.Unknown: "Whether it may be shipped so is not settled: first settle what is not known below.",
}

// judged writes a ruling with its sources.
func judged(d *paper.Doc, ruling transport.Ruling) {
	d.Gap(2)
	d.Strong(verdicts[ruling.Allowed])
	reasons := make([]paper.Row, 0, len(ruling.Reasons))
	for _, reason := range ruling.Reasons {
		reasons = append(reasons, paper.Row{Cells: []string{reason.Text, reason.Source}})
	}
	d.Gap(1)
	d.Table([]paper.Column{{Name: "why", Share: 3}, {Name: "source", Share: 2}}, reasons)
	facts := make([]paper.Row, 0, len(ruling.Papers))
	for _, fact := range ruling.Papers {
		facts = append(facts, paper.Row{Cells: []string{fact.Name, fact.Value, fact.Source}})
	}
	if len(facts) == 0 {
		return
	}
	d.Heading("Papers and package")
	d.Table([]paper.Column{{Name: "what", Share: 1.6}, {Name: "write", Share: 3}, {Name: "source", Share: 2.4}}, facts)
}

func tri(is bool) transport.Tri {
	if is {
		return transport.Yes
	}
	return transport.No
}

func destination(toRecycler bool) string {
	if toRecycler {
		return "a recycling facility"
	}
	return "a buyer, who is no recycling facility"
}

func weight(grams int64) string {
	if grams == 0 {
		return "not stated"
	}
	return fmt.Sprintf("%d.%03d kg", grams/1000, grams%1000)
}
