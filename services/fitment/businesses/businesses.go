// Package businesses keeps the businesses of a deployment: who owns records, which
// desks its people and programs may sit at, and whether it is shut out.
package businesses

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// Where records lie.
const (
	// Kind is the kind of the records. They lie under Registry, since they are the
	// deployment's and not the business's own.
	Kind = "business"
	// Registry is the tenant of what belongs to no business; no business has its name.
	Registry = "common"
	// Prefix opens the resource name of a business.
	Prefix = "businesses/"
	// LongestName is how many characters a name for people has at most.
	LongestName = 200
)

// Store reads businesses, and makes those that a start-up needs. Its methods may be
// called concurrently.
type Store struct {
	records store.Store
}

// New returns the businesses of a store.
func New(records store.Store) *Store { return &Store{records: records} }

// KeyOf is where the record of a business lies.
func KeyOf(id string) store.Key { return store.Key{Tenant: Registry, Kind: Kind, ID: id} }

// ValidID tells whether a text can be the id of a business.
func ValidID(id string) bool { return identity.ValidTenant(id) && id != Registry }

// Get returns a business, etag and all; store.ErrNotFound where there is none of
// that id.
func (s *Store) Get(ctx context.Context, id string) (*fitmentv1.Business, error) {
	if !ValidID(id) {
		return nil, fmt.Errorf("businesses: %q: %w", id, store.ErrNotFound)
	}
	found, err := s.records.Get(ctx, KeyOf(id))
	if err != nil {
		return nil, fmt.Errorf("businesses: %s: %w", id, err)
	}
	return Decode(found)
}

// Admit returns the desks that a credential of the business, which was given some,
// may sit at now; see Roles. UNAUTHENTICATED where the business is unknown or shut out,
// or no desk is left; UNAVAILABLE where the store does not answer. Every verifier of
// credentials asks it.
func (s *Store) Admit(ctx context.Context, id string, granted []identity.Role) ([]identity.Role, error) {
	business, err := s.Get(ctx, id)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return nil, auth.Invalid()
	case err != nil:
		return nil, auth.Down("the store does not answer")
	case business.GetSuspended():
		return nil, auth.Invalid()
	}
	roles := Roles(business, granted)
	if len(roles) == 0 {
		return nil, auth.Invalid()
	}
	return roles, nil
}

// Roles are those of the desks given that the business still has, in the order of
// identity.Desks; and identity.Operator on top for administrators of the business that
// runs the deployment. Nothing else ever gives that role: it is taken from no
// credential.
func Roles(business *fitmentv1.Business, granted []identity.Role) []identity.Role {
	var roles []identity.Role
	for _, desk := range identity.Desks() {
		if slices.Contains(granted, desk) && slices.Contains(business.GetRoles(), string(desk)) {
			roles = append(roles, desk)
		}
	}
	if business.GetOperator() && slices.Contains(roles, identity.Admin) {
		roles = append(roles, identity.Operator)
	}
	return roles
}

// Validate notes what is wrong with what a caller says about a business. Prefix stands
// before each field.
func Validate(business *fitmentv1.Business, prefix string, fields *check.Fields) {
	fields.Text(prefix+"display_name", business.GetDisplayName(), LongestName, true)
	CheckDesks(prefix+"roles", business.GetRoles(), fields)
}

// CheckDesks demands at least one desk, each once and none but desks.
func CheckDesks(field string, roles []string, fields *check.Fields) {
	if len(roles) == 0 {
		fields.Add(field, "names no desk", "one or more of yard, shop, books, admin")
	}
	for i, role := range roles {
		at := fmt.Sprintf("%s[%d]", field, i)
		switch {
		case !identity.IsDesk(identity.Role(role)):
			fields.Add(at, fmt.Sprintf("%q is no desk", role), "yard, shop, books or admin")
		case slices.Contains(roles[:i], role):
			fields.Add(at, fmt.Sprintf("%q stands there twice", role), "each desk once")
		}
		if i >= len(identity.Desks()) {
			return
		}
	}
}

// Encode is the stored form of a business: what follows from the record's place is left
// out.
func Encode(business *fitmentv1.Business) ([]byte, error) {
	kept := proto.CloneOf(business)
	kept.Name, kept.Etag = "", ""
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(kept)
	if err != nil {
		return nil, fmt.Errorf("businesses: %w", err)
	}
	return raw, nil
}

// Decode reads a stored business.
func Decode(record store.Record) (*fitmentv1.Business, error) {
	business := &fitmentv1.Business{}
	if err := proto.Unmarshal(record.Value, business); err != nil {
		return nil, fmt.Errorf("businesses: record of %s: %w", record.Key.ID, err)
	}
	business.Name = Prefix + business.GetId()
	business.Etag = revision.ETag(record.Version)
	return business, nil
}

// fresh is a business with every desk.
func fresh(id string, operator bool, now time.Time) *fitmentv1.Business {
	business := &fitmentv1.Business{Id: id, DisplayName: id, Operator: operator, CreateTime: timestamppb.New(now)}
	for _, desk := range identity.Desks() {
		business.Roles = append(business.Roles, string(desk))
	}
	return business
}

// put is the put of a business that there must not be yet.
func put(business *fitmentv1.Business) (store.Put, error) {
	value, err := Encode(business)
	return store.Put{Key: KeyOf(business.GetId()), Expect: store.Absent, Value: value}, err
}
