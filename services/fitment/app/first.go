package app

import (
	"cmp"
	"context"
	"errors"
	"time"

	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Businesses that run a deployment.
const (
	// OperatorTenant is the business of the first key.
	OperatorTenant = "operator"
	// DemoTenant is the business of the demo's key.
	DemoTenant = "demo-shop"
)

// OperatorKey is the key of a fresh installation, written to the file; where there is
// none, whoever starts sets Tell and is told. It sits at every desk, since nobody else
// has a key yet, and is made once only.
func OperatorKey(path string) keys.First {
	return keys.First{Tenant: OperatorTenant, Roles: identity.Desks(), Path: path}
}

// adopt makes the businesses of a store that was written before there were any: those
// that have keys.
func adopt(ctx context.Context, records store.Store, now time.Time) error {
	return businesses.New(records).Adopt(ctx, keys.Kind, []string{OperatorTenant, DemoTenant}, now)
}

// Running is a first key for the business that runs the deployment of a store, whatever
// its name, with the desks that it has; where none does, first as it is.
func Running(ctx context.Context, records store.Store, first keys.First) (keys.First, error) {
	if err := adopt(ctx, records, time.Now()); err != nil {
		return first, err
	}
	known := businesses.New(records)
	id, err := known.Operator(ctx, first.Tenant)
	if err != nil {
		return first, err
	}
	first.Tenant = cmp.Or(id, first.Tenant)
	business, err := known.Get(ctx, first.Tenant)
	if errors.Is(err, store.ErrNotFound) {
		return first, nil
	}
	if err != nil {
		return first, err
	}
	first.Roles = nil
	for _, role := range business.GetRoles() {
		first.Roles = append(first.Roles, identity.Role(role))
	}
	return first, nil
}
