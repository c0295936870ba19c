package search

import (
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

	// at is the version of the last change.
	at int64
	// readers counts the searches that read it without the lock. It rises only
	// under the index's lock, so who has that lock for writing and sees none may
	// change the shelf.
	readers atomic.Int64
}

func newShelf() *shelf {
	return &shelf{Catalogue: catalogue.New()}
}

func (s *shelf) clone() *shelf { return &shelf{Catalogue: s.Clone(), at: s.at} }

// put puts a record of the catalogue; any other it leaves alone.
func (s *shelf) put(message proto.Message, version int64) error {
	switch m := message.(type) {
	case *fitmentv1.Part:
		s.at = version
		return s.PutPart(m)
	case *fitmentv1.Supersession:
		s.at = version
		return s.PutSupersession(m)
	case *fitmentv1.Recall:
		s.at = version
		return s.PutRecall(m)
	case *fitmentv1.VehicleData:
		s.at = version
		return s.PutVehicleData(m)
	}
	return nil
}

// numbersFor lists the keys of the part numbers that a right part may bear: the
// catalogue's for the vehicle, the one on the part to be replaced, and what
// replaces that, whoever made it. Where supersessions are too many to be followed,
// what lies beyond is found by its donor only.
func (s *shelf) numbersFor(need *fitmentv1.Need) []string {
	var keys []string
	for _, match := range s.Right(need) {
		if key, err := catalogue.NumberKey(match.Part.GetNumber()); err == nil {
			keys = append(keys, key)
		}
	}
	if key, err := catalogue.NumberKey(need.GetPartNumber()); err == nil {
		keys = append(keys, key)
		keys = append(keys, s.ReplacedBy(key, need.GetVehicle())...)
	}
	slices.Sort(keys)
	return slices.Compact(keys)
}
