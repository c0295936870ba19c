package intercept

import (
	"context"

	"google.golang.org/grpc"

	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/limit"
)

// rateLink takes each call from the budgets of its credential and its business. It
// stands behind the authentication, which says whose they are. What our own programs
// pass on in somebody's name was counted where it came in.
func rateLink(limits *limit.Limits, loopbackRelays bool) Link {
	return Link{
		Name: Rate,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			done, err := budget(ctx, limits, loopbackRelays, info.FullMethod)
			if err != nil {
				return nil, err
			}
			defer done()
			return handler(ctx, req)
		},
		Stream: func(srv any, s grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			done, err := budget(s.Context(), limits, loopbackRelays, info.FullMethod)
			if err != nil {
				return err
			}
			defer done()
			return handler(srv, s)
		},
	}
}

// budget takes one call from the budgets. Calls of nobody, which only public methods
// get, have none.
func budget(ctx context.Context, limits *limit.Limits, loopbackRelays bool, method string) (done func(), err error) {
	p, known := identity.FromContext(ctx)
	if limits == nil || !known || limit.CallerOf(ctx, loopbackRelays).Relay {
		return func() {}, nil
	}
	class := limit.Of(method)
	if done, err = limits.Rates.Take(p, class); err != nil {
		limits.Refused(limit.Rate, class)
	}
	return done, err
}
