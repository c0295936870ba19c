package intercept

import (
	"context"
	"errors"

	"google.golang.org/grpc"
)

// goneLink ends calls whose caller has already left. One who opens calls and resets
// them at once (CVE-2023-44487) costs two small frames each; without this link each
// would be verified, counted and logged, and everybody else would wait behind them.
// Nobody reads the answer, so one serves for all.
func goneLink() Link {
	answer := cancelled()
	return Link{
		Name: Gone,
		Unary: func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			if errors.Is(ctx.Err(), context.Canceled) {
				return nil, answer
			}
			return handler(ctx, req)
		},
		Stream: func(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			if errors.Is(stream.Context().Err(), context.Canceled) {
				return answer
			}
			return handler(srv, stream)
		},
	}
}
