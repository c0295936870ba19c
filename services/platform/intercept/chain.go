// Package intercept holds what every call passes on its way to a handler, one
// decorator a file, in an order that has a reason and a test.
package intercept

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"google.golang.org/grpc"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/policy"
)

// Names of the links, from the outside in.
const (
	// Gone is outermost: calls whose caller has left cost as good as nothing.
	Gone = "gone"
	// Request is next: everything that is logged of a call has its id.
	Request = "request"
	// Recovery is next: a panic anywhere inside becomes an answer.
	Recovery = "recovery"
	// Logging sees every call and the status that its caller gets.
	Logging = "logging"
	// Metrics counts every call and the status that its caller gets.
	Metrics = "metrics"
	// Edge gives every error its reason before logging sees it.
	Edge = "edge"
	// Deadline bounds everything that may wait, authentication first.
	Deadline = "deadline"
	// Unpacked refuses what would have to be unpacked.
	Unpacked = "unpacked"
	// Shed refuses what there is no room for, before anything is spent on it.
	Shed = "shed"
	// Auth stands before the request is even read.
	Auth = "auth"
	// Rate takes the call from its credential's budget, once it is known whose it is.
	Rate = "rate"
	// Policy asks whether the caller's desks may do this, once it is known who calls.
	Policy = "policy"
	// Strict reads the request and refuses what the handler would not see.
	Strict = "strictness"
)

// Link is one named decorator of calls.
type Link struct {
	// Name is one of the constants above.
	Name string
	// Unary decorates unary calls.
	Unary grpc.UnaryServerInterceptor
	// Stream decorates streams.
	Stream grpc.StreamServerInterceptor
}

// Config is what the chain stands on. Verifier is needed.
type Config struct {
	// Verifier tells who is calling.
	Verifier auth.Verifier
	// Policy says who may call what; nil means policy.Default.
	Policy policy.Table
	// Limits bound what callers take and what the server does at once; nil for no
	// bounds.
	Limits *limit.Limits
	// LoopbackRelays takes callers of this machine that show no certificate for our
	// own programs, whose calls were counted elsewhere; see limit.CallerOf.
	LoopbackRelays bool
	// Log takes requests and failures; nil means the default logger.
	Log *slog.Logger
	// Metrics counts calls; nil means nobody does.
	Metrics *metrics.Set
	// UnaryTimeout bounds unary calls whose caller set no deadline; 0 means
	// DefaultUnaryTimeout.
	UnaryTimeout time.Duration
	// StreamTimeout bounds streams whose caller set no deadline; 0 means
	// DefaultStreamTimeout.
	StreamTimeout time.Duration
}

// Chain returns the links in their order.
func Chain(config Config) ([]Link, error) {
	if config.Verifier == nil {
		return nil, errors.New("intercept: a verifier is needed: no server runs without authentication")
	}
	if config.UnaryTimeout < 0 || config.StreamTimeout < 0 {
		return nil, errors.New("intercept: a timeout is negative; expected 0 for the default, or more")
	}
	if config.Policy == nil {
		config.Policy = policy.Default()
	}
	if config.Log == nil {
		config.Log = slog.Default()
	}
	if config.UnaryTimeout == 0 {
		config.UnaryTimeout = DefaultUnaryTimeout
	}
	if config.StreamTimeout == 0 {
		config.StreamTimeout = DefaultStreamTimeout
	}
	return []Link{
		goneLink(),
		requestLink(),
		recoveryLink(config.Log),
		loggingLink(config.Log),
		metricsLink(config.Metrics),
		edgeLink(config.Log),
		deadlineLink(config.UnaryTimeout, config.StreamTimeout),
		unpackedLink(),
		shedLink(config.Limits),
		authLink(guarded(config)),
		rateLink(config.Limits, config.LoopbackRelays),
		policyLink(config.Policy),
		strictLink(),
	}, nil
}

// guarded is the verifier, with a bound on wrong credentials from one address.
func guarded(config Config) auth.Verifier {
	if config.Limits == nil {
		return config.Verifier
	}
	return config.Limits.Guard(config.Verifier, func(ctx context.Context) (string, bool) {
		caller := limit.CallerOf(ctx, config.LoopbackRelays)
		return caller.Place, !caller.Relay
	})
}

// Options are the server options that put the links in front of every call;
// services are then registered through Registrar.
func Options(links []Link) []grpc.ServerOption {
	unary := make([]grpc.UnaryServerInterceptor, 0, len(links))
	stream := make([]grpc.StreamServerInterceptor, 0, len(links))
	for _, link := range links {
		unary = append(unary, link.Unary)
		stream = append(stream, link.Stream)
	}
	return []grpc.ServerOption{Codec(), grpc.ChainUnaryInterceptor(unary...), grpc.ChainStreamInterceptor(stream...)}
}
