// Package keys makes and verifies API keys. A key names its tenant and itself
// and proves both with a random secret of 256 bits, of which only a keyed
// digest is kept. A slow password hash would add nothing to such a secret and
// would let strangers keep the server busy.
//
// A key ends: by itself when its days are over, at once when it is revoked, and as
// long as its business is shut out. Nothing is cached here, so all of that counts
// from the next call on.
package keys

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/credential"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Kind is the kind of key records; they lie under their tenant.
const Kind = "key"

// pepperID is the id of the pepper of keys.
const pepperID = "keys"

// Options are what a Store stands on. The zero value is usable.
type Options struct {
	// Random is where keys come from; nil means crypto/rand.
	Random io.Reader
	// Now is the clock that keys begin and end by; nil means time.Now.
	Now func() time.Time
}

// Store keeps keys in a store.Store. Its methods may be called concurrently.
type Store struct {
	records    store.Store
	businesses *businesses.Store
	random     io.Reader
	now        func() time.Time
	pepper     credential.Pepper
	uses       chan use
}

var _ auth.Verifier = (*Store)(nil)

// Open returns the keys of a store. At the first start it draws the key of the
// digests (the pepper) and keeps it as a record of its own, so that digests of
// two stores never compare.
func Open(ctx context.Context, records store.Store, options Options) (*Store, error) {
	if options.Now == nil {
		options.Now = time.Now
	}
	pepper, err := credential.OpenPepper(ctx, records, pepperID, options.Random)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	return &Store{
		records: records, businesses: businesses.New(records), pepper: pepper,
		random: options.Random, now: options.Now, uses: make(chan use, waitingUses),
	}, nil
}

// put writes a record that must be new.
func (s *Store) put(ctx context.Context, key store.Key, value []byte) error {
	applied, err := s.records.Apply(ctx, store.Change{Puts: []store.Put{{Key: key, Expect: store.Absent, Value: value}}})
	if err != nil {
		return fmt.Errorf("write %s: %w", key.Kind, err)
	}
	return applied[0].Err
}

// Create makes a key for DefaultDays and returns its text, which is nowhere kept: it
// cannot be shown a second time. Where there is no business of that name, it makes one
// with every desk. It is for starts and tests; whoever is asked for a key by a caller
// drafts one.
func (s *Store) Create(ctx context.Context, tenant string, roles []identity.Role) (string, error) {
	now := s.now()
	draft, err := s.Draft(New{Business: tenant, Roles: roles, Creator: Start}, now)
	if err != nil {
		return "", err
	}
	if err := s.businesses.Ensure(ctx, tenant, false, now); err != nil {
		return "", fmt.Errorf("keys: %w", err)
	}
	if err := s.put(ctx, draft.Put.Key, draft.Put.Value); err != nil {
		return "", fmt.Errorf("keys: keep %v: %w", draft.Secret, err)
	}
	return draft.Secret.Text(), nil
}

// Verify returns the principal of a key's text. UNAUTHENTICATED with
// CREDENTIAL_INVALID where it is none that counts, whatever the reason; UNAVAILABLE
// with DEPENDENCY_DOWN where the store does not answer.
func (s *Store) Verify(ctx context.Context, text string) (identity.Principal, error) {
	key, err := Parse(text)
	if err != nil || !businesses.ValidID(key.Tenant) {
		return identity.Principal{}, auth.Invalid()
	}
	found, err := s.records.Get(ctx, store.Key{Tenant: key.Tenant, Kind: Kind, ID: key.ID})
	switch {
	case errors.Is(err, store.ErrNotFound):
		return identity.Principal{}, auth.Invalid()
	case err != nil:
		return identity.Principal{}, auth.Down("the store does not answer")
	case len(found.Value) == 0: // forgotten, see GiveWay
		return identity.Principal{}, auth.Invalid()
	}
	kept, err := decode(found)
	if err != nil {
		return identity.Principal{}, err
	}
	now := s.now()
	if !s.pepper.Proves(key, kept.Digest) || !kept.counts(now) {
		return identity.Principal{}, auth.Invalid()
	}
	roles, err := s.businesses.Admit(ctx, key.Tenant, kept.Roles)
	if err != nil {
		return identity.Principal{}, err
	}
	s.noteUse(found.Key, kept, now)
	return identity.Principal{Tenant: key.Tenant, KeyID: key.ID, Roles: roles, Expires: kept.ends()}, nil
}
