package auth

import (
	"context"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/policy"
)

// Authenticate returns a context that carries the principal of the call that
// ctx serves. Public methods pass as they are; everything else needs a
// credential, and a method path that is not "/service/method" is refused.
func Authenticate(ctx context.Context, verifier Verifier, fullMethod string) (context.Context, error) {
	if !strings.HasPrefix(fullMethod, "/") || strings.Count(fullMethod, "/") != 2 || strings.HasSuffix(fullMethod, "/") {
		return nil, apierr.New(codes.Unimplemented, fitmentv1.ErrorInfo_ROUTE_UNKNOWN,
			"malformed method path; expected /package.Service/Method")
	}
	if policy.Public(fullMethod) {
		return ctx, nil
	}
	key, ok := Bearer(ctx)
	if !ok {
		return nil, Invalid()
	}
	principal, err := verifier.Verify(ctx, key)
	if err != nil {
		return nil, err
	}
	return identity.NewContext(ctx, principal), nil
}

// Unary authenticates unary calls.
func Unary(verifier Verifier) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
		ctx, err := Authenticate(ctx, verifier, info.FullMethod)
		if err != nil {
			return nil, err
		}
		return handler(ctx, req)
	}
}
