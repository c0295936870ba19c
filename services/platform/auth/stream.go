package auth

import (
	"context"
	"errors"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
)

// How fast a credential that no longer counts is shut out. An answer may be MaxTTL old
// when it is given; the next question comes Recheck later and is answered within
// recheckBound, or else unsureFor has passed and the stream is cut: 2 s + 1 s + 1 s
// leave a second of Revoked for machines that are busy.
const (
	// Revoked is the time within which nothing accepts a credential that was revoked,
	// has ended or belongs to a business or person that is shut out.
	Revoked = 5 * time.Second
	// Recheck is how often the credential of an open stream is verified again, however
	// silent the stream is.
	Recheck = time.Second
	// recheckBound bounds one such question.
	recheckBound = time.Second
	// unsureFor is how long a stream goes on while nobody can tell whether its
	// credential still counts.
	unsureFor = 2 * time.Second
)

// Stream authenticates streams when they open and again and again while they last. A
// stream whose credential no longer counts, or has lost a desk that it opened with, is
// cut: its context ends, and receiving and sending with it, so that the handler
// returns.
func Stream(verifier Verifier) grpc.StreamServerInterceptor {
	return func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		ctx, err := Authenticate(stream.Context(), verifier, info.FullMethod)
		if err != nil {
			return err
		}
		opened, known := identity.FromContext(ctx)
		if !known {
			return handler(srv, &authenticated{ServerStream: stream, ctx: ctx})
		}
		key, _ := Bearer(ctx)
		ctx, cut := context.WithCancelCause(ctx)
		defer cut(nil)
		go watch(ctx, cut, verifier, key, opened)
		err = handler(srv, &authenticated{ServerStream: stream, ctx: ctx, bound: true})
		if why, is := errors.AsType[cutError](context.Cause(ctx)); is {
			return why.error
		}
		return err
	}
}

// cutError is why a stream was cut.
type cutError struct{ error }

// watch verifies the key of an open stream again and again until the stream ends, and
// cuts it where it no longer counts.
func watch(ctx context.Context, cut context.CancelCauseFunc, verifier Verifier, key string, opened identity.Principal) {
	tick := time.NewTicker(Recheck)
	defer tick.Stop()
	for sure := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		err := recheck(ctx, verifier, key, opened)
		switch {
		case err == nil:
			sure = time.Now()
		case status.Code(err) == codes.Unauthenticated || status.Code(err) == codes.PermissionDenied || time.Since(sure) >= unsureFor:
			cut(cutError{err})
			return
		}
	}
}

// recheck asks whether the key still belongs to who opened the stream, with the desks
// of then.
func recheck(ctx context.Context, verifier Verifier, key string, opened identity.Principal) error {
	ctx, cancel := context.WithTimeout(ctx, recheckBound)
	defer cancel()
	now, err := verifier.Verify(ctx, key)
	switch {
	case err != nil && ctx.Err() != nil:
		return Down("nobody answered in time")
	case err != nil:
		return err
	case now.Tenant != opened.Tenant || now.KeyID != opened.KeyID:
		return Invalid()
	}
	for _, role := range opened.Roles {
		if !slices.Contains(now.Roles, role) {
			return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
				"this credential has lost the desk %s while the stream was open; open it again with the desks that are left", role)
		}
	}
	return nil
}

// authenticated is a stream whose context carries the principal.
type authenticated struct {
	grpc.ServerStream

	ctx context.Context //nolint:containedctx // grpc hands a stream's context out through the stream
	// bound ends receiving and sending with the context. By itself a stream ends with
	// its caller's deadline only, so that one which is cut while its caller is silent
	// would hold its handler for as long.
	bound bool
}

// Context carries the principal.
func (s *authenticated) Context() context.Context { return s.ctx }

// RecvMsg receives one message, or returns why the stream was cut.
func (s *authenticated) RecvMsg(into any) error {
	return s.within(func() error { return s.ServerStream.RecvMsg(into) })
}

// SendMsg sends one message, or returns why the stream was cut.
func (s *authenticated) SendMsg(message any) error {
	return s.within(func() error { return s.ServerStream.SendMsg(message) })
}

// within runs a step beside the context. A step that is left behind ends when the
// handler returns, since that ends the stream.
func (s *authenticated) within(step func() error) error {
	if !s.bound {
		return step()
	}
	if s.ctx.Err() != nil {
		return context.Cause(s.ctx)
	}
	done := make(chan error, 1)
	go func() { done <- step() }()
	select {
	case err := <-done:
		return err
	case <-s.ctx.Done():
		return context.Cause(s.ctx)
	}
}
