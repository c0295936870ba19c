package server

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// retryAfter is when trying again is worth it.
const retryAfter = 200 * time.Millisecond

// edge turns what the store answers into what a caller is told. Errors that are
// statuses already stay as they are.
func edge(err error) error {
	switch {
	case err == nil, apierr.ReasonOf(err) != fitmentv1.ErrorInfo_REASON_UNSPECIFIED:
		return err
	case errors.Is(err, store.ErrRequestReused):
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_REQUEST_ID_REUSED,
			"request_id: used before for another request; expected a new UUID")
	case errors.Is(err, store.ErrQuota):
		return limit.Quota(err)
	case errors.Is(err, store.ErrTooLate):
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_HOLD_LOST, "the hold ran out before it was used")
	case errors.Is(err, store.ErrNotFound):
		return apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "no such record")
	case errors.Is(err, store.ErrClosed):
		return apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, retryAfter, "the store is closing")
	case errors.Is(err, store.ErrBroken):
		return apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, retryAfter,
			"the store has stopped after a write that failed; it must be opened again: restart the server, and repeat what was not answered with the same request_id")
	case errors.Is(err, context.DeadlineExceeded):
		return apierr.New(codes.DeadlineExceeded, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "the store did not answer in time")
	case errors.Is(err, context.Canceled):
		return apierr.New(codes.Canceled, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "the call was given up")
	}
	return fmt.Errorf("fitment server: %w", err)
}

// caller is who is calling; UNAUTHENTICATED where nobody is.
func caller(ctx context.Context) (identity.Principal, error) {
	p, ok := identity.FromContext(ctx)
	if !ok || p.Tenant == "" {
		return identity.Principal{}, apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "who is calling?")
	}
	return p, nil
}

// mayList tells whether the caller may write the yard's listings.
func mayList(p identity.Principal, yard string) error {
	if p.Has(identity.Operator) || (p.Has(identity.Yard) && p.Tenant == yard) {
		return nil
	}
	return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
		"only yard %s, with the role yard, or the operator may do this", yard)
}

// listsFor refuses to list for a business that is none, or none with a yard: whoever
// mistypes it would otherwise make a yard that nobody can sign in to. Field is what
// named it. A caller's own business is one.
func (s *Server) listsFor(ctx context.Context, p identity.Principal, yard, field string) error {
	if yard == p.Tenant {
		return nil
	}
	business, err := businesses.New(s.store).Get(ctx, yard)
	missing := errors.Is(err, store.ErrNotFound)
	if err != nil && !missing {
		return edge(err)
	}
	return wellFormed(func(fields *check.Fields) {
		switch {
		case missing:
			fields.Add(field, fmt.Sprintf("there is no business %q", yard), "one that has the desk yard; the operator makes businesses")
		case !slices.Contains(business.GetRoles(), string(identity.Yard)):
			fields.Add(field, fmt.Sprintf("business %q has no desk yard", yard), "one that has it")
		}
	})
}

// await waits for the place that a request demands; with none, for everything
// that the store has acknowledged.
func (s *Server) await(ctx context.Context, minRevision string) error {
	if minRevision == "" {
		return edge(s.index.Fresh(ctx))
	}
	place, err := revision.Parse(minRevision)
	if err != nil {
		return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_REVISION_INVALID,
			"min_revision: no place that can be waited for; expected the revision of a write's answer")
	}
	return edge(s.index.Await(ctx, place))
}

// here is the revision of everything that the store has acknowledged.
func (s *Server) here(ctx context.Context) (string, error) {
	place, err := s.store.Place(ctx)
	if err != nil {
		return "", edge(err)
	}
	return revision.Place(place), nil
}

// wellFormed runs checks and answers with everything that is wrong.
func wellFormed(checks func(fields *check.Fields)) error {
	var fields check.Fields
	checks(&fields)
	return fields.Err()
}
