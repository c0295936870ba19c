package intercept

import (
	"context"

	"google.golang.org/grpc"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
)

// authLink authenticates calls and notes who is calling for the log.
func authLink(verifier auth.Verifier) Link {
	unary, stream := auth.Unary(verifier), auth.Stream(verifier)
	return Link{
		Name: Auth,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			return unary(ctx, req, info, func(ctx context.Context, req any) (any, error) {
				noteCaller(ctx)
				return handler(ctx, req)
			})
		},
		Stream: func(srv any, s grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			return stream(srv, s, info, func(srv any, s grpc.ServerStream) error {
				noteCaller(s.Context())
				return handler(srv, s)
			})
		},
	}
}

func noteCaller(ctx context.Context) {
	if who, ok := ctx.Value(callerKey{}).(*caller); ok {
		who.principal, _ = identity.FromContext(ctx)
	}
}
