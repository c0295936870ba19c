package rules

import (
	"sync"

	"beltwright.example/services/fitment/catalogue"
)

// memo keeps what several listings of one question have in common and what cannot
// be worked out before the first of them is seen. It is safe for concurrent use.
type memo struct {
	lock      sync.Mutex
	laws      map[string]*law
	replacing map[string]catalogue.Replacements
}

func newMemo() *memo {
	return &memo{laws: map[string]*law{}, replacing: map[string]catalogue.Replacements{}}
}

// lawAt is the law for a seller's place.
func (q *Question) lawAt(seller string) *law {
	q.memo.lock.Lock()
	defer q.memo.lock.Unlock()
	found := q.memo.laws[seller]
	if found == nil {
		found = q.weighLaw(seller)
		q.memo.laws[seller] = found
	}
	return found
}

// replacing is what replaces the number on the part to be replaced, where it is a
// maker's.
func (q *Question) replacing(maker string) catalogue.Replacements {
	q.memo.lock.Lock()
	defer q.memo.lock.Unlock()
	found, known := q.memo.replacing[maker]
	if !known {
		found = q.cat.Replacements(maker, q.replaced, q.need.GetVehicle())
		q.memo.replacing[maker] = found
	}
	return found
}
