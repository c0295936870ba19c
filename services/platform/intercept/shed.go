package intercept

import (
	"context"

	"google.golang.org/grpc"

	"beltwright.example/services/platform/limit"
)

// shedLink lets only so many calls of a class run, and refuses those for which
// there is no room soon: before anything is spent on them but their headers. Calls
// that last as long as their caller likes take no room.
func shedLink(limits *limit.Limits) Link {
	return Link{
		Name: Shed,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			leave, err := room(ctx, limits, info.FullMethod)
			if err != nil {
				return nil, err
			}
			defer leave()
			return handler(ctx, req)
		},
		Stream: func(srv any, s grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			leave, err := room(s.Context(), limits, info.FullMethod)
			if err != nil {
				return err
			}
			defer leave()
			return handler(srv, s)
		},
	}
}

// room takes room for a call.
func room(ctx context.Context, limits *limit.Limits, method string) (leave func(), err error) {
	if limits == nil {
		return func() {}, nil
	}
	leave, err = limits.Gates.Enter(ctx, method, limit.Claimed(ctx))
	if err != nil && ctx.Err() == nil {
		limits.Refused(limit.Shed, limit.Of(method))
	}
	return leave, err
}
