package catalogue

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// FromFacts makes a catalogue of an excerpt. It fails where a record is none that
// a catalogue holds. The records are kept and must not be changed afterwards.
func FromFacts(facts *fitmentv1.Facts) (*Catalogue, error) {
	c := New()
	for i, part := range facts.GetParts() {
		if err := c.PutPart(part); err != nil {
			return nil, fmt.Errorf("parts[%d]: %w", i, err)
		}
	}
	for i, s := range facts.GetSupersessions() {
		if err := c.PutSupersession(s); err != nil {
			return nil, fmt.Errorf("supersessions[%d]: %w", i, err)
		}
	}
	for i, r := range facts.GetRecalls() {
		if err := c.PutRecall(r); err != nil {
			return nil, fmt.Errorf("recalls[%d]: %w", i, err)
		}
	}
	for i, data := range facts.GetVehicleData() {
		if err := c.PutVehicleData(data); err != nil {
			return nil, fmt.Errorf("vehicle_data[%d]: %w", i, err)
		}
	}
	return c, nil
}

// Excerpt is the part of the catalogue that a decision of the need and the listing
// can depend on: deciding on it gives the same answer, in every word, as deciding
// on the whole. Its records are shared with the catalogue and must not be changed;
// their order is always the same.
func (c *Catalogue) Excerpt(need *fitmentv1.Need, listing *fitmentv1.Listing) *fitmentv1.Facts {
	facts := &fitmentv1.Facts{}
	for _, part := range c.parts {
		facts.Parts = append(facts.Parts, part)
	}
	for _, s := range c.supersessions {
		facts.Supersessions = append(facts.Supersessions, s)
	}
	for _, r := range c.recalls {
		facts.Recalls = append(facts.Recalls, r.Recall)
	}
	for _, row := range c.vehicleData {
		facts.VehicleData = append(facts.VehicleData, row.VehicleData)
	}
	slices.SortFunc(facts.GetParts(), func(a, b *fitmentv1.Part) int {
		return cmp.Or(strings.Compare(a.GetMaker(), b.GetMaker()), strings.Compare(a.GetNumber(), b.GetNumber()))
	})
	return facts
}
