package quota

import (
	"context"
	"errors"
	"fmt"

	"beltwright.example/services/store"
)

// claim is what a change adds to the counts where it goes through: one for each
// record that it makes, minus one for each that it empties.
type claim struct {
	adds map[slot]int
	// unpaid is what it would add although no room was taken for it, since the store
	// should not let it through.
	unpaid map[slot]int
}

// together applies changes of which each makes a record, where it expects none, or
// changes one that stays; errLook, before anything is done, where one does something
// else. Room is taken before they are applied, and what did not go through gives its
// room back.
func (s *Store) together(ctx context.Context, changes []store.Change) ([]store.Applied, error) {
	claims := make([]claim, len(changes))
	for i, change := range changes {
		var err error
		if claims[i], err = s.obvious(ctx, change); err != nil {
			return nil, err
		}
	}
	applied := make([]store.Applied, len(changes))
	var pending []int
	for i, change := range changes {
		refusal, err := s.take(ctx, change, &claims[i])
		if err != nil {
			s.giveBack(claims[:i]...)
			return nil, err
		}
		if refusal != nil {
			applied[i].Err = refusal
			continue
		}
		pending = append(pending, i)
	}
	passed := make([]store.Change, 0, len(pending))
	for _, i := range pending {
		passed = append(passed, changes[i])
	}
	results, err := s.pass(ctx, passed)
	if err != nil { // the store has stopped, or closed
		return nil, err
	}
	for at, i := range pending {
		applied[i] = results[at]
		s.settle(claims[i], results[at])
	}
	return applied, nil
}

// pass applies changes, and makes sure of one result for each.
func (s *Store) pass(ctx context.Context, changes []store.Change) ([]store.Applied, error) {
	results, err := s.Store.Apply(ctx, changes...)
	if err == nil && len(results) != len(changes) {
		err = fmt.Errorf("quota: the store answered %d changes with %d results", len(changes), len(results))
	}
	return results, err
}

// obvious is the claim of a change that says by itself what it makes; errLook of any
// other. A record that a change expects at a version is looked at all the same: it may
// have been emptied, and no version of a record comes twice, so that what is found now
// is what the change will find, or the change conflicts.
func (s *Store) obvious(ctx context.Context, change store.Change) (claim, error) {
	var c claim
	for _, put := range change.Puts {
		kind, counted := s.kinds[put.Key.Kind]
		if !counted {
			continue
		}
		switch {
		case len(put.Value) == 0, put.Expect < 0:
			return claim{}, errLook
		case put.Expect > 0:
			lives, err := s.lives(ctx, put.Key)
			if err != nil {
				return claim{}, err
			}
			if !lives {
				return claim{}, errLook
			}
		default:
			at, err := slotOf(kind, store.Record{Key: put.Key, Value: put.Value})
			if err != nil {
				return claim{}, err
			}
			c.add(at, 1)
		}
	}
	return c, nil
}

// lives tells whether a record counts: it is there and was not emptied. A key that is
// none passes for one, since the change itself is refused for it.
func (s *Store) lives(ctx context.Context, key store.Key) (bool, error) {
	record, err := s.Get(ctx, key)
	switch {
	case err == nil:
		return len(record.Value) > 0, nil
	case errors.Is(err, store.ErrNotFound):
		return false, nil
	case malformed(err):
		return true, nil
	}
	return false, err
}

func (c *claim) add(at slot, n int) {
	if c.adds == nil {
		c.adds = map[slot]int{}
	}
	c.adds[at] += n
}

// take takes the room that a claim asks for. Where there is too little, it returns
// why the change is refused, or nil with no room taken where the store itself will
// refuse it or has done it before: then that is the answer.
func (s *Store) take(ctx context.Context, change store.Change, c *claim) (*store.QuotaError, error) {
	refusal := s.takeRoom(*c)
	if refusal == nil {
		return nil, nil //nolint:nilnil // no refusal
	}
	c.adds, c.unpaid = nil, c.adds
	if change.RequestID != "" {
		before, err := s.Seen(ctx, change.Tenant, change.RequestID, change.Fingerprint)
		switch {
		case before.Replayed, errors.Is(err, store.ErrRequestReused):
			return nil, nil //nolint:nilnil // the store answers it as it did before
		case err != nil:
			return nil, err
		}
	}
	for _, put := range change.Puts {
		if put.Expect != store.Absent {
			continue
		}
		_, err := s.Get(ctx, put.Key)
		if err == nil {
			return nil, nil //nolint:nilnil // it is there, so the change conflicts
		}
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return nil, err
		}
	}
	return refusal, nil
}

// takeRoom takes all of a claim's room, or none.
func (s *Store) takeRoom(c claim) *store.QuotaError {
	s.mu.Lock()
	defer s.mu.Unlock()
	for at, n := range c.adds {
		if limit := s.limit(at); n > 0 && limit > 0 && s.counts[at]+n > limit {
			return &store.QuotaError{Owner: at.owner, Kind: s.kinds[at.kind].Name, Limit: limit}
		}
	}
	for at, n := range c.adds {
		s.counts[at] += n
	}
	return nil
}

// limit is how many records a business may keep; 0 for any number.
func (s *Store) limit(at slot) int {
	if own, ok := s.limits[at]; ok {
		return own
	}
	return s.kinds[at.kind].Limit
}

// giveBack gives the room of claims back.
func (s *Store) giveBack(claims ...claim) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range claims {
		for at, n := range c.adds {
			s.counts[at] -= n
		}
	}
}

// after applies one change after looking at what its puts replace. Nothing else that
// is counted is written meanwhile.
func (s *Store) after(ctx context.Context, change store.Change) (store.Applied, error) {
	c, err := s.looked(ctx, change)
	if err != nil {
		return store.Applied{}, err
	}
	switch refusal, err := s.take(ctx, change, &c); {
	case err != nil:
		return store.Applied{}, err
	case refusal != nil:
		return store.Applied{Err: refusal}, nil //nolint:nilerr // the refusal is the answer
	}
	results, err := s.pass(ctx, []store.Change{change})
	if err != nil {
		return store.Applied{}, err
	}
	s.settle(c, results[0])
	return results[0], nil
}

// settle notes what became of a change.
func (s *Store) settle(c claim, result store.Applied) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if result.Err != nil || result.Replayed {
		for at, n := range c.adds {
			s.counts[at] -= n
		}
		return
	}
	for at, n := range c.unpaid {
		s.counts[at] += n
	}
}

// looked is the claim of a change, by what is there.
func (s *Store) looked(ctx context.Context, change store.Change) (claim, error) {
	var c claim
	for _, put := range change.Puts {
		kind, counted := s.kinds[put.Key.Kind]
		if !counted {
			continue
		}
		before, err := s.Get(ctx, put.Key)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			if !malformed(err) {
				return claim{}, err
			}
			continue // the change itself will be refused for it
		}
		record := store.Record{Key: put.Key, Value: put.Value}
		was, is := len(before.Value) > 0, len(put.Value) > 0
		if was && !is {
			record = before
		}
		if was != is {
			at, err := slotOf(kind, record)
			if err != nil {
				return claim{}, err
			}
			c.add(at, map[bool]int{true: 1, false: -1}[is])
		}
	}
	return c, nil
}

// malformed tells whether an error is about the key, not about the store.
func malformed(err error) bool {
	return !errors.Is(err, store.ErrClosed) && !errors.Is(err, store.ErrBroken) &&
		!errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded)
}
