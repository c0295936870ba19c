package keys

import (
	"context"
	"time"

	"beltwright.example/services/store"
)

// waitingUses is how many uses wait to be noted at most. More are dropped: the next
// use of the same key is noted in their place.
const waitingUses = 256

// noteTimeout bounds the noting of one use.
const noteTimeout = 5 * time.Second

// use is one use of a key.
type use struct {
	key store.Key
	day string
}

func dayOf(now time.Time) string { return now.UTC().Format(time.DateOnly) }

// noteUse has the day of a use written down, where that day is not. It never waits:
// no call is held up by it.
func (s *Store) noteUse(key store.Key, kept record, now time.Time) {
	today := dayOf(now)
	if kept.Used >= today { // also where the clock went back
		return
	}
	select {
	case s.uses <- use{key, today}:
	default:
	}
}

// Run writes down on which days keys are used, once a day for each key, until the
// context ends. What cannot be written is left for the key's next use.
func (s *Store) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case u := <-s.uses:
			s.writeUse(ctx, u)
		}
	}
}

func (s *Store) writeUse(ctx context.Context, u use) {
	ctx, cancel := context.WithTimeout(ctx, noteTimeout)
	defer cancel()
	found, err := s.records.Get(ctx, u.key)
	if err != nil {
		return
	}
	kept, err := decode(found)
	if err != nil || kept.Used >= u.day {
		return
	}
	kept.Used = u.day
	value, err := kept.encode()
	if err != nil {
		return
	}
	// Whoever changed the record meanwhile, such as by revoking it, is not undone.
	_, _ = s.records.Apply(ctx, store.Change{Puts: []store.Put{{Key: u.key, Expect: found.Version, Value: value}}})
}
