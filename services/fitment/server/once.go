package server

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// records are what the handlers of all services of this side read and write by.
type records struct {
	store store.Store
}

// deed is one try of any write: it reads and decides, and returns what to keep
// with the request id for whoever repeats the request, and the change. It is
// called again where a put of the change met a conflict.
type deed = func(ctx context.Context, now time.Time) (answer []byte, change store.Change, err error)

// once does a deed under a request id, however often it is asked for, and returns
// what the store made of it, now or the first time. All writes go through it.
func (s records) once(ctx context.Context, p identity.Principal, requestID string, request proto.Message, do deed) (store.Applied, error) {
	fingerprint, err := requests.Fingerprint(request)
	if err != nil {
		return store.Applied{}, err
	}
	applied, err := s.store.Seen(ctx, p.Tenant, requestID, fingerprint)
	if err == nil && !applied.Replayed {
		applied, err = s.try(ctx, store.Change{Tenant: p.Tenant, RequestID: requestID, Fingerprint: fingerprint}, do)
	}
	return applied, edge(err)
}

// try tries a deed until it goes through or fails for good.
func (s records) try(ctx context.Context, request store.Change, do deed) (store.Applied, error) {
	for range attempts {
		now, err := s.store.Now(ctx)
		if err != nil {
			return store.Applied{}, err
		}
		answer, change, err := do(ctx, now)
		if err != nil {
			return store.Applied{}, err
		}
		change.Tenant, change.RequestID, change.Fingerprint = request.Tenant, request.RequestID, request.Fingerprint
		change.Answer = answer
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

// at is the revision of a write; of one that had nothing to write, that of everything
// written so far.
func (s records) at(ctx context.Context, applied store.Applied) (string, error) {
	place, err := s.store.Place(ctx)
	if err != nil {
		return "", edge(err)
	}
	if len(applied.Versions) > 0 {
		place.Version = applied.Versions[0]
	}
	return revision.Place(place), nil
}
