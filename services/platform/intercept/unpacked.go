package intercept

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// unpackedLink refuses calls whose messages are compressed, before one is read. No
// message of ours is large enough for it to pay, and a small one could be a bomb.
// That nobody registers a way to unpack would do as well, but libraries that the
// program is linked with do.
func unpackedLink() Link {
	return Link{
		Name: Unpacked,
		Unary: func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			if err := unpacked(ctx); err != nil {
				return nil, err
			}
			return handler(ctx, req)
		},
		Stream: func(srv any, s grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			if err := unpacked(s.Context()); err != nil {
				return err
			}
			return handler(srv, s)
		},
	}
}

// unpacked refuses a call that says that its messages are compressed. The code is
// what gRPC asks for where a server does not know how to unpack ("Compression",
// https://github.com/grpc/grpc/blob/master/doc/compression.md).
func unpacked(ctx context.Context) error {
	stream, ok := grpc.ServerTransportStreamFromContext(ctx).(interface{ RecvCompress() string })
	if !ok {
		return nil
	}
	if coding := stream.RecvCompress(); coding != "" && coding != "identity" {
		return apierr.New(codes.Unimplemented, fitmentv1.ErrorInfo_MALFORMED_REQUEST,
			"the messages are compressed (%.40q); expected them as they are", coding)
	}
	return nil
}
