// Package sessions keeps who has signed in. A session is a credential like a key, but
// of a person: what the person may do is read from the person's record each time, so
// that what is taken away counts for sessions under way.
package sessions

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/credential"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

const (
	// Prefix opens the text of a session's credential.
	Prefix = "bs"
	// Kind is the kind of sessions' records; they lie under their business.
	Kind = "session"
	// ShelfKind is the kind of the records that list a person's sessions, under the
	// person's id.
	ShelfKind = "session-shelf"
	// collection opens the names of sessions.
	collection = "sessions/"
)

// How long things last, and how many there are.
const (
	// Lifetime is how long a session lasts: a working day with what goes on after it.
	// There is no shorter time without use on top: it would cost a write a use.
	Lifetime = 12 * time.Hour
	// Remembered is how long a session is listed after its end.
	Remembered = 30 * 24 * time.Hour
	// MaxLive is how many sessions one person has at a time; the oldest gives way.
	MaxLive = 20
	// MaxListed is how many sessions of one person are kept in all; beyond that the
	// oldest that has ended is forgotten before its time.
	MaxListed = 200
	// MaxAnHour is how many sessions one person begins within an hour: what is forgotten
	// leaves its name in the store, and a program that signs in for each call of its own
	// would fill a disk with them. It is less than are surely listed.
	MaxAnHour = MaxListed - MaxLive
)

// Ways in which a person proves to be one.
const (
	// ByPassword is a password.
	ByPassword = "PASSWORD"
	// ByToken is a token of an identity provider.
	ByToken = "TOKEN"
)

// Businesses knows the businesses.
type Businesses interface {
	// Admit returns the desks of those given that a credential of the business may sit
	// at now; UNAUTHENTICATED where that is none.
	Admit(ctx context.Context, business string, granted []identity.Role) ([]identity.Role, error)
}

// Options are what a Store stands on.
type Options struct {
	// Records keep everything; required.
	Records store.Store
	// Businesses knows the businesses; required.
	Businesses Businesses
	// Random is where credentials come from; nil means crypto/rand.
	Random io.Reader
}

// Store keeps sessions. Its time is the store's. Its methods may be called
// concurrently.
type Store struct {
	records    store.Store
	businesses Businesses
	random     io.Reader
	pepper     credential.Pepper
}

var _ auth.Verifier = (*Store)(nil)

// Open returns the sessions of a store.
func Open(ctx context.Context, options Options) (*Store, error) {
	if options.Records == nil || options.Businesses == nil {
		return nil, errors.New("sessions: a store and the businesses are required")
	}
	pepper, err := credential.OpenPepper(ctx, options.Records, "sessions", options.Random)
	if err != nil {
		return nil, fmt.Errorf("sessions: %w", err)
	}
	return &Store{records: options.Records, businesses: options.Businesses, random: options.Random, pepper: pepper}, nil
}

// record is what is kept of a session.
type record struct {
	Digest     []byte    `json:"digest"`
	Person     string    `json:"person"`
	Method     string    `json:"method"`
	Generation int64     `json:"generation"`
	Created    time.Time `json:"created"`
	Expires    time.Time `json:"expires"`
	Ended      time.Time `json:"ended,omitzero"`
}

func decode(r store.Record) (record, error) {
	var kept record
	if err := json.Unmarshal(r.Value, &kept); err != nil {
		return record{}, fmt.Errorf("sessions: record of %s: %w", Name(r.Key.Tenant, r.Key.ID), err)
	}
	return kept, nil
}

// end is when a session ended or will end, by the person it is of.
func (r record) end(person people.Kept) (at time.Time, ended bool) {
	switch {
	case !r.Ended.IsZero():
		return r.Ended, true
	case r.Generation != person.Generation:
		return person.Reset, true
	}
	return r.Expires, false
}

// Name is the resource name of a session.
func Name(business, id string) string { return collection + business + "." + id }

// ParseName reads a resource name; false where it is none.
func ParseName(name string) (business, id string, ok bool) {
	rest, found := strings.CutPrefix(name, collection)
	business, id, ok = strings.Cut(rest, ".")
	return business, id, found && ok && identity.ValidTenant(business) && credential.ValidID(id)
}

func key(business, id string) store.Key { return store.Key{Tenant: business, Kind: Kind, ID: id} }

// view is a session as others see it.
func view(k store.Key, r record, person people.Kept) *fitmentv1.Session {
	s := &fitmentv1.Session{
		Name: Name(k.Tenant, k.ID), Person: people.Name(k.Tenant, r.Person), Method: r.Method,
		CreateTime: timestamppb.New(r.Created), ExpireTime: timestamppb.New(r.Expires),
	}
	if at, ended := r.end(person); ended {
		s.EndTime = timestamppb.New(at)
	}
	return s
}

// Verify returns the principal of a session's credential. It is refused, without
// saying why, where it is none, has ended or run out, or its person or business is
// shut out or has no desk left.
func (s *Store) Verify(ctx context.Context, text string) (identity.Principal, error) {
	c, err := credential.Parse(Prefix, text)
	if err != nil || c.Tenant == credential.Common {
		return identity.Principal{}, auth.Invalid()
	}
	found, err := s.records.Get(ctx, key(c.Tenant, c.ID))
	if err != nil || len(found.Value) == 0 {
		return identity.Principal{}, refusal(err)
	}
	kept, err := decode(found)
	if err != nil {
		return identity.Principal{}, err
	}
	if !s.pepper.Proves(c, kept.Digest) {
		return identity.Principal{}, auth.Invalid()
	}
	now, err := s.records.Now(ctx)
	if err != nil {
		return identity.Principal{}, refusal(err)
	}
	person, err := people.Get(ctx, s.records, c.Tenant, kept.Person)
	if err != nil {
		return identity.Principal{}, refusal(err)
	}
	if _, ended := kept.end(person); ended || !now.Before(kept.Expires) || person.Person.GetSuspended() {
		return identity.Principal{}, auth.Invalid()
	}
	roles, err := s.roles(ctx, person.Person)
	if err != nil {
		return identity.Principal{}, err
	}
	return identity.Principal{
		Tenant: c.Tenant, KeyID: c.ID, Roles: roles, Person: people.Name(c.Tenant, kept.Person), Expires: kept.Expires,
	}, nil
}

// refusal is what a read that failed means for a credential.
func refusal(err error) error {
	if err == nil || errors.Is(err, store.ErrNotFound) {
		return auth.Invalid()
	}
	return auth.Down("the store does not answer")
}

// roles are the desks that a person sits at now. Refused where that is none.
func (s *Store) roles(ctx context.Context, person *fitmentv1.Person) ([]identity.Role, error) {
	granted := make([]identity.Role, 0, len(person.GetRoles()))
	for _, role := range person.GetRoles() {
		granted = append(granted, identity.Role(role))
	}
	return s.businesses.Admit(ctx, person.GetBusiness(), granted)
}

// MaySignIn tells whether a session of the person would be accepted.
func (s *Store) MaySignIn(ctx context.Context, person *fitmentv1.Person) (bool, error) {
	if person.GetSuspended() {
		return false, nil
	}
	_, err := s.roles(ctx, person)
	if status.Code(err) == codes.Unauthenticated {
		return false, nil
	}
	return err == nil, err
}
