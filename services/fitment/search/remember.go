package search

import (
	"container/list"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"sync"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

const (
	// worthRemembering is the least number of offers whose ranks are kept: fewer
	// are ranked again at once.
	worthRemembering = 256
	// rememberedRanks bounds the ranks that are kept, of all questions together.
	rememberedRanks = 200_000
)

// rank is what a question makes of one version of a listing.
type rank struct {
	order   int
	minutes float64
}

// ranking is what a question makes of many. A listing never changes, so the
// pointer to it stands for its version. A ranking is not changed once it is
// remembered.
type ranking map[*fitmentv1.Listing]rank

// questionKey stands for a need, the catalogue's version and the day: all that a
// rank depends on beside the listing.
type questionKey [sha256.Size]byte

func keyOf(need *fitmentv1.Need, base Cursor) (questionKey, error) {
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(need)
	if err != nil {
		return questionKey{}, fmt.Errorf("mark a need: %w", err)
	}
	raw = binary.BigEndian.AppendUint64(raw, uint64(base.Catalogue))
	return sha256.Sum256(append(raw, base.Day...)), nil
}

// memory keeps the rankings that were used last, so that the second page of many
// donors does not cost what the first did.
type memory struct {
	mu    sync.Mutex
	by    map[questionKey]*list.Element
	used  list.List // of remembered, the last used in front
	ranks int
}

type remembered struct {
	key     questionKey
	ranking ranking
}

func newMemory() *memory { return &memory{by: map[questionKey]*list.Element{}} }

// recall returns what is remembered, which may be nothing.
func (m *memory) recall(key questionKey) ranking {
	m.mu.Lock()
	defer m.mu.Unlock()
	at, known := m.by[key]
	if !known {
		return nil
	}
	m.used.MoveToFront(at)
	one, _ := at.Value.(remembered)
	return one.ranking
}

// keep remembers a ranking in place of the one before, and forgets those that
// were not used for longest where there are too many.
func (m *memory) keep(key questionKey, r ranking) {
	if len(r) < worthRemembering || len(r) > rememberedRanks {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.forget(m.by[key])
	m.by[key] = m.used.PushFront(remembered{key, r})
	for m.ranks += len(r); m.ranks > rememberedRanks; {
		m.forget(m.used.Back())
	}
}

func (m *memory) forget(at *list.Element) {
	if at == nil {
		return
	}
	one, _ := m.used.Remove(at).(remembered)
	delete(m.by, one.key)
	m.ranks -= len(one.ranking)
}
