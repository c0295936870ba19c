// Package traced makes a span of each call of a store that a request leads to. A
// span says what kind of record was asked for, never which one.
package traced

import (
	"context"

	"go.opentelemetry.io/otel/attribute"

	"beltwright.example/services/platform/telemetry"
	"beltwright.example/services/store"
)

// Store is a store whose calls make spans; calls that cost nothing make none.
type Store struct {
	store.Store

	traces *telemetry.Traces
	side   attribute.KeyValue
}

// New decorates a side's store.
func New(inner store.Store, side string, traces *telemetry.Traces) *Store {
	return &Store{Store: inner, traces: traces, side: telemetry.StoreSide.String(side)}
}

// Get implements store.Store.
func (s *Store) Get(ctx context.Context, key store.Key) (store.Record, error) {
	ctx, end := s.traces.Inside(ctx, "store Get", s.side, telemetry.StoreKind.String(key.Kind))
	record, err := s.Store.Get(ctx, key)
	end(err)
	return record, err
}

// List implements store.Store.
func (s *Store) List(ctx context.Context, tenant, kind, after string, limit int) ([]store.Record, error) {
	ctx, end := s.traces.Inside(ctx, "store List", s.side, telemetry.StoreKind.String(kind))
	records, err := s.Store.List(ctx, tenant, kind, after, limit)
	end(err)
	return records, err
}

// Apply implements store.Store. The span is of the whole call, until all that it
// acknowledges is durable; that one of its changes was refused is no failure of it.
func (s *Store) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	attributes := []attribute.KeyValue{s.side, telemetry.StoreChanges.Int(len(changes))}
	if len(changes) == 1 && len(changes[0].Puts) > 0 {
		attributes = append(attributes, telemetry.StoreKind.String(changes[0].Puts[0].Key.Kind))
	}
	ctx, end := s.traces.Inside(ctx, "store Apply", attributes...)
	applied, err := s.Store.Apply(ctx, changes...)
	end(err)
	return applied, err
}

// Seen implements store.Store.
func (s *Store) Seen(ctx context.Context, tenant, requestID string, fingerprint [32]byte) (store.Applied, error) {
	ctx, end := s.traces.Inside(ctx, "store Seen", s.side)
	applied, err := s.Store.Seen(ctx, tenant, requestID, fingerprint)
	end(err)
	return applied, err
}

// Changes implements store.Store.
func (s *Store) Changes(ctx context.Context, after int64, limit int) ([]store.Record, error) {
	ctx, end := s.traces.Inside(ctx, "store Changes", s.side)
	records, err := s.Store.Changes(ctx, after, limit)
	end(err)
	return records, err
}
