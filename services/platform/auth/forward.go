package auth

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
)

// Forward returns the dial options of a connection that passes the credential
// of the call being served on to the calls it makes. An outgoing call that
// already carries a credential keeps its own.
func Forward() []grpc.DialOption {
	return []grpc.DialOption{
		grpc.WithChainUnaryInterceptor(forwardUnary),
		grpc.WithChainStreamInterceptor(forwardStream),
	}
}

func forwardUnary(
	ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
) error {
	return invoke(forward(ctx), method, req, reply, conn, opts...)
}

func forwardStream(
	ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption,
) (grpc.ClientStream, error) {
	return open(forward(ctx), desc, conn, method, opts...)
}

func forward(ctx context.Context) context.Context {
	if md, ok := metadata.FromOutgoingContext(ctx); ok && len(md.Get(Header)) > 0 {
		return ctx
	}
	key, ok := Bearer(ctx)
	if !ok {
		return ctx
	}
	return WithKey(ctx, key)
}
