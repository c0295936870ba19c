// Package keys makes and verifies API keys. A key names its tenant and itself
// and proves both with a random secret of 256 bits, of which only a keyed
// digest is kept. A slow password hash would add nothing to such a secret and
// would let strangers keep the server busy.
package keys

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Where records lie.
const (
	// Kind is the kind of key records; they lie under their tenant.
	Kind = "key"
	// PepperKind is the kind of the record that holds the digest's key.
	PepperKind = "pepper"
	// common is the tenant of what belongs to nobody; no key can be its own.
	common = "common"
)

// Options are what a Store stands on. The zero value is usable.
type Options struct {
	// Random is where keys come from; nil means crypto/rand.
	Random io.Reader
	// Now is the clock that creation is noted by; nil means time.Now.
	Now func() time.Time
}

// Store keeps keys in a store.Store. Its methods may be called concurrently.
type Store struct {
	records store.Store
	random  io.Reader
	now     func() time.Time
	pepper  []byte
}

var _ auth.Verifier = (*Store)(nil)

// record is what is kept of a key.
type record struct {
	Digest  []byte          `json:"digest"`
	Roles   []identity.Role `json:"roles"`
	Created time.Time       `json:"created"`
}

// Open returns the keys of a store. At the first start it draws the key of the
// digests (the pepper) and keeps it as a record of its own, so that digests of
// two stores never compare.
func Open(ctx context.Context, records store.Store, options Options) (*Store, error) {
	s := &Store{records: records, random: options.Random, now: options.Now}
	if s.random == nil {
		s.random = rand.Reader
	}
	if s.now == nil {
		s.now = time.Now
	}
	if err := s.loadPepper(ctx); err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	return s, nil
}

var pepperKey = store.Key{Tenant: common, Kind: PepperKind, ID: "keys"}

func (s *Store) loadPepper(ctx context.Context) error {
	found, err := s.records.Get(ctx, pepperKey)
	if errors.Is(err, store.ErrNotFound) {
		fresh := make([]byte, sha256.Size)
		if _, err := io.ReadFull(s.random, fresh); err != nil {
			return fmt.Errorf("draw the pepper: %w", err)
		}
		// Whoever else starts at the same moment may win; its pepper counts.
		if err := s.put(ctx, pepperKey, fresh); err != nil && !errors.Is(err, store.ErrConflict) {
			return err
		}
		found, err = s.records.Get(ctx, pepperKey)
	}
	if err != nil {
		return fmt.Errorf("read the pepper: %w", err)
	}
	if len(found.Value) != sha256.Size {
		return fmt.Errorf("the pepper has %d bytes, not %d", len(found.Value), sha256.Size)
	}
	s.pepper = found.Value
	return nil
}

// put writes a record that must be new.
func (s *Store) put(ctx context.Context, key store.Key, value []byte) error {
	applied, err := s.records.Apply(ctx, store.Change{Puts: []store.Put{{Key: key, Expect: store.Absent, Value: value}}})
	if err != nil {
		return fmt.Errorf("write %s: %w", key.Kind, err)
	}
	return applied[0].Err
}

// Create makes a key of the tenant with the roles and returns its text, which
// is nowhere kept: it cannot be shown a second time.
func (s *Store) Create(ctx context.Context, tenant string, roles []identity.Role) (string, error) {
	key, err := s.mint(tenant, roles)
	if err != nil {
		return "", err
	}
	if err := s.keep(ctx, key, roles); err != nil {
		return "", err
	}
	return key.Text(), nil
}

func (s *Store) mint(tenant string, roles []identity.Role) (Key, error) {
	switch {
	case !identity.ValidTenant(tenant) || tenant == common:
		return Key{}, fmt.Errorf("keys: tenant %q: expected 1 to %d of a-z, 0-9 and -, and not %q", tenant, identity.MaxTenant, common)
	case len(roles) == 0:
		return Key{}, errors.New("keys: no role: expected at least one of yard, shop, books, admin")
	}
	for _, role := range roles {
		if !validRole(role) {
			return Key{}, fmt.Errorf("keys: role %q: expected yard, shop, books or admin", role)
		}
	}
	return mint(tenant, s.random)
}

func (s *Store) keep(ctx context.Context, key Key, roles []identity.Role) error {
	value, err := json.Marshal(record{Digest: s.digest(key), Roles: roles, Created: s.now().UTC()})
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	if err := s.put(ctx, store.Key{Tenant: key.Tenant, Kind: Kind, ID: key.ID}, value); err != nil {
		return fmt.Errorf("keys: keep %v: %w", key, err)
	}
	return nil
}

// Verify returns the principal of a key's text. UNAUTHENTICATED with
// CREDENTIAL_INVALID where it is none; UNAVAILABLE with DEPENDENCY_DOWN where
// the store does not answer.
func (s *Store) Verify(ctx context.Context, text string) (identity.Principal, error) {
	key, err := Parse(text)
	if err != nil || key.Tenant == common {
		return identity.Principal{}, auth.Invalid()
	}
	found, err := s.records.Get(ctx, store.Key{Tenant: key.Tenant, Kind: Kind, ID: key.ID})
	switch {
	case errors.Is(err, store.ErrNotFound):
		return identity.Principal{}, auth.Invalid()
	case err != nil:
		return identity.Principal{}, apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, time.Second,
			"the credential cannot be verified now: the store does not answer")
	}
	var kept record
	if err := json.Unmarshal(found.Value, &kept); err != nil {
		return identity.Principal{}, fmt.Errorf("keys: record of %v: %w", key, err)
	}
	if !hmac.Equal(kept.Digest, s.digest(key)) || len(kept.Roles) == 0 {
		return identity.Principal{}, auth.Invalid()
	}
	return identity.Principal{Tenant: key.Tenant, KeyID: key.ID, Roles: kept.Roles}, nil
}

// digest is the HMAC-SHA-256 of a key under the pepper. Tenant and id are part
// of it, so that a record moved to another name proves nothing.
func (s *Store) digest(key Key) []byte {
	mac := hmac.New(sha256.New, s.pepper)
	mac.Write([]byte(key.Tenant + "\x00" + key.ID + "\x00"))
	mac.Write(key.Secret[:])
	return mac.Sum(nil)
}

func validRole(role identity.Role) bool {
	return slices.Contains([]identity.Role{identity.Yard, identity.Shop, identity.Books, identity.Admin}, role)
}
