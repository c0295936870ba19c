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

// claim says which request or quote of the business has a listing. Claims keep
// one quote of a business from taking a listing away from another, and one run
// of a request from giving back the hold that another run's quote stands on: a
// hold may be released only once its claim has ended without a quote, and a
// quote is stored only while its claim has not ended.
type claim struct {
	// Request is the request that prepares the quote, and Attempt which of its
	// attempts claimed the listing.
	Request string `json:"request"`
	Attempt int    `json:"attempt,omitempty"`
	// Quote is the quote, once it is stored.
	Quote string `json:"quote,omitempty"`
	// Until is when the claim ends by itself; zero where it has ended.
	Until time.Time `json:"until"`
	// Accepting is true from when an acceptance of the quote begins to buy the
	// listing until it fails or is stored: no new version takes its place meanwhile.
	Accepting bool `json:"accepting,omitempty"`
	// Extension of the quote's hold by a version that is to take its place. It may
	// have been made and the version not stored: the quote's hold is then the one
	// that making it once more answers.
	Extension *extension `json:"extension,omitempty"`
}

// extension is how the hold with this fence is extended.
type extension struct {
	Request string `json:"request"`
	Fence   int64  `json:"fence"`
	Minutes int32  `json:"minutes"`
}

// of tells whether the claim was made by this attempt of the write. An attempt
// claims once; a claim of its own that has ended never comes back.
func (c claim) of(w write, attempt int) bool {
	return c.Request == w.requestID && c.Attempt == attempt
}

// errClaimed: another quote of the same business has the listing.
var errClaimed = errors.New("another quote of your business has it")

// errEnded: another run of the same request has ended the attempt's claim.
var errEnded = errors.New("the claim has ended")

// errAccepting: the version before is being accepted.
var errAccepting = errors.New("the quote is being accepted")

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

// takeClaim is the step that claims a listing for an attempt; errClaimed where
// another request or a stored quote has it, unless that is the version before.
func (s *Server) takeClaim(ctx context.Context, w write, listing, before string, next claim) (store.Put, error) {
	found, version, err := s.readClaim(ctx, w.tenant, listing)
	if err != nil {
		return store.Put{}, err
	}
	taken := found.Request != w.requestID || found.Quote != ""
	if taken && found.Until.After(s.now()) && (before == "" || found.Quote != before) {
		return store.Put{}, errClaimed
	}
	return putClaim(w.tenant, listing, version, next)
}

// quoteClaim is the step that turns an attempt's claim into the quote's;
// errEnded where the claim is not the attempt's any more.
func (s *Server) quoteClaim(ctx context.Context, w write, listing string, next claim) (store.Put, error) {
	found, version, err := s.readClaim(ctx, w.tenant, listing)
	if err != nil {
		return store.Put{}, err
	}
	if !found.of(w, next.Attempt) || found.Until.IsZero() {
		return store.Put{}, errEnded
	}
	return putClaim(w.tenant, listing, version, next)
}

// moveClaim is the step that hands the claim of the version before to the quote
// that takes its place; errEnded where another run extended the hold meanwhile, or
// the claim is not the version's any more.
func (s *Server) moveClaim(ctx context.Context, w write, listing, before string, extended string, next claim) (store.Put, error) {
	found, version, err := s.readClaim(ctx, w.tenant, listing)
	if err != nil {
		return store.Put{}, err
	}
	switch {
	case found.Quote == before && found.Accepting:
		return store.Put{}, errAccepting
	case found.Quote != before || found.Until.IsZero() || found.Extension == nil || found.Extension.Request != extended:
		return store.Put{}, errEnded
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

// endClaim ends an attempt's claim on a listing that it does not take after all.
// False means that a quote stands on the claim: its hold must not be released.
// A claim that could not be ended ends by itself.
func (s *Server) endClaim(ctx context.Context, w write, attempt int, listing string) (bool, error) {
	for range conflictTries {
		found, version, err := s.readClaim(ctx, w.tenant, listing)
		switch {
		case err != nil:
			return false, err
		case !found.of(w, attempt) || found.Until.IsZero():
			return true, nil
		case found.Quote != "":
			return false, nil
		}
		put, err := putClaim(w.tenant, listing, version, claim{Request: w.requestID, Attempt: attempt})
		if err != nil {
			return false, err
		}
		applied, err := s.store.Apply(ctx, store.Change{Puts: []store.Put{put}})
		if err == nil && len(applied) == 1 {
			err = applied[0].Err
		}
		if !errors.Is(err, store.ErrConflict) {
			return err == nil, err
		}
	}
	return false, contended()
}
