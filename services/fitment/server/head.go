package server

import (
	"context"
	"errors"

	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/store"
)

// headKey is the catalogue's head: a record whose version rises with every
// change of the catalogue (and with every sale, which expects it). Its value
// says nothing.
var (
	headKey   = store.Key{Tenant: catalogue.Tenant, Kind: "catalogue-head", ID: "head"}
	headValue = []byte{1}
)

// head reads the catalogue's head; an absent one is at version store.Absent.
func (s *Server) head(ctx context.Context) (store.Record, error) {
	record, err := s.store.Get(ctx, headKey)
	if errors.Is(err, store.ErrNotFound) {
		return store.Record{Key: headKey, Version: store.Absent}, nil
	}
	return record, err
}

// headed is a store that writes the catalogue's head with every change, in the
// same atomic step. All imports into the catalogue go through it.
type headed struct{ store.Store }

// Apply implements store.Store.
func (h headed) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	with := make([]store.Change, len(changes))
	for i, change := range changes {
		if len(change.Puts) > 0 {
			puts := make([]store.Put, 0, len(change.Puts)+1)
			change.Puts = append(append(puts, change.Puts...), store.Put{Key: headKey, Expect: store.Whatever, Value: headValue})
		}
		with[i] = change
	}
	applied, err := h.Store.Apply(ctx, with...)
	for i := range applied {
		if n := len(changes[i].Puts); len(applied[i].Versions) > n {
			applied[i].Versions = applied[i].Versions[:n]
		}
	}
	return applied, err
}
