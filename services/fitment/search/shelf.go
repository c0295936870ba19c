package search

import (
	"maps"
	"slices"
	"sync/atomic"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
)

// shelf is the catalogue as searches read it. A search takes it while it holds
// the index's lock and reads on without the lock; whoever wants to change a
// shelf that somebody reads changes a clone instead and puts that in its place.
type shelf struct {
	*catalogue.Catalogue

	// replacedBy gives, for the key of a number, the keys of those that some
	// supersession puts in its place, on whatever condition.
	replacedBy map[string][]string
	// at is the version of the last change.
	at int64
	// readers counts the searches that read it without the lock. It rises only
	// under the index's lock, so who has that lock for writing and sees none may
	// change the shelf.
	readers atomic.Int64
}

func newShelf() *shelf {
	return &shelf{Catalogue: catalogue.New(), replacedBy: map[string][]string{}}
}

func (s *shelf) clone() *shelf {
	next := &shelf{Catalogue: s.Clone(), replacedBy: maps.Clone(s.replacedBy), at: s.at}
	for older, newer := range next.replacedBy {
		next.replacedBy[older] = slices.Clone(newer)
	}
	return next
}

// put puts a record of the catalogue; any other it leaves alone.
func (s *shelf) put(message proto.Message, version int64) error {
	switch m := message.(type) {
	case *fitmentv1.Part:
		s.at = version
		return s.PutPart(m)
	case *fitmentv1.Supersession:
		s.at = version
		return s.putSupersession(m)
	case *fitmentv1.Recall:
		s.at = version
		return s.PutRecall(m)
	}
	return nil
}

// putSupersession also notes which number may replace which. A supersession's
// name is made of its numbers, so a later record of that name replaces the same.
func (s *shelf) putSupersession(m *fitmentv1.Supersession) error {
	if err := s.PutSupersession(m); err != nil {
		return err
	}
	older, err := catalogue.NumberKey(m.GetOldNumber())
	if err != nil {
		return err
	}
	newer, err := catalogue.NumberKey(m.GetNewNumber())
	if err == nil && !slices.Contains(s.replacedBy[older], newer) {
		s.replacedBy[older] = append(s.replacedBy[older], newer)
	}
	return err
}

// numbersFor lists the keys of the part numbers that a right part may bear: the
// catalogue's for the vehicle, the one on the part to be replaced, and what
// replaces that in one step.
func (s *shelf) numbersFor(need *fitmentv1.Need) []string {
	var keys []string
	for _, match := range s.Right(need) {
		if key, err := catalogue.NumberKey(match.Part.GetNumber()); err == nil {
			keys = append(keys, key)
		}
	}
	if key, err := catalogue.NumberKey(need.GetPartNumber()); err == nil {
		keys = append(keys, key)
		keys = append(keys, s.replacedBy[key]...)
	}
	slices.Sort(keys)
	return slices.Compact(keys)
}
