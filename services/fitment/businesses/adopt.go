package businesses

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/store"
)

// scanned is how many records are read from the feed at once.
const scanned = 1000

// Ensure makes a business with every desk where there is none of that id yet. One
// that there is stays as it is.
func (s *Store) Ensure(ctx context.Context, id string, operator bool, now time.Time) error {
	if !ValidID(id) {
		return fmt.Errorf("businesses: %q is no id of a business; expected 1 to 32 of a-z, 0-9 and -, and not the word %q", id, Registry)
	}
	_, err := s.records.Get(ctx, KeyOf(id))
	if !errors.Is(err, store.ErrNotFound) {
		return err
	}
	return s.make(ctx, fresh(id, operator, now))
}

// make writes businesses in one step. Where somebody else makes one of them at the
// same moment, theirs counts.
func (s *Store) make(ctx context.Context, all ...*fitmentv1.Business) error {
	change := store.Change{}
	for _, business := range all {
		p, err := put(business)
		if err != nil {
			return err
		}
		change.Puts = append(change.Puts, p)
	}
	applied, err := s.records.Apply(ctx, change)
	if err != nil {
		return fmt.Errorf("businesses: %w", err)
	}
	if err := applied[0].Err; err != nil && !errors.Is(err, store.ErrConflict) {
		return fmt.Errorf("businesses: %w", err)
	}
	return nil
}

// Adopt makes the businesses of a store that was written before there were any: one
// for each tenant that has a record of a kind, such as a key, with every desk. Those
// among operators run the deployment. A store that has a business is left alone, so
// that what was read once is not read again at every start.
func (s *Store) Adopt(ctx context.Context, kind string, operators []string, now time.Time) error {
	known, err := s.records.List(ctx, Registry, Kind, "", 1)
	if err != nil {
		return fmt.Errorf("businesses: %w", err)
	}
	if len(known) > 0 {
		return nil
	}
	tenants, err := s.tenants(ctx, kind)
	if err != nil || len(tenants) == 0 {
		return err
	}
	all := make([]*fitmentv1.Business, 0, len(tenants))
	for _, tenant := range tenants {
		all = append(all, fresh(tenant, slices.Contains(operators, tenant), now))
	}
	return s.make(ctx, all...)
}

// tenants are those that have a record of the kind, in order.
func (s *Store) tenants(ctx context.Context, kind string) ([]string, error) {
	var tenants []string
	for after := int64(0); ; {
		records, err := s.records.Changes(ctx, after, scanned)
		if err != nil {
			return nil, fmt.Errorf("businesses: %w", err)
		}
		if len(records) == 0 {
			slices.Sort(tenants)
			return slices.Compact(tenants), nil
		}
		for _, record := range records {
			after = record.Version
			if record.Key.Kind == kind && ValidID(record.Key.Tenant) {
				tenants = append(tenants, record.Key.Tenant)
			}
		}
	}
}

// Operator is the id of the business that runs the deployment: preferred, where that
// does; or else the first one that does; "" where none does.
func (s *Store) Operator(ctx context.Context, preferred string) (string, error) {
	found := ""
	for after := ""; ; {
		records, err := s.records.List(ctx, Registry, Kind, after, scanned)
		if err != nil {
			return "", fmt.Errorf("businesses: %w", err)
		}
		if len(records) == 0 {
			return found, nil
		}
		for _, record := range records {
			after = record.Key.ID
			business, err := Decode(record)
			switch {
			case err != nil:
				return "", err
			case business.GetOperator() && after == preferred:
				return preferred, nil
			case business.GetOperator() && found == "":
				found = after
			}
		}
	}
}
