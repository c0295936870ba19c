package server

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// attempts is how often a write is tried again where somebody else changed the
// record between reading and writing it.
const attempts = 16

// write is one write of a listing, the same for every RPC that makes one.
type write struct {
	caller    identity.Principal
	request   proto.Message
	requestID string
	// act reads the record and decides; it returns the listing as it shall be
	// and the change that makes it so, whose first put is the listing's. It is
	// called again where a put met a conflict.
	act actFunc
}

// actFunc is one try of a write.
type actFunc = func(ctx context.Context, now time.Time) (*fitmentv1.Listing, store.Change, error)

// write runs a write once, however often it is asked for: a repeat answers with
// the listing as the write left it. It returns that as this caller may see it
// now, who need not be the one who asked first, and the revision of the write.
func (s *Server) write(ctx context.Context, w write) (*fitmentv1.Listing, string, error) {
	fingerprint, err := requests.Fingerprint(w.request)
	if err != nil {
		return nil, "", err
	}
	applied, err := s.store.Seen(ctx, w.caller.Tenant, w.requestID, fingerprint)
	if err == nil && !applied.Replayed {
		applied, err = s.try(ctx, w, fingerprint)
	}
	if err != nil {
		return nil, "", edge(err)
	}
	return s.answer(ctx, w.caller, applied)
}

// try tries a write until it goes through or fails for good.
func (s *Server) try(ctx context.Context, w write, fingerprint [32]byte) (store.Applied, error) {
	for range attempts {
		now, err := s.store.Now(ctx)
		if err != nil {
			return store.Applied{}, err
		}
		next, change, err := w.act(ctx, now)
		if err != nil {
			return store.Applied{}, err
		}
		change.Tenant, change.RequestID, change.Fingerprint = w.caller.Tenant, w.requestID, fingerprint
		if change.Answer, err = listing.Encode(next); err != nil {
			return store.Applied{}, err
		}
		applied, err := s.store.Apply(ctx, change)
		switch {
		case err != nil:
			return store.Applied{}, err
		case len(applied) != 1:
			return store.Applied{}, fmt.Errorf("the store answered 1 change with %d results", len(applied))
		case !errors.Is(applied[0].Err, store.ErrConflict):
			return applied[0], applied[0].Err
		}
	}
	return store.Applied{}, apierr.Retry(codes.Aborted, fitmentv1.ErrorInfo_LIMIT_REACHED, retryAfter,
		"others changed the record %d times meanwhile; try again with the same request_id", attempts)
}

// answer makes the answer of a write, or of its first time. What is kept with the
// request id is the whole listing, and any key of the business may repeat the
// request, at any time: what is shown is masked afresh. Only the state stays as
// the write left it, since that is what the write did.
func (s *Server) answer(ctx context.Context, p identity.Principal, applied store.Applied) (*fitmentv1.Listing, string, error) {
	if len(applied.Versions) == 0 {
		return nil, "", errors.New("the store answered a write without its version")
	}
	version := applied.Versions[0]
	whole, err := listing.Decode(applied.Answer)
	if err != nil {
		return nil, "", err
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, "", edge(err)
	}
	l := seen(whole, version, p, now)
	l.State = whole.GetState()
	place, err := s.store.Place(ctx)
	if err != nil {
		return nil, "", edge(err)
	}
	// Every search reads the feed to its end first; doing it here too only
	// spares the next one the work, so a failure is no failure of the write.
	if err := s.index.CatchUp(ctx, version); err != nil {
		s.log.WarnContext(ctx, "the index is behind", "version", version, "error", err)
	}
	return l, revision.Place(store.Place{Epoch: place.Epoch, Version: version}), nil
}
