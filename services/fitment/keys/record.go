package keys

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/credential"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// How long keys last, in days.
const (
	// DefaultDays is how long a key lasts where nothing else is asked for: a year, so
	// that a forgotten key ends and a desk is not kept from work every few weeks (a
	// choice of this project, no source).
	DefaultDays = 365
	// MaxDays is the longest that can be asked for.
	MaxDays = 3650
)

const day = 24 * time.Hour

// Prefix opens the resource name of a key.
const Prefix = "keys/"

// Start is the creator of the keys that a start of the program makes.
const Start = "start"

// record is what is kept of a key. Releases before there were businesses kept digest,
// roles and creation only; see ends.
type record struct {
	Digest  []byte          `json:"digest"`
	Roles   []identity.Role `json:"roles"`
	Created time.Time       `json:"created"`
	// Expires is when the key ends by itself.
	Expires time.Time `json:"expires,omitzero"`
	// Revoked is when it was revoked; zero where it was not.
	Revoked time.Time `json:"revoked,omitzero"`
	// Label says what it is for.
	Label string `json:"label,omitempty"`
	// Creator is the resource name of who made it, or Start.
	Creator string `json:"creator,omitempty"`
	// Used is the day of its last use in UTC, YYYY-MM-DD.
	Used string `json:"used,omitempty"`
}

// ends is when the key ends by itself. A key of an earlier release says nothing of it
// and has MaxDays.
func (r record) ends() time.Time {
	if r.Expires.IsZero() {
		return r.Created.Add(MaxDays * day)
	}
	return r.Expires
}

// counts tells whether the key is good at a time: neither over nor revoked. A
// revocation counts whatever its time says: clocks may go back.
func (r record) counts(now time.Time) bool { return r.Revoked.IsZero() && now.Before(r.ends()) }

// over is when a key ended that no longer counts.
func (r record) over() time.Time {
	if ends := r.ends(); r.Revoked.IsZero() || ends.Before(r.Revoked) {
		return ends
	}
	return r.Revoked
}

func decode(found store.Record) (record, error) {
	var kept record
	if err := json.Unmarshal(found.Value, &kept); err != nil {
		return record{}, fmt.Errorf("keys: record of %s.%s: %w", found.Key.Tenant, found.Key.ID, err)
	}
	return kept, nil
}

func (r record) encode() ([]byte, error) {
	value, err := json.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	return value, nil
}

// Show is a stored key as callers see it. Of the secret it has nothing.
func Show(found store.Record) (*fitmentv1.Key, error) {
	kept, err := decode(found)
	if err != nil {
		return nil, err
	}
	return kept.show(found.Key), nil
}

func (r record) show(at store.Key) *fitmentv1.Key {
	shown := &fitmentv1.Key{
		Name: Prefix + at.Tenant + "." + at.ID, Business: at.Tenant, Label: r.Label,
		Prefix:     strings.Join([]string{TextPrefix, at.Tenant, at.ID}, "_") + "_",
		CreateTime: timestamppb.New(r.Created), ExpireTime: timestamppb.New(r.ends()),
		Creator: r.Creator, LastUsedDay: r.Used,
	}
	if !r.Revoked.IsZero() {
		shown.RevokeTime = timestamppb.New(r.Revoked)
	}
	for _, role := range r.Roles {
		shown.Roles = append(shown.Roles, string(role))
	}
	return shown
}

// Admits tells whether a stored key is good at a time and sits at a desk.
func Admits(found store.Record, desk identity.Role, now time.Time) (bool, error) {
	if len(found.Value) == 0 { // forgotten, see GiveWay
		return false, nil
	}
	kept, err := decode(found)
	return err == nil && kept.counts(now) && slices.Contains(kept.Roles, desk), err
}

// ParseName takes the resource name of a key apart, keys/{business}.{id}; false where
// it is none.
func ParseName(name string) (business, id string, ok bool) {
	rest, prefixed := strings.CutPrefix(name, Prefix)
	business, id, dotted := strings.Cut(rest, ".")
	return business, id, prefixed && dotted && businesses.ValidID(business) && credential.ValidID(id)
}

// New is a key to be made.
type New struct {
	// Business is whose it will be.
	Business string
	// Label says what it is for.
	Label string
	// Roles are the desks that it may sit at.
	Roles []identity.Role
	// Creator is the resource name of who makes it.
	Creator string
	// Days is how long it lasts, 1 to MaxDays; 0 means DefaultDays.
	Days int
}

// Draft is a key that has been drawn but not kept.
type Draft struct {
	// Secret is the key itself. It prints without its secret.
	Secret Key
	// Put keeps it.
	Put store.Put
	// Shown is the key as callers see it.
	Shown *fitmentv1.Key
}

// Draft draws a key. It is good once its put has been applied, which a caller does
// together with whatever else belongs to the same step.
func (s *Store) Draft(wish New, now time.Time) (Draft, error) {
	if wish.Days == 0 {
		wish.Days = DefaultDays
	}
	switch {
	case !businesses.ValidID(wish.Business):
		return Draft{}, fmt.Errorf("keys: tenant %q: expected 1 to %d of a-z, 0-9 and -, and not the word %q", wish.Business, identity.MaxTenant, businesses.Registry)
	case wish.Days < 1 || wish.Days > MaxDays:
		return Draft{}, fmt.Errorf("keys: %d days: expected 1 to %d, or 0 for %d", wish.Days, MaxDays, DefaultDays)
	case len(wish.Roles) == 0:
		return Draft{}, errors.New("keys: no role: expected at least one of yard, shop, books, admin")
	}
	for _, role := range wish.Roles {
		if !identity.IsDesk(role) {
			return Draft{}, fmt.Errorf("keys: role %q: expected yard, shop, books or admin", role)
		}
	}
	key, err := credential.Mint(TextPrefix, wish.Business, s.random)
	if err != nil {
		return Draft{}, err
	}
	now = now.UTC()
	kept := record{
		Digest: s.pepper.Digest(key), Roles: slices.Clone(wish.Roles), Created: now,
		Expires: now.Add(time.Duration(wish.Days) * day), Label: wish.Label, Creator: wish.Creator,
	}
	at := store.Key{Tenant: key.Tenant, Kind: Kind, ID: key.ID}
	value, err := kept.encode()
	return Draft{Secret: key, Put: store.Put{Key: at, Expect: store.Absent, Value: value}, Shown: kept.show(at)}, err
}

// Revoke is the put that ends a stored key, and the key as it is then. One that was
// revoked before keeps the time of that.
func Revoke(found store.Record, now time.Time) (store.Put, *fitmentv1.Key, error) {
	kept, err := decode(found)
	if err != nil {
		return store.Put{}, nil, err
	}
	if kept.Revoked.IsZero() {
		kept.Revoked = now.UTC()
	}
	value, err := kept.encode()
	return store.Put{Key: found.Key, Expect: found.Version, Value: value}, kept.show(found.Key), err
}

// listed is how many keys are read at once.
const listed = 256

// GiveWay is the put that forgets the key of a business that ended first; false where
// none has ended. Keys that have ended are kept for whoever wants to know who made them
// and when they were used last, as long as there is room: they keep nobody from making
// new ones.
func (s *Store) GiveWay(ctx context.Context, business string, now time.Time) (put store.Put, found bool, err error) {
	var first time.Time
	for after := ""; ; {
		some, err := s.records.List(ctx, business, Kind, after, listed)
		if err != nil {
			return store.Put{}, false, fmt.Errorf("keys: %w", err)
		}
		if len(some) == 0 {
			return put, found, nil
		}
		for _, one := range some {
			after = one.Key.ID
			if len(one.Value) == 0 {
				continue
			}
			kept, err := decode(one)
			if err != nil {
				return store.Put{}, false, err
			}
			if at := kept.over(); !kept.counts(now) && (!found || at.Before(first)) {
				put, found, first = store.Put{Key: one.Key, Expect: one.Version, Value: nil}, true, at
			}
		}
	}
}
