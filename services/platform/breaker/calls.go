package breaker

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"github.com/sony/gobreaker/v2"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"beltwright.example/services/platform/apierr"
)

// DialOptions are the options of a connection whose calls the breakers guard.
func (s *Set) DialOptions() []grpc.DialOption {
	return []grpc.DialOption{grpc.WithChainUnaryInterceptor(s.unary), grpc.WithChainStreamInterceptor(s.stream)}
}

func (s *Set) unary(
	ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
) error {
	g := s.of(method)
	if g == nil {
		return invoke(ctx, method, req, reply, conn, opts...)
	}
	done, probe, err := s.enter(g)
	if err != nil {
		return err
	}
	began, caller := time.Now(), ctx
	if probe {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, s.config.ProbeTimeout)
		defer cancel()
	}
	outcome := errFailed // where the call panics
	defer func() { done(outcome) }()
	err = invoke(ctx, method, req, reply, conn, opts...)
	outcome = s.config.verdict(caller, g.side, err, time.Since(began))
	return err
}

// enter lets a call pass, or returns the error in its place. Done takes the call's
// outcome; it must be called. Probe tells that the breaker is half-open.
func (s *Set) enter(g *guard) (done func(error), probe bool, err error) {
	done, err = g.breaker.Allow()
	if err != nil {
		return nil, false, s.refusal(g)
	}
	// Asked after Allow: a call that was let pass as a probe sees half-open here, or
	// the breaker has moved on and the call's outcome no longer matters to it.
	return done, g.breaker.State() == gobreaker.StateHalfOpen, nil
}

// refusal is the error of a call that was not made.
func (s *Set) refusal(g *guard) error {
	wait := time.Second
	if status := s.status(g.name); status.State == Open {
		wait = max(wait, time.Until(status.Since.Add(s.config.Open)))
	}
	return apierr.Down(codes.Unavailable, g.side, wait,
		"the %s service has failed too often just now, so it was not asked (%s)", g.side, g.name)
}

func (s *Set) stream(
	ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption,
) (grpc.ClientStream, error) {
	g := s.of(method)
	if g == nil {
		return open(ctx, desc, conn, method, opts...)
	}
	done, probe, err := s.enter(g)
	if err != nil {
		return nil, err
	}
	began := time.Now()
	var once sync.Once
	report := func(outcome error) { once.Do(func() { done(outcome) }) }
	if probe {
		// Opening may wait for a connection for as long as its caller does.
		opening := time.AfterFunc(s.config.ProbeTimeout, func() { report(errFailed) })
		defer opening.Stop()
	}
	returned := false
	defer func() {
		if !returned { // where opening panics
			report(errFailed)
		}
	}()
	stream, err := open(ctx, desc, conn, method, opts...)
	returned = true
	if err != nil {
		report(s.config.verdict(ctx, g.side, err, time.Since(began)))
		return nil, err
	}
	if probe {
		// A stream may rightly be silent for long. It must not keep a probe's place
		// for as long as that, nor be cut for it.
		time.AfterFunc(s.config.ProbeTimeout-time.Since(began), func() { report(errSaysNothing) })
	}
	return &answered{ClientStream: stream, report: func(err error) {
		report(s.config.verdict(ctx, g.side, err, time.Since(began)))
	}}, nil
}

// answered is a stream whose first answer is reported.
type answered struct {
	grpc.ClientStream

	report func(error)
}

// RecvMsg receives one message.
func (a *answered) RecvMsg(into any) error {
	err := a.ClientStream.RecvMsg(into)
	if errors.Is(err, io.EOF) {
		a.report(nil)
	} else {
		a.report(err)
	}
	return err
}
