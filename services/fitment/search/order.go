package search

import (
	"cmp"
	"container/heap"
	"slices"
	"strings"
)

// Cursor is the place of a donor in the order of one search, and what the
// search stands on. A donor's place depends on nothing but itself and that, so
// going on after a place neither misses nor repeats a donor that stayed as it
// was, whatever happened to the others.
type Cursor struct {
	Rank     int     `json:"rank"`
	Minutes  float64 `json:"minutes"`
	Currency string  `json:"currency"`
	Price    int64   `json:"price"`
	Name     string  `json:"name"`
	// Epoch and Catalogue are the store and the version of its catalogue; Day is
	// the day of the decisions, YYYY-MM-DD.
	Epoch     string `json:"epoch"`
	Catalogue int64  `json:"catalogue"`
	Day       string `json:"day"`
}

// compare orders donors: by rank, then the work it takes to prove them, then
// price, then name. Amounts of different currencies do not compare, so a
// currency's donors stand together.
func (c Cursor) compare(other Cursor) int {
	return cmp.Or(cmp.Compare(c.Rank, other.Rank), cmp.Compare(c.Minutes, other.Minutes),
		strings.Compare(c.Currency, other.Currency), cmp.Compare(c.Price, other.Price), strings.Compare(c.Name, other.Name))
}

// candidate is a ranked offer with its place.
type candidate struct {
	offer offer
	at    Cursor
}

// best keeps the first few of any number of candidates. It is a heap with the
// last of those kept in front.
type best struct {
	limit int
	kept  []candidate
}

func (b *best) add(c candidate) {
	switch {
	case len(b.kept) < b.limit:
		heap.Push(b, c)
	case c.at.compare(b.kept[0].at) < 0:
		b.kept[0] = c
		heap.Fix(b, 0)
	}
}

// ordered returns those kept, the first in front.
func (b *best) ordered() []candidate {
	slices.SortFunc(b.kept, func(x, y candidate) int { return x.at.compare(y.at) })
	return b.kept
}

// Len implements heap.Interface.
func (b *best) Len() int { return len(b.kept) }

// Less implements heap.Interface.
func (b *best) Less(i, j int) bool { return b.kept[i].at.compare(b.kept[j].at) > 0 }

// Swap implements heap.Interface.
func (b *best) Swap(i, j int) { b.kept[i], b.kept[j] = b.kept[j], b.kept[i] }

// Push implements heap.Interface.
func (b *best) Push(one any) {
	if c, ok := one.(candidate); ok {
		b.kept = append(b.kept, c)
	}
}

// Pop implements heap.Interface.
func (b *best) Pop() any {
	last := len(b.kept) - 1
	c := b.kept[last]
	b.kept = b.kept[:last]
	return c
}
