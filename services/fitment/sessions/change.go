package sessions

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/credential"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/store"
)

// attempts is how often a change is tried again where the person's sessions changed
// meanwhile.
const attempts = 16

// Once names something that may begin one session only, such as a token; the zero
// value is nothing.
type Once struct {
	// RequestID is a UUID that derives from it.
	RequestID string
	// Fingerprint is its digest.
	Fingerprint [32]byte
}

// ErrUsed says that what may begin one session only has begun it already.
var ErrUsed = errors.New("sessions: it began a session already")

// Start begins a session of a person and returns it with its credential, which is
// nowhere kept. It counts only as long as nothing of the person's generation has
// changed since it was read: a password that is reset meanwhile ends it at once.
func (s *Store) Start(ctx context.Context, person people.Kept, method string, once Once) (*fitmentv1.Session, string, error) {
	business, id := person.Person.GetBusiness(), person.Person.GetId()
	c, err := credential.Mint(Prefix, business, s.random)
	if err != nil {
		return nil, "", fmt.Errorf("sessions: %w", err)
	}
	var fresh record
	err = s.retried(ctx, func(now time.Time) (store.Change, error) {
		fresh = record{
			Digest: s.pepper.Digest(c), Person: id, Method: method, Generation: person.Generation,
			Created: now.UTC(), Expires: now.UTC().Add(Lifetime),
		}
		on, err := s.shelf(ctx, business, id)
		if err != nil {
			return store.Change{}, err
		}
		if wait := on.wait(now.UTC()); wait > 0 {
			return store.Change{}, apierr.Retry(codes.ResourceExhausted, fitmentv1.ErrorInfo_RATE_LIMITED, wait,
				"%d sessions of this person began within an hour; use one for more than one call", MaxAnHour)
		}
		give, forget := on.add(place{ID: c.ID, Expires: fresh.Expires}, now.UTC())
		puts, err := s.giveWay(ctx, business, give, forget, now)
		if err != nil {
			return store.Change{}, err
		}
		own, err := encode(key(business, c.ID), store.Absent, fresh)
		if err != nil {
			return store.Change{}, err
		}
		list, err := on.put()
		change := store.Change{Puts: append([]store.Put{own, list}, puts...)}
		if once.RequestID != "" {
			change.Tenant, change.RequestID, change.Fingerprint = business, once.RequestID, once.Fingerprint
		}
		return change, err
	})
	if err != nil {
		return nil, "", err
	}
	return view(key(business, c.ID), fresh, person), c.Text(), nil
}

func encode(k store.Key, expect int64, r record) (store.Put, error) {
	value, err := json.Marshal(r)
	if err != nil {
		return store.Put{}, fmt.Errorf("sessions: %w", err)
	}
	return store.Put{Key: k, Expect: expect, Value: value}, nil
}

// giveWay ends sessions and forgets others.
func (s *Store) giveWay(ctx context.Context, business string, give, forget []string, now time.Time) ([]store.Put, error) {
	var puts []store.Put
	for _, id := range give {
		put, err := s.ended(ctx, key(business, id), now)
		if err != nil {
			return nil, err
		}
		puts = append(puts, put)
	}
	for _, id := range forget {
		puts = append(puts, store.Put{Key: key(business, id), Expect: store.Whatever, Value: nil})
	}
	return puts, nil
}

// ended is the write that ends a session.
func (s *Store) ended(ctx context.Context, k store.Key, now time.Time) (store.Put, error) {
	found, err := s.records.Get(ctx, k)
	if err != nil {
		return store.Put{}, fmt.Errorf("sessions: %w", err)
	}
	kept, err := decode(found)
	if err != nil {
		return store.Put{}, err
	}
	if kept.Ended.IsZero() {
		kept.Ended = now.UTC()
	}
	return encode(k, found.Version, kept)
}

// retried makes a change, again where it met a conflict.
func (s *Store) retried(ctx context.Context, plan func(now time.Time) (store.Change, error)) error {
	for range attempts {
		now, err := s.records.Now(ctx)
		if err != nil {
			return fmt.Errorf("sessions: %w", err)
		}
		change, err := plan(now)
		if err != nil {
			return err
		}
		applied, err := s.records.Apply(ctx, change)
		switch {
		case err != nil:
			return fmt.Errorf("sessions: %w", err)
		case len(applied) != 1:
			return fmt.Errorf("sessions: the store answered 1 change with %d results", len(applied))
		case applied[0].Replayed || errors.Is(applied[0].Err, store.ErrRequestReused):
			return ErrUsed
		case applied[0].Err == nil:
			return nil
		case !errors.Is(applied[0].Err, store.ErrConflict):
			return fmt.Errorf("sessions: %w", applied[0].Err)
		}
	}
	return apierr.Retry(codes.Aborted, fitmentv1.ErrorInfo_LIMIT_REACHED, 200*time.Millisecond,
		"the person's sessions changed %d times meanwhile; try again", attempts)
}

// Get returns a session; store.ErrNotFound where there is none.
func (s *Store) Get(ctx context.Context, business, id string) (*fitmentv1.Session, error) {
	found, err := s.records.Get(ctx, key(business, id))
	if err == nil && len(found.Value) == 0 {
		err = store.ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("sessions: %w", err)
	}
	return s.View(ctx, found)
}

// View is a record as others see it.
func (s *Store) View(ctx context.Context, found store.Record) (*fitmentv1.Session, error) {
	kept, err := decode(found)
	if err != nil {
		return nil, err
	}
	person, err := people.Get(ctx, s.records, found.Key.Tenant, kept.Person)
	if err != nil {
		return nil, err
	}
	return view(found.Key, kept, person), nil
}

// Shown tells whether a session is still listed at a time.
func Shown(session *fitmentv1.Session, now time.Time) bool {
	over := session.GetExpireTime().AsTime()
	if session.GetEndTime() != nil {
		over = session.GetEndTime().AsTime()
	}
	return now.Sub(over) < Remembered
}

// End returns the writes that end one session; none where it has ended already.
func (s *Store) End(ctx context.Context, session *fitmentv1.Session, now time.Time) ([]store.Put, error) {
	business, id, ok := ParseName(session.GetName())
	_, person, known := people.ParseName(session.GetPerson())
	if !ok || !known {
		return nil, fmt.Errorf("sessions: %q is no session", session.GetName())
	}
	if session.GetEndTime() != nil {
		return nil, nil
	}
	own, err := s.ended(ctx, key(business, id), now)
	if err != nil {
		return nil, err
	}
	on, err := s.shelf(ctx, business, person)
	if err != nil {
		return nil, err
	}
	on.end(now.UTC(), func(other string) bool { return other == id })
	list, err := on.put()
	return []store.Put{own, list}, err
}

// SignOut ends a session, however often it is asked for.
func (s *Store) SignOut(ctx context.Context, business, id string) error {
	return s.retried(ctx, func(now time.Time) (store.Change, error) {
		session, err := s.Get(ctx, business, id)
		if err != nil {
			return store.Change{}, err
		}
		puts, err := s.End(ctx, session, now)
		return store.Change{Puts: puts}, err
	})
}

// EndAll returns the writes that go with a person's new generation, after, under which
// no session counts but one that is kept; kept "" keeps none. A session that does not
// count before is not kept but refused: whatever ended it, it must not wake up again.
func (s *Store) EndAll(ctx context.Context, before, after people.Kept, kept string, now time.Time) ([]store.Put, error) {
	business := after.Person.GetBusiness()
	on, err := s.shelf(ctx, business, after.Person.GetId())
	if err != nil {
		return nil, err
	}
	var puts []store.Put
	if kept != "" {
		own, err := s.carriedOver(ctx, before, after, kept, now)
		if err != nil {
			return nil, err
		}
		puts = append(puts, own)
	}
	if len(on.places) == 0 {
		return puts, nil
	}
	on.end(now.UTC(), func(id string) bool { return id != kept })
	list, err := on.put()
	return append(puts, list), err
}

// carriedOver is the write by which a session of the person's goes on under a new
// generation.
func (s *Store) carriedOver(ctx context.Context, before, after people.Kept, id string, now time.Time) (store.Put, error) {
	found, err := s.records.Get(ctx, key(after.Person.GetBusiness(), id))
	if err != nil || len(found.Value) == 0 {
		return store.Put{}, refusal(err)
	}
	own, err := decode(found)
	if err != nil {
		return store.Put{}, err
	}
	if _, ended := own.end(before); ended || own.Person != after.Person.GetId() || !now.Before(own.Expires) {
		return store.Put{}, auth.Invalid()
	}
	own.Generation = after.Generation
	return encode(found.Key, found.Version, own)
}
