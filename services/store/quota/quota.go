// Package quota keeps businesses from filling a store: it counts the records of each
// business and kind and refuses changes that make more than may be kept. What is
// there may always be changed, and a record that was emptied, which is how records
// are deleted, no longer counts.
//
// The counts are read from the store's feed when it is opened and kept in memory
// from then on, so all writes have to go through the one decorator.
package quota

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"beltwright.example/services/store"
)

// Override is another limit for one business.
type Override struct {
	// Business is the business's id.
	Business string
	// Name is the kind's name.
	Name string
	// Limit is how many it may keep; 0 for any number.
	Limit int
}

// Store is a store whose records are counted.
type Store struct {
	store.Store

	kinds  map[string]store.Counted
	limits map[slot]int // of businesses with a limit of their own

	// alone is held for reading by changes whose outcome says by itself what became
	// of the counts, and for writing by those for which what was there before has to
	// be looked at first.
	alone sync.RWMutex

	mu     sync.Mutex
	counts map[slot]int
	// working is how many writes are under way, whose callers may have gone; idle is
	// told when there is none.
	working int
	idle    *sync.Cond
}

// slot is what is counted together: a business's records of one kind.
type slot struct{ owner, kind string }

var _ store.Store = (*Store)(nil)

// countAtOnce is how many records are read from the feed at once.
const countAtOnce = 4096

// Wrap is Open with the limits of a list, as Parse reads it.
func Wrap(ctx context.Context, inner store.Store, list string, kinds []store.Counted, others ...string) (*Store, error) {
	kinds, overrides, err := Parse(list, kinds, others...)
	if err != nil {
		return nil, err
	}
	return Open(ctx, inner, kinds, overrides)
}

// Open counts what is in a store and returns it with limits. Closing it closes the
// store.
func Open(ctx context.Context, inner store.Store, kinds []store.Counted, overrides []Override) (*Store, error) {
	s := &Store{
		Store: inner, kinds: map[string]store.Counted{}, limits: map[slot]int{}, counts: map[slot]int{},
	}
	s.idle = sync.NewCond(&s.mu)
	names := map[string]store.Counted{}
	for _, kind := range kinds {
		if _, twice := names[kind.Name]; twice || s.kinds[kind.Kind].Kind != "" || kind.Kind == "" || kind.Name == "" || kind.Limit < 0 {
			return nil, fmt.Errorf("quota: kind %+v is there twice, has no name, or a negative limit", kind)
		}
		s.kinds[kind.Kind], names[kind.Name] = kind, kind
	}
	for _, override := range overrides {
		kind, known := names[override.Name]
		if !known || override.Limit < 0 {
			return nil, fmt.Errorf("quota: %s=%d of %s: expected a kind that is counted and 0 (any number) or more", override.Name, override.Limit, override.Business)
		}
		s.limits[slot{owner: override.Business, kind: kind.Kind}] = override.Limit
	}
	if err := s.count(ctx); err != nil {
		return nil, fmt.Errorf("quota: count: %w", err)
	}
	return s, nil
}

// count reads the whole feed.
func (s *Store) count(ctx context.Context) error {
	for after := int64(0); ; {
		records, err := s.Changes(ctx, after, countAtOnce)
		if err != nil || len(records) == 0 {
			return err
		}
		for _, record := range records {
			after = record.Version
			kind, counted := s.kinds[record.Key.Kind]
			switch {
			case !counted, len(record.Value) == 0:
			default:
				at, err := slotOf(kind, record)
				if err != nil {
					return err
				}
				s.counts[at]++
			}
		}
	}
}

// slotOf is where a record of a kind is counted.
func slotOf(k store.Counted, record store.Record) (slot, error) {
	at := slot{owner: record.Key.Tenant, kind: k.Kind}
	if k.Owner == nil {
		return at, nil
	}
	var err error
	if at.owner, err = k.Owner(record); err != nil {
		return at, fmt.Errorf("%s/%s/%s: %w", record.Key.Tenant, record.Key.Kind, record.Key.ID, err)
	}
	return at, nil
}

// Count is how many records of a kind, by its store's name, a business keeps.
func (s *Store) Count(owner, kind string) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.counts[slot{owner: owner, kind: kind}]
}

// Apply implements store.Store. A change that would make one record too many fails
// with a store.QuotaError and has no effect.
func (s *Store) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	if !s.concerned(changes) {
		return s.Store.Apply(ctx, changes...)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	type outcome struct {
		applied []store.Applied
		err     error
	}
	// A caller that goes leaves the outcome open, but the counts have to know it: so
	// the write goes on to its end, which a store does not keep anybody waiting for.
	done := make(chan outcome, 1)
	s.begin()
	go func() {
		defer s.end()
		applied, err := s.apply(context.WithoutCancel(ctx), copied(changes))
		done <- outcome{applied, err}
	}()
	select {
	case out := <-done:
		return out.applied, out.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// concerned tells whether changes put records of kinds that are counted.
func (s *Store) concerned(changes []store.Change) bool {
	for _, change := range changes {
		for _, put := range change.Puts {
			if _, counted := s.kinds[put.Key.Kind]; counted {
				return true
			}
		}
	}
	return false
}

// Close implements store.Store.
func (s *Store) Close() error {
	err := s.Store.Close() // ends the writes that are under way
	s.mu.Lock()
	defer s.mu.Unlock()
	for s.working > 0 {
		s.idle.Wait()
	}
	return err
}

func (s *Store) begin() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.working++
}

func (s *Store) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.working--; s.working == 0 {
		s.idle.Broadcast()
	}
}

// copied are changes whose memory the caller may use again: it may go before they
// are stored.
func copied(changes []store.Change) []store.Change {
	own := make([]store.Change, len(changes))
	for i, change := range changes {
		own[i] = change
		own[i].Answer = append([]byte(nil), change.Answer...)
		own[i].Puts = append([]store.Put(nil), change.Puts...)
		for j, put := range own[i].Puts {
			own[i].Puts[j].Value = append([]byte(nil), put.Value...)
		}
	}
	return own
}

// errLook means: what was there before has to be looked at.
var errLook = errors.New("quota: look first")

func (s *Store) apply(ctx context.Context, changes []store.Change) ([]store.Applied, error) {
	s.alone.RLock()
	applied, err := s.together(ctx, changes)
	s.alone.RUnlock()
	if !errors.Is(err, errLook) {
		return applied, err
	}
	s.alone.Lock()
	defer s.alone.Unlock()
	// One by one, since each may change what the next one finds.
	for i, change := range changes {
		one, err := s.after(ctx, change)
		if err != nil {
			return nil, err
		}
		if i == 0 {
			applied = make([]store.Applied, 0, len(changes))
		}
		applied = append(applied, one)
	}
	return applied, nil
}
