package catalogue

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
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
// on the whole. That is all that bears a number which the need or the listing
// states or which is right for the need, every supersession that was looked at on
// the way there, the recall notices for the makers and numbers among them, and the
// data of the vehicles' makes. Its records are shared with the catalogue and must
// not be changed; their order is always the same.
func (c *Catalogue) Excerpt(need *fitmentv1.Need, listing *fitmentv1.Listing) *fitmentv1.Facts {
	e := excerpt{cat: c, parts: map[*fitmentv1.Part]struct{}{}, links: map[*link]struct{}{}, notices: map[*notice]struct{}{}}
	numbers, settled := statedNumbers(listing)
	makers := statedMakers(need, listing)
	for _, match := range e.rights(need) {
		numbers = append(numbers, match.Part.GetNumber())
		makers = append(makers, match.Part.GetMaker())
	}
	numbers = append(numbers, need.GetPartNumber())
	for _, number := range numbers {
		makers = append(makers, e.number(number)...)
	}
	e.replaced(need)
	for _, maker := range makers {
		e.recalls(Fold(maker), need.GetKind(), settled)
	}
	facts := e.facts()
	facts.VehicleData = c.dataOf(need.GetVehicle().GetMake(), listing.GetDonor().GetMake())
	return facts
}

// statedNumbers lists the numbers that a listing states; settled tells whether
// they are all the same one, so that no question is asked about a part of an
// unknown number.
func statedNumbers(listing *fitmentv1.Listing) (numbers []string, settled bool) {
	if listing.GetPartNumber() != "" {
		numbers = append(numbers, listing.GetPartNumber())
	}
	for _, e := range listing.GetEvidence() {
		if e.GetAttribute() == fitmentv1.Evidence_PART_NUMBER {
			numbers = append(numbers, e.GetValue())
		}
	}
	keys := map[string]struct{}{}
	for _, number := range numbers {
		k, err := NumberKey(number)
		if err != nil {
			return numbers, false
		}
		keys[k] = struct{}{}
	}
	return numbers, len(keys) == 1
}

func statedMakers(need *fitmentv1.Need, listing *fitmentv1.Listing) []string {
	makers := []string{need.GetPartMaker(), listing.GetPartMaker()}
	for _, e := range listing.GetEvidence() {
		if e.GetAttribute() == fitmentv1.Evidence_PART_MAKER {
			makers = append(makers, e.GetValue())
		}
	}
	return makers
}

// excerpt collects records.
type excerpt struct {
	cat     *Catalogue
	parts   map[*fitmentv1.Part]struct{}
	links   map[*link]struct{}
	notices map[*notice]struct{}
}

func (e *excerpt) part(part *fitmentv1.Part) {
	if part != nil {
		e.parts[part] = struct{}{}
	}
}

// walked takes what a walk looked at, and the parts that it led to.
func (e *excerpt) walked(looked []*link) {
	for _, one := range looked {
		e.links[one] = struct{}{}
		e.part(e.cat.parts[one.newer])
	}
}

// rights takes the parts that are right for a need and the ways to them.
func (e *excerpt) rights(need *fitmentv1.Need) []Match {
	found, looked := e.cat.rights(need)
	e.walked(looked)
	for _, match := range found.Matches {
		k, _ := key(match.Part.GetMaker(), match.Part.GetNumber())
		e.part(e.cat.parts[k])
	}
	return found.Matches
}

// number takes everything that bears a number, whoever made it, and returns the
// makers.
func (e *excerpt) number(number string) []string {
	k, err := NumberKey(number)
	if err != nil {
		return nil
	}
	var makers []string
	for _, part := range e.cat.byNumber[k] {
		e.part(part)
		makers = append(makers, part.GetMaker())
	}
	for _, maker := range e.cat.named[k] {
		for _, index := range []map[partKey][]*link{e.cat.byOld, e.cat.byNew} {
			for _, one := range index[partKey{maker, k}] {
				e.links[one] = struct{}{}
			}
		}
	}
	for _, n := range e.cat.recallsByNumber[k] {
		e.notices[n] = struct{}{}
	}
	return makers
}

// replaced takes what replaces the number on the part to be replaced, whoever made
// it.
func (e *excerpt) replaced(need *fitmentv1.Need) {
	k, err := NumberKey(need.GetPartNumber())
	if err != nil {
		return
	}
	for _, maker := range e.cat.named[k] {
		if walk := e.cat.Replacements(maker, k, need.GetVehicle()).walk; walk != nil {
			e.walked(walk.looked)
		}
	}
}

// recalls takes the notices that may concern a maker's part of a kind, beside those
// that name its number; where the number is not settled, those of every number.
func (e *excerpt) recalls(maker string, kind fitmentv1.Part_Kind, settled bool) {
	if maker == "" {
		return
	}
	indexes := []map[recallKey][]*notice{e.cat.recallsOfAll}
	if !settled {
		indexes = append(indexes, e.cat.recallsOfSome)
	}
	for _, index := range indexes {
		for _, list := range ofKind(nil, index, asked{RecallQuery: RecallQuery{Kind: kind}, maker: maker}) {
			for _, n := range list {
				e.notices[n] = struct{}{}
			}
		}
	}
}

// facts puts what was collected in order.
func (e *excerpt) facts() *fitmentv1.Facts {
	facts := &fitmentv1.Facts{}
	facts.Parts = slices.SortedFunc(maps.Keys(e.parts), comparePart)
	for _, one := range slices.SortedFunc(maps.Keys(e.links), compareLinks) {
		facts.Supersessions = append(facts.Supersessions, one.Supersession)
	}
	// The order of recalls is that in which they were put in: answers list them so.
	for _, n := range slices.SortedFunc(maps.Keys(e.notices), func(a, b *notice) int { return cmp.Compare(a.put, b.put) }) {
		facts.Recalls = append(facts.Recalls, n.Recall)
	}
	return facts
}

// compareLinks orders supersessions by name, and those of one name by what they
// say.
func compareLinks(a, b *link) int {
	if order := strings.Compare(a.GetName(), b.GetName()); order != 0 {
		return order
	}
	one, _ := encoding.Marshal(a.Supersession) // where it fails they count as equal
	other, _ := encoding.Marshal(b.Supersession)
	return bytes.Compare(one, other)
}

// dataOf lists the data of some makes, in order of name.
func (c *Catalogue) dataOf(makes ...string) []*fitmentv1.VehicleData {
	folded := make([]string, 0, len(makes))
	for _, one := range makes {
		folded = append(folded, Fold(one))
	}
	slices.Sort(folded)
	var list []*fitmentv1.VehicleData
	for _, one := range slices.Compact(folded) {
		for _, row := range c.vehiclesByMake[one] {
			list = append(list, row.VehicleData)
		}
	}
	slices.SortStableFunc(list, func(a, b *fitmentv1.VehicleData) int { return strings.Compare(a.GetName(), b.GetName()) })
	return list
}
