package server

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// wayIn is the put that ties a revocation to another way into the business that runs
// the deployment, which must still be there when the key ends: a key with the desk admin,
// or a person who has it and a password. Where there is none, the revocation is refused,
// since nobody could make a key any more but on a stopped store. A key that lets nobody in
// anyway, or of another business, which the operator can help, needs none.
//
// The put leaves the record as it is, and so fails where that has changed meanwhile: two
// who revoke each other's key at once do not both succeed.
func (s *IdentityServer) wayIn(ctx context.Context, revoked store.Record, now time.Time) ([]store.Put, error) {
	id := revoked.Key.Tenant
	business, err := s.business(ctx, id)
	if err != nil || !business.GetOperator() {
		return nil, err
	}
	if admits, err := keys.Admits(revoked, identity.Admin, now); err != nil || !admits {
		return nil, err
	}
	witness, err := s.first(ctx, id, keys.Kind, func(found store.Record) (bool, error) {
		if found.Key == revoked.Key {
			return false, nil
		}
		return keys.Admits(found, identity.Admin, now)
	})
	if errors.Is(err, store.ErrNotFound) {
		witness, err = s.first(ctx, id, people.Kind, signsInAsAdmin)
	}
	if errors.Is(err, store.ErrNotFound) {
		return nil, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LAST_ADMINISTRATOR,
			"it is the last key by which somebody can administer this deployment; make another key with the desk admin first, "+
				"or add a person who has that desk and a password")
	}
	if err != nil {
		return nil, err
	}
	return []store.Put{{Key: witness.Key, Expect: witness.Version, Value: witness.Value}}, nil
}

// signsInAsAdmin tells whether a person can sign in by a password and sit at admin.
func signsInAsAdmin(found store.Record) (bool, error) {
	if len(found.Value) == 0 {
		return false, nil
	}
	kept, err := people.Decode(found)
	return err == nil && kept.Hash != "" && !kept.Person.GetSuspended() &&
		slices.Contains(kept.Person.GetRoles(), string(identity.Admin)), err
}

// looked is how many records are read at once.
const looked = 256

// first is the first record of a business and kind that is wanted; store.ErrNotFound
// where none is.
func (s *IdentityServer) first(ctx context.Context, business, kind string, wanted func(store.Record) (bool, error)) (store.Record, error) {
	for after := ""; ; {
		some, err := s.store.List(ctx, business, kind, after, looked)
		if err != nil {
			return store.Record{}, fmt.Errorf("look for a %s: %w", kind, err)
		}
		for _, one := range some {
			if is, err := wanted(one); err != nil || is {
				return one, err
			}
			after = one.Key.ID
		}
		if len(some) < looked {
			return store.Record{}, store.ErrNotFound
		}
	}
}
