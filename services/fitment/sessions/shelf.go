package sessions

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"beltwright.example/services/store"
)

// place is a session on its person's shelf.
type place struct {
	ID      string    `json:"id"`
	Expires time.Time `json:"expires"`
	Ended   time.Time `json:"ended,omitzero"`
}

// over is when the session ends at the latest.
func (p place) over() time.Time {
	if !p.Ended.IsZero() {
		return p.Ended
	}
	return p.Expires
}

func (p place) live(now time.Time) bool { return now.Before(p.over()) && p.Ended.IsZero() }

// shelf lists the sessions of one person, oldest first, so that their number is
// bounded and all can be ended in one step.
type shelf struct {
	places  []place
	key     store.Key
	version int64
}

func (s *Store) shelf(ctx context.Context, business, person string) (*shelf, error) {
	at := &shelf{key: store.Key{Tenant: business, Kind: ShelfKind, ID: person}, version: store.Absent}
	found, err := s.records.Get(ctx, at.key)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return at, nil
	case err != nil:
		return nil, fmt.Errorf("sessions: %w", err)
	}
	at.version = found.Version
	if err := json.Unmarshal(found.Value, &at.places); err != nil {
		return nil, fmt.Errorf("sessions: list of %s in %s: %w", person, business, err)
	}
	return at, nil
}

// put writes the shelf, which must be as it was read.
func (s *shelf) put() (store.Put, error) {
	value, err := json.Marshal(s.places)
	if err != nil {
		return store.Put{}, fmt.Errorf("sessions: %w", err)
	}
	return store.Put{Key: s.key, Expect: s.version, Value: value}, nil
}

// wait is how long it takes until another session may begin; 0 for not at all.
func (s *shelf) wait(now time.Time) time.Duration {
	var begun []time.Time
	for _, one := range s.places {
		if at := one.Expires.Add(-Lifetime); now.Sub(at) < time.Hour {
			begun = append(begun, at)
		}
	}
	if len(begun) < MaxAnHour {
		return 0
	}
	slices.SortFunc(begun, time.Time.Compare)
	return begun[len(begun)-MaxAnHour].Add(time.Hour).Sub(now)
}

// add puts a session on the shelf. It returns the sessions that give way to it, and
// those that are forgotten, which are no longer on it.
func (s *shelf) add(p place, now time.Time) (give, forget []string) {
	kept := make([]place, 0, len(s.places)+1)
	live := 0
	for _, one := range s.places {
		if now.Sub(one.over()) >= Remembered {
			forget = append(forget, one.ID)
			continue
		}
		if one.live(now) {
			live++
		}
		kept = append(kept, one)
	}
	for i := range kept {
		if live < MaxLive {
			break
		}
		if kept[i].live(now) {
			kept[i].Ended = now
			give = append(give, kept[i].ID)
			live--
		}
	}
	for len(kept) >= MaxListed {
		i := 0
		for kept[i].live(now) { // at most MaxLive of MaxListed are
			i++
		}
		forget = append(forget, kept[i].ID)
		kept = append(kept[:i], kept[i+1:]...)
	}
	kept = append(kept, p)
	s.places = kept
	return give, forget
}

// end notes the end of a session, or of all but one where all is set.
func (s *shelf) end(now time.Time, ends func(id string) bool) {
	for i := range s.places {
		if s.places[i].live(now) && ends(s.places[i].ID) {
			s.places[i].Ended = now
		}
	}
}
