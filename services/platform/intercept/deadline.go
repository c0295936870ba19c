package intercept

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// Times of calls.
const (
	// DefaultUnaryTimeout bounds a unary call whose caller set no deadline.
	DefaultUnaryTimeout = 30 * time.Second
	// DefaultStreamTimeout bounds a stream whose caller set no deadline: an
	// import of a large file.
	DefaultStreamTimeout = 10 * time.Minute
	// Shave is the least that is taken off the deadline at each hop, so that a
	// server whose own calls time out has time left to say so, and which of them:
	// its caller would otherwise run out of time in the same moment and could only
	// blame the server. It is a quarter of the time that is left, at most MaxShave.
	Shave = 20 * time.Millisecond
	// MaxShave is the most that is taken off.
	MaxShave = 100 * time.Millisecond
	// Least is the time that must be left after shaving for work to start:
	// less is not worth it, since nobody would see the answer.
	Least = 20 * time.Millisecond
)

// isHealth tells whether a method is the health service's.
func isHealth(method string) bool {
	switch method {
	case healthpb.Health_Check_FullMethodName, healthpb.Health_List_FullMethodName, healthpb.Health_Watch_FullMethodName:
		return true
	}
	return false
}

// deadlineLink gives every call a deadline. Health checks are left alone: a
// watch of a server's health lasts as long as the connection.
func deadlineLink(unary, stream time.Duration) Link {
	return Link{
		Name: Deadline,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			if isHealth(info.FullMethod) {
				return handler(ctx, req)
			}
			ctx, cancel, err := shaved(ctx, unary)
			if err != nil {
				return nil, err
			}
			defer cancel()
			return handler(ctx, req)
		},
		Stream: func(srv any, s grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			if isHealth(info.FullMethod) {
				return handler(srv, s)
			}
			ctx, cancel, err := shaved(s.Context(), stream)
			if err != nil {
				return err
			}
			defer cancel()
			if _, set := s.Context().Deadline(); !set {
				s = &bounded{ServerStream: s, ctx: ctx}
			}
			return handler(srv, &withContext{ServerStream: s, ctx: ctx})
		},
	}
}

// shave is what is taken off the time that is left.
func shave(left time.Duration) time.Duration { return min(max(left/4, Shave), MaxShave) }

// shaved returns a context that ends somewhat before the caller's deadline, or
// after timeout where the caller set none.
func shaved(ctx context.Context, timeout time.Duration) (context.Context, context.CancelFunc, error) {
	deadline, ok := ctx.Deadline()
	if !ok {
		ctx, cancel := context.WithTimeout(ctx, timeout)
		return ctx, cancel, nil
	}
	deadline = deadline.Add(-shave(time.Until(deadline)))
	if left := time.Until(deadline); left < Least {
		return nil, nil, apierr.New(codes.DeadlineExceeded, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"too little time is left to start; expected a deadline at least %v away", Shave+Least)
	}
	ctx, cancel := context.WithDeadline(ctx, deadline)
	return ctx, cancel, nil
}

// withContext is a stream with another context.
type withContext struct {
	grpc.ServerStream

	ctx context.Context //nolint:containedctx // grpc hands a stream's context out through the stream
}

// Context is the other context.
func (s *withContext) Context() context.Context { return s.ctx }

// bounded ends receiving and sending with a context. A stream itself only ends
// with the deadline that its caller set, so that a caller that sets none and
// falls silent would hold a handler for ever.
type bounded struct {
	grpc.ServerStream

	ctx context.Context //nolint:containedctx // the bound is what this type is for
}

// RecvMsg receives one message, or returns the context's error.
func (s *bounded) RecvMsg(into any) error {
	return s.within(func() error { return s.ServerStream.RecvMsg(into) })
}

// SendMsg sends one message, or returns the context's error.
func (s *bounded) SendMsg(message any) error {
	return s.within(func() error { return s.ServerStream.SendMsg(message) })
}

// within runs step beside the context. A step that is left behind ends when the
// handler returns, since that ends the stream.
func (s *bounded) within(step func() error) error {
	done := make(chan error, 1)
	go func() { done <- step() }()
	select {
	case <-s.ctx.Done():
		return s.ctx.Err()
	case err := <-done:
		return err
	}
}
