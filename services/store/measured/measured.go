// Package measured counts the calls of a store and how long they take.
package measured

import (
	"context"
	"errors"
	"time"

	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/store"
)

// Store is a store whose calls are counted.
type Store struct {
	store.Store

	set  *metrics.Set
	side string
}

// New decorates a side's store.
func New(inner store.Store, side string, set *metrics.Set) *Store {
	return &Store{Store: inner, set: set, side: side}
}

// Get implements store.Store.
func (s *Store) Get(ctx context.Context, key store.Key) (store.Record, error) {
	began := time.Now()
	record, err := s.Store.Get(ctx, key)
	s.note("Get", began, err)
	return record, err
}

// List implements store.Store.
func (s *Store) List(ctx context.Context, tenant, kind, after string, limit int) ([]store.Record, error) {
	began := time.Now()
	records, err := s.Store.List(ctx, tenant, kind, after, limit)
	s.note("List", began, err)
	return records, err
}

// Apply implements store.Store. A call counts by its own error, and where it has none
// by that of the first change that failed.
func (s *Store) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	began := time.Now()
	applied, err := s.Store.Apply(ctx, changes...)
	worst := err
	for _, one := range applied {
		if worst == nil {
			worst = one.Err
		}
	}
	s.note("Apply", began, worst)
	return applied, err
}

// Seen implements store.Store.
func (s *Store) Seen(ctx context.Context, tenant, requestID string, fingerprint [32]byte) (store.Applied, error) {
	began := time.Now()
	applied, err := s.Store.Seen(ctx, tenant, requestID, fingerprint)
	s.note("Seen", began, err)
	return applied, err
}

// Changes implements store.Store.
func (s *Store) Changes(ctx context.Context, after int64, limit int) ([]store.Record, error) {
	began := time.Now()
	records, err := s.Store.Changes(ctx, after, limit)
	s.note("Changes", began, err)
	return records, err
}

func (s *Store) note(call string, began time.Time, err error) {
	s.set.StoreCall(s.side, call, outcome(err), time.Since(began))
}

// ended is what became of a call that somebody gave up.
const ended = "ended"

// outcome is what a call ended with, as metrics.StoreOutcomes has it.
func outcome(err error) string {
	for _, known := range []struct {
		err  error
		name string
	}{
		{store.ErrNotFound, "not_found"},
		{store.ErrConflict, "conflict"},
		{store.ErrTooLate, "too_late"},
		{store.ErrRequestReused, "request_reused"},
		{store.ErrBroken, "failed"},
		{store.ErrNewer, "failed"},
		{store.ErrClosed, ended},
		{context.Canceled, ended},
		{context.DeadlineExceeded, ended},
	} {
		if errors.Is(err, known.err) {
			return known.name
		}
	}
	if err != nil {
		return "refused" // the call was malformed, or a decorator said no
	}
	return "done"
}
