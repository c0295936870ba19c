package intercept

import (
	"context"

	"google.golang.org/grpc"

	"beltwright.example/services/platform/requestid"
)

// requestLink gives the call the id of the request that it is made for, the caller's
// or a new one, and tells the caller in the trailer: a header would go out before the
// status, and a client that has had a header does not try a read again. It stands
// even before recovery, so that the line of a panic has the id too.
func requestLink() Link {
	return Link{
		Name: Request,
		Unary: func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			ctx, told := requestid.Incoming(ctx)
			_ = grpc.SetTrailer(ctx, told) // fails where there is no transport, in tests
			return handler(ctx, req)
		},
		Stream: func(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			ctx, told := requestid.Incoming(stream.Context())
			_ = grpc.SetTrailer(ctx, told)
			return handler(srv, &withContext{ServerStream: stream, ctx: ctx})
		},
	}
}
