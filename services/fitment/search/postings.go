package search

import (
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
)

// offer is one listing that is on sale, as it was at one version. The listing
// never changes; a later version is another offer.
type offer struct {
	name    string
	version int64
	listing *fitmentv1.Listing
}

// entry is where a listing that is on sale stands in the index, with its latest
// offer. It changes under the index's lock only.
type entry struct {
	offer

	numbers []string
	// holder is whose hold the record states, whether or not it has run out;
	// empty where it states none.
	holder string
	donor  donorKey
	seat   seat
}

// donorKey finds the listings of one kind from one model.
type donorKey struct {
	make, model string
	kind        fitmentv1.Part_Kind
}

// seat is a position as far as it is stated.
type seat struct {
	row  int32
	side fitmentv1.Position_Side
}

// postings finds entries by what is exact about them.
type postings struct {
	all      map[string]*entry
	byNumber map[string][]*entry
	byDonor  map[donorKey]map[seat][]*entry
	byHolder map[string]map[*entry]struct{}
}

func newPostings() postings {
	return postings{
		all: map[string]*entry{}, byNumber: map[string][]*entry{}, byDonor: map[donorKey]map[seat][]*entry{},
		byHolder: map[string]map[*entry]struct{}{},
	}
}

// put makes the listing's present state the one that is found; what is sold or
// withdrawn is found no more.
func (p *postings) put(name string, version int64, l *fitmentv1.Listing) {
	old := p.all[name]
	onSale := l.GetState() == fitmentv1.Listing_AVAILABLE || l.GetState() == fitmentv1.Listing_HELD
	if !onSale {
		p.drop(old)
		return
	}
	next := &entry{offer: offer{name, version, l}, numbers: numbersOf(l), donor: donorOf(l), seat: seatOf(l.GetPosition())}
	if old != nil && old.samePlace(next) {
		old.offer = next.offer
		p.held(old, holderOf(l))
		return
	}
	p.drop(old)
	p.all[name] = next
	for _, number := range next.numbers {
		p.byNumber[number] = append(p.byNumber[number], next)
	}
	seats := p.byDonor[next.donor]
	if seats == nil {
		seats = map[seat][]*entry{}
		p.byDonor[next.donor] = seats
	}
	seats[next.seat] = append(seats[next.seat], next)
	p.held(next, holderOf(l))
}

// held notes whose hold an entry states now.
func (p *postings) held(e *entry, holder string) {
	if e.holder == holder {
		return
	}
	if theirs := p.byHolder[e.holder]; theirs != nil {
		delete(theirs, e)
		if len(theirs) == 0 {
			delete(p.byHolder, e.holder)
		}
	}
	e.holder = holder
	if holder == "" {
		return
	}
	theirs := p.byHolder[holder]
	if theirs == nil {
		theirs = map[*entry]struct{}{}
		p.byHolder[holder] = theirs
	}
	theirs[e] = struct{}{}
}

func holderOf(l *fitmentv1.Listing) string {
	if l.GetState() != fitmentv1.Listing_HELD {
		return ""
	}
	return l.GetHold().GetHolder()
}

func (p *postings) drop(e *entry) {
	if e == nil {
		return
	}
	p.held(e, "")
	delete(p.all, e.name)
	for _, number := range e.numbers {
		if left := without(p.byNumber[number], e); len(left) > 0 {
			p.byNumber[number] = left
		} else {
			delete(p.byNumber, number)
		}
	}
	seats := p.byDonor[e.donor]
	if left := without(seats[e.seat], e); len(left) > 0 {
		seats[e.seat] = left
	} else {
		delete(seats, e.seat)
	}
	if len(seats) == 0 {
		delete(p.byDonor, e.donor)
	}
}

// without removes one entry; the order of the others does not matter.
func without(entries []*entry, gone *entry) []*entry {
	for i, e := range entries {
		if e == gone {
			last := len(entries) - 1
			entries[i], entries[last] = entries[last], nil
			return entries[:last]
		}
	}
	return entries
}

func (e *entry) samePlace(other *entry) bool {
	return e.donor == other.donor && e.seat == other.seat && slices.Equal(e.numbers, other.numbers)
}

// numbersOf lists the keys of every part number that a listing states, in its
// own field or as evidence: where they differ, it is found under each.
func numbersOf(l *fitmentv1.Listing) []string {
	var keys []string
	add := func(number string) {
		// What is empty or no number matches nothing.
		if key, err := catalogue.NumberKey(number); err == nil && !slices.Contains(keys, key) {
			keys = append(keys, key)
		}
	}
	add(l.GetPartNumber())
	for _, e := range l.GetEvidence() {
		if e.GetAttribute() == fitmentv1.Evidence_PART_NUMBER {
			add(e.GetValue())
		}
	}
	return keys
}

func donorOf(l *fitmentv1.Listing) donorKey {
	return donorKey{
		make: catalogue.Fold(l.GetDonor().GetMake()), model: catalogue.Fold(l.GetDonor().GetModel()), kind: l.GetKind(),
	}
}

func seatOf(p *fitmentv1.Position) seat { return seat{row: p.GetRow(), side: p.GetSide()} }

// compatible tells whether two positions can be the same, what is not stated
// being anything.
func (s seat) compatible(other seat) bool {
	return (s.row == 0 || other.row == 0 || s.row == other.row) &&
		(s.side == 0 || other.side == 0 || s.side == other.side)
}
