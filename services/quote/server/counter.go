package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"beltwright.example/services/store"
)

// count is the tenant's next number of a counter, from 1, and the step that uses
// it up. A number that goes into the same change as what it numbers leaves no gap.
func (s *Server) count(ctx context.Context, tenant, kind, id string) (store.Put, int64, error) {
	key := store.Key{Tenant: tenant, Kind: kind, ID: id}
	record, err := s.store.Get(ctx, key)
	var last int64
	switch {
	case errors.Is(err, store.ErrNotFound):
		record.Version = store.Absent
	case err != nil:
		return store.Put{}, 0, fmt.Errorf("read %s %s: %w", kind, id, err)
	default:
		if err := json.Unmarshal(record.Value, &last); err != nil {
			return store.Put{}, 0, fmt.Errorf("read %s %s: %w", kind, id, err)
		}
	}
	raw, err := json.Marshal(last + 1)
	if err != nil {
		return store.Put{}, 0, fmt.Errorf("keep %s %s: %w", kind, id, err)
	}
	return store.Put{Key: key, Expect: record.Version, Value: raw}, last + 1, nil
}
