package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"beltwright.example/services/store"
)

// claim says which request or quote of the business has a listing. A holder may
// hold again, and the new hold ends the old one: claims keep one quote of a
// business from taking the listing away from another in this way.
type claim struct {
	// Request is the request that prepares the quote.
	Request string `json:"request"`
	// Quote is the quote, once it is stored.
	Quote string `json:"quote,omitempty"`
	// Until is when the claim ends by itself.
	Until time.Time `json:"until"`
}

// errClaimed: another quote of the same business has the listing.
var errClaimed = errors.New("another quote of your business has it")

func claimKey(tenant, listing string) store.Key {
	return store.Key{Tenant: tenant, Kind: kindClaim, ID: strings.TrimPrefix(listing, listingPrefix)}
}

// readClaim returns the claim on a listing and the version of its record; the
// zero claim where there is none.
func (s *Server) readClaim(ctx context.Context, tenant, listing string) (claim, int64, error) {
	var found claim
	record, err := s.store.Get(ctx, claimKey(tenant, listing))
	if errors.Is(err, store.ErrNotFound) {
		return found, store.Absent, nil
	}
	if err == nil {
		err = json.Unmarshal(record.Value, &found)
	}
	if err != nil {
		return claim{}, 0, fmt.Errorf("read the claim on %s: %w", listing, err)
	}
	return found, record.Version, nil
}

// putClaim is the step that replaces a claim.
func putClaim(tenant, listing string, version int64, next claim) (store.Put, error) {
	raw, err := json.Marshal(next)
	if err != nil {
		return store.Put{}, fmt.Errorf("keep the claim: %w", err)
	}
	return store.Put{Key: claimKey(tenant, listing), Expect: version, Value: raw}, nil
}

// takeClaim is the step that claims a listing for a request; errClaimed where
// another one has it.
func (s *Server) takeClaim(ctx context.Context, w write, listing string, next claim) (store.Put, error) {
	found, version, err := s.readClaim(ctx, w.tenant, listing)
	if err != nil {
		return store.Put{}, err
	}
	if found.Request != w.requestID && found.Until.After(s.now()) {
		return store.Put{}, errClaimed
	}
	return putClaim(w.tenant, listing, version, next)
}

// freeClaim is the step that ends a quote's claim; nothing where it has none.
func (s *Server) freeClaim(ctx context.Context, tenant, listing, quoteName string) ([]store.Put, error) {
	found, version, err := s.readClaim(ctx, tenant, listing)
	if err != nil || found.Quote != quoteName || found.Until.IsZero() {
		return nil, err
	}
	put, err := putClaim(tenant, listing, version, claim{})
	return []store.Put{put}, err
}

// dropClaim ends a request's claim on a listing that it does not take after
// all. A claim that could not be dropped ends by itself.
func (s *Server) dropClaim(ctx context.Context, w write, listing string) {
	found, version, err := s.readClaim(ctx, w.tenant, listing)
	if err == nil && found.Request == w.requestID && found.Quote == "" && !found.Until.IsZero() {
		var put store.Put
		if put, err = putClaim(w.tenant, listing, version, claim{}); err == nil {
			_, err = s.store.Apply(ctx, store.Change{Puts: []store.Put{put}})
		}
	}
	if err != nil {
		s.log.WarnContext(ctx, "a claim stays until it ends by itself", "listing", listing, "error", err)
	}
}
